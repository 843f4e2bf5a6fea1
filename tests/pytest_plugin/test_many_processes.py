"""Capture sets judged by the processes of pytest-xdist, however the items are spread: each is measured once."""

import re
from collections import Counter

import pytest

#: Counts what is measured, in every process.
CONFTEST = """
from pathlib import Path

from linecheck.captures import many_sets

judge = many_sets.judge_folder

def counted(folder, limits, **options):
    with open("measured.txt", "a") as stream:
        stream.write(f"{Path(folder).name}\\n")
    return judge(folder, limits, **options)

many_sets.judge_folder = counted
"""


@pytest.mark.parametrize("dist", ["load", pytest.param("loadscope", marks=pytest.mark.soak)])
def test_each_set_is_measured_once_by_whichever_worker(firmware_project, monkeypatch, dist):
    project = firmware_project
    project.makeconftest(CONFTEST)
    shared = project.mkdir("temporary")
    monkeypatch.setenv("TMPDIR", str(shared))
    arguments = [
        "-n",
        "2",
        "--dist",
        dist,
        "-p",
        "no:cacheprovider",
        "-p",
        "no:benchmark",
        "-p",
        "no:hypothesispytest",
        "--junitxml=j.xml",
    ]
    result = project.runpytest_subprocess(*arguments, timeout=120)
    result.assert_outcomes(passed=26, failed=4)
    measured = Counter((project.path / "measured.txt").read_text(encoding="utf-8").split())
    assert measured == {"1.4.2": 1, "1.5.0": 1, "1.6.0": 1}
    failed = {line for line in result.outlines if line.startswith("FAILED")}
    assert {re.split("[ /]", line)[2] for line in failed} == {"1.6.0"}
    told = [line for line in result.outlines if re.match("(PASS|MARGINAL|FAIL) captures/", line)]
    assert [line.split(",")[0] for line in told] == [
        "PASS captures/1.4.2",
        "MARGINAL captures/1.5.0",
        "FAIL captures/1.6.0",
    ]
    assert list(shared.glob("linecheck-*")) == []


def test_an_audio_file_that_was_not_fetched_is_an_error_of_its_set_alone(firmware_project):
    pointer = "version https://git-lfs.github.com/spec/v1\noid sha256:00\nsize 120000\n"
    (firmware_project.path / "captures" / "1.6.0" / "tone.wav").write_text(pointer, encoding="utf-8")
    result = firmware_project.runpytest()
    result.assert_outcomes(passed=20, errors=10)
    text = "\n".join(result.outlines)
    assert re.search(
        r"tone.sinad.left: invalid: not judged: captures/1.6.0/captures.toml:\d+:1: .*git lfs pull", text
    )
    assert "Traceback" not in text
