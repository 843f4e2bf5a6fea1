"""A station's server in a process of its own, as somebody starts it."""

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path

from small_run import LIMITS, STATION, write_small_files

#: A limit file of one check: a unit takes a third of a second. Its hum limit parts the simulated units of a batch.
QUICK = LIMITS.split("  quiet:")[0] + (
    "  tone:\n    kind: tone\n    stimulus: {seconds: 0.25}\n    masks:\n      thd: {pass: {max: -80}}\n"
    "      balance: {pass: {min: -0.015, max: 0.015}}\n"
)
SPREAD = STATION + "seed = 7\nspread = 1.0\n"


def free_port():
    """Return a port that nothing listens at."""
    with socket.create_server(("127.0.0.1", 0)) as found:
        return found.getsockname()[1]


def children(parent, word):
    """Return the processes that a process has started with this word in their command."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError):
                status = (entry / "stat").read_text().rpartition(")")[2].split()
                if int(status[1]) == parent and word in (entry / "cmdline").read_bytes():
                    found.append(int(entry.name))
    return found


#: As long as anything takes that a test waits for, many times over.
PATIENCE_SECONDS = 30.0


class Server:
    """The server of a small station in a folder; a context that ends it."""

    def __init__(self, folder, *options, limits=QUICK, station=SPREAD, port=None, environment=None):
        self.folder = Path(folder)
        self.port = port or free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self._arguments = [
            *write_small_files(self.folder, limits=limits, station=station),
            *map(str, options),
        ]
        self._environment = environment or os.environ
        self.process = None
        #: Of the page that operates the station, which the next one goes on with.
        self.key = ""

    def __enter__(self):
        self.start()
        return self

    def __exit__(self, *_):
        self.stop()

    def start(self):
        """Start it, and wait until it answers."""
        self.process = subprocess.Popen(
            [sys.executable, "-m", "linecheck", "serve", "--port", str(self.port), *self._arguments],
            cwd=self.folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
            env={**self._environment, "PYTHONDONTWRITEBYTECODE": "1"},
        )
        until = time.monotonic() + 60
        while time.monotonic() < until and self.process.poll() is None:
            with contextlib.suppress(OSError):
                # The log is there once the station is.
                if self.request("/standing")[0] in (200, 401):
                    return
            time.sleep(0.05)
        raise AssertionError(self.stop())

    def stop(self, how=signal.SIGINT):
        """End it; return what it has printed."""
        if self.process.poll() is None:
            self.process.send_signal(how)
        try:
            return self.process.communicate(timeout=40)[0]
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self.process.pid, signal.SIGKILL)

    def kill(self):
        """Kill the server and its stations, as a power cut does."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.communicate()

    def station_pids(self):
        """Return the processes that are stations."""
        return children(self.process.pid, b"spawn_main")

    def request(self, path, body=None, **headers):
        """Return status, headers and text of an answer."""
        data = None if body is None else body.encode()
        request = urllib.request.Request(self.url + path, data, {"Host": f"127.0.0.1:{self.port}", **headers})
        try:
            with urllib.request.urlopen(request, timeout=10) as answer:
                return answer.status, dict(answer.headers), answer.read().decode()
        except urllib.error.HTTPError as error:
            return error.code, dict(error.headers), error.read().decode()

    def listen(self, query=None, timeout=60):
        """Return the stream of events of the page that operates, or of another."""
        return Stream(self, query or f"operate=1&key={self.key}", timeout)


class Stream:
    """What a page hears; a context that closes it."""

    def __init__(self, server, query, timeout):
        self.server = server
        self._answer = urllib.request.urlopen(f"{server.url}/events?{query}", timeout=timeout)
        self.role = {}

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._answer.close()

    def events(self):
        """Yield events as (name, data)."""
        name = "message"
        for raw in self._answer:
            line = raw.decode().rstrip("\n")
            if line.startswith("event: "):
                name = line.removeprefix("event: ")
            elif line.startswith("data: ") or line == "data:":
                data = line.removeprefix("data:").strip()
                yield name, json.loads(data) if data else None
                name = "message"

    def until(self, wanted):
        """Return the first nest's state for which this is so."""
        until = time.monotonic() + PATIENCE_SECONDS
        seen = []
        for name, data in self.events():
            assert time.monotonic() < until, seen[-5:]
            if name == "role":
                self.role = data
                self.server.key = data["key"] or self.server.key
            elif name == "message":
                (state, *_) = data["nests"]
                seen.append(state)
                if wanted(state):
                    return state
        raise AssertionError("the stream has ended")

    def until_state(self, *words):
        """Return the first state that is one of these."""
        return self.until(lambda state: state["state"] in words)

    def scan(self, text, **changes):
        """Send a scan as the page does; return status and answer."""
        body = {"key": self.role.get("key"), "page": self.role.get("page"), "text": text, **changes}
        status, _, answer = self.server.request("/scan", json.dumps(body), Origin=self.server.url)
        return status, json.loads(answer)
