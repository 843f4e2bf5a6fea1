"""The loop in a station config: what may be said, and what is refused with its place."""

import pytest

from linecheck.errors import FileFaults
from linecheck.station.config.load import load_station

MINIMAL = 'format = 1\nstation = "bench"\ninterface = "simulated"\nmains_hz = 50\n'
LOOP = """
[loop]
kind = "analogue"
every_hours = 12
rate_hz = 48000
shares_clock = true
gain_db = [-3.02, -3.05]
[loop.close]
command = "nest-relay 'loop on'"
[loop.open]
command = "nest-relay 'loop off'"
timeout_seconds = 5
[loop.limits]
noise_dbfs = -105
flat_hz = [20, 40000]
"""


def loaded(folder, text):
    path = folder / "station.toml"
    path.write_text(MINIMAL + text, encoding="utf-8")
    return load_station(path).config


def test_a_loop_can_be_said(tmp_path):
    loop = loaded(tmp_path, LOOP).loop
    assert (loop.kind, loop.every_hours, loop.rate_hz, loop.shares_clock) == ("analogue", 12.0, 48_000, True)
    assert loop.gain_db == (-3.02, -3.05)
    assert loop.close.command == "nest-relay 'loop on'"
    assert loop.open.timeout_seconds == 5.0
    assert (loop.limits.noise_dbfs, loop.limits.flat_hz) == (-105.0, (20.0, 40_000.0))


def test_a_config_of_old_has_no_loop(tmp_path):
    assert loaded(tmp_path, "").loop is None


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        ("[loop]\nevery_hours = 8", "loop.kind", "missing"),
        ('[loop]\nkind = "optical"', "loop.kind", "analogue"),
        ('[loop]\nkind = "digital"\nshares_clock = false', "loop", "carries its clock"),
        ('[loop]\nkind = "analogue"\ngain_db = []', "loop.gain_db", "at least 1"),
        ('[loop]\nkind = "analogue"\nrate_hz = 8000', "loop.rate_hz", "44100"),
        ('[loop]\nkind = "analogue"\n[loop.close]\ncommand = "a \'b"', "loop.close.command", "not a command"),
        ('[loop]\nkind = "analogue"\n[loop.limits]\nflat_hz = [20000, 20]', "loop.limits", "ascend"),
        ('[loop]\nkind = "analogue"\n[loop.limits]\nnoise = 3', "loop.limits.noise", "noise_dbfs"),
    ],
)
def test_what_cannot_be_is_refused_with_its_place(tmp_path, text, key, words):
    with pytest.raises(FileFaults) as caught:
        loaded(tmp_path, text)
    assert any(key in fault.key and words in fault.message for fault in caught.value.faults), caught.value
