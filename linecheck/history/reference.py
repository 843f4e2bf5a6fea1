"""A named unit that a run is looked at beside: its values, and where the two were not measured alike.

=============================  ================================================================
:func:`reference_values`       what the reference unit measured, by check, metric and channel
:func:`reference_notes`        what the two runs do not share, in sentences
=============================  ================================================================
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from linecheck.checks.base import Reading
from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict

if TYPE_CHECKING:
    from linecheck.limits.model import Check
    from linecheck.run.model import Run

__all__ = ["reference_name", "reference_notes", "reference_values"]


def reference_name(reference: Run) -> str:
    """Return what a reference unit is called in legends and headings."""
    return visible(reference.serial)


def reference_values(reference: Run) -> Mapping[tuple[str, str, str | None], Reading]:
    """Return what the reference unit measured, but for what is not valid."""
    return {
        (check.check, item.reading.metric, item.reading.channel): item.reading
        for check in reference.checks
        for item in check.judged.readings
        if item.reading.value is not None and item.verdict is not Verdict.INVALID
    }


def reference_notes(view: Run, reference: Run) -> tuple[str, ...]:
    """Return where a run and its reference were not measured alike, a sentence each; none where they were."""
    return tuple(_notes(view, reference))


def _notes(view: Run, reference: Run) -> Iterator[str]:
    name = f"the reference unit {reference_name(reference)}"
    if view.run_id == reference.run_id:
        yield f"{name} is this very run"
    if view.model != reference.model:
        yield f"{name} is of another model: {visible(reference.model)}"
    if reference.verdict in (Verdict.INVALID, Verdict.ABORTED):
        yield f"the run of {name} is {reference.verdict.value}: not all of it was measured"
    if view.limits.sha256 != reference.limits.sha256:
        limits = reference.limits
        yield (
            f"{name} was judged by another limit file or revision ({visible(limits.path)} revision {limits.revision}; "
            f"this run: {visible(view.limits.path)} revision {view.limits.revision}): the masks shown are this run's"
        )
    yield from _check_notes(view, reference, name)


def _check_notes(view: Run, reference: Run, name: str) -> Iterator[str]:
    """Yield which checks of the reference are missing, or have measured something else."""
    stimuli = {check.check: check.stimulus_sha256 for check in reference.checks}
    absent, unknown = f"{name} has no such check", f"what was played to this unit or to {name} is not known"
    other, analysed = f"another stimulus was played to {name}", f"{name} was analysed differently"
    found: dict[str, list[str]] = {absent: [], unknown: [], other: [], analysed: []}
    for check in view.checks:
        if check.check not in stimuli:
            found[absent].append(check.check)
            continue
        both = (check.stimulus_sha256, stimuli[check.check])
        if None in both:
            found[unknown].append(check.check)
        elif both[0] != both[1]:
            found[other].append(check.check)
        if _analysed_otherwise(view.limits_of(check.check), reference.limits_of(check.check)):
            found[analysed].append(check.check)
    for words, checks in found.items():
        if checks:
            yield f"{words}: {', '.join(map(visible, checks))}"


def _analysed_otherwise(one: Check | None, other: Check | None) -> bool:
    if one is None or other is None:
        return False
    first, second = one.analysis_values, other.analysis_values
    return any(first[name] != second[name] for name in first.keys() & second.keys())
