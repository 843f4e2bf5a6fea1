"""Capture sets whose judgements are made up, so that nothing is measured."""

import xml.etree.ElementTree as ET

from made_runs import made_check, made_curve, made_reading, made_run

from linecheck.checks.base import Problem
from linecheck.limits.verdict import Verdict
from linecheck.pytest_plugin import INDEX_NAME

LIMIT_FILE = """format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
checks:
  tone:
    kind: tone
    masks:
      sinad: {pass: {min: 112}, fail: {min: 108}}
      spectrum: {pass: {max: [[20, -120], [20000, -110]]}}
"""
ITEMS = [
    "run",
    "tone.sinad.left",
    "tone.sinad.right",
    "tone.spectrum.curve.left",
    "tone.spectrum.curve.right",
]
INDEX = """format = 1
model = "pellow-r3"
serial = "PR3-004711"
firmware = "{firmware}"

[[capture]]
check = "tone"
file = "tone.wav"
"""


def a_check(left=Verdict.PASS, right=Verdict.PASS, **given):
    """Return a check with all that the limit file judges."""
    values = {Verdict.PASS: 113.2, Verdict.MARGINAL: 110.0, Verdict.FAIL: 105.3, Verdict.INVALID: None}
    readings = [
        made_reading(verdict, values[verdict], channel=channel)
        for channel, verdict in (("left", left), ("right", right))
    ]
    return made_check(*readings, made_curve(), made_curve(channel="right"), **given)


RUNS = {
    "pass": made_run(a_check()),
    "marginal": made_run(a_check(Verdict.MARGINAL)),
    "fail": made_run(a_check(Verdict.PASS, Verdict.FAIL)),
    "invalid": made_run(
        a_check(Verdict.INVALID, problems=(Problem("dropout", "the sound broke off at 0.31 s", "left"),))
    ),
    "missing": made_run(
        missing=("tone",),
        checks=(),
        problems=(Problem("not_captured", "the capture set has no capture of the check tone"),),
    ),
}


def add_sets(project, *names, index=INDEX):
    for number, name in enumerate(names):
        folder = project.mkdir(name)
        (folder / INDEX_NAME).write_text(index.format(firmware=f"1.4.{number}"), encoding="utf-8")


def text_of(result):
    return "\n".join([*result.outlines, *result.errlines])


def cases_of(path):
    suite = ET.parse(path).getroot().find("testsuite")
    return suite, {(case.get("classname"), case.get("name")): case for case in suite.findall("testcase")}
