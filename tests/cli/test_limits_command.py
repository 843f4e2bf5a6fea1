"""``linecheck limits``: one line per file that is right, every fault of those that are not."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from types import SimpleNamespace

import forked_linecheck
import jsonschema
import pytest
from small_run import call

from linecheck.limits.loading.load import load_limits

pytestmark = pytest.mark.every_python

DEMO = Path(__file__).parents[2] / "limits" / "pellow-r3.yaml"
ALONE = """\
format: 1
model: pellow-r3
revision: 7
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
  tone: {kind: tone, masks: {sinad: {pass: {min: 112}}}}
"""


@pytest.fixture
def run(monkeypatch, capsys):
    def run(*arguments):
        status, out, err = call(monkeypatch, capsys, "limits", *arguments)
        assert "Traceback" not in err
        return SimpleNamespace(exit_code=status, stdout=out, stderr=err)

    return run


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_file_that_is_right(run, here):
    (here / "r3.yaml").write_text(ALONE)
    result = run("check", "r3.yaml")
    digest = hashlib.sha256(ALONE.encode()).hexdigest()
    assert result.stdout == f"r3.yaml: OK, model pellow-r3, revision 7, 1 check, 1 mask, sha256 {digest}\n"
    assert (result.stderr, result.exit_code) == ("", 0)


def test_the_demonstration_file(run):
    limits = load_limits(DEMO)
    masks = sum(len(check.masks) for check in limits.checks)
    result = run("check", DEMO)
    assert result.exit_code == 0
    assert (
        f"revision {limits.revision}, {len(limits.checks)} checks, {masks} masks, sha256 {limits.sha256}"
        in result.stdout
    )


def test_every_fault_of_every_file(run, here):
    (here / "good.yaml").write_text(ALONE)
    (here / "bad.yaml").write_text(
        ALONE.replace("kind: tone", "kind: tune").replace("revision: 7", "revision: no")
    )
    (here / "worse.yaml").write_text("checks: [\n")
    result = run("check", "bad.yaml", "good.yaml", "worse.yaml", "none.yaml")
    assert result.exit_code == 2
    assert result.stdout.startswith("good.yaml: OK")
    assert len(result.stdout.splitlines()) == 1
    errors = result.stderr.splitlines()
    assert [error.split(": ")[0] for error in errors] == [
        "bad.yaml:3:11", "bad.yaml:7:16", "worse.yaml:2:1", "none.yaml",
    ]  # fmt: skip
    assert "unknown kind 'tune'; did you mean tone? the kinds are:" in errors[1]


def test_a_ten_megabyte_file_is_a_clear_message(run, here):
    (here / "huge.yaml").write_bytes(b"a: 1\n" * 2_000_000)
    result = run("check", "huge.yaml")
    assert result.exit_code == 2
    assert (
        result.stderr
        == "huge.yaml: has 9.5 MiB: longer than 1,048,576 bytes is no limit file; is it the right file?\n"
    )


def test_a_name_that_is_no_text(run, here):
    name = b"r3-\xff.yaml"
    (here / os.fsdecode(name)).write_text(ALONE)
    (here / os.fsdecode(b"bad" + name)).write_text("a: [")
    status, out, err = forked_linecheck.run(here, "limits", "check", name, b"bad" + name)
    assert status == 2
    assert b": OK, model pellow-r3" in out
    assert b"is no YAML" in err
    assert b"Traceback" not in err


def test_no_file_at_all_is_a_wrong_command(run):
    result = run("check")
    assert result.exit_code == 2
    assert "FILE" in result.stderr


def test_the_schema_is_printed(monkeypatch, capsys):
    status, out, _ = call(monkeypatch, capsys, "schema", "limits")
    assert status == 0
    schema = json.loads(out)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["properties"]["format"]["const"] == 1


WRONG_SIGN = ALONE.replace("sinad: {pass: {min: 112}}", "thd: {pass: {max: 108}}")


def test_what_is_hardly_meant_is_a_warning_and_by_strict_a_refusal(run, here):
    (here / "r3.yaml").write_text(WRONG_SIGN)
    result = run("check", "r3.yaml")
    assert result.exit_code == 0
    assert result.stdout.startswith("r3.yaml: 1 warning, model pellow-r3")
    assert result.stderr == (
        "r3.yaml:7:42: warning: checks.tone.masks.thd.pass: no unit can fail: thd is never above 0 dB; "
        "is the sign wrong? -108 would be possible\n"
    )
    assert run("check", "--strict", "r3.yaml").exit_code == 2


def test_what_took_a_superseded_name_s_place_is_a_note_and_no_refusal(run, here):
    text = ALONE.replace(
        "tone: {kind: tone, masks: {sinad: {pass", "it: {kind: crosstalk, masks: {crosstalk: {pass"
    )
    (here / "r3.yaml").write_text(text)
    said = "superseded by separation: the same value, positive dB, by its name in the trade"
    result = run("check", "--strict", "r3.yaml")
    assert result.stderr == f"r3.yaml:7:33: note: checks.it.masks.crosstalk: {said}\n"
    assert (result.stdout[:11], result.exit_code) == ("r3.yaml: OK", 0)
    assert said in run("show", "r3.yaml").stdout


def test_the_files_that_ship_are_clean(run):
    files = sorted(DEMO.parent.glob("*.yaml"))
    result = run("check", "--strict", *files)
    assert (result.stderr, result.exit_code) == ("", 0)
    assert len(files) == len(result.stdout.splitlines()) >= 2


def test_what_each_mask_means_is_shown(run):
    result = run("show", DEMO)
    assert (result.stderr, result.exit_code) == ("", 0)
    lines = result.stdout.splitlines()
    masks = sum(len(check.masks) for check in load_limits(DEMO).checks)
    assert sum(line.startswith("      ") for line in lines) == masks
    at = next(number for number, line in enumerate(lines) if line.startswith("  thd "))
    assert lines[at].split() == ["thd", "dB", "less", "≤", "-113", ">", "-106", "0.5", "itself"]
    assert lines[at + 1].strip() == (
        "harmonics re the tone: -113 dB (0.00022 %) or less passes, above -106 dB (0.0005 %) fails, "
        "what lies between is marginal"
    )


def test_which_mask_decides_before_another_is_shown(run, here):
    (here / "r3.yaml").write_text(ALONE.replace("masks: {", "masks: {thd: {pass: {max: -100}}, "))
    rows = [line.split() for line in run("show", "r3.yaml").stdout.splitlines()]
    assert {row[0]: row[-1] for row in rows if row and row[0] in ("sinad", "thd")} == {
        "sinad": "itself",
        "thd": "sinad",
    }
