"""``linecheck`` as a process of its own that need not import anything: forked from one that has imported it all.

Starting Python and importing takes most of a second, a small command a few milliseconds. Each command still has its
own arguments, folder, streams, signals, limits and ending; what only a program that starts anew shows (what it
imports, what it does about its environment, that it has no streams) is tested with one.
"""

import atexit
import contextlib
import ctypes
import fcntl
import functools
import gc
import importlib
import json
import os
import signal
import socket
import subprocess
import sys
import termios
import threading
import time
from subprocess import DEVNULL, PIPE

MAX_MESSAGE = 1 << 20
CAPABILITY_VERSION = 0x20080522
#: CAP_DAC_OVERRIDE and CAP_DAC_READ_SEARCH.
OVERRIDES = 1 << 1 | 1 << 2


@functools.cache
def _server():
    """The connection to the process that forks commands; it ends with this one."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    process = subprocess.Popen(
        [sys.executable, __file__, str(theirs.fileno())],
        stdin=DEVNULL,
        stdout=DEVNULL,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        pass_fds=[theirs.fileno()],
        start_new_session=True,
    )
    theirs.close()

    def end():
        ours.close()
        process.wait(20)

    atexit.register(end)
    return ours


class Forked:
    """A command that runs; as far as tests need it a :class:`subprocess.Popen`.

    Parameters
    ----------
    folder : Path
        The current folder of the command.
    arguments : sequence of str, bytes or Path
    stdin, stdout, stderr : int or file
        As for :class:`subprocess.Popen`.
    text : bool
        Whether the pipes are of text, and not of bytes.
    **how
        ``address_space`` and ``file_size`` are limits in bytes; ``held_back`` takes from root what lets it write
        everywhere; ``full_after`` fills the disk once a run was recorded and so many files have taken their names;
        ``session`` makes it the leader of a new session, with the terminal that it has as standard input;
        ``environment`` is added to the environment. ``program`` is a module whose ``main`` is called in place of
        linecheck's; it is imported once, before the first such fork.
    announced : int, optional
        A pipe on which it says what it is doing, as ``announced_run.py`` has it.
    """

    def __init__(
        self, folder, arguments, *, stdin=DEVNULL, stdout=PIPE, stderr=PIPE, text=False, announced=None, **how
    ):
        self.args = arguments
        self.returncode = None
        theirs, self._close = [], []
        self.stdin = self._stream(stdin, theirs, 0, text)
        self.stdout = self._stream(stdout, theirs, 1, text)
        self.stderr = self._stream(stderr, theirs, 1, text)
        self._status, status = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        asked = {
            "folder": os.path.abspath(folder),  # of this process, not of the one that forks
            "arguments": [os.fsencode(argument).decode("latin-1") for argument in arguments],
            **how,
        }
        announced = [] if announced is None else [announced]
        socket.send_fds(_server(), [json.dumps(asked).encode()], [status.fileno(), *theirs, *announced])
        status.close()
        for descriptor in self._close:
            os.close(descriptor)
        self.pid = int(self._status.recv(100))

    def _stream(self, given, theirs, end, text):
        """Put the command's end of a stream into ``theirs``, and return this process's end of a pipe."""
        if given == PIPE:
            ends = os.pipe()
            theirs.append(ends[end])
            self._close.append(ends[end])
            mode = "r" if end else "w"
            own = ends[1 - end]
            return open(own, mode, encoding="utf-8") if text else open(own, f"{mode}b", 0 if end == 0 else -1)
        if given == DEVNULL:
            given = os.open(os.devnull, os.O_RDWR)
            self._close.append(given)
        theirs.append(given if isinstance(given, int) else given.fileno())
        return None

    def send_signal(self, number):
        with contextlib.suppress(ProcessLookupError):  # it may have ended by itself
            os.kill(self.pid, number)

    def kill(self):
        self.send_signal(signal.SIGKILL)

    def poll(self):
        """Return how it ended; None as long as it runs."""
        return self._ended(0.0)

    def wait(self, timeout=60.0):
        """Return how it ended; what does not end in time is killed."""
        if self._ended(timeout) is None:
            self.kill()
            raise TimeoutError(f"linecheck {self.args} did not end within {timeout} s")
        return self.returncode

    def _ended(self, timeout):
        if self.returncode is None:
            self._status.settimeout(timeout)
            try:
                self.returncode = int(self._status.recv(100))
            except (TimeoutError, BlockingIOError):
                return None
            self._status.close()
        return self.returncode

    def communicate(self, input=None, timeout=60.0):  # noqa: A002 - as subprocess has it
        """Write to standard input, wait for the end, and return all of standard output and standard error."""
        read = {}
        threads = [
            threading.Thread(target=lambda name, stream: read.update({name: stream.read()}), args=entry)
            for entry in (("out", self.stdout), ("err", self.stderr))
            if entry[1] is not None
        ]
        for thread in threads:
            thread.start()
        if self.stdin is not None:
            try:
                if input:
                    self.stdin.write(input)
                self.stdin.close()
            except BrokenPipeError:
                pass
        self.wait(timeout)
        for thread in threads:
            thread.join()
        self.close()
        return read.get("out"), read.get("err")

    def close(self):
        for stream in (self.stdin, self.stdout, self.stderr):
            if stream is not None:
                stream.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if self.returncode is None:
            self.wait()
        self.close()


def start(folder, *arguments, **how):
    """Start a command, with the options of :class:`Forked`."""
    return Forked(folder, arguments, **how)


def run(folder, *arguments, input=None, timeout=60.0, **how):  # noqa: A002 - as subprocess has it
    """Run a command to its end; return its exit status, standard output and standard error."""
    if input is not None:
        how["stdin"] = PIPE
    process = Forked(folder, arguments, **how)
    out, err = process.communicate(input, timeout)
    return process.returncode, out, err


def serve(descriptor):
    """Fork a command for each message, until nobody can send any."""
    warm_up()
    gc.freeze()  # else each command copies the pages that a collection marks
    asking = socket.socket(fileno=descriptor)
    while True:
        reap()
        message, descriptors, *_ = socket.recv_fds(asking, MAX_MESSAGE, 5)
        if not message:
            return reap(2.0)
        asked = json.loads(message)
        if "program" in asked:
            importlib.import_module(asked["program"])
            gc.freeze()
        if os.fork() == 0:
            asking.close()
            return watched(asked, descriptors)
        for opened in descriptors:
            os.close(opened)


def warm_up():
    """Import all that commands need, and run some: what is imported or compiled as it is first used is there then."""
    import pkgutil
    import tempfile
    from pathlib import Path

    from small_run import write_small_files, write_small_set

    import linecheck.cli

    before = os.listdir("/proc/self/fd")
    for module in pkgutil.walk_packages(linecheck.cli.__path__, "linecheck.cli."):
        importlib.import_module(module.name)
    with contextlib.suppress(ImportError):
        importlib.import_module("psycopg")
    with tempfile.TemporaryDirectory() as folder, open(os.devnull, "w", encoding="utf-8") as nowhere:
        station = write_small_files(Path(folder))
        write_small_set(Path(folder) / "set")
        with (
            contextlib.chdir(folder),
            contextlib.redirect_stdout(nowhere),
            contextlib.redirect_stderr(nowhere),
        ):
            for arguments in (
                ["run", *station, "--serial", "PR3-000001", "--keep-captures"],
                ["judge", "set", *station[2:], "--json", "result.json", "--junit", "junit.xml"],
                ["log", "show", "PR3-000001"],
                ["log", "verify"],
            ):
                sys.argv = ["linecheck", *arguments]
                with contextlib.suppress(SystemExit):
                    linecheck.cli.main()
    # A command inherits neither a file nor a lock that another thread holds.
    assert os.listdir("/proc/self/fd") == before
    assert len(os.listdir("/proc/self/task")) == 1


def reap(seconds=0.0):
    """Wait for the commands that have ended, or do so in time: so what they took counts as the tests' own."""
    end = time.monotonic() + seconds
    with contextlib.suppress(ChildProcessError):
        while os.waitpid(-1, os.WNOHANG)[0] or time.monotonic() < end:
            time.sleep(0.001)


def watched(asked, descriptors):
    """Fork the command, wait for it, and say how it ended."""
    status, *streams = descriptors
    child = os.fork()
    if child == 0:
        os.close(status)
        return command(asked, streams)
    for opened in streams:
        os.close(opened)
    telling = socket.socket(fileno=status)
    telling.send(str(child).encode())
    _, code = os.waitpid(child, 0)
    with contextlib.suppress(OSError):  # nobody may want to know any more
        telling.send(str(os.waitstatus_to_exitcode(code)).encode())
    os._exit(0)


def command(asked, streams):
    """Be the command, in the process that was forked for it."""
    import resource

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.default_int_handler if number == signal.SIGINT else signal.SIG_DFL)
    if asked.get("session"):
        os.setsid()
    os.chdir(asked["folder"])
    streams, announced = streams[:3], streams[3:]
    for descriptor, opened in enumerate(streams):
        os.dup2(opened, descriptor)
    for opened in streams:
        if opened > 2:
            os.close(opened)
    if asked.get("session") and os.isatty(0):
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)
    os.environ.update(asked.get("environment", {}))
    facts = {"encoding": "utf-8", "closefd": False}
    sys.stdin = open(0, errors="surrogateescape", **facts)  # noqa: SIM115
    sys.stdout = open(1, "w", **facts)  # noqa: SIM115
    sys.stderr = open(2, "w", buffering=1, errors="backslashreplace", **facts)  # noqa: SIM115
    sys.argv = ["linecheck", *(os.fsdecode(argument.encode("latin-1")) for argument in asked["arguments"])]
    if "address_space" in asked:
        resource.setrlimit(resource.RLIMIT_AS, (asked["address_space"],) * 2)
    if "file_size" in asked:
        resource.setrlimit(resource.RLIMIT_FSIZE, (asked["file_size"], resource.RLIM_INFINITY))
    if asked.get("held_back"):
        hold_back()
    if "full_after" in asked:
        fill_disk_after(asked["full_after"])
    if announced:
        from announced_run import announce

        announce(*announced)
    try:
        importlib.import_module(asked.get("program", "linecheck.cli")).main()
    except SystemExit as end:
        if not isinstance(end.code, int):
            raise
        leave(end.code)


def leave(status):
    """End as Python does, but free nothing: what is freed is copied first, page by page."""
    threading._shutdown()
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        stream.flush()
    os._exit(status)


def hold_back():
    """Take from root what lets it read and write everywhere (capset(2)); others have nothing to lose."""
    libc = ctypes.CDLL(None, use_errno=True)
    header = (ctypes.c_uint32 * 2)(CAPABILITY_VERSION, 0)
    sets = (ctypes.c_uint32 * 6)()  # effective, permitted, inheritable; the low halves first
    if libc.capget(header, sets) == 0:
        for at in range(3):
            sets[at] &= ~OVERRIDES
        if libc.capset(header, sets) == 0:
            return
    raise OSError(ctypes.get_errno(), "root cannot be held back")


def fill_disk_after(files):
    """Let the disk be full once a run was recorded and so many files have taken their names."""
    import resource

    from linecheck.log import Log

    append, left, recorded = Log.append, files, False

    def appended(self, outcome):
        nonlocal recorded
        stored = append(self, outcome)
        recorded = True
        return stored

    def hear(event, _):
        nonlocal left
        if event == "tempfile.mkstemp" and recorded and left == 0:
            resource.setrlimit(resource.RLIMIT_FSIZE, (0, resource.RLIM_INFINITY))
        if event == "os.rename":
            left -= 1

    Log.append = appended
    sys.addaudithook(hear)


if __name__ == "__main__":
    serve(int(sys.argv[1]))
