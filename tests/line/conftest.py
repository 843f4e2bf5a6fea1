"""What the tests of a line share: a station at work, and a list that hears what happens there."""

from contextlib import contextmanager

import pytest
from small_run import LIMITS, STATION, write_small_files

from linecheck.line.session import opened_session
from linecheck.station.config.load import load_station

#: A limit file of one check, which takes a moment.
ONE_CHECK = LIMITS.split("  quiet:")[0] + (
    "  tone:\n    kind: tone\n    stimulus: {seconds: 0.25}\n    masks:\n      thd: {pass: {max: -80}}\n"
    "      hum: {pass: {max: -100}}\n"
)


@pytest.fixture
def at_work(tmp_path, monkeypatch):
    """Return a function that opens a small station in a folder of its own, and gives the session and what is heard."""
    monkeypatch.chdir(tmp_path)

    @contextmanager
    def opened(*, limits=ONE_CHECK, station=STATION, **options):
        heard = []
        write_small_files(tmp_path, limits=limits, station=station)
        options = {"listener": heard.append, **options}
        with opened_session(load_station("station.toml"), "limits.yaml", **options) as session:
            yield session, heard

    return opened
