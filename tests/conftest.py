"""What all tests share."""

import os

import pytest
from hypothesis import settings

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
        words = f"needs {missing} (Debian: apt-get install pulseaudio libportaudio2 libasound2-plugins)"
        if os.environ.get("CI") == "true":
            pytest.fail(words)
        pytest.skip(words)
    with PulseServer() as server:
        yield server
