"""``linecheck gauge plan``: the plan of a gauge study, and a sheet to scan from."""

from __future__ import annotations

import secrets
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

import click

from linecheck.cli.display.messages import counted, tell
from linecheck.cli.options import limits_option
from linecheck.errors import UsageError
from linecheck.files.bounded import read_bounded
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.files.write import check_can_write, write_atomically
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import LimitFile
from linecheck.run.plan import check_serial
from linecheck.statistics.gauge.plan import MAX_RUNS, Factor, Plan, plan_bytes, planned

MAX_LIST_BYTES = 1_000_000
#: With fewer levels what they differ by is hardly known: the interval of a variance with one or two degrees of freedom.
FEW_LEVELS = 4


@click.command("plan")
@limits_option
@click.option("--unit", "units", metavar="S", multiple=True, help="Serial number of a unit; repeatable.")
@click.option("--units", "units_path", metavar="FILE", help="File with serial numbers, one a line.")
@click.option(
    "--repeats",
    type=click.IntRange(1, MAX_RUNS),
    default=3,
    help="How often each unit is measured at each level.",
)
@click.option(
    "--operator", "operators", metavar="O", multiple=True, help="Compare operators: one; repeatable."
)
@click.option("--nest", "nests", metavar="N", multiple=True, help="Compare nests: one; repeatable.")
@click.option(
    "--at-station", "stations", metavar="S", multiple=True, help="Compare stations: one; repeatable."
)
@click.option("--days", type=click.IntRange(2, 366), help="Compare so many days.")
@click.option("--nested", is_flag=True, help="Each operator, nest or station has units of its own.")
@click.option(
    "--reference",
    "reference_path",
    metavar="FILE",
    help="File with what each unit is known to be: a serial number and pass or fail, one a line.",
)
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), help="Seed of the order [default: a random one].")
@click.option("--out", "out", metavar="FILE", required=True, help="Write the plan here (JSON).")
@click.option("--sheet", "sheet_path", metavar="FILE.html", help="Write a sheet of bar codes to scan from.")
@click.option("--pdf", "pdf_path", metavar="FILE.pdf", help="Write that sheet as PDF (needs Chromium).")
def plan_command(
    limits_path: str,
    units: tuple[str, ...],
    units_path: str | None,
    repeats: int,
    operators: tuple[str, ...],
    nests: tuple[str, ...],
    stations: tuple[str, ...],
    days: int | None,
    nested: bool,
    reference_path: str | None,
    seed: int | None,
    out: str,
    sheet_path: str | None,
    pdf_path: str | None,
) -> None:
    """Plan a gauge study: which unit is measured when, and by whom or where, in random order.

    At most one of operators, nests, stations and days is compared; without one the plan studies repeats alone. The plan
    has a hash, and a plan that was edited is not run: its order and its units are part of what the study shows.

    Exit status: 0, or 2 where the plan could not tell anything.
    """
    limits = load_limits(limits_path)
    serials = _serials(units, units_path, limits)
    factor, levels = _levels(operators, nests, stations, days)
    plan = planned(
        limits.model,
        limits.sha256,
        serials,
        repeats,
        factor=factor,
        levels=levels,
        nested=nested,
        seed=secrets.randbits(32) if seed is None else seed,
        made=utc_text(datetime.now(UTC)),
        reference=_reference(reference_path),
    )
    wanted = [Path(path) for path in (out, sheet_path, pdf_path) if path is not None]
    for path in wanted:
        check_can_write(path)
    page = _sheet(plan) if sheet_path or pdf_path else ""
    write_atomically(out, plan_bytes(plan))
    if sheet_path is not None:
        write_atomically(sheet_path, page.encode())
    if pdf_path is not None:
        from linecheck.report.pdf import browser, write_pdf

        write_pdf(page, pdf_path, program=browser())
    _tell(plan, out)


def _serials(units: tuple[str, ...], path: str | None, limits: LimitFile) -> list[str]:
    lines = [] if path is None else _lines(path)
    serials = [*units, *lines]
    if not serials:
        raise UsageError("name the units: --unit S for each, or --units FILE")
    return [check_serial(serial, limits) for serial in serials]


def _lines(path: str) -> list[str]:
    text = read_bounded(path, MAX_LIST_BYTES, "list, one a line").decode("utf-8", "replace")
    return [line.strip() for line in text.splitlines() if line.strip()]


def _levels(
    operators: tuple[str, ...], nests: tuple[str, ...], stations: tuple[str, ...], days: int | None
) -> tuple[Factor | None, tuple[str, ...]]:
    named = {
        "operator": operators,
        "nest": nests,
        "station": stations,
        "day": tuple(f"day {number}" for number in range(1, (days or 0) + 1)),
    }
    given = [factor for factor in get_args(Factor) if named[factor]]
    if len(given) > 1:
        raise UsageError(
            f"a study compares one thing at a time: {' or '.join(f'{name}s' for name in given)}. What is not compared, "
            "keep the same"
        )
    return (given[0], named[given[0]]) if given else (None, ())


def _reference(path: str | None) -> dict[str, str]:
    found = {}
    for number, line in enumerate([] if path is None else _lines(path), 1):
        serial, _, word = line.rpartition(" ")
        if word not in ("pass", "fail") or not serial.strip():
            raise UsageError(
                f"{visible(str(path))}: line {number}: expected a serial number and pass or fail, got {line[:80]!a}"
            )
        found[serial.strip()] = word
    return found


def _sheet(plan: Plan) -> str:
    from linecheck.web.study_sheet import study_sheet

    return study_sheet(plan)


def _tell(plan: Plan, path: str) -> None:
    runs = counted(len(plan.entries), "run")
    by = "" if plan.factor is None else f", {counted(len(plan.levels), plan.factor)}"
    each = " of its own" if plan.nested else ""
    units = counted(len(plan.units_of(plan.levels[0])) if plan.nested else len(plan.units), "unit")
    click.echo(
        f"{visible(path)}: {runs}: {units}{each}{by}, {counted(plan.repeats, 'repeat')}; seed {plan.seed}, "
        f"id {plan.id}, sha256 {plan.sha256}"
    )
    if plan.factor is not None and len(plan.levels) < FEW_LEVELS:
        tell(
            f"{len(plan.levels)} {plan.factor}s tell little of how {plan.factor}s differ in general: the interval of "
            "that will be wide"
        )
