"""The tone that tells a verdict: what is played, on which device, and that it changes nothing."""

import sys
import types

import numpy as np
import pytest
from made_runs import made_run
from small_run import STATION

from linecheck.errors import LinecheckError
from linecheck.limits.verdict import Verdict
from linecheck.line.events import UnitRefused, VerdictKnown
from linecheck.line.tone import VerdictTone, tone
from linecheck.station.config.load import load_station
from linecheck.station.config.screen import ScreenConfig

RUN = made_run(released=True)
KNOWN = VerdictKnown(RUN.run_id, RUN.serial, RUN, RUN.verdict, 1)


def test_the_words_differ_in_rhythm_and_begin_and_end_without_a_click():
    words = ("pass", "fail", "hold", "else")
    for word in words:
        samples = tone(word)
        assert np.max(np.abs(samples)) <= 1.0
        assert samples[0] == 0.0
        assert abs(samples[-1]) < 0.01
    assert len({len(tone(word)) for word in words}) == len(words)


@pytest.fixture
def played(monkeypatch):
    """What a sound library that is not there is given."""
    found = []

    class OutputStream:
        def __init__(self, rate, **options):
            self.options = options

        def __enter__(self):
            return self

        def __exit__(self, *_):
            pass

        def write(self, samples):
            found.append((self.options["device"], float(np.max(np.abs(samples)))))

    monkeypatch.setitem(sys.modules, "sounddevice", types.SimpleNamespace(OutputStream=OutputStream))
    monkeypatch.setattr("threading.Thread.start", lambda thread: thread.run())
    return found


def test_it_plays_on_the_device_that_is_named_at_its_level(played):
    told = VerdictTone(ScreenConfig(tone_device="Desk", tone_level_dbfs=-20.0))
    told(KNOWN)
    told(UnitRefused("x", "no"))
    assert [device for device, _ in played] == ["Desk", "Desk"]
    assert all(level == pytest.approx(0.1, rel=0.01) for _, level in played)


def test_it_is_off_unless_a_device_is_named(played):
    VerdictTone(ScreenConfig())(KNOWN)
    assert played == []


def test_a_device_that_fails_changes_nothing(monkeypatch, caplog):
    monkeypatch.setitem(sys.modules, "sounddevice", types.SimpleNamespace())
    monkeypatch.setattr("threading.Thread.start", lambda thread: thread.run())
    VerdictTone(ScreenConfig(tone_device="Desk"))(KNOWN)
    assert "could not be played" in caplog.text


def test_a_run_that_could_not_be_recorded_sounds_as_no_pass(played, monkeypatch):
    heard = []
    monkeypatch.setattr("linecheck.line.tone.tone", lambda word: heard.append(word) or np.zeros(8))
    VerdictTone(ScreenConfig(tone_device="Desk"))(
        VerdictKnown(RUN.run_id, RUN.serial, RUN, Verdict.INVALID, None)
    )
    assert heard == ["else"]


def test_a_device_of_the_test_path_is_refused(tmp_path):
    path = tmp_path / "station.toml"
    sound = STATION.replace('interface = "simulated"', 'interface = "sound"').partition("[simulated]")[0]
    named = sound.replace("[capture]\n", '[playback]\ndevice = "unit"\n[capture]\ndevice = "unit_monitor"\n')
    path.write_text(f'{named}[screen]\ntone_device = "unit"\n', encoding="utf-8")
    with pytest.raises(LinecheckError, match="in the test path"):
        load_station(path)
