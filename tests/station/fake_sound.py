"""A stand-in for sounddevice: streams that a thread drives in real time, with faults on demand.

What is played is captured ``delay_blocks`` later. Blocks have 80 frames; at 8 kHz that is 10 ms.
"""

import threading
import time
from collections import deque
from types import SimpleNamespace

import numpy as np

FRAMES = 80
FLAGS = ("input_underflow", "input_overflow", "output_underflow", "output_overflow", "priming_output")


class Status(SimpleNamespace):
    """A block's flags, as sounddevice gives them."""

    def __bool__(self):
        return any(vars(self).values())


class FakeSound:
    """The module.

    ``flags`` maps a block, counted from the first stimulus on, to the names of the flags that come with it.
    ``speed`` is the device's clock over the computer's, ``true_rate`` what the driver says of it. It ends its
    streams after ``stops_after`` blocks of the first stimulus, and gives no more after ``stalls_after``.
    ``refuses`` is PortAudio's error code for opening. ``spoil`` changes captured blocks. ``slips`` maps a block,
    counted likewise, to how many blocks are lost there with no flag.
    """

    class PortAudioError(Exception):
        pass

    def __init__(
        self,
        devices=("unit", "monitor"),
        host_api="ALSA",
        *,
        flags=None,
        speed=1.0,
        stops_after=None,
        stalls_after=None,
        refuses=None,
        true_rate=1.0,
        delay_blocks=3,
        spoil=None,
        slips=None,
    ):
        self.devices, self.host_api = devices, host_api
        self.flags, self.speed = flags or {}, speed
        self.stops_after, self.stalls_after = stops_after, stalls_after
        self.refuses, self.true_rate, self.spoil = refuses, true_rate, spoil
        self.slips = slips or {}
        self.line = deque([None] * delay_blocks)
        self.opened, self.streams = [], []
        self.last_out = None
        self._block = 0
        self._lock = threading.Lock()
        threading.Thread(target=self._drive, daemon=True).start()

    def query_hostapis(self):
        return [{"name": self.host_api}]

    def query_devices(self):
        return [
            {"name": name, "hostapi": 0, "max_input_channels": 4, "max_output_channels": 4}
            for name in self.devices
        ]

    def get_portaudio_version(self):
        return 0, "PortAudio made up for tests"

    def WasapiSettings(self, **settings):
        return settings

    def InputStream(self, **settings):
        return FakeStream(self, "input", settings)

    def OutputStream(self, **settings):
        return FakeStream(self, "output", settings)

    def Stream(self, **settings):
        return FakeStream(self, "both", settings)

    def _drive(self):
        due = last_used = time.perf_counter()
        while due - last_used < 5.0:
            due += FRAMES / 8000 / self.speed
            time.sleep(max(due - time.perf_counter(), 0.0))
            with self._lock:
                if any(stream.kind != "input" for stream in self.streams):
                    last_used = due
                    self._one_block()

    def _one_block(self):
        sounding = self.last_out is not None and np.any(self.last_out)
        if self._block or sounding:
            self._block += 1
        if self.stalls_after is not None and self._block > self.stalls_after:
            return
        status = Status(**dict.fromkeys(FLAGS, False))
        for name in self.flags.get(self._block, ()):
            setattr(status, name, True)
        times = SimpleNamespace(outputBufferDacTime=5.01, currentTime=5.0)
        for _ in range(self.slips.get(self._block, 0)):
            self.line.popleft()
        block = self.line.popleft()
        for stream in list(self.streams):
            stream.run(block, times, status)
        self.line.append(self.last_out)
        if self.stops_after is not None and self._block > self.stops_after:
            for stream in self.streams:
                stream.settings["finished_callback"]()
            self.streams.clear()


class FakeStream:
    """A stream of it."""

    latency = (0.01, 0.01)

    def __init__(self, module, kind, settings):
        if module.refuses is not None:
            raise module.PortAudioError("Error opening", module.refuses)
        self.module, self.kind, self.settings = module, kind, settings
        self.samplerate = settings["samplerate"] * module.true_rate
        if kind != "both":
            self.latency = 0.01
        module.opened.append((kind, settings))

    def _setting(self, name, half):
        value = self.settings[name]
        return value[half] if self.kind == "both" else value

    def run(self, block, times, status):
        callback, arrays = self.settings["callback"], []
        if self.kind != "output":
            captured = np.zeros((FRAMES, self._setting("channels", 0)), self._setting("dtype", 0))
            if block is not None:
                width = min(captured.shape[1], block.shape[1])
                captured[:, :width] = block[:, :width]
            if self.module.spoil is not None:
                self.module.spoil(captured)
            arrays.append(captured)
        if self.kind != "input":
            out = np.full((FRAMES, self._setting("channels", 1)), 99, self._setting("dtype", 1))
            arrays.append(out)
            self.module.last_out = out
        callback(*arrays, FRAMES, times, status)

    def start(self):
        with self.module._lock:
            self.module.streams.append(self)

    def abort(self):
        with self.module._lock:
            if self in self.module.streams:
                self.module.streams.remove(self)

    def close(self):
        self.abort()
