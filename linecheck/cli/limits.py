"""``linecheck limits``: check limit files; say what they mean; propose others."""

from __future__ import annotations

from dataclasses import replace

import click

from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.cli.display.messages import counted
from linecheck.cli.display.result import Screen, aligned
from linecheck.cli.lazy import LazyGroup
from linecheck.errors import ExitStatus, FileError
from linecheck.files.text import listed, visible
from linecheck.limits.loading.load import load_limits, load_with_warnings
from linecheck.limits.mask_warnings import decided_before
from linecheck.limits.meaning import bounds_text, meaning, outside_text
from linecheck.limits.model import Check, LimitFile

#: So many masks are named that lack a study for one reason.
_MAX_NAMED = 12

#: command -> (place, one-line help)
_COMMANDS = {
    "check": ("limits:check_command", "Check limit files: list every fault, and warn of likely mistakes."),
    "propose": (
        "limits_propose:propose_command",
        "Propose masks from stored units, as a diff of the limit file.",
    ),
    "show": ("limits:show_command", "Explain each mask of a limit file."),
}


@click.group(name="limits", cls=LazyGroup, package="linecheck.cli", lazy=_COMMANDS)
def command() -> None:
    """Check limit files, explain them, and propose masks from units."""


@click.command("check")
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path())
@click.option("--strict", is_flag=True, help="Refuse files that have warnings.")
@click.option(
    "--log",
    "logs",
    metavar="PATH",
    multiple=True,
    help="Name the masks without the gauge study that a file asks for (study), by this log; repeatable.",
)
def check_command(files: tuple[str, ...], strict: bool, logs: tuple[str, ...]) -> ExitStatus:
    """Check limit files: list every fault, and warn of likely mistakes.

    Each fault is a line on standard error, FILE:LINE:COLUMN: KEY: what is wrong, what was expected. A warning is such a
    line with "warning:" before the key: a mask with the wrong sign, beyond what any unit can reach, that nothing passes
    or nothing fails, that never decides because another one does, or that a comparison with a baseline leaves out. A
    note names what took a superseded metric's place; the old name reads what it read, and is no mistake. A file that
    others build on is checked through those. With --log a file's `study` is held against the gauge studies in a log.

    Exit status: 0 all files are right, 2 a file has a fault or, with --strict, a warning.
    """
    wrong = False
    for file in files:
        try:
            limits, warnings, superseded = load_with_warnings(file)
        except FileError as error:
            wrong = True
            click.echo(visible(str(error)), err=True)
            continue
        lacks = _lacking(limits, logs)
        wrong = wrong or (strict and bool(warnings or lacks))
        click.echo(_summary(limits, len(warnings) + len(lacks)))
        for warning in warnings:
            click.echo(visible(str(replace(warning, key=f"warning: {warning.key}"))), err=True)
        for note in superseded:
            click.echo(visible(str(replace(note, key=f"note: {note.key}"))), err=True)
        for text in lacks:
            click.echo(visible(f"{file}: warning: study: {text}"), err=True)
    return ExitStatus.WRONG_INPUT if wrong else ExitStatus.PASS


def _lacking(limits: LimitFile, logs: tuple[str, ...]) -> list[str]:
    """Return which masks lack the gauge study that the file asks for."""
    if not logs or limits.study is None:
        return []
    from linecheck.statistics.gauge.due import lacking  # takes a moment to load

    return [
        f"{listed(each.masks, _MAX_NAMED)}: at {each.place}: {each.why}" for each in lacking(logs, limits)
    ]


def _summary(limits: LimitFile, warnings: int) -> str:
    masks = sum(len(check.masks) for check in limits.checks)
    found = "OK" if not warnings else counted(warnings, "warning")
    return (
        f"{click.format_filename(limits.path)}: {found}, model {limits.model}, revision {limits.revision}, "
        f"{counted(len(limits.checks), 'check')}, {counted(masks, 'mask')}, sha256 {limits.sha256}"
    )


@click.command("show")
@click.argument("file", metavar="FILE", type=click.Path())
def show_command(file: str) -> None:
    """Explain each mask of a limit file.

    For each metric: its unit, which way is better, what passes, what fails, by how much it may differ from a baseline,
    which other mask decides before it, and all of that in a sentence. "linecheck limits check" warns of mistakes.

    Exit status: 0, or 2 where the file has a fault.
    """
    screen = Screen.of_stdout()
    screen.show(limits_text(load_limits(file), screen))


HEAD = ["metric", "unit", "better", "passes", "fails", "regression", "decided by"]


def limits_text(limits: LimitFile, screen: Screen) -> str:
    """Return every check of a limit file with its masks; a check without any is named."""
    head = f"{limits.path}: model {limits.model}, revision {limits.revision}, decision {limits.decision}"
    rows = [_cells(check, spec) for check in limits.checks for spec in check.masked]
    cells = [HEAD, *([_shown(cell, screen) for cell in row] for row in rows)]
    lines = aligned(cells, screen, [None] * len(cells))
    blocks = [screen.plain(head), next(lines)]
    for check in limits.checks:
        block = [screen.plain(f"{check.name}: {check.kind.text}{'' if check.masked else ' (no mask)'}")]
        for spec in check.masked:
            block += [next(lines), f"      {screen.plain(meaning(spec, check.masks[spec.name]))}"]
            if spec.superseded_by is not None:
                block.append(f"      {screen.plain(str(spec.superseded_by))}")
        blocks.append("\n".join(block))
    return "\n\n".join(blocks)


def _shown(cell: str, screen: Screen) -> str:
    return screen.plain(cell.replace("≥", ">=").replace("≤", "<=") if screen.ascii_only else cell)


def _cells(check: Check, spec: MetricSpec | CurveSpec) -> list[str]:
    first, mask = decided_before(check, spec), check.masks[spec.name]
    margin = check.regression.get(spec.name)
    return [
        spec.name,
        spec.unit or "-",
        spec.better,
        bounds_text(mask.pass_),
        outside_text(mask.fail or mask.pass_),
        "-" if margin is None else f"{margin:g}",
        "itself" if first is None else first.by,
    ]
