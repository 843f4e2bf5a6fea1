"""``linecheck baseline accept`` and ``linecheck regress``, from captures to files and exit status."""

from __future__ import annotations

import json
import re
import shutil
import tomllib
import xml.etree.ElementTree as ET

import pytest
from click.testing import CliRunner
from regression_runs import without_digest
from result_schema import checked_result
from small_run import LIMITS, call, simulated

from linecheck.captures.capture_set import write_capture_set
from linecheck.captures.judging import judge_folder
from linecheck.captures.many_sets import JudgedSet
from linecheck.cli import cli
from linecheck.limits.loading.load import load_limits
from linecheck.run.plan import make_plan

MARGINS = (
    LIMITS.replace("decision: simple", "decision: simple\nregression: {dB: 1, V: 0.02}")
    .replace("      level: {pass", "      noise: {pass: {max: -60}}\n      level: {pass")
    .replace("sinad: {pass: {min: 108}", "sinad: {pass: {min: 100}")
    .replace("  wiring:", "    regression: {spectrum: 15}\n  wiring:")
)
SERIAL = "PR3-004711"
ACCEPT = ("--reason", "release 1.4.2", "--by", "A. Engineer", "--out", "baseline.toml")
#: Each is twice a margin, or a little more: noise (and with it SINAD) by 2 dB and a whistle 30 dB above it.
WORSE = {"noise_db": -114.8, "added_lines": [(7500.0, -108.0)]}


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Capture sets: a and b of the same firmware, c of one that is worse inside its masks; d of another unit."""
    folder = tmp_path_factory.mktemp("sets")
    (folder / "limits.yaml").write_text(MARGINS, encoding="utf-8")
    plan = make_plan(load_limits(folder / "limits.yaml"))

    def write(name, serial, firmware, seed, **unit):
        interface = simulated(seed=seed, **unit)
        taken = {entry.check.name: interface.play(entry.check.name, entry.stimulus) for entry in plan.checks}
        write_capture_set(folder / name, taken, model="pellow-r3", serial=serial, firmware=firmware)

    write("a", SERIAL, "1.4.2", 1)
    write("a2", SERIAL, "1.4.2", 5)
    write("b", SERIAL, "1.4.3", 2)
    write("c", SERIAL, "1.5.0", 3, **WORSE)
    write("d", "PR3-000009", "1.4.2", 4)
    with pytest.MonkeyPatch.context() as here:
        here.chdir(folder)
        result = CliRunner().invoke(cli, ["baseline", "accept", "a", *ACCEPT, "--limits", "limits.yaml"])
    (folder / "baseline.toml").rename(folder / "accepted.toml")
    (folder / "told.txt").write_text(result.output, encoding="utf-8")
    assert result.exit_code == 0
    return folder


@pytest.fixture
def run(made, tmp_path, monkeypatch, capsys):
    """Call a command in a folder with the sets; returns exit status, standard output and standard error."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("linecheck.line.sets.processors", lambda: 0)  # in this process: that is faster
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return lambda *arguments: call(monkeypatch, capsys, *arguments, "--limits", "limits.yaml")


@pytest.fixture
def accepted(run, tmp_path):
    shutil.copy(tmp_path / "accepted.toml", tmp_path / "baseline.toml")
    return (tmp_path / "told.txt").read_text(encoding="utf-8")


def regress(run, *arguments):
    return run("regress", *arguments, "--baseline", "baseline.toml")


@pytest.mark.every_python
def test_a_baseline_is_written_and_told(accepted, tmp_path):
    assert "baseline.toml: accepted 8 values and 2 curves of 1 set of PR3-004711\n" in accepted
    written = tomllib.loads((tmp_path / "baseline.toml").read_text(encoding="utf-8"))
    assert written["accepted"]["reason"] == "release 1.4.2"
    (unit,) = written["unit"]
    assert (unit["serial"], unit["firmware"]) == (SERIAL, "1.4.2")
    assert [check["name"] for check in unit["check"]] == ["quiet", "tone"]


@pytest.mark.every_python
def test_the_same_firmware_is_unchanged(accepted, run, tmp_path):
    status, out, _ = regress(run, "b", "--json", "b.json", "--junit", "b.xml")
    assert status == 0
    assert out.startswith("● PASS\n")
    assert "Against baseline.toml, accepted 20" in out
    assert "10 unchanged, 0 better, 0 worse, 0 cannot tell" in out
    result = checked_result((tmp_path / "b.json").read_text(encoding="utf-8"))
    assert result["verdict"] == "pass"
    assert result["regression"]["answers"] == {"unchanged": 10, "better": 0, "worse": 0, "cannot tell": 0}
    cases = ET.parse(tmp_path / "b.xml").getroot().findall(".//testcase")
    names = [(case.get("classname"), case.get("name")) for case in cases]
    assert ("pellow-r3.tone", "sinad.left.regression") in names
    assert ("pellow-r3.tone", "spectrum.curve.left.regression") in names
    assert len(set(names)) == len(names)


@pytest.mark.every_python
def test_a_firmware_that_is_worse_inside_its_masks_fails(accepted, run, tmp_path):
    _, judged, _ = run("judge", "c")
    status, out, _ = regress(run, "c", "--all", "--json", "c.json", "--junit", "c.xml")
    assert "PASS" in judged
    assert status == 1
    assert out.startswith("✖ FAIL\n")
    first = next(line for line in out.splitlines() if " is worse by " in line)
    assert "than in the baseline (" in first
    worse = [line for line in out.splitlines() if " is worse by " in line]
    assert any(line.startswith("  tone sinad left is worse by ") for line in worse)
    (whistle,) = (line for line in worse if line.startswith("  tone spectrum left"))
    assert " at 7500 Hz" in whistle or " at 749" in whistle or " at 750" in whistle
    result = checked_result((tmp_path / "c.json").read_text(encoding="utf-8"))
    assert result["verdict"] == "fail"
    assert len(worse) == result["regression"]["answers"]["worse"] >= 8
    failures = ET.parse(tmp_path / "c.xml").getroot().findall(".//failure")
    assert len(failures) == len(worse)
    assert any("tone sinad left is worse by" in (failure.text or "") for failure in failures)


def test_a_firmware_that_is_better_passes_and_says_so(run):
    assert run("baseline", "accept", "c", *ACCEPT)[0] == 0
    status, out, _ = regress(run, "a")
    assert status == 0
    assert "tone noise left is better by " in out


def test_the_same_captures_give_the_same_answers_to_the_byte(accepted, run, tmp_path):
    for name in ("1.json", "2.json"):
        regress(run, "c", "--json", name)
    first, second = (
        json.loads((tmp_path / name).read_text(encoding="utf-8")) for name in ("1.json", "2.json")
    )
    assert first["comparisons"] == second["comparisons"]
    assert first["regression"] == second["regression"]
    run("baseline", "accept", "a", *ACCEPT[:-1], "again.toml")
    texts = [
        [
            line
            for line in (tmp_path / name).read_text("utf-8").splitlines()
            if not line.startswith(("on = ", "digest = "))
        ]
        for name in ("baseline.toml", "again.toml")
    ]
    assert texts[0] == texts[1]


def test_an_edited_baseline_compares_nothing_until_it_is_accepted_again(accepted, run, tmp_path):
    path = tmp_path / "baseline.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("uncertainty = 0", "uncertainty = 9", 1), encoding="utf-8")
    status, _, err = regress(run, "a")
    assert (status, "it was edited since" in err) == (2, True)
    status, _, err = run("baseline", "accept", "a", *ACCEPT)
    assert (status, "warning: baseline.toml was edited since it was accepted" in err) == (0, True)
    assert regress(run, "a")[0] == 0


def test_that_a_baseline_has_no_digest_is_said(accepted, run, tmp_path):
    path = tmp_path / "baseline.toml"
    assert "digest" not in regress(run, "a")[2]
    path.write_text(without_digest(path.read_text(encoding="utf-8")), encoding="utf-8")
    status, _, err = regress(run, "a")
    assert (status, "baseline.toml has no digest" in err) == (0, True)


def test_several_sets_are_all_accounted_for(accepted, run, tmp_path):
    (tmp_path / "empty").mkdir()
    status, out, err = regress(
        run,
        "a",
        "c",
        "d",
        "empty",
        "--workers",
        "1",
        "--json",
        "all.jsonl",
        "--junit",
        "all.xml",
        "--summary",
        "all.md",
    )
    assert status == 1
    assert out.startswith("✖ FAIL\n")
    assert "4 sets: 1 fails, 2 are invalid, 1 passes" in out
    assert "has no unit PR3-000009 to compare with; its units are: PR3-004711" in out
    lines = [checked_result(line) for line in (tmp_path / "all.jsonl").read_text("utf-8").splitlines()]
    assert [line["verdict"] for line in lines] == ["pass", "fail", "invalid", "invalid"]
    assert [len(line["comparisons"]) for line in lines] == [10, 10, 0, 0]
    assert [suite.get("failures") for suite in ET.parse(tmp_path / "all.xml").getroot()][1] != "0"
    summary = (tmp_path / "all.md").read_text("utf-8")
    assert "| **fail** | PR3-004711 |" in summary
    for text in (err, summary, (tmp_path / "all.xml").read_text("utf-8")):
        assert (
            "not compared with the baseline, since the limit file has no margin for order: wiring order"
            in text
        )


def test_a_unit_that_the_baseline_lacks_is_invalid(accepted, run):
    status, out, _ = regress(run, "d")
    assert status == 3
    assert "has no unit PR3-000009 to compare with; its units are: PR3-004711" in out


@pytest.mark.parametrize(
    ("margin", "options", "head", "status", "told"),
    [
        (0.13, (), "▒ INVALID", 3, "whether it is worse by twice the margin cannot be told"),
        (0.26, (), "▲ MARGINAL", 0, "whether it is worse cannot be told, but not by twice the margin"),
        (
            0.26,
            ("--strict",),
            "▲ MARGINAL",
            1,
            "whether it is worse cannot be told, but not by twice the margin",
        ),
        (0.5, ("--strict",), "● PASS", 0, None),
    ],
)
def test_what_cannot_be_told_is_marginal_or_invalid(run, tmp_path, margin, options, head, status, told):
    limits = tmp_path / "limits.yaml"
    text = limits.read_text("utf-8").replace("{spectrum: 15}", f"{{noise: {margin}, spectrum: 15}}")
    limits.write_text(text, "utf-8")
    assert run("baseline", "accept", "a", *ACCEPT)[0] == 0
    found, out, _ = regress(run, "b", *options)
    assert (out.splitlines()[0], found) == (head, status)
    assert ("The unit was not judged" in out) is False
    if told is not None:
        assert any(line.startswith("  tone noise right: " + told) for line in out.splitlines())


@pytest.mark.every_python
def test_a_baseline_that_is_replaced_is_shown_and_kept_in_its_history(accepted, run, tmp_path):
    status, out, _ = run("baseline", "accept", "c", *ACCEPT[2:], "--reason", "release 1.5.0")
    assert status == 0
    assert "Against the baseline that it replaces: " in out
    rows = [line for line in out.splitlines() if line.startswith(("  ✖", "  ●"))]
    answers = [re.search(r"  (worse|better|unchanged|cannot tell)(, .* places)?$", row)[1] for row in rows]
    assert answers == ["worse"] * 4 + ["unchanged"]
    written = tomllib.loads((tmp_path / "baseline.toml").read_text(encoding="utf-8"))
    (earlier,) = written["history"]
    assert (earlier["reason"], earlier["firmware"]) == ("release 1.4.2", ["1.4.2"])


def test_several_sets_of_a_unit_make_one_entry(run, tmp_path):
    status, out, _ = run("baseline", "accept", "a", "a2", "d", *ACCEPT)
    assert status == 0
    assert "3 sets of PR3-004711, PR3-000009" in out
    written = tomllib.loads((tmp_path / "baseline.toml").read_text(encoding="utf-8"))
    assert [len(unit["check"][0]["captures"]) for unit in written["unit"]] == [2, 1]


def test_a_set_may_leave_its_serial_number_to_the_command(accepted, run, tmp_path):
    index = tmp_path / "b" / "captures.toml"
    index.write_text(index.read_text("utf-8").replace(f'serial = "{SERIAL}"\n', ""), "utf-8")
    status, _, err = regress(run, "b")
    assert status == 2
    assert "serial" in err
    status, out, _ = regress(run, "b", "--serial", SERIAL)
    assert status == 0
    assert "10 unchanged, 0 better, 0 worse, 0 cannot tell" in out


def test_the_same_captures_count_once(run, tmp_path):
    shutil.copytree(tmp_path / "a", tmp_path / "again")
    status, _, err = run("baseline", "accept", "a", "again", *ACCEPT)
    assert status == 2
    assert "the sets of PR3-004711 have the same capture of quiet: give each set once" in err
    assert not (tmp_path / "baseline.toml").exists()


def without_margins(text):
    kept = [line for line in text.splitlines() if "regression:" not in line]
    return "\n".join(kept) + "\n"


@pytest.mark.parametrize("command", ["accept", "regress"])
def test_a_limit_file_without_margins_says_what_to_write(accepted, run, tmp_path, command):
    limits = tmp_path / "limits.yaml"
    limits.write_text(without_margins(limits.read_text("utf-8")), "utf-8")
    before = (tmp_path / "baseline.toml").read_bytes()
    status, out, err = regress(run, "a") if command == "regress" else run("baseline", "accept", "a", *ACCEPT)
    assert (status, out) == (2, "")
    assert "limits.yaml: declares no margin" in err
    assert "regression: {dB: 0.5, V: 0.02}" in err
    assert (tmp_path / "baseline.toml").read_bytes() == before


def test_what_was_not_measured_is_not_accepted(run, tmp_path):
    (tmp_path / "a" / "quiet.wav").unlink()
    index = tmp_path / "a" / "captures.toml"
    text = index.read_text("utf-8")
    start = text.index('[[capture]]\ncheck = "quiet"')
    end = text.find("[[capture]]", start + 1)
    index.write_text(text[:start] + (text[end:] if end > 0 else ""), "utf-8")
    status, _, err = run("baseline", "accept", "a", *ACCEPT)
    assert status == 3
    assert "nothing was accepted:" in err
    assert "quiet" in err
    assert not (tmp_path / "baseline.toml").exists()


@pytest.mark.parametrize(
    ("arguments", "status", "message"),
    [
        (("regress", "nowhere", "--baseline", "baseline.toml"), 2, "there is no such capture set"),
        (("regress", "a", "--baseline", "nowhere.toml"), 2, "nowhere.toml: there is no such file"),
        (("regress", "a", "--baseline", "limits.yaml"), 2, "limits.yaml:1:7: is no TOML"),
        (("regress", "a"), 2, "Missing option '--baseline'"),
        (("baseline", "accept", "a", "--out", "x.toml", "--by", "A"), 2, "Missing option '--reason'"),
        (
            ("baseline", "accept", "a", *ACCEPT[:1], " ", *ACCEPT[2:]),
            2,
            "--reason: expected 1 to 500 characters, got 0",
        ),
        (("baseline", "accept", "a", *ACCEPT[:1], "x" * 501, *ACCEPT[2:]), 2, "got 501"),
        (("baseline", "accept", "nowhere", *ACCEPT), 2, "there is no such capture set"),
        (("baseline", "accept", "a", *ACCEPT[:-1], "limits.yaml"), 2, "limits.yaml:1:7: is no TOML"),
        (("baseline", "accept", "a", *ACCEPT[:-1], "a"), 2, "a: is no regular file"),
    ],
)
def test_mistakes_end_in_a_message(accepted, run, tmp_path, arguments, status, message):
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    found, _, err = run(*arguments)
    assert found == status
    assert message in err
    assert "Traceback" not in err
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_texts_from_outside_stay_on_their_line(run, tmp_path):
    reason = 'first\nline\x1b[31m \u202e"quoted" \\ and ]]'
    assert run("baseline", "accept", "a", "--reason", reason, *ACCEPT[2:])[0] == 0
    written = tomllib.loads((tmp_path / "baseline.toml").read_text(encoding="utf-8"))
    assert written["accepted"]["reason"] == 'first line\\x1b[31m \\u202e"quoted" \\ and ]]'
    assert regress(run, "a")[0] == 0


@pytest.mark.parametrize(("what", "of"), [("1.4.2", "9.9.9"), (SERIAL, "PR3-000009")])
def test_old_captures_under_another_name_are_no_new_ones(run, accepted, tmp_path, what, of):
    run("baseline", "accept", "a", "d", *ACCEPT)
    index = tmp_path / "a" / "captures.toml"
    index.write_text(index.read_text(encoding="utf-8").replace(what, of), encoding="utf-8")
    status, out, _ = regress(run, "a")
    assert status == 3
    assert "INVALID" in out
    assert "bit for bit" in out


def test_the_table_says_at_how_many_places_a_curve_was_compared(run, accepted):
    _, out, _ = regress(run, "b")
    assert re.search(r"spectrum .* (unchanged|cannot tell), \d+ of \d+ places", out)


def test_units_of_which_no_set_was_given_are_named(run, accepted):
    run("baseline", "accept", "a", "d", *ACCEPT)
    status, _, err = regress(run, "b")
    assert status == 0
    assert "no set was given for: PR3-000009" in err


@pytest.mark.parametrize("path", ["baseline.toml", "limits.yaml", "b/captures.toml", "b/tone.wav"])
def test_a_result_is_never_written_over_what_is_read(run, accepted, tmp_path, path):
    before = (tmp_path / path).read_bytes()
    for option in ("--json", "--junit", "--summary"):
        status, out, err = regress(run, "b", option, path)
        assert (status, out) == (2, "")
        assert "is an input of this command" in err
    assert (tmp_path / path).read_bytes() == before


def test_a_set_that_is_named_by_its_index_is_not_written_over_either(run, accepted, tmp_path):
    before = (tmp_path / "b" / "tone.wav").read_bytes()
    status, _, err = regress(run, "b/captures.toml", "--json", "b/tone.wav")
    assert status == 2
    assert "is an input of this command" in err
    assert (tmp_path / "b" / "tone.wav").read_bytes() == before


def test_two_results_do_not_share_a_file(run, accepted):
    status, _, err = regress(run, "b", "--json", "r", "--junit", "r")
    assert status == 2
    assert "named for two results" in err


def test_a_baseline_that_could_not_be_read_again_is_not_written(run, accepted, tmp_path, monkeypatch):
    monkeypatch.setattr("linecheck.cli.baseline.MAX_BYTES", 100_000)
    before = (tmp_path / "baseline.toml").read_bytes()
    monkeypatch.setattr("linecheck.cli.baseline.baseline_bytes", lambda file: b"#" * 100_001)
    status, _, err = run("baseline", "accept", "a2", *ACCEPT)
    assert status == 3
    assert "nothing was accepted" in err
    assert (tmp_path / "baseline.toml").read_bytes() == before


def test_a_number_beyond_any_float_in_a_baseline_is_another_stimulus(run, accepted, tmp_path):
    path = tmp_path / "baseline.toml"
    text = path.read_text(encoding="utf-8")
    assert "frequency_hz = 997.0" in text
    path.write_text(text.replace("frequency_hz = 997.0", f"frequency_hz = 1{'0' * 400}"), encoding="utf-8")
    status, _, err = regress(run, "b")
    assert status in (2, 3)
    assert "Traceback" not in err


def test_what_no_baseline_can_hold_is_refused_in_words(run, accepted, tmp_path, monkeypatch):
    from linecheck.history.baseline import accept

    monkeypatch.setattr(accept, "BaselineFile", lambda **values: load_baseline_file({**values, "unit": ()}))
    status, _, err = run("baseline", "accept", "a2", *ACCEPT)
    assert status == 3
    assert "no baseline can hold this" in err


def load_baseline_file(values):
    from linecheck.history.baseline.file import BaselineFile

    return BaselineFile(**values)


@pytest.mark.parametrize("command", ["regress", "judge"])
def test_parts_of_an_earlier_larger_file_go_with_one_set_too(run, accepted, tmp_path, command):
    from linecheck.results.formats.junit import JunitFiles, remove_parts

    files = JunitFiles(tmp_path / "o.xml", strict=False, most_elements=20)
    limits = load_limits(tmp_path / "limits.yaml")
    for name in ("b", "c"):
        files.add(JudgedSet(name, judge_folder(tmp_path / name, [limits])))
    files.finish()
    assert len(files.paths) == 2
    (tmp_path / "o-3.xml").write_text("<mine/>", encoding="utf-8")
    options = ("--baseline", "baseline.toml") if command == "regress" else ()
    run(command, "b", *options, "--junit", "o.xml")
    assert not (tmp_path / "o-2.xml").exists()
    remove_parts(tmp_path / "o.xml", 3)
    assert (tmp_path / "o-3.xml").exists()
