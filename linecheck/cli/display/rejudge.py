"""What judging runs once more comes to, on the screen: first in sum, then unit by unit."""

from __future__ import annotations

import math
from collections.abc import Sequence

import click

from linecheck.cli.display.messages import counted, one_line, print_table
from linecheck.history.rejudge.causes import THINNED, Cause
from linecheck.history.rejudge.tally import ChangedRun, Remeasured, Tally, Transition, Yield
from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import number, significant, subject

#: So many causes, checks that were measured differently, and reasons are listed; the rest is counted.
MAX_CAUSES = 10
#: So many causes stand in a unit's line.
_MAX_OF_A_UNIT = 2

_SIDES = {"min": "at least", "max": "at most"}


def show_tally(tally: Tally, limits: Sequence[LimitFile], units: Sequence[ChangedRun]) -> None:
    """Print what all runs come to, which readings have changed, and a line for each of some units that change."""
    _show_verdicts(tally, limits)
    if tally.remeasured is not None:
        _show_readings(tally, tally.remeasured)
    if units:
        _show_units(units, tally.changed_units)


def _show_verdicts(tally: Tally, limits: Sequence[LimitFile]) -> None:
    """Print how many change and how, the yield, what changed most, what cannot be told."""
    files = ", ".join(f"{entry.path} (revision {entry.revision})" for entry in limits) or "no limit file"
    how = "measured anew, judged" if tally.remeasured is not None else "judged"
    click.echo(f"{counted(tally.runs, 'run')} of {counted(tally.units, 'unit')}, {how} by {one_line(files)}")
    for model, runs in tally.other_models.items():
        click.echo(f"{counted(runs, 'run')} of {one_line(model)} left out: no limit file of it is given")
    if tally.untold:
        _show_untold(tally)
    if tally.curves:
        were = "curve was" if tally.curves == 1 else "curves were"
        click.echo(f"{tally.curves} {were} read for it, {tally.curve_bytes / 1e6:.1f} MB")
    if not tally.judged:
        click.echo("no run was judged")
        return
    changed = f"{counted(tally.changed, 'run')} of {tally.judged} would change"
    click.echo(f"{changed}, {counted(tally.changed_units, 'unit')} by the newest run of each")
    if tally.changed:
        print_table(("verdict", "runs", "units"), _transition_rows(tally), right=(1, 2))
    yields = {"units, first valid run of each": tally.unit_yield, "runs": tally.run_yield}
    rows = [(name, _yield(both["before"]), _yield(both["after"])) for name, both in yields.items()]
    print_table(("yield", "before", "after"), rows, right=(1, 2))
    if tally.untold:
        click.echo(
            f"the yield leaves out what is undecided, {counted(tally.unit_yield['before'].untold, 'unit')}"
        )
    if tally.causes:
        listed = tally.causes.most_common(MAX_CAUSES)
        causes = [
            (cause.check, cause.metric or "(the check)", cause.way, str(count)) for cause, count in listed
        ]
        print_table(("because of", "metric", "runs become", "runs"), causes, right=(3,))
        _show_more(len(tally.causes) - len(listed), "metric")


def _transition_rows(tally: Tally) -> list[tuple[str, str, str]]:
    verdicts = list(Verdict)

    def order(pair: Transition) -> tuple[int, ...]:
        return tuple(-verdicts.index(verdict) for verdict in pair[::-1] if verdict is not None)

    changed = [
        pair
        for pair in tally.transitions.keys() | tally.unit_transitions.keys()
        if pair[1] is not None and pair[0] is not pair[1]
    ]
    return [
        (
            f"{_word(before)} → {_word(after)}",
            str(tally.transitions.get((before, after), 0)),
            str(tally.unit_transitions.get((before, after), 0)),
        )
        for before, after in sorted(changed, key=order)
    ]


def _yield(entry: Yield) -> str:
    if entry.share is None:
        return "–"
    good, judged = entry.passed + entry.marginal, entry.passed + entry.marginal + entry.failed
    # Not rounded up to all, or down to none, of them.
    share = min(max(100.0 * entry.share, 0.01), 99.99) if 0 < good < judged else 100.0 * entry.share
    return f"{share:.2f} % ({good} of {judged})"


def _show_untold(tally: Tally) -> None:
    click.echo(f"{counted(tally.untold, 'run')} undecided:")
    if tally.remeasured is None:
        reasons = [
            (f"{check}: {what}" if what == THINNED else f"{check} was measured differently: {what}", runs)
            for (check, what), runs in tally.otherwise.items()
        ]
    else:
        reasons = list(tally.remeasured.refused.items())
        if tally.remeasured.without:
            reasons.append(("no captures are kept", tally.remeasured.without))
    reasons.sort(key=lambda reason: -reason[1])
    for words, runs in reasons[:MAX_CAUSES]:
        click.echo(f"  {counted(runs, 'run')}: {one_line(words)}")
    _show_more(len(reasons) - MAX_CAUSES, "reason")


def _show_readings(tally: Tally, remeasured: Remeasured) -> None:
    """Print which readings have changed since they were stored."""
    if not remeasured.readings:
        if tally.judged:
            click.echo("no reading has changed beyond its expanded uncertainty")
        return
    ordered = sorted(remeasured.readings.items(), key=lambda item: -item[1].runs)
    rows = [
        (*key, str(count.runs), "–" if math.isinf(count.largest) else significant(count.largest, 3))
        for key, count in ordered[:MAX_CAUSES]
    ]
    print_table(("reading changed", "metric", "runs", "largest / U"), rows, right=(2, 3))
    _show_more(len(ordered) - MAX_CAUSES, "metric")


def _show_units(units: Sequence[ChangedRun], changed: int) -> None:
    rows = [
        (
            str(run.sequence),
            run.serial,
            str(run.attempt),
            f"{_word(run.before)} → {_word(run.after)}" if run.after is not run.before else _word(run.after),
            _because(run),
        )
        for run in units
    ]
    print_table(("record", "serial", "attempt", "verdict", "because"), rows, right=(0, 2))
    listed = sum(1 for run in units if run.after not in (None, run.before))
    if changed > listed:
        click.echo(
            f"and {counted(changed - listed, 'unit')} more (--limit N lists more, --json FILE has all)"
        )


def _because(run: ChangedRun) -> str:
    if run.why:
        return run.why
    told = [_cause(cause) for cause in run.causes[:_MAX_OF_A_UNIT]]
    if not told and run.readings:
        names = dict.fromkeys(f"{reading.check} {reading.metric}" for reading in run.readings)
        told = [f"readings changed: {', '.join(list(names)[:3])}" + (", …" if len(names) > 3 else "")]
    more = len(run.causes) - _MAX_OF_A_UNIT
    return "; ".join(told) + (f"; and {more} more" if more > 0 else "")


def _cause(cause: Cause) -> str:
    name = subject(cause.check, cause.metric or "", cause.channel)
    if cause.why or cause.value is None:
        return f"{name}: {cause.why}" if cause.why else name
    text = f"{name}: {number(cause.value, cause.unit)}"
    if cause.place is not None:
        text += f" at {number(cause.place, cause.place_unit)}"
    if cause.limit is not None:
        text += f", {_SIDES[cause.side or 'min']} {number(cause.limit, cause.unit)}"
    return text


def _show_more(count: int, what: str) -> None:
    if count > 0:
        click.echo(f"  and {counted(count, what)} more")


def _word(verdict: Verdict | None) -> str:
    return "undecided" if verdict is None else verdict.value
