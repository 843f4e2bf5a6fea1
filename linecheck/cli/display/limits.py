"""A limit file as a person reads it: check by check, each mask in a line and in a sentence."""

from __future__ import annotations

from collections.abc import Iterator

from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.cli.display.result import Screen, aligned, plain
from linecheck.limits.doubts import decided_before, masked_specs
from linecheck.limits.meaning import bounds_text, meaning, outside_text
from linecheck.limits.model import Check, LimitFile, Mask

__all__ = ["limits_text"]

HEAD = ["metric", "unit", "better", "passes", "fails", "regression", "decided by"]


def limits_text(limits: LimitFile, screen: Screen) -> str:
    """Return every check of a limit file with its masks; a check without any is named."""
    head = f"{limits.path}: model {limits.model}, revision {limits.revision}, decision {limits.decision}"
    entries = [(check, list(masked_specs(check))) for check in limits.checks]
    cells = [HEAD, *([_shown(cell, screen) for cell in _cells(*row)] for row in _rows(entries))]
    lines = iter(list(aligned(cells, screen, [None] * len(cells))))
    blocks = [plain(head, screen), next(lines)]
    for check, masked in entries:
        what = f"{check.name}: {check.kind.text}" if masked else f"{check.name}: {check.kind.text} (no mask)"
        block = [plain(what, screen)]
        for spec, mask in masked:
            block += [next(lines), f"      {plain(meaning(spec, mask), screen)}"]
            if spec.superseded_by is not None:
                block.append(f"      {plain(str(spec.superseded_by), screen)}")
        blocks.append("\n".join(block))
    return "\n\n".join(blocks)


def _shown(cell: str, screen: Screen) -> str:
    return plain(cell.replace("≥", ">=").replace("≤", "<=") if screen.ascii_only else cell, screen)


_Masked = tuple[MetricSpec | CurveSpec, Mask]


def _rows(entries: list[tuple[Check, list[_Masked]]]) -> Iterator[tuple[Check, MetricSpec | CurveSpec, Mask]]:
    return ((check, spec, mask) for check, masked in entries for spec, mask in masked)


def _cells(check: Check, spec: MetricSpec | CurveSpec, mask: Mask) -> list[str]:
    first = decided_before(check, spec)
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
