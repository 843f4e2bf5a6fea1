"""The gates in a station config: what may be said, and what is refused with its place."""

import pytest

from linecheck.errors import FileFaults
from linecheck.station.config.load import load_station

MINIMAL = 'format = 1\nstation = "bench"\ninterface = "simulated"\nmains_hz = 50\n'
GATES = """
[golden]
serials = ["PR3-900001", "PR3-900002"]
every_hours = 12
margins = {dB = 0.3, "tone.level" = 0.01}
[challenge]
every_hours = 24
[challenge.units.hum]
serial = "PR3-900101"
must_fail = ["tone.sinad.left", "reconstruction@filter=slow.droop_20k"]
nothing_else = true
[gate]
outside = "invalid"
lock_after = 4
"""


def loaded(folder, text):
    path = folder / "station.toml"
    path.write_text(MINIMAL + text, encoding="utf-8")
    return load_station(path).config


def test_every_gate_can_be_said(tmp_path):
    config = loaded(tmp_path, GATES)
    assert config.golden.serials == ("PR3-900001", "PR3-900002")
    assert config.golden.margins == {"dB": 0.3, "tone.level": 0.01}
    assert config.challenge.units["hum"].must_fail[1] == "reconstruction@filter=slow.droop_20k"
    assert config.challenge.units["hum"].nothing_else
    assert (config.gate.outside, config.gate.lock_after) == ("invalid", 4)


def test_a_config_of_old_has_no_gate(tmp_path):
    config = loaded(tmp_path, "")
    assert config.golden is None
    assert config.challenge is None


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("[golden]\nserials = []", "golden.serials", "at least 1"),
        ('[golden]\nserials = ["A1", "A1"]', "golden.serials", "only once"),
        ('[golden]\nserials = ["A1"]\nevery_hours = 0', "golden.every_hours", "more than 0"),
        ('[golden]\nserials = ["A1"]\nmargins = {dB = -1}', "golden.margins.dB", "more than 0"),
        ("[challenge]\nevery_hours = 8", "challenge.units", "missing"),
        ('[challenge.units.hum]\nserial = "A1"\nmust_fail = ["tone"]', "must_fail", "check.metric"),
        ('[challenge.units.hum]\nserial = "A1"\nmust_fail = []', "must_fail", "at least 1"),
        ('[challenge.units."a b"]\nserial = "A1"\nmust_fail = ["a.b"]', "challenge.units", "not a name"),
        ('[gate]\noutside = "warn"', "gate.outside", "refuse"),
        ("[gate]\nlock_after = 1", "gate", "one unit says nothing"),
        (
            '[golden]\nserials = ["A1"]\n[challenge.units.hum]\nserial = "A1"\nmust_fail = ["a.b"]',
            "",
            "is golden and the challenge unit hum",
        ),
    ],
)
def test_what_makes_no_sense_is_refused_with_its_place(tmp_path, text, key, words):
    with pytest.raises(FileFaults) as caught:
        loaded(tmp_path, text)
    (fault,) = caught.value.faults
    assert key in fault.key
    assert words in fault.message
