"""``linecheck station``: no unit is judged before the station has shown by units that are known that it may."""

from pathlib import Path

import forked_linecheck as forked
import pytest
from made_runs import made_check, made_reading, made_run
from small_run import STATION, call, write_small_files

from linecheck.gates.challenge import unknown_reasons
from linecheck.gates.gatekeeper import SOFTWARE
from linecheck.gates.margins import golden_margins
from linecheck.gates.statements import GATE, about, circumstances
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader, RunFilter
from linecheck.run.plan import check_serial
from linecheck.station.config.load import load_station

pytestmark = pytest.mark.every_python

DATABASE = "results/linecheck.sqlite"
GATES = """
[golden]
serials = ["PR3-900001"]
every_hours = 12
[challenge.units.hum]
serial = "PR3-900101"
must_fail = ["quiet.snr.left", "tone.sinad"]
"""
GOLDEN = ("--serial", "PR3-900001")
BAD = ("--serial", "PR3-900101")
ACCEPT = ("--accept", "--by", "Ada", "--reason", "first reference")


@pytest.fixture
def station(tmp_path, monkeypatch, capsys):
    """Return a command line in an empty folder with a small station that has gates."""
    monkeypatch.chdir(tmp_path)
    files = write_small_files(tmp_path, station=STATION + GATES)
    return lambda *words, also=(): call(monkeypatch, capsys, *words[0].split(), *files, *words[1:], *also)


def logged():
    with LogReader(DATABASE) as log:
        assert log.verify().intact
        return log.runs(), log.statements("gate", "golden_reference")


def stated(*, met=True, gate="golden", serial="PR3-900001"):
    """State a result, as a run of a known unit would."""
    config = load_station("station.toml")
    rests_on = circumstances(config, None, SOFTWARE)
    with Log(DATABASE) as log:
        subject = about("bench", gate, "pellow-r3", serial)
        said = {"met": met, "serial": serial, "reasons": ["moved"] * (not met), "circumstances": rests_on}
        return log.state(GATE, subject, said)


def test_a_station_shows_itself_before_it_judges_a_unit(station):
    status, out, err = station("run", "--serial", "PR3-000001")
    assert (status, out) == (3, "")
    assert "PR3-000001 is not tested: golden was never met" in err
    assert "Nothing was run." in err
    status, out, _ = station("station golden", *GOLDEN, *ACCEPT)
    assert status == 0
    assert "● golden met: PR3-900001, 7 values held against its history (record 2)" in out
    assert out.splitlines()[-1].startswith("✖ units may not be judged: challenge.hum was never met")
    status, out, _ = station("station challenge", *BAD)
    assert status == 1
    assert "✖ challenge.hum NOT MET" in out
    assert "it passes although it is known to be bad: the station misses its fault" in out
    status, _, err = station("run", "--serial", "PR3-000001")
    assert status == 3
    assert "challenge.hum PR3-900101 is not met: it passes although it is known to be bad" in err
    status, out, _ = station("station challenge", *BAD, "--fault", "hum")
    assert status == 0
    assert "✖ FAIL" in out
    assert "● challenge.hum met: PR3-900101 failed as it must (quiet.snr.left, tone.sinad)" in out
    assert out.splitlines()[-1] == "● units may be judged"
    status, out, _ = station("station status")
    assert (status, "● units may be judged" in out) == (0, True)
    status, _, _ = station("run", "--serial", "PR3-000001")
    assert status == 0
    runs, statements = logged()
    assert [run.purpose for run in runs] == ["unit", "challenge", "challenge", "golden"]
    assert [said.kind for said in statements] == ["gate", "gate", "gate", "golden_reference"]
    with LogReader(DATABASE) as log:
        gates = log.record(runs[0].logged.sequence).gates
        assert [run.serial for run in log.runs(RunFilter(purpose="unit"))] == ["PR3-000001"]
        assert log.history("pellow-r3", "PR3-900001") == (), "a golden unit's runs are no attempts"
    assert gates["golden"]["state"] == "met"
    assert gates["challenge.hum"]["record"] == statements[0].sequence
    assert gates["lock"] == {"state": "open"}


def test_a_golden_unit_that_has_moved_is_told_by_what(station, tmp_path):
    assert station("station golden", *GOLDEN, *ACCEPT)[0] == 0
    moved = STATION.replace("[simulated]", "[simulated]\noutput_volts = 3.95")
    write_small_files(tmp_path, station=moved + GATES)
    status, out, _ = station("station golden", *GOLDEN)
    assert status == 1
    assert "✖ golden NOT MET" in out
    assert "- tone level left has moved by -0.05 V to 3.95 V, from 4 V; 0.02 V is allowed" in out
    assert station("station status")[0] == 3


def test_a_run_that_judges_nothing_meets_nothing(station):
    status, out, _ = station("station golden", *GOLDEN, "--fault", "station_lost")
    assert status == 3
    assert "✖ golden NOT MET" in out
    status, out, err = station("station golden", *GOLDEN, *ACCEPT, "--fault", "station_lost")
    assert status == 3
    assert "cannot be accepted as its history; nothing was accepted" in err
    status, out, _ = station("station challenge", *BAD, "--fault", "station_lost")
    assert status == 3
    assert "the run is invalid and says nothing about the station" in out
    assert not any(said.content.get("met") for said in logged()[1])


def test_where_the_config_says_so_runs_are_marked_and_not_refused(station, tmp_path):
    write_small_files(tmp_path, station=STATION + GATES + '[gate]\noutside = "invalid"\n')
    status, out, _ = station("run", "--serial", "PR3-000001")
    assert status == 3
    assert out.splitlines()[0] == "▒ INVALID"
    assert "the station may not judge units: golden was never met" in out
    ((run,), _) = logged()
    assert run.verdict is Verdict.INVALID


def test_three_units_alike_lock_the_station_until_it_has_shown_that_it_is_sound(station):
    stated()
    stated(gate="challenge", serial="PR3-900101")
    low = made_check(made_reading(Verdict.FAIL, 12.0))
    with Log(DATABASE) as log:
        for number in (1, 2, 3):
            log.append(made_run(low, serial=f"PR3-00000{number}", station="bench"))
    status, _, err = station("run", "--serial", "PR3-000004")
    assert status == 3
    assert "three units in a row (PR3-000001, PR3-000002, PR3-000003) failed alike (tone sinad left)" in err
    assert "looks like the station, not the units" in err
    status, out, _ = station("station status")
    assert status == 3
    assert "- the station is locked: three units in a row" in out
    assert len(logged()[0]) == 3, "a refused run leaves no record"
    assert station("station golden", *GOLDEN, *ACCEPT)[0] == 0
    assert station("station status")[0] == 0


def test_a_session_goes_on_after_a_unit_that_was_refused(station, tmp_path):
    options = ("run", "--station", "station.toml", "--limits", "limits.yaml", "--scan")
    status, _, err = forked.run(tmp_path, *options, input="PR3-000001\nPR3-000002\n", text=True)
    assert status == 3
    assert "PR3-000001 is not tested: golden was never met" in err
    assert "PR3-000002 is not tested: golden was never met" in err
    assert "Traceback" not in err
    assert not (tmp_path / "results" / "PR3-000001").exists()


def test_known_units_are_no_units(station):
    for unit, command in ((GOLDEN, "golden"), (BAD, "challenge")):
        status, _, err = station("run", *unit)
        assert status == 3
        assert f"judges the station: run `linecheck station {command}`" in err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (
            ("station golden", "--serial", "PR3-000001"),
            "is not a golden unit of this station, which has PR3-900001",
        ),
        (("station golden", *GOLDEN, "--accept"), "--accept takes --by NAME and --reason TEXT"),
        (("station golden", *GOLDEN, "--add"), "go with --accept"),
        (("station golden", *GOLDEN, "--accept", "--by", " ", "--reason", "x"), "--by: is empty"),
        (("station golden", *GOLDEN, "--accept", "--by", "A\x1b", "--reason", "x"), "U+001B"),
        (("station golden", *GOLDEN, "--fault", "gremlins"), "the faults are:"),
        (("station golden", *GOLDEN, "--operator", "x" * 200), "1 to 100"),
        (
            ("station challenge", "--serial", "PR3-900001"),
            "is not a challenge unit of this station, which has PR3-900101 (hum)",
        ),
        (("station golden",), "--serial"),
    ],
)
def test_a_wrong_command_is_refused_before_anything_is_run(station, tmp_path, words, said):
    status, _, err = station(*words)
    assert status == 2
    assert said in err
    assert "Traceback" not in err
    assert not (tmp_path / DATABASE).exists() or not logged()[0]


def test_a_station_without_such_units_says_what_to_add(station, tmp_path):
    write_small_files(tmp_path)
    assert 'add [golden] with serials = ["…"]' in station("station golden", *GOLDEN)[2]
    assert "add [challenge.units.NAME]" in station("station challenge", *BAD)[2]
    status, out, _ = station("station status")
    assert status == 0
    assert "this station has no gates" in out


def test_a_reason_that_could_never_fail_is_refused(station, tmp_path):
    write_small_files(tmp_path, station=STATION + GATES.replace("quiet.snr.left", "quiet.hum"))
    status, _, err = station("station challenge", *BAD)
    assert status == 2
    assert "challenge.units.hum.must_fail: quiet.hum: no mask of" in err
    assert "judges that, so it can never fail" in err


def test_the_config_that_comes_along_fits_the_demonstration_model():
    root = Path(__file__).parents[2]
    config = load_station(root / "station_configs" / "gated.toml").config
    limits = load_limits(root / "limits" / "pellow-r3.yaml")
    (bad,) = config.challenge.units.values()
    for serial in (*config.golden.serials, bad.serial):
        assert check_serial(serial, limits) == serial
    assert unknown_reasons(bad, limits) == ()
    assert len(golden_margins(limits, config.golden.margins)) > 10


def test_a_station_whose_volts_nobody_has_calibrated_says_so(station, tmp_path):
    sound = """format = 1
station = "bench"
interface = "sound"
mains_hz = 50
[playback]
device = "out"
channels = [1, 2]
rates_hz = [48000]
[capture]
device = "in"
channels = [1, 2]
rate_hz = 48000
full_scale_volts = [8.0, 8.0]
"""
    write_small_files(tmp_path, station=sound)
    assert "uncalibrated: uncertainty_percent is not stated" in station("station status")[1]
    write_small_files(tmp_path, station=sound + "[calibration]\nuncertainty_percent = 0.1\n")
    assert "uncalibrated" not in station("station status")[1]


def test_an_asset_that_is_overdue_keeps_units_out_where_its_config_says_so(station, tmp_path):
    asset = '[assets.adc]\nid = "ADC-17"\ndue = 2020-01-31\n'
    write_small_files(tmp_path, station=STATION + asset)
    status, out, _ = station("station status")
    assert status == 0
    assert "the calibration of adc ADC-17 was due on 2020-01-31" in out
    write_small_files(tmp_path, station=STATION + asset + "refuse_when_overdue = true\n")
    status, out, _ = station("station status")
    assert status == 3
    assert "OVERDUE, units are refused" in out
    status, out, err = station("run", "--serial", "PR3-000001")
    assert (status, out) == (3, "")
    assert "PR3-000001 is not tested: the calibration of adc ADC-17 was due on 2020-01-31" in err
