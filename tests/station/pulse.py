"""A PulseAudio daemon of our own, so that the whole sound path is tested without hardware.

What is played into a null sink comes back from the sink's monitor. The daemon, ALSA's configuration and
PulseAudio's cookie live in a folder of their own, and nothing of the user's own sound server is touched.
PortAudio reads ALSA's configuration when it is loaded, so what plays over the sinks is a process of its own
with :attr:`PulseServer.environment`.

For each of :data:`SINKS` there are three devices: ``unit`` plays into it, ``unit_monitor`` captures from it,
and ``unit_loop`` does both as one device.
"""

import os
import shutil
import signal
import subprocess
import tempfile
import time
from ctypes.util import find_library
from pathlib import Path

#: Sink -> sampling rate.
SINKS = {"unit": 192_000, "unit_44": 44_100, "unit_48": 48_000}

_DEVICES = """\
pcm.{name} {{ type pulse device {name} }}
pcm.{name}_monitor {{ type pulse device {name}.monitor }}
pcm.{name}_loop {{ type asym playback.pcm "{name}" capture.pcm "{name}_monitor" }}
"""

_ALSA_PLUGIN = "alsa-lib/libasound_module_pcm_pulse.so"


def missing_programs():
    """Return what the sound path lacks on this machine, in words; empty where it lacks nothing."""
    found = {
        "PulseAudio": shutil.which("pulseaudio") and shutil.which("pactl"),
        "PortAudio": find_library("portaudio"),
        "ALSA's pulse plug-in": any(Path("/usr/lib").glob(f"*/{_ALSA_PLUGIN}")),
    }
    return ", ".join(name for name, there in found.items() if not there)


class PulseServer:
    """The daemon. A context manager: it runs inside and is gone after it, with its folder."""

    def __init__(self):
        # The path of a socket is short by law: the folder of a test's temporary files may be too long.
        self._folder = Path(tempfile.mkdtemp(prefix="linecheck-pulse-"))
        home, runtime = self._folder / "home", self._folder / "run"
        home.mkdir()
        runtime.mkdir(mode=0o700)
        (home / ".asoundrc").write_text("".join(_DEVICES.format(name=name) for name in SINKS))
        kept = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("PULSE_", "DBUS_", "ALSA_", "PA_"))
        }
        self.environment = kept | {"HOME": str(home), "XDG_RUNTIME_DIR": str(runtime)}
        self._process = None

    def start(self):
        """Start it, unless it runs."""
        if self._process is not None and self._process.poll() is None:
            return
        shutil.rmtree(self._folder / "run" / "pulse", ignore_errors=True)
        command = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1"]
        command += ["-L", "module-native-protocol-unix"]
        for name, rate_hz in SINKS.items():
            # Without norewinds an idle sink is two seconds ahead, and whoever starts to play waits for it.
            module = f"sink_name={name} rate={rate_hz} format=float32le channels=2 norewinds=1"
            command += ["-L", f"module-null-sink {module}"]
        with open(self._folder / "pulseaudio.log", "w") as log:
            self._process = subprocess.Popen(
                command, env=self.environment, stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        deadline = time.monotonic() + 20.0
        while self._pactl("info", check=False).returncode != 0:
            if self._process.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError(
                    f"PulseAudio does not start: {(self._folder / 'pulseaudio.log').read_text()}"
                )
            time.sleep(0.02)

    def kill(self):
        """Let it die as in a crash."""
        self._signal(signal.SIGKILL)
        self._process.wait(10)

    def freeze(self):
        """Let it hang: it holds its connections and answers nothing."""
        self._signal(signal.SIGSTOP)

    def thaw(self):
        """Let it go on."""
        self._signal(signal.SIGCONT)

    def set_volume(self, sink, volume):
        """Set the volume of a sink, as its level control does."""
        self._pactl("set-sink-volume", sink, volume)

    def streams(self):
        """Return how many playback and capture streams are connected."""
        lists = [self._pactl("list", "short", kind).stdout for kind in ("sink-inputs", "source-outputs")]
        return sum(len(text.splitlines()) for text in lists)

    def _pactl(self, *arguments, check=True):
        return subprocess.run(
            ["pactl", *arguments],
            env=self.environment,
            capture_output=True,
            text=True,
            check=check,
            timeout=20,
        )

    def _signal(self, number):
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def __enter__(self):
        self.start()
        return self

    def __exit__(self, *_):
        self.thaw()
        self.kill()
        shutil.rmtree(self._folder, ignore_errors=True)
