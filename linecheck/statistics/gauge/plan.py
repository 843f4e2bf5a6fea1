"""The plan of a gauge study: which unit is measured when, and by whom or where, in random order.

=======================  ==================================================================
:func:`planned`          a plan, from what is to be compared and a seed
:class:`Plan`            its runs in order; its id follows from all that it says
:func:`read_plan`        a plan from its file; one that was edited is refused
:func:`assigned`         which run of the log is which of the plan
=======================  ==================================================================

Each repeat is a block, in which every level and every unit comes once, in random order: a drift of the station then is
nobody's. No unit comes twice in a row: each time it is connected anew. Operators change between blocks only, and days
follow each other. Nests and stations each go through their own runs.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Final, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from linecheck.errors import FileError, UsageError
from linecheck.files.bounded import read_bounded
from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.statistics.gauge.anova import Layout

#: What is compared; ``day`` is whichever days it is run on.
Factor = Literal["operator", "nest", "station", "day"]
MAX_RUNS: Final = 2000
MAX_BYTES: Final = 4_000_000
_ID_LENGTH: Final = 16
#: Of what is measured at each level apart: each has its own next run.
_PLACES: Final = ("nest", "station")
#: Runs that measured: all that a plan counts.
MEASURED: Final = (Verdict.PASS.value, Verdict.MARGINAL.value, Verdict.FAIL.value)

Name = Annotated[str, Field(min_length=1, max_length=128)]
Names = Annotated[tuple[Name, ...], Field(strict=False, max_length=MAX_RUNS)]


class Entry(NamedTuple):
    """One run of a plan; ``level`` is the operator, the nest, the station or the day, empty where there is none."""

    unit: str
    level: str
    repeat: int


_Run = Annotated[tuple[Name, Annotated[str, Field(max_length=128)], int], Field(strict=False)]


class Plan(BaseModel):
    """A plan; ``units`` of a nested one are those of each level, one level after the other."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    format: Literal[1] = 1
    model: Name
    limits_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    factor: Factor | None = None
    nested: bool = False
    levels: Names = ()
    units: Names
    repeats: Annotated[int, Field(ge=1, le=MAX_RUNS)]
    seed: Annotated[int, Field(ge=0, lt=2**63)]
    made: Name
    #: What each unit is known to be, where verdicts are held against that.
    reference: dict[Name, Literal["pass", "fail"]] = {}
    #: Unit, level and repeat of each run, in order. The order came from the seed, and stands here: another release of
    #: Python may shuffle otherwise.
    runs: Annotated[tuple[_Run, ...], Field(strict=False, max_length=MAX_RUNS)] = ()

    @model_validator(mode="after")
    def _tells_something(self) -> Plan:
        _refuse(self)
        return self

    @property
    def layout(self) -> Layout:
        """How units and levels lie to each other."""
        if self.factor is None:
            return "alone"
        return "nested" if self.nested else "crossed"

    def units_of(self, level: str) -> tuple[str, ...]:
        """Return the units that are measured at a level."""
        if not self.nested:
            return self.units
        size = len(self.units) // len(self.levels)
        at = self.levels.index(level) * size
        return self.units[at : at + size]

    @cached_property
    def entries(self) -> tuple[Entry, ...]:
        """All runs in order."""
        return tuple(Entry(*run) for run in self.runs)

    @cached_property
    def sha256(self) -> str:
        """Hash of all that the plan says."""
        return hashlib.sha256(_canonical(self.model_dump(mode="json"))).hexdigest()

    @property
    def id(self) -> str:
        """What its runs are known by."""
        return self.sha256[:_ID_LENGTH]

    @property
    def content(self) -> dict[str, Any]:
        """What its file says: the plan, and its hash."""
        return {**self.model_dump(mode="json"), "sha256": self.sha256}

    @property
    def is_by_place(self) -> bool:
        """Whether each nest or station has runs of its own, whatever goes on at the others."""
        return self.factor in _PLACES

    def at(self, place: Mapping[str, str | None]) -> tuple[Entry, ...]:
        """Return the runs that take place at a nest and station, as ``{"nest": …, "station": …}`` names them."""
        if self.factor not in _PLACES:
            return self.entries
        return tuple(entry for entry in self.entries if entry.level == place.get(self.factor))


def planned(
    model: str,
    limits_sha256: str,
    units: Sequence[str],
    repeats: int,
    *,
    factor: Factor | None = None,
    levels: Sequence[str] = (),
    nested: bool = False,
    seed: int,
    made: str,
    reference: Mapping[str, str] | None = None,
) -> Plan:
    """Return a plan.

    Raises
    ------
    UsageError
        It could not tell anything.
    """
    shared = list(units)
    if nested:  # which level has which units is chance as well
        random.Random(f"{seed}/units").shuffle(shared)
    try:
        design = Plan.model_validate(
            {
                "model": model,
                "limits_sha256": limits_sha256,
                "factor": factor,
                "nested": nested,
                "levels": tuple(levels),
                "units": tuple(shared),
                "repeats": repeats,
                "seed": seed,
                "made": made,
                "reference": dict(reference or {}),
            }
        )
    except ValidationError as error:
        raise UsageError(_why(error)) from None
    return design.model_copy(update={"runs": tuple(map(tuple, _ordered(design)))})


def plan_bytes(plan: Plan) -> bytes:
    """Return the bytes of a plan's file."""
    return json.dumps(plan.content, indent=1, ensure_ascii=False).encode() + b"\n"


def read_plan(path: str | os.PathLike[str]) -> Plan:
    """Return the plan of a file.

    Raises
    ------
    FileError
        It cannot be read, is no plan, or was edited.
    """
    name = visible(str(path))
    raw = read_bounded(Path(path), MAX_BYTES, "a plan")
    try:
        content = json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise FileError(name, f"is no plan of a gauge study: it is no JSON ({error})") from None
    return plan_from(content, name)


def plan_from(content: object, name: str) -> Plan:
    """Return the plan that a file or a log has kept.

    Raises
    ------
    FileError
        It is none, or was edited.
    """
    if not isinstance(content, dict) or "sha256" not in content:
        raise FileError(name, "is no plan of a gauge study: make one with `linecheck gauge plan`")
    try:
        plan = Plan.model_validate({key: value for key, value in content.items() if key != "sha256"})
    except ValidationError as error:
        raise FileError(name, f"is no plan of a gauge study, or was edited: {_why(error)}") from None
    if plan.sha256 != content["sha256"]:
        raise FileError(
            name, "was edited after it was made: what it says does not give its hash. Make a new plan"
        )
    if set(plan.entries) != set(_ordered(plan)) or len(plan.entries) != len(set(plan.entries)):
        raise FileError(name, "is no plan of a gauge study: its runs are not those of its units and repeats")
    return plan


@dataclass(frozen=True)
class StudyRun:
    """A run of a study, as the log has it."""

    record: int
    serial: str
    verdict: str
    place: Mapping[str, str | None] = field(default_factory=dict)
    operator: str | None = None

    @property
    def measured(self) -> bool:
        """Whether it counts for the plan: an invalid or aborted one is made again."""
        return self.verdict in MEASURED


def assigned(plan: Plan, runs: Iterable[StudyRun]) -> dict[Entry, StudyRun]:
    """Return which run is which of the plan; ``runs`` in the order in which they took place, of each log on its own.

    Raises
    ------
    UsageError
        A run is not the one that the plan had next.
    """
    found: dict[Entry, StudyRun] = {}
    for run in runs:
        if not run.measured:
            continue
        entry = next((entry for entry in plan.at(run.place) if entry not in found), None)
        wrong = _other(plan, entry, run)
        if wrong:
            raise UsageError(
                f"record {run.record} is not what the plan {plan.id} had next: it is {wrong}. Was the plan run at "
                "two places at once, or are two logs of it mixed?"
            )
        assert entry is not None
        found[entry] = run
    return found


def _other(plan: Plan, entry: Entry | None, run: StudyRun) -> str:
    if entry is None:
        return f"one of {visible(run.serial)} after the last"
    if run.serial != entry.unit:
        return f"of {visible(run.serial)}, and {entry.unit} was next"
    if plan.factor == "operator" and run.operator != entry.level:
        return f"by {visible(run.operator or 'nobody')}, and {entry.level} was next"
    return ""


def _ordered(plan: Plan) -> Iterator[Entry]:
    order = random.Random(plan.seed)

    def shuffled(names: Sequence[str]) -> list[str]:
        return order.sample(list(names), len(names))

    levels = plan.levels or ("",)
    if plan.factor == "day":
        blocks = [(repeat, level) for level in levels for repeat in range(1, plan.repeats + 1)]
    else:
        blocks = [(repeat, level) for repeat in range(1, plan.repeats + 1) for level in shuffled(levels)]
    before: dict[str, str] = {}
    for repeat, level in blocks:
        place = level if plan.is_by_place else ""
        units = shuffled(plan.units_of(level) if plan.factor else plan.units)
        if before.get(place) == units[0]:
            # Nobody would take it out and connect it anew.
            at = order.randrange(1, len(units))
            units[0], units[at] = units[at], units[0]
        before[place] = units[-1]
        for unit in units:
            yield Entry(unit, level, repeat)


def _refuse(plan: Plan) -> None:
    """Refuse a plan that cannot tell anything."""
    for what, names in (("unit", plan.units), (plan.factor or "level", plan.levels)):
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f"the {what} {twice} is named twice")
    if len(plan.units) < 2:
        raise ValueError(
            "a study of one unit cannot tell the units from the station: plan two or more, ten are usual"
        )
    if plan.repeats < 2:
        raise ValueError(
            "a study without repeats cannot tell noise from anything else: plan two or more repeats"
        )
    if (plan.factor is None) != (not plan.levels):
        raise ValueError("levels need a factor, and a factor levels")
    if plan.factor is not None and len(plan.levels) < 2:
        raise ValueError(
            f"one {plan.factor} cannot be told from another: name two or more, or none to study repeats alone"
        )
    if plan.nested:
        _refuse_nested(plan)
    runs = len(plan.units) * plan.repeats * (1 if plan.nested else max(1, len(plan.levels)))
    if runs > MAX_RUNS:
        raise ValueError(f"the plan has {runs} runs, expected at most {MAX_RUNS}")
    unknown = [unit for unit in plan.reference if unit not in plan.units]
    if unknown:
        raise ValueError(f"the reference names {unknown[0]}, which is none of the units")
    if plan.reference and len(plan.reference) < len(plan.units):
        raise ValueError("the reference says of some units only what they are: say it of all, or of none")


def _refuse_nested(plan: Plan) -> None:
    if plan.factor is None:
        raise ValueError("units are nested in operators, nests, stations or days: name them")
    if plan.factor == "day":
        raise ValueError("units nested in days cannot be told from the days: measure the same units each day")
    each, rest = divmod(len(plan.units), len(plan.levels))
    if rest or each < 2:
        raise ValueError(
            f"{len(plan.units)} units cannot be shared out among {len(plan.levels)} {plan.factor}s: each has as many, "
            "and two at least"
        )


def _canonical(content: Any) -> bytes:  # noqa: ANN401 - plain data
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def _why(error: ValidationError) -> str:
    first = error.errors(include_url=False, include_context=False, include_input=False)[0]
    place = ".".join(str(part) for part in first["loc"])
    text = str(first["msg"]).removeprefix("Value error, ")
    return f"{place}: {text}" if place else text
