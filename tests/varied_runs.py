"""Runs that share each of their facts with some others, with none of them all; and how some of them are picked."""

from dataclasses import replace

from made_runs import made_check, made_curve, made_reading, made_run

from linecheck.limits.verdict import Verdict
from linecheck.log import RunFilter
from linecheck.run.facts import Asset

TRACED = {"lot": "L", "work_order": "W", "variant": "V", "shift": "S", "nest": "N"}
NAMES = ("serial", "model", *TRACED, "station", "operator", "firmware")
RUNS = 60


def made(at):
    """Return a run that shares each of its facts with some others, with none of them all."""
    failing = made_check(made_reading(Verdict.FAIL, 100.0, "hum"), name=("tone", "tone@filter=slow")[at % 2])
    curve = made_check(made_curve(Verdict.FAIL, margin=-1.0), made_reading(), name="toneA")
    checks = ((), (failing,), (), (failing, curve), (curve,))[at % 5]
    traced = {name: f"{letter}{at % (3 + n)}" for n, (name, letter) in enumerate(TRACED.items())}
    if at % 7 == 0:
        traced = dict.fromkeys(TRACED)
    run = made_run(
        *checks,
        serial=f"PR3-{at * at % 23}",
        model=("pellow-r3", "pellow-r1")[at % 23 == 4],
        station=f"line-{at % 2}",
        operator=(None, "A. Operator", "B. Operator")[at % 3],
        firmware=f"1.{at % 4}",
        purpose=("unit", "study", "golden", "unit", "challenge", "unit")[at % 6],
        assets=(Asset("interface", "IF-1"), Asset("cable", f"CB-{at % 4}"))[: at % 3],
        **traced,
    )
    return replace(run, aborted=at % 11 == 10)


def filter_of(values, **more):
    """Return the filter of runs that have these values, wherever the filter has them."""
    facts = {name: value for name, value in values.items() if name not in ("serial", "model")}
    own = {name: value for name, value in values.items() if name not in facts}
    return RunFilter(facts=facts, **own, **more)
