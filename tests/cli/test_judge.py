"""``linecheck judge``: recorded captures, judged as a run is."""

import numpy as np
import pytest
from result_schema import checked_result
from small_run import CAPTURE_RATE_HZ, LIMITS, STATION, call, simulated, write_small_files, write_small_set

from linecheck.audio.file import read_audio, write_audio
from linecheck.captures.capture_set import INDEX_NAME, load_capture_set
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.log import LogReader
from linecheck.run.plan import make_plan

pytestmark = pytest.mark.every_python

#: What may differ between two judgements of the same captures.
OWN = ("run", "started", "finished", "duration_seconds")
#: What only the station knows; a set does not carry it.
STATIONS_OWN = ("interface", "operator", "station_config_sha256", "released", "loop")


def without(result, *names):
    return {name: value for name, value in result.items() if name not in names}


def loaded(path):
    return checked_result(path.read_text(encoding="utf-8"))


@pytest.fixture
def judge(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    write_small_files(tmp_path)
    return lambda *arguments: call(monkeypatch, capsys, "judge", "--limits", "limits.yaml", *arguments)


@pytest.fixture
def captures(judge, tmp_path):
    """A capture set of a good unit."""
    return write_small_set(tmp_path / "set")


@pytest.mark.parametrize(
    "fault", [None, "distorting", "overrun", "non_finite", "station_lost", "swapped_channels"]
)
def test_a_kept_run_is_judged_to_the_same_result(judge, tmp_path, monkeypatch, capsys, fault):
    overdue = STATION + "[protection]\nramp_seconds = 0.03\n[calibration]\ndue = 2020-01-01\n"
    write_small_files(tmp_path, station=overdue)
    station = ["--station", "station.toml", "--limits", "limits.yaml"]
    arguments = ["--serial", "PR3-004711", "--firmware", "1.4.2", "--json", "run.json", "--keep-captures"]
    faults = ["--fault", fault] if fault else []
    ran, _, _ = call(monkeypatch, capsys, "run", *station, *arguments, *faults)
    (folder,) = tmp_path.glob("results/PR3-004711/*/captures")
    status, _, _ = judge(folder, "--json", "judged.json")
    run, judged = (loaded(tmp_path / name) for name in ("run.json", "judged.json"))
    assert status == ran
    differing = (*OWN, *STATIONS_OWN)
    if fault == "station_lost":
        # The run says why the checks are missing, the set only that they are.
        differing = (*differing, "problems")
    assert without(judged, *differing) == without(run, *differing)
    assert judged["readings"]
    assert all(entry["stimulus_sha256"] and entry["capture_sha256"] for entry in judged["checks"])


def test_the_same_captures_judged_twice_give_the_same_bytes(judge, captures, tmp_path):
    texts = []
    for name in ("a.json", "b.json"):
        assert judge(captures, "--json", name)[0] == 0
        lines = (tmp_path / name).read_text(encoding="utf-8").splitlines()
        texts.append([line for line in lines if line.split('"')[1:2] not in [[own] for own in OWN]])
    assert texts[0] == texts[1]
    assert len(texts[0]) > 30


def test_a_set_is_judged_from_its_folder_and_logged_only_where_asked(judge, captures, tmp_path):
    status, out, err = judge(captures)
    assert (status, out.splitlines()[0]) == (0, "● PASS")
    assert "PR3-004711, pellow-r3" in out
    assert "Traceback" not in err
    assert not list(tmp_path.glob("**/*.sqlite"))
    assert judge(captures / INDEX_NAME, "--log", "own.sqlite")[0] == 0
    with LogReader("own.sqlite") as log:
        assert [entry.verdict for entry in log.runs()] == [Verdict.PASS]


def test_other_limits_give_another_verdict_of_the_same_captures(judge, captures, tmp_path):
    write_small_files(tmp_path, limits=LIMITS.replace("min: 108", "min: 130"))
    status, out, _ = judge(captures)
    assert (status, out.splitlines()[0]) == (0, "▲ MARGINAL")
    assert judge(captures, "--strict", "--junit", "j.xml")[0] == 1
    assert "<failure" in (tmp_path / "j.xml").read_text(encoding="utf-8")


def test_volts_of_a_calibration_that_is_not_stated_claim_nothing(judge, captures, tmp_path):
    status, out, _ = judge(captures, "--json", "r.json")
    assert status == 0
    assert "volts uncalibrated" in out
    claimed = {
        entry["uncertainty"] for entry in loaded(tmp_path / "r.json")["readings"] if entry["unit"] == "V"
    }
    assert claimed == {None}
    write_small_files(tmp_path, limits=LIMITS.replace("decision: simple", "decision: guarded"))
    status, out, err = judge(captures)
    assert (status, out) == (2, "")
    assert f"{captures}: the limit file is guarded and judges volts (tone.level)" in err
    assert "state calibration.uncertainty_percent in its captures.toml" in err
    with (captures / INDEX_NAME).open("a", encoding="utf-8") as index:
        index.write("[calibration]\nuncertainty_percent = 0.2\n")
    status, out, _ = judge(captures)
    assert status == 0
    assert "uncalibrated" not in out


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda path: path.write_bytes(path.read_bytes()[:-1000]), "cut off"),
        (lambda path: path.write_bytes(b"version https://git-lfs.github.com/spec/v1\n"), "git lfs pull"),
        (lambda path: path.write_bytes(b""), "empty"),
        (lambda path: path.unlink(), "no such file"),
        (lambda path: path.write_bytes(path.read_bytes()[:-2] + b"\x01\x01"), "SHA-256"),
    ],
)
def test_a_capture_that_is_not_the_one_recorded_is_refused(judge, captures, tmp_path, damage, words):
    damage(captures / "tone.wav")
    status, out, err = judge(captures, "--json", "r.json")
    assert (status, out) == (2, "")
    assert f"{captures / INDEX_NAME}:" in err
    assert words in err
    assert not (tmp_path / "r.json").exists()


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_a_capture_that_holds_no_number_is_invalid(judge, captures, value):
    samples = (load_capture_set(captures).read("tone").scaled.T).astype(np.float32)
    samples[9000, 0] = value
    write_audio(captures / "tone.wav", samples, CAPTURE_RATE_HZ, None)
    index = captures / INDEX_NAME
    index.write_text(
        "\n".join(line for line in index.read_text(encoding="utf-8").splitlines() if "sha256" not in line),
        encoding="utf-8",
    )
    status, out, _ = judge(captures)
    assert (status, out.splitlines()[0]) == (3, "▒ INVALID")
    assert "not finite" in out


def test_a_set_without_one_of_the_checks_is_invalid_and_says_which(judge, captures):
    index = captures / INDEX_NAME
    head, *entries = index.read_text(encoding="utf-8").split("[[capture]]")
    kept = [entry for entry in entries if '"wiring"' not in entry]
    index.write_text("[[capture]]".join([head, *kept]), encoding="utf-8")
    status, out, _ = judge(captures)
    assert (status, out.splitlines()[0]) == (3, "▒ INVALID")
    assert "no capture of the check wiring" in out


def test_a_misspelt_check_is_invalid_and_its_capture_named_beside_it(judge, captures, tmp_path):
    index = captures / INDEX_NAME
    index.write_text(index.read_text(encoding="utf-8").replace('"wiring"', '"wirring"'), encoding="utf-8")
    status, out, _ = judge(captures, "--json", "r.json")
    assert (status, out.splitlines()[0]) == (3, "▒ INVALID")
    problems = {entry["code"]: entry["message"] for entry in loaded(tmp_path / "r.json")["problems"]}
    assert "no check 'wirring': is that wiring, misspelt in captures.toml?" in problems["not_captured"]
    assert "'wirring' (did you mean wiring?)" in problems["capture_not_judged"]
    assert "did you mean wiring?" in " ".join(out.split())


def test_a_capture_that_no_check_judges_is_said_and_harms_nothing(judge, captures, tmp_path):
    before = judge(captures, "--json", "before.json")
    index = captures / INDEX_NAME
    more = '\n[[capture]]\ncheck = "sweep"\nfile = "tone.wav"\n'
    index.write_text(index.read_text(encoding="utf-8") + more, encoding="utf-8")
    status, out, _ = judge(captures, "--json", "r.json")
    assert (status, out.splitlines()[0]) == (before[0], before[1].splitlines()[0]) == (0, "● PASS")
    assert "not judged: 'sweep'" in " ".join(out.split())
    first, second = loaded(tmp_path / "before.json"), loaded(tmp_path / "r.json")
    (note,) = [entry for entry in second["problems"] if entry not in first["problems"]]
    assert (note["code"], note["check"], note["channel"]) == ("capture_not_judged", None, None)
    assert without(second, *OWN, "problems") == without(first, *OWN, "problems")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"pellow-r3"', '"pellow-r4"', "is of model pellow-r4"),
        ('"PR3-004711"', '"PR3-4711"', "expected PR3- and 6 digits"),
        ('"PR3-004711"', '"../../PR3-004711"', "no serial number may have"),
        ("format = 1", "format = 2", "format"),
        ("[[capture]]", "[[captures]]", "did you mean capture?"),
        ('"tone.wav"', '"../set/tone.wav"', "is not a plain file name"),
    ],
)
def test_a_set_that_is_not_one_of_the_model_is_refused(judge, captures, old, new, words):
    index = captures / INDEX_NAME
    index.write_text(index.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    status, out, err = judge(captures)
    assert (status, out) == (2, "")
    assert words in err


@pytest.mark.parametrize("name", ["nowhere", "limits.yaml", ".", "long" * 2000])
def test_what_is_no_set_is_refused(judge, name):
    status, out, err = judge(name)
    assert (status, out) == (2, "")
    assert "not a capture set" in err or "no such capture set" in err


def test_captures_made_elsewhere_from_the_written_stimuli_are_judged(judge, tmp_path, monkeypatch, capsys):
    """The way without a station: write the stimuli, play and record them anywhere, judge the recordings."""
    assert call(monkeypatch, capsys, "stimuli", "--limits", "limits.yaml", "--out", "play")[0] == 0
    folder = tmp_path / "set"
    folder.mkdir()
    text = 'format = 1\nmodel = "pellow-r3"\nserial = "PR3-000009"\nfirmware = "2.0"\n'
    for number, name in enumerate(("tone", "quiet", "wiring")):
        audio = read_audio(tmp_path / "play" / f"{name}.wav")
        stimulus = next(
            entry.stimulus
            for entry in make_plan(load_limits("limits.yaml")).checks
            if entry.check.name == name
        )
        np.testing.assert_array_equal(audio.samples, stimulus.samples)
        capture = simulated(start_seconds=(0.3 * number, 0.3 * number + 0.1)).play(name, stimulus)
        write_audio(folder / f"{name}.wav", capture.scaled.T.astype(np.float32), CAPTURE_RATE_HZ, None)
        text += f'[[capture]]\ncheck = "{name}"\nfile = "{name}.wav"\nfull_scale_volts = [8.0, 8.0]\n'
    (folder / INDEX_NAME).write_text(text, encoding="utf-8")
    status, out, _ = judge(folder)
    assert (status, out.splitlines()[0]) == (0, "● PASS")
