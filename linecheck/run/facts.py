"""The facts of a run besides its measurements: one table, from which everything else follows.

====================  ===================================================================================
:class:`Facts`        the facts of a run; each of its fields is a row of the table
:class:`Fact`         what such a row says of its fact
:data:`FACTS`         the rows, in order
:func:`fact_texts`    a fact as names and texts, for people
====================  ===================================================================================

The log's column, the set of columns that a record format hashes, the migration that adds them, the keys of the result
and of its schema, the columns of exports, the options of ``run`` and of ``log list``, what ``log show`` and a page say
and what is held against the attempt before all derive from a row. A new fact is a field with ``since`` one above
:data:`RELEASED_FORMAT`, and whatever gathers it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Final, Literal, get_args

#: Why a run is made: to judge a unit, to judge the station by a unit that is known, or to study what it measures by.
Purpose = Literal["unit", "golden", "challenge", "study"]
PURPOSES: Final[tuple[Purpose, ...]] = get_args(Purpose)
#: ``text``, ``hash``, ``flag`` (yes or no) and ``data`` (names and values) have a column of the run's row, ``document``
#: refers to data that many runs share, ``assets`` and ``captures`` stand with the rows that belong to the run.
Kind = Literal["text", "hash", "flag", "data", "document", "assets", "captures"]
#: Those that have a column of the run's row.
COLUMN_KINDS: Final = ("text", "hash", "flag", "data")
#: Where in the result it stands: with the unit, or with the station that measured it.
ResultPlace = Literal["unit", "station"]
#: Where on a page it stands: beside the verdict, or under one of the headings at its end.
PagePlace = Literal["identity", "station", "interface", "calibration", "assets", "surroundings", "record"]

#: The newest record format that was released: a new fact has the next one, and so have all of one release.
RELEASED_FORMAT: Final = 6
#: A hash says as much by its first characters.
HASH_LENGTH: Final = 12


@dataclass(frozen=True)
class Asset:
    """A thing that a run's numbers rest on: an interface, a cable, an adapter.

    ``role`` is what it does at the station (its name in the config), ``id`` what is written on it; ``facts`` says the
    rest as texts: when its calibration is due, its certificate.
    """

    role: str
    id: str
    facts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Fact:
    """A row of the table.

    Attributes
    ----------
    name : str
        Of the field in :class:`Facts`, and wherever a program reads it: column, key, option.
    label : str
        What people read. Of several values ``{}`` stands for the name of each.
    meaning : str
        What it says, in a few words.
    kind : str
    since : int
        The record format that it came with; the log's schema has the same number.
    metavar : str
        Of its option of ``run``; empty where no operator says it.
    help : str
        What the option's help says, if more than the meaning.
    listed : bool
        Whether a list of runs says it.
    picked_by : str
        The option by which runs with one value of it are picked; empty where they are not.
    default : str or None
        What a run has where nobody says anything; it is not worth saying.
    choices : tuple of str
        The only values that it has; empty for any.
    result : str or None
        Where in the result it stands; None where only the log says it.
    null_where_empty : bool
        Whether the result says null where it has no values.
    page : tuple of str
        Where on a page it stands.
    missed : bool
        Whether people are told that it was not recorded.
    compared : bool
        Whether it is held against that of the attempt before.
    """

    name: str
    label: str
    meaning: str
    kind: Kind
    since: int
    metavar: str = ""
    help: str = ""
    listed: bool = False
    picked_by: str = ""
    default: str | None = None
    choices: tuple[str, ...] = ()
    result: ResultPlace | None = None
    null_where_empty: bool = False
    page: tuple[PagePlace, ...] = ()
    missed: bool = False
    compared: bool = True

    @property
    def column(self) -> str:
        """Its column in the run's row; empty where it stands elsewhere."""
        if self.kind == "document":
            return f"{self.name}_digest"
        return self.name if self.kind in COLUMN_KINDS else ""

    @property
    def option(self) -> str:
        """Its option of ``run``."""
        return f"--{self.name.replace('_', '-')}"


def _fact(label: str, meaning: str, kind: Kind = "text", **row: Any) -> Any:  # noqa: ANN401 - a field of any type
    metadata = {"label": label, "meaning": meaning, "kind": kind, **row}
    if kind in ("text", "hash", "flag"):
        return field(default=row.get("default"), metadata=metadata)
    return field(default_factory=tuple if kind == "assets" else dict, metadata=metadata)


@dataclass(frozen=True, kw_only=True)
class Facts:
    """The facts of a run; None, or empty, where nobody said anything."""

    firmware: str | None = _fact(
        "firmware", "the unit's firmware", since=1, metavar="F",
        listed=True, picked_by="firmware", result="unit", page=("identity",), missed=True,
    )  # fmt: skip
    operator: str | None = _fact(
        "operator", "who ran it", since=1, metavar="O",
        listed=True, picked_by="operator", result="unit", page=("identity", "station"), missed=True,
    )  # fmt: skip
    purpose: Purpose = _fact(
        "purpose", "unit, golden, challenge or study", since=3,
        listed=True, default="unit", choices=PURPOSES, result="unit", page=("identity",),
    )  # fmt: skip
    study: str | None = _fact(
        "gauge study", "the plan of the gauge study that it belongs to, by its id", since=7,
        listed=True, picked_by="study", result="unit", page=("identity",), compared=False,
    )  # fmt: skip
    released: bool | None = _fact(
        "released", "whether this run releases its unit; a pass that does not is a hold", "flag", since=4,
        listed=True, result="unit", page=("identity",), compared=False,
    )  # fmt: skip
    variant: str | None = _fact(
        "variant", "variant of the model", since=3, metavar="V",
        listed=True, picked_by="variant", result="unit", page=("identity",),
    )  # fmt: skip
    lot: str | None = _fact(
        "lot", "lot", since=3, metavar="L",
        listed=True, picked_by="lot", result="unit", page=("identity",),
    )  # fmt: skip
    work_order: str | None = _fact(
        "work order", "work order", since=3, metavar="W",
        listed=True, picked_by="work-order", result="unit", page=("identity",),
    )  # fmt: skip
    shift: str | None = _fact(
        "shift", "shift", since=3, metavar="S",
        listed=True, picked_by="shift", result="unit", page=("station",),
    )  # fmt: skip
    nest: str | None = _fact(
        "nest", "nest", since=3,
        listed=True, picked_by="nest", result="unit", page=("station",),
    )  # fmt: skip
    reason: str | None = _fact(
        "retest reason", "why the unit was tested again", since=3, metavar="CODE",
        help="Retest reason; the limit file may say which codes there are.",
        listed=True, result="unit", page=("record",), compared=False,
    )  # fmt: skip
    override: Mapping[str, str] = _fact(
        "override, {}", "who let it take place against a rule, and why", "data", since=3,
        result="unit", null_where_empty=True, page=("record",), compared=False,
    )  # fmt: skip
    identity: Mapping[str, str] = _fact(
        "the unit's own {}", "what the unit said of itself", "data", since=3,
        result="unit", page=("record",),
    )  # fmt: skip
    before: Mapping[str, str] = _fact(
        "asked before, {}", "what the factory said when it was asked whether the unit may be tested", "data", since=7,
        result="unit", null_where_empty=True, page=("record",), compared=False,
    )  # fmt: skip
    assets: tuple[Asset, ...] = _fact(
        "asset {}", "what the run's numbers rest on", "assets", since=3,
        result="unit", page=("assets",),
    )  # fmt: skip
    station: str | None = _fact(
        "station", "station", since=1,
        listed=True, picked_by="at-station", result="station", page=("identity", "station"), missed=True,
    )  # fmt: skip
    loop: str | None = _fact(
        "loop", "whether a check of the station's loop proves its own path", since=4,
        result="station", page=("station",), compared=False,
    )  # fmt: skip
    station_config_sha256: str | None = _fact(
        "station config SHA-256", "hash of the station's config", "hash", since=1,
        result="station", page=("station",), missed=True,
    )  # fmt: skip
    calibration: Mapping[str, str] = _fact(
        "calibration {}", "the station's calibration", "data", since=1,
        result="station", page=("calibration",),
    )  # fmt: skip
    interface: Mapping[str, str] = _fact(
        "interface {}", "the station's interface", "data", since=1,
        result="station", page=("interface",),
    )  # fmt: skip
    software: str = _fact(
        "software", "what made the record", since=1,
        listed=True, default="", result="station", page=("record",), missed=True,
    )  # fmt: skip
    #: The serial number as it was scanned or typed.
    scanned: str | None = _fact(
        "scanned as", "the serial number as it was scanned or typed", since=3,
        page=("record",), compared=False,
    )  # fmt: skip
    conditions: Mapping[str, str] = _fact(
        "condition {}", "what the station's own command reported", "data", since=3,
        page=("surroundings",),
    )  # fmt: skip
    host: Mapping[str, str] = _fact(
        "computer, {}", "the computer", "data", since=3, page=("surroundings",),
    )  # fmt: skip
    #: Whether the wall clock was synchronised, its offset from UTC, by how much it was set during the run.
    clock: Mapping[str, Any] = _fact(
        "clock, {}", "the state of the wall clock", "data", since=3,
        page=("surroundings",), compared=False,
    )  # fmt: skip
    source_commit: str | None = _fact(
        "commit of linecheck", "the commit that it ran from", "hash", since=3,
        page=("surroundings",),
    )  # fmt: skip
    packages: Mapping[str, str] = _fact(
        "package {}", "the installed packages", "document", since=3,
    )  # fmt: skip
    plan_sha256: str | None = _fact(
        "plan SHA-256", "hash over what was to be played, in order", "hash", since=3,
    )  # fmt: skip
    gates: Mapping[str, Any] = _fact(
        "gate {}", "the state of the station's gates", "data", since=3,
        page=("station",), compared=False,
    )  # fmt: skip
    #: As :meth:`linecheck.run.causes.Causes.as_fact` gives it.
    causes: Mapping[str, Any] = _fact(
        "causes, {}", "why it does not pass: ranked causes with their odds", "data", since=6,
        result="unit", null_where_empty=True, compared=False,
    )  # fmt: skip
    captures: Mapping[str, str] = _fact(
        "capture of {}", "where each check's capture is kept", "captures", since=3,
        page=("record",), compared=False,
    )  # fmt: skip
    captures_why: str | None = _fact(
        "captures", "why captures were kept, or were not", since=3,
        page=("record",), compared=False,
    )  # fmt: skip


FACTS: Final[tuple[Fact, ...]] = tuple(Fact(name=row.name, **row.metadata) for row in fields(Facts))
#: Those that a run refers to by their digest: many runs share them.
DOCUMENTS: Final = tuple(fact for fact in FACTS if fact.kind == "document")


def fact_texts(fact: Fact, facts: Facts, *, bare: bool = False) -> dict[str, str]:
    """Return what a run says of a fact as names and texts for people; nothing where it says nothing.

    Of several values each has its own name alone where ``bare``: under a heading that says the rest.
    """
    value = getattr(facts, fact.name)
    if fact.kind == "flag":
        return {} if value is None else {fact.label: "yes" if value else "no"}
    if fact.kind in ("text", "hash"):
        return {} if value in (None, "", fact.default) else {fact.label: str(value)}
    label = "{}" if bare else fact.label
    if fact.kind == "assets":
        return {label.format(_plain(asset.role)): _asset(asset) for asset in value}
    return {label.format(_plain(str(name))): _in_words(part) for name, part in value.items()}


def _asset(asset: Asset) -> str:
    known = _in_words({name: asset.facts[name] for name in sorted(asset.facts)})
    return f"{asset.id}, {known}" if known else asset.id


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _in_words(value: object) -> str:
    """Return plain data as a person reads it."""
    if isinstance(value, Mapping):
        return ", ".join(f"{_plain(str(name))} {_in_words(part)}" for name, part in value.items())
    return "none recorded" if value is None else str(value)
