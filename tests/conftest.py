"""What all tests share."""

import gc
import os
import signal
import textwrap

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does, before NumPy is imported
# Programs whose files may not grow (a full disk) would leave bytecode by half, which every later program stumbles over.
os.environ["PYTHONDONTWRITEBYTECODE"] = "1"

import pytest
from hypothesis import settings
from needed import lacking

pytest_plugins = ["pytester"]

# Under nohup or in the background these come ignored, and every process that a test starts would ignore them too.
for number, handler in (
    (signal.SIGINT, signal.default_int_handler),
    (signal.SIGHUP, signal.SIG_DFL),
    (signal.SIGTERM, signal.SIG_DFL),
):
    if signal.getsignal(number) is signal.SIG_IGN:
        signal.signal(number, handler)

#: Of collections of garbage, which took a tenth of the time of all tests; and what they are for a user.
SELDOM, USUAL = (10_000, 20, 20), gc.get_threshold()
gc.set_threshold(*SELDOM)


def pytest_collection_finish():
    """Leave what is there before any test out of every collection."""
    gc.freeze()


settings.register_profile("linecheck", deadline=None, derandomize=True)
settings.load_profile("linecheck")


@pytest.fixture(scope="session")
def pulse_server():
    """A running PulseAudio of our own, with null sinks; each worker of the test run has one.

    Without the programs the tests skip and say what they need, but in CI they fail: there they must run.
    """
    from station.pulse import PulseServer, missing_programs

    missing = missing_programs()
    if missing:
        lacking(f"needs {missing} (Debian: apt-get install pulseaudio libportaudio2 libasound2-plugins)")
    with PulseServer() as server:
        yield server


@pytest.fixture(scope="session")
def postgres():
    """A running PostgreSQL server of our own; each worker of the test run has one."""
    from postgres_server import PostgresServer

    with PostgresServer() as server:
        yield server


@pytest.fixture
def usual_collection():
    """Garbage is collected as often as it is for a user: a test of how much memory is taken needs that."""
    gc.collect()
    gc.set_threshold(*USUAL)
    yield
    gc.set_threshold(*SELDOM)


@pytest.fixture
def write(tmp_path, monkeypatch):
    """Write files into an empty folder that is the current one, so that messages name them shortly."""
    monkeypatch.chdir(tmp_path)

    def write(text: str | bytes, name: str = "r3.yaml") -> str:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else textwrap.dedent(text).encode())
        return name

    return write
