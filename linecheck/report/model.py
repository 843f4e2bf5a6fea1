"""What a page says, as plain data: its templates lay it out and compute nothing.

==========================  ================================================================
:class:`RunPage`            a run or a judged capture set
:class:`ComparisonPage`     sides held against each other
:class:`CheckPart`          one check: strips, values, figures
:class:`FactGroup`          names and values that belong together
==========================  ================================================================

Every text is plain text; only ``svg`` is markup, made by the drawing.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "Badge",
    "CheckPart",
    "ComparedCheck",
    "ComparedRow",
    "ComparisonPage",
    "DataTable",
    "Droop",
    "Fact",
    "FactGroup",
    "FigurePart",
    "FindingPart",
    "MetricPart",
    "OtherUnits",
    "OtherUnitsRow",
    "RunPage",
    "SidePart",
    "SignPart",
    "StripPart",
    "TroubleGroup",
    "ValueRow",
    "Zone",
]


@dataclass(frozen=True)
class Badge:
    """A verdict: ``key`` chooses shape and colour, ``word`` says it."""

    key: str
    word: str


@dataclass(frozen=True)
class Zone:
    """A stretch of a strip, in per cent of its length."""

    kind: str
    start: float
    width: float


@dataclass(frozen=True)
class StripPart:
    """One value between its limits. Places are per cent of the strip's length, None where there is nothing to mark.

    ``label`` is its channel, empty where it is of the pair. ``others`` are the places of earlier units; ``heights``
    (per cent) stand for them where they are many.
    """

    name: str
    label: str
    badge: Badge
    value: str
    uncertainty: str
    margin: str
    alt: str
    zones: tuple[Zone, ...]
    edges: tuple[tuple[str, float], ...]
    at: float | None
    spread: tuple[float, float] | None
    others: tuple[float, ...] = ()
    heights: tuple[float, ...] = ()
    standing: str = ""


@dataclass(frozen=True)
class MetricPart:
    """A judged metric or curve of one check, with all its channels.

    ``metric`` is its name in limit files. ``badge`` is None where the channels differ. ``lines`` are of a curve's
    channels: whose, verdict, and the worst place in words.
    """

    name: str
    metric: str
    badge: Badge | None
    limits: str
    strips: tuple[StripPart, ...] = ()
    lines: tuple[tuple[str, Badge, str], ...] = ()


@dataclass(frozen=True)
class TroubleGroup:
    """Problems and notes of one code: what each check says, and what all of them say at their end."""

    code: str
    lines: tuple[str, ...]
    closing: str


@dataclass(frozen=True)
class ValueRow:
    """A metric that no mask judges: a value ± its expanded uncertainty for each channel, empty where it has none."""

    name: str
    metric: str
    meaning: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class DataTable:
    """Headings, and rows of texts; the first column names the row."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class FigurePart:
    """A drawing with its title, its words and its numbers."""

    anchor: str
    title: str
    alt: str
    svg: str
    table: DataTable


@dataclass(frozen=True)
class FindingPart:
    """A metric or curve that is not a pass, in those channels of which that is true; ``anchor`` is its check's."""

    check: str
    anchor: str
    part: MetricPart


@dataclass(frozen=True)
class CheckPart:
    """One check; ``tightest`` names its judged value with the least margin, ``about`` what its kind measures.

    ``channels`` head the columns of ``values``.
    """

    anchor: str
    name: str
    kind: str
    about: str
    badge: Badge
    setup: str
    tightest: str
    problems: tuple[str, ...]
    metrics: tuple[MetricPart, ...]
    channels: tuple[str, ...]
    values: tuple[ValueRow, ...]
    figures: tuple[FigurePart, ...]
    stimulus_sha256: str
    capture_sha256: str


@dataclass(frozen=True)
class Fact:
    """A name with its value; ``is_code`` for hashes and ids."""

    name: str
    value: str
    is_code: bool = False


@dataclass(frozen=True)
class FactGroup:
    """Facts under a heading."""

    anchor: str
    title: str
    facts: tuple[Fact, ...]
    empty: str = ""


@dataclass(frozen=True)
class OtherUnitsRow:
    """One value of a run, in words: its own, the reference unit's, what is usual, and where it lies among all."""

    check: str
    name: str
    value: str
    reference: str
    usual: str
    sigmas: str
    standing: str
    left_out: str


@dataclass(frozen=True)
class OtherUnits:
    """What a page shows of other units. ``source`` is empty where there are none, ``reference`` where no unit is named.

    ``apart`` are sentences on values that stand apart although they do not fail, ``notes`` what limits the comparison.
    """

    source: str
    reference: str
    apart: tuple[str, ...]
    notes: tuple[str, ...]
    rows: tuple[OtherUnitsRow, ...]


@dataclass(frozen=True)
class RunPage:
    """The page of one run."""

    title: str
    running_head: str
    badge: Badge
    subject: str
    meaning: str
    summary: str
    cause: str
    identity: tuple[Fact, ...]
    fails: tuple[FindingPart, ...]
    problems: tuple[TroubleGroup, ...]
    marginal: tuple[FindingPart, ...]
    missing: tuple[str, ...]
    checks: tuple[CheckPart, ...]
    other_units: OtherUnits | None
    settings: DataTable | None
    groups: tuple[FactGroup, ...]
    software: str


@dataclass(frozen=True)
class SidePart:
    """One side of a comparison."""

    label: str
    name: str
    who: str
    badge: Badge
    facts: tuple[Fact, ...]
    problems: tuple[str, ...]
    hashes: DataTable


@dataclass(frozen=True)
class ComparedRow:
    """A metric of all sides: a value for each, and for each but the first its difference, and whether that is real.

    ``channels`` says for which channels the row holds.
    """

    name: str
    metric: str
    channels: str
    values: tuple[str, ...]
    differences: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class ComparedCheck:
    """One check of all sides: ``rows`` and ``figures`` of what differs, the same ones of the rest."""

    anchor: str
    name: str
    kind: str
    about: str
    note: str
    rows: tuple[ComparedRow, ...]
    figures: tuple[FigurePart, ...]
    same_rows: tuple[ComparedRow, ...]
    same_figures: tuple[FigurePart, ...]


@dataclass(frozen=True)
class Droop:
    """How the sides' responses fall: a row for each frequency and channel."""

    check: str
    rows: tuple[ComparedRow, ...]


@dataclass(frozen=True)
class SignPart:
    """A sign-off with what was signed."""

    decision: str
    text: str
    reason: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class ComparisonPage:
    """The page of a comparison."""

    title: str
    running_head: str
    headline: str
    criterion: str
    labels: tuple[str, ...]
    findings: tuple[tuple[str, str, str], ...]
    sides: tuple[SidePart, ...]
    droops: tuple[Droop, ...]
    checks: tuple[ComparedCheck, ...]
    notes: tuple[str, ...]
    signoffs: tuple[SignPart, ...]
    groups: tuple[FactGroup, ...]
    software: str
