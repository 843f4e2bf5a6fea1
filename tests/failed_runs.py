"""Causes made up by hand, so that what is recorded, shown and counted of them is tested without weighing anything."""

from made_runs import made_check, made_curve, made_reading, made_run

from linecheck.limits.verdict import Verdict
from linecheck.run.causes import Causes, RankedCause


def told_cause(codes, probability=0.9, **changes):
    """Return a cause, by its code or by several that are one with a plus between."""
    parts = {"channel": None, "explains": 3, "blames": ("unit",)} | changes
    return RankedCause(
        codes=tuple(codes.split("+")),
        probability=probability,
        text=codes.replace("_", " "),
        act="set the unit aside",
        measure="measure it with the fixture changed",
        **parts,
    )


def told_causes(*ranked):
    """Return causes of (code, probability), the first one first; a leg that is missing, where none are given."""
    given = ranked or (("missing_leg", 0.93), ("dead_channel", 0.05), ("none_of_these", 0.02))
    return Causes(1, 4, tuple(told_cause(*each) for each in given))


def failed_run(*ranked, **changes):
    """Return a failed run that says what may be broken."""
    check = made_check(made_reading(Verdict.FAIL, 105.3), made_curve())
    return made_run(check, **{"causes": told_causes(*ranked).as_fact(), **changes})
