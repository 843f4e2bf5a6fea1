"""``linecheck limits propose``: masks that follow from stored units, as a diff of the limit file."""

from __future__ import annotations

import difflib
import json
import math
import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import click

from linecheck.cli.display.messages import counted, print_table, tell
from linecheck.cli.log.filters import filter_options
from linecheck.cli.statistics.capability import print_counted
from linecheck.cli.statistics.options import source_options
from linecheck.errors import ExitStatus, FileError, UsageError
from linecheck.files.bounded import read_bounded
from linecheck.files.text import visible
from linecheck.files.write import write_atomically
from linecheck.limits.editing import CannotEdit, mask_path, with_masks, with_next_revision
from linecheck.limits.loading.load import load_limits, read_chain
from linecheck.limits.meaning import bounds_text, outside_text
from linecheck.limits.model import LimitFile, Mask
from linecheck.log import RunFilter
from linecheck.results.wording import significant, subject
from linecheck.statistics.columns import Columns, Place, open_columns
from linecheck.statistics.curve_bands import propose_curve, read_curve_sets
from linecheck.statistics.decisive import (
    MAX_UNITS,
    Cost,
    JudgedUnits,
    alike,
    dominated,
    judged_units,
    mask_costs,
    outcome,
)
from linecheck.statistics.propose import Channel, Proposal, Wanted, propose
from linecheck.statistics.readings import COLUMNS, Counted, Key, count_units, read_metrics

_MAX_BYTES: Final = 1 << 24
_MAX_TOLD: Final = 15
_SHARE: Final = click.FloatRange(0.0, 1.0, min_open=True, max_open=True)


@dataclass(frozen=True)
class _Found:
    """All that is told."""

    limits: LimitFile
    counted: Counted
    source: str
    wanted: Wanted
    proposals: Sequence[Proposal]
    masks: Mapping[tuple[str, str], Mask]
    units: JudgedUnits
    diff: str
    not_edited: Sequence[str]


@click.command("propose")
@source_options
@filter_options
@click.option("--yield", "yield_", type=_SHARE, default=0.99, help="The share of units that pass all masks.")
@click.option(
    "--consumer-risk", "consumer", type=_SHARE, default=0.001, help="Of units: beyond a fail mask and passed."
)
@click.option(
    "--producer-risk",
    "producer",
    type=_SHARE,
    default=0.001,
    help="Of units: within all fail masks and failed.",
)
@click.option(
    "--gauge",
    metavar="FILE",
    help="A gauge study's figures (JSON), in place of the readings' own uncertainty.",
)
@click.option("--metric", "metrics", metavar="CHECK.METRIC", multiple=True, help="Only for this; repeatable.")
@click.option("--json", "as_json", is_flag=True, help="Print the proposal as JSON.")
@click.option("--out", metavar="FILE", help="Also write the diff to FILE.")
def propose_command(
    place: Place,
    wanted: RunFilter,
    yield_: float,
    consumer: float,
    producer: float,
    gauge: str | None,
    metrics: tuple[str, ...],
    as_json: bool,
    out: str | None,
) -> ExitStatus:
    r"""Propose masks from stored units, as a diff of the limit file, which stays as it is.

    The pass mask of each metric holds so many units, with 95 % confidence, that together the wanted yield passes; the
    fail mask lies outside by what the risks and the uncertainty of measuring ask for. Each unit counts with the first
    run that judged it, failed ones too. Then it is told what these units come to by the proposal, which masks decide,
    which never do, which metrics say the same, and what each mask costs. --limits is needed: the file to be changed.

    \b
    FILE of --gauge: {"metrics": [{"check": "tone", "metric": "sinad", "channel": "left", "gauge": 0.03}]}
    with the standard deviation of measuring; further keys are left alone.

    Exit status: 0 something is proposed, 3 nothing can be.
    """
    if place.limits is None:
        raise UsageError("give --limits FILE: the limit file that is to be changed")
    limits = load_limits(place.limits)
    _refuse_limit_files(out, limits)
    deviations = {} if gauge is None else _gauge(gauge)
    with open_columns(place, wanted, columns=COLUMNS) as columns:
        found = _found(columns, limits, (yield_, consumer, producer), deviations, metrics)
    if out is not None:
        write_atomically(Path(out), found.diff.encode())
    if as_json:
        click.echo(json.dumps(_plain(found), allow_nan=False))
    else:
        _print(found)
    return ExitStatus.PASS if found.masks else ExitStatus.INVALID


def _refuse_limit_files(out: str | None, limits: LimitFile) -> None:
    """Refuse to write over a limit file, or what it builds on, under whatever name."""
    if out is None:
        return
    for source in read_chain(limits.path):
        same = os.path.exists(out) and os.path.samefile(out, source.path)
        if same or os.path.realpath(out) == os.path.realpath(source.path):
            raise UsageError(
                f"--out {out}: is the limit file; a proposal never goes over one, give another name"
            )


def _gauge(path: str) -> dict[Key, float]:
    """Return the standard deviations of a gauge study."""
    try:
        content = json.loads(read_bounded(path, _MAX_BYTES, "gauge study"))
    except (ValueError, RecursionError) as error:
        raise FileError(path, f"is no JSON: {error}") from error
    rows = content.get("metrics") if isinstance(content, dict) else None
    told = map(_gauged, rows if isinstance(rows, list) else ())
    found = dict(one for one in told if one is not None)
    if not found:
        raise FileError(
            path, 'has no figures of a gauge study, expected {"metrics": [{"check": …, "gauge": …}]}'
        )
    return found


def _gauged(row: Any) -> tuple[Key, float] | None:  # noqa: ANN401 - of a file
    """Return the metric of a row, and its standard deviation; None where it has none."""
    if not isinstance(row, dict):
        return None
    check, metric, channel, value = (row.get(name) for name in ("check", "metric", "channel", "gauge"))
    value = value.get("value") if isinstance(value, dict) else value
    if not (isinstance(check, str) and isinstance(metric, str) and isinstance(channel, str | None)):
        return None
    if (
        isinstance(value, bool)
        or not isinstance(value, int | float)
        or not math.isfinite(value)
        or value < 0.0
    ):
        return None
    return (check, metric, channel), float(value)


def _found(
    columns: Columns,
    limits: LimitFile,
    share: tuple[float, float, float],
    gauge: Mapping[Key, float],
    metrics: Sequence[str],
) -> _Found:
    units = count_units(columns, limits)
    readings = [
        item for item in read_metrics(columns, limits, units.units, wanted=metrics) if item.mask is not None
    ]
    curves: dict[tuple[str, str], list[Any]] = {}
    meant = {(item.check, item.metric) for item in readings}
    for one in read_curve_sets(columns, limits):
        if (one.check.name, one.spec.name) in meant or not metrics:
            curves.setdefault((one.check.name, one.spec.name), []).append(one)
    plain = [item for item in readings if not item.is_curve]
    wanted = Wanted(*share, masks=max(1, len(plain) + sum(map(len, curves.values()))))
    proposals = [*propose(plain, wanted, gauge), *(propose_curve(sets, wanted) for sets in curves.values())]
    masks = {(each.check, each.metric): each.mask for each in proposals if each.mask is not None}
    diff, not_edited = _diff(limits, proposals)
    flat = {key: mask for key, mask in masks.items() if key not in curves}
    return _Found(
        limits,
        units,
        columns.source,
        wanted,
        proposals,
        masks,
        judged_units(columns, limits, flat),
        diff,
        not_edited,
    )


def _diff(limits: LimitFile, proposals: Sequence[Proposal]) -> tuple[str, list[str]]:
    """Return the diff of the limit file, and which masks cannot be put into it."""
    text = read_bounded(limits.path, _MAX_BYTES, "limit file").decode("utf-8")
    places: dict[Any, list[Proposal]] = {}
    checks = {check.name: check for check in limits.checks}
    for each in proposals:
        if each.mask is not None:
            places.setdefault(mask_path(limits, checks[each.check], each.metric, text), []).append(each)
    changed, left = text, []
    for path, shared in places.items():
        try:
            changed = with_masks(
                changed, {path: _widest([each.mask for each in shared if each.mask is not None])}
            )
        except CannotEdit as error:
            left.append(f"{shared[0].check}.{shared[0].metric}: {error}; change it by hand")
    if changed != text:
        changed = with_next_revision(changed)
    lines = difflib.unified_diff(
        text.splitlines(keepends=True), changed.splitlines(keepends=True), limits.path, limits.path
    )
    return "".join(lines), left


def _widest(masks: Sequence[Mask]) -> Mask:
    """Return one mask for setups that share it in the file."""
    first = masks[0]
    for mask in masks[1:]:
        inner = _wider(first.pass_, mask.pass_)
        outer = None if first.fail is None or mask.fail is None else _wider(first.fail, mask.fail)
        first = Mask(inner, outer)
    return first


def _wider(one: Any, other: Any) -> Any:  # noqa: ANN401 - bounds
    pick = {"min": min, "max": max}
    sides = {
        side: choose(getattr(one, side), getattr(other, side))
        for side, choose in pick.items()
        if isinstance(getattr(one, side), float) and isinstance(getattr(other, side), float)
    }
    return replace(one, **sides)


def _print(found: _Found) -> None:
    print_counted(found.counted, found.source)
    wanted = found.wanted
    click.echo(
        f"  for a yield of {wanted.yield_:.6g}, a consumer's risk of {wanted.consumer:g} and a producer's of "
        f"{wanted.producer:g}, over {counted(wanted.masks, 'mask')} (each channel one): {100 * wanted.share:.6g} % of "
        f"units within each, with {100 * wanted.confidence:g} % confidence"
    )
    _print_proposals(found.proposals)
    if found.units.keys and found.counted.units:
        _print_outcome(found)
        _print_deciding(found)
    if found.limits.approved_by is not None and found.diff:
        click.echo(f"\napproved by {visible(found.limits.approved_by)}: that is not the file with this diff")
    for line in found.not_edited:
        tell(line)
    click.echo(
        f"\n{found.diff}" if found.diff else "\nno mask is proposed, and there is no diff", nl=not found.diff
    )


def _print_proposals(proposals: Sequence[Proposal]) -> None:
    there = [each for each in proposals if each.mask is not None]
    if there:
        click.echo("")
        headings = (
            "metric",
            "passes now",
            "fails now",
            "would pass",
            "would fail",
            "by channel, tolerance interval",
        )
        print_table(headings, map(_cells, there), ())
    _print_block(
        "no mask is proposed, and the present one stays",
        [f"{each.check}.{each.metric}: {each.why}" for each in proposals if each.mask is None],
    )
    _print_block(
        "to be known", [f"{each.check}.{each.metric}: {note}" for each in there for note in each.notes]
    )


def _print_block(caption: str, lines: Sequence[str], most: int | None = None) -> None:
    if not lines:
        return
    click.echo(f"\n{caption}:")
    for line in lines[:most]:
        click.echo(f"  {visible(line)}")
    if most is not None and len(lines) > most:
        click.echo(f"  and {len(lines) - most} more")


def _cells(each: Proposal) -> tuple[str, ...]:
    assert each.mask is not None
    now, then = each.present, each.mask
    return (
        f"{each.check}.{each.metric}",
        bounds_text(now.pass_),
        outside_text(now.fail or now.pass_),
        bounds_text(then.pass_),
        outside_text(then.fail or then.pass_),
        "; ".join(map(_channel_text, each.channels)) or "a band that holds whole curves",
    )


def _channel_text(channel: Channel) -> str:
    span = channel.span
    assert span is not None
    low, high = (significant(limit, 6) if math.isfinite(limit) else None for limit in (span.low, span.high))
    limits = f"{low} to {high}" if low and high else f"≥ {low}" if low else f"≤ {high}"
    return f"{channel.readings.channel or 'pair'} {limits} ({span.method})"


def _print_outcome(found: _Found) -> None:
    pairs = outcome(found.units)
    total = sum(pairs.values())
    newest = f" (the newest {MAX_UNITS})" if found.counted.units > total else ""
    before = Counter[str]()
    after = Counter[str]()
    for (was, now), count in pairs.items():
        before[was.value] += count
        after[now.value] += count
    click.echo(f"\nwhat {counted(total, 'unit')}{newest} come to:")
    rows = [
        (verdict, str(before[verdict]), str(after[verdict])) for verdict in dict.fromkeys([*before, *after])
    ]
    print_table(("verdict", "were", "would be"), rows, (1, 2))
    for (was, now), count in pairs.items():
        if was is not now:
            click.echo(f"  {counted(count, 'unit')} from {was.value} to {now.value}")
    if any(each.mask is not None and not each.channels for each in found.proposals):
        click.echo("  curves count as they were judged")


def _print_deciding(found: _Found) -> None:
    for caption, levels in (("now", found.units.before), ("by the proposal", found.units.after)):
        costs, failed = mask_costs(found.units, levels)
        _print_block(
            f"what masks cost, {caption} ({counted(failed, 'unit')} failed)",
            list(_cost_lines(costs)),
            _MAX_TOLD,
        )
        _print_block(
            f"decide everything, {caption}",
            [f"{cost.check}.{cost.metric}" for cost in costs if failed >= 3 and cost.failed == failed],
        )
        _print_block(
            f"never decide, {caption}",
            [
                f"{'.'.join(mask)}: each of the {units} units that it fails {'.'.join(other)} fails too"
                for mask, other, units in dominated(found.units, levels)
            ],
        )
    same = sorted(alike(found.units), key=lambda pair: -abs(pair[2]))
    lines = [
        f"{_key_text(one)} and {_key_text(other)}: r = {r:.3f}, {counted(units, 'unit')}"
        for one, other, r, units in same
    ]
    _print_block("say the same", lines, _MAX_TOLD)


def _key_text(key: Key) -> str:
    return subject(f"{key[0]}.{key[1]}", "", key[2])


def _cost_lines(costs: Sequence[Cost]) -> Iterator[str]:
    idle = [f"{cost.check}.{cost.metric}" for cost in costs if not cost.not_passed]
    for cost in costs:
        if cost.not_passed:
            alone = f", {cost.alone} of them alone" if cost.failed else ""
            yield f"{cost.check}.{cost.metric}: fails {cost.failed}{alone}; {cost.not_passed} do not pass it"
    if idle:
        yield f"all units pass {len(idle)} others"


def _plain(found: _Found) -> dict[str, Any]:
    costs = {
        name: [vars(cost) for cost in mask_costs(found.units, levels)[0]]
        for name, levels in (("now", found.units.before), ("proposed", found.units.after))
    }
    return {
        "source": found.source,
        "limits": found.limits.path,
        **vars(found.counted),
        "yield": found.wanted.yield_,
        "consumer_risk": found.wanted.consumer,
        "producer_risk": found.wanted.producer,
        "masks": found.wanted.masks,
        "share_within_each": found.wanted.share,
        "confidence": found.wanted.confidence,
        "proposals": [_plain_proposal(each) for each in found.proposals],
        "outcome": [
            {"was": was.value, "would_be": now.value, "units": count}
            for (was, now), count in outcome(found.units).items()
        ],
        "costs": costs,
        "never_decide": [
            {"mask": ".".join(mask), "decided_by": ".".join(other), "units": units}
            for mask, other, units in dominated(found.units, found.units.after)
        ],
        "say_the_same": [
            {"one": _key_text(one), "other": _key_text(other), "r": r, "units": units}
            for one, other, r, units in alike(found.units)
        ],
        "not_in_the_diff": list(found.not_edited),
        "diff": found.diff,
    }


def _plain_proposal(each: Proposal) -> dict[str, Any]:
    return {
        "check": each.check,
        "metric": each.metric,
        "unit": each.spec.unit,
        "present": _plain_mask(each.present),
        "proposed": None if each.mask is None else _plain_mask(each.mask),
        "why_not": each.why or None,
        "notes": list(each.notes),
        "channels": [
            {
                "channel": channel.readings.channel,
                "units": channel.readings.sample.units,
                "low": _finite(None if channel.span is None else channel.span.low),
                "high": _finite(None if channel.span is None else channel.span.high),
                "method": None if channel.span is None else channel.span.method,
                "guard": channel.guard,
                "why_not": channel.why or None,
            }
            for channel in each.channels
        ],
    }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _plain_mask(mask: Mask) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for (name, side), limit in mask.limits.items():
        found.setdefault(name, {})[side] = (
            [list(point) for point in limit] if isinstance(limit, tuple) else limit
        )
    return found
