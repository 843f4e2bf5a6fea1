"""What belongs together in a comparison, counted once: a filter's roll-off shows at six frequencies and is one thing.

=====================  ==================================================================
:data:`TOPICS`         what metrics are about, and which sums follow from it
:func:`grouped`        a comparison's real differences, those of a topic together
:class:`Group`         one of them: its topic, its words, and all that belongs to it
=====================  ==================================================================
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Final

from linecheck.history.comparison.findings import amount, is_worse, severity, without_superseded
from linecheck.history.comparison.model import Compared, ComparedValue, Comparison, Finding


@dataclass(frozen=True)
class Topic:
    """What metrics are about.

    Attributes
    ----------
    name : str
    shown_by : tuple of str
        ``kind.metric``, with ``*`` for anything: what shows it, the most telling first.
    follows : tuple of str
        Sums that it is a part of. They are told with it where it is there and accounts for them: in decibels, a sum
        changes by no more than the part that has changed most.
    """

    name: str
    shown_by: tuple[str, ...]
    follows: tuple[str, ...] = ()


_RESIDUES: Final = (
    "tone.sinad", "tone.thd_n", "tone.enob", "tone.largest_spur", "tone.spectrum", "multitone.*", "distortion_sweep.*",
)  # fmt: skip
_NOISE: Final = ("tone.noise", "quiet.*", "low_level_tone.*")

#: A metric that none of these has is about its check's kind. Where several have it, the first that is there does.
TOPICS: Final[tuple[Topic, ...]] = (
    Topic("wiring", ("wiring.order", "wiring.polarity")),
    Topic(
        "roll-off",
        (
            "reconstruction.corner_3db", "response.corner_high", "reconstruction.response_20k",
            "reconstruction.droop_20k", "reconstruction.stopband_*", "response.flatness", "response.ripple",
            "response.passband_ripple", "reconstruction.response_*", "reconstruction.droop_*",
            "reconstruction.corner_6db", "reconstruction.response", "response.response",
        ),
    ),
    Topic(
        "images",
        ("reconstruction.image_rejection", "ultrasonic.image_level"),
        ("ultrasonic.*", "distortion_sweep.*wide*"),
    ),
    Topic("ringing", ("reconstruction.pre_ringing", "reconstruction.latency", "reconstruction.impulse")),
    Topic("hum", ("tone.hum", "quiet.hum"), (*_NOISE, *_RESIDUES)),
    Topic(
        "distortion",
        ("tone.thd", "tone.harmonic_*", "intermodulation.*", "distortion_sweep.worst", "distortion_sweep.*"),
        _RESIDUES,
    ),
    Topic("noise", _NOISE, _RESIDUES),
    Topic("residue", _RESIDUES),
    Topic("level", ("tone.level*", "tone.balance", "wiring.balance", "response.balance")),
    Topic("clock", ("tone.clock_error", "tone.frequency")),
    Topic("offset", ("tone.dc_offset",)),
)  # fmt: skip
#: A part may read so much less than its sum, dB: each is taken in a band of its own.
_SLACK_DB: Final = 3.0
#: So many of a group's findings are told in its words.
_TOLD: Final = 2
#: What is told with a roll-off.
_STOP_BAND: Final = "stopband_attenuation"


@dataclass(frozen=True)
class Group:
    """Differences between a side and the first that are of one topic and go one way.

    ``text`` tells the most telling of them, ``brief`` in a few words, ``findings`` are those that have words, the most
    telling first, and ``members`` all (check, metric) that differ with them. ``more`` counts those that ``text`` does
    not tell.
    """

    side: str
    topic: str
    text: str
    brief: str
    worse: bool | None
    severity: float
    findings: tuple[Finding, ...]
    members: tuple[tuple[str, str], ...]
    more: int


def _alone(finding: Finding, comparison: Comparison) -> Group:
    """Return a finding whose values nobody has any more as a group of its own: none is lost."""
    text, key = words_of(finding, comparison), (finding.check, finding.metric)
    return Group(
        finding.side, finding.check, text, text, finding.worse, finding.severity, (finding,), (key,), 0
    )


@dataclass(frozen=True)
class _Item:
    compared: Compared
    worse: bool | None
    severity: float

    @property
    def name(self) -> str:
        return f"{self.compared.kind}.{self.compared.metric}"

    @property
    def key(self) -> tuple[str, str]:
        return self.compared.check, self.compared.metric


def grouped(comparison: Comparison) -> tuple[Group, ...]:
    """Return what differs, those of a topic together: the worse first, then the better, the gravest first of each."""
    found = [group for at in range(1, len(comparison.sides)) for group in _of_side(comparison, at)]
    told = {id(finding) for group in found for finding in group.findings}
    found += [_alone(finding, comparison) for finding in comparison.findings if id(finding) not in told]
    ways = {True: 0, False: 1, None: 2}
    return tuple(sorted(found, key=lambda group: (ways[group.worse], -group.severity)))


def _of_side(comparison: Comparison, at: int) -> list[Group]:
    every: list[Compared] = [*without_superseded(comparison.values), *without_superseded(comparison.curves)]
    items = [
        _Item(item, is_worse(item, at), severity(item, item.differences[at - 1]))
        for item in every
        if item.differences[at - 1].significant
    ]
    topics: dict[str, list[_Item]] = {}
    for item in items:
        topics.setdefault(_topic_of(item, items), []).append(item)
    return [
        _group(comparison, at, topic, worse, own)
        for topic, together in topics.items()
        for worse, own in _by_way(together)
    ]


def _topic_of(item: _Item, items: Sequence[_Item]) -> str:
    """Return what a difference is about: what it follows from where that is there, else what it shows itself."""
    for topic in TOPICS:
        if _is_of(item, topic.follows) and _accounts_for(topic, item, items):
            return topic.name
    return next((topic.name for topic in TOPICS if _is_of(item, topic.shown_by)), item.compared.kind)


def _is_of(item: _Item, patterns: Sequence[str]) -> bool:
    return any(fnmatchcase(item.name, pattern) for pattern in patterns)


def _accounts_for(topic: Topic, item: _Item, items: Sequence[_Item]) -> bool:
    """Return whether a topic shows, goes the same way, and is no smaller than what is to follow from it."""
    own = [
        other.severity
        for other in items
        if other.worse == item.worse and _is_of(other, topic.shown_by) and not _is_of(other, _RESIDUES)
    ]
    return bool(own) and item.severity <= max(own) + _SLACK_DB


def _by_way(items: Sequence[_Item]) -> list[tuple[bool | None, list[_Item]]]:
    """Return the differences of a topic by the way they go; what goes neither way is told with the worse, or better."""
    ways = {worse: [item for item in items if item.worse is worse] for worse in (True, False, None)}
    main = next(worse for worse, own in ways.items() if own)
    if main is not None:
        ways[main] += ways.pop(None)
    return [(worse, own) for worse, own in ways.items() if own]


def _group(comparison: Comparison, at: int, topic: str, worse: bool | None, items: Sequence[_Item]) -> Group:
    members = tuple(dict.fromkeys(item.key for item in items))
    label, kinds = comparison.sides[at].label, {item.key: item.name for item in items}
    findings = sorted(
        (
            one
            for one in comparison.findings
            if one.side == label and (one.check, one.metric) in kinds and {one.worse, worse} != {True, False}
        ),
        key=lambda one: (_rank(topic, kinds[one.check, one.metric]), -one.severity),
    )
    told = _roll_off(items, at) if topic == "roll-off" else []
    # Several checks, or channels, may tell of one metric: it is told once.
    once = {kinds[one.check, one.metric]: one for one in reversed(findings)}
    telling = [one for one in findings if one in once.values() and (not told or one.metric == _STOP_BAND)]
    words = [*told, *((words_of(one, comparison), (one.check, one.metric)) for one in telling[:_TOLD])]
    if not words:
        words = [(f"{items[0].compared.text} differs", items[0].key)]
    texts, keys = zip(*words, strict=True)
    text = f"{texts[0]}: {', '.join(texts[1:])}" if told else "; ".join(texts)
    brief = f"{texts[0]}: {', '.join(texts[1 : len(told)])}" if told else texts[0]
    gravest = max(item.severity for item in items)
    more = len(members) - len(set(keys))
    return Group(label, topic, text, brief, worse, gravest, tuple(findings), members, more)


def _rank(topic: str, name: str) -> int:
    """Return how telling a metric is in a topic, the most telling first."""
    patterns = next((own.shown_by for own in TOPICS if own.name == topic), ())
    return next((at for at, pattern in enumerate(patterns) if fnmatchcase(name, pattern)), len(patterns))


def words_of(finding: Finding, comparison: Comparison) -> str:
    """Return what a finding says, without the names of the two sides."""
    names = {side.label: side.name for side in comparison.sides}
    text = finding.text.removesuffix(f" against {comparison.sides[0].name}")
    name = names.get(finding.side, "")
    if not name or not text.startswith(name):
        return text
    where, colon, words = text.removeprefix(name).partition(": ")
    channel = where.removeprefix(", ")
    return text if not colon else f"{words} ({channel})" if channel else words


def _roll_off(items: Sequence[_Item], at: int) -> list[tuple[str, tuple[str, str]]]:
    """Return how a response rolls off, where its corner differs: from where to where, and how far down it is then."""
    corner = _most(items, ("reconstruction.corner_3db", "response.corner_high"), at)
    if corner is None:
        return []
    now, before = _values(corner, at)
    way = "earlier" if now < before else "later"
    told = [
        (f"rolls off {way}", corner.key),
        (f"−3 dB at {amount(now, 'Hz', 0)} instead of {amount(before, 'Hz', 0)}", corner.key),
    ]
    treble = _most(items, ("reconstruction.response_20k", "reconstruction.droop_20k"), at)
    if treble is not None:
        level = _values(treble, at)[0]
        told.append(
            (f"{amount(abs(level), 'dB', 2)} {'down' if level < 0.0 else 'up'} at 20 kHz", treble.key)
        )
    return told


def _most(items: Sequence[_Item], patterns: Sequence[str], at: int) -> _Item | None:
    """Return the channel of a metric that has changed most; None where it does not differ."""
    found = [item for item in items if isinstance(item.compared, ComparedValue) and _is_of(item, patterns)]
    return max(found, key=lambda item: abs(item.compared.differences[at - 1].difference or 0.0), default=None)


def _values(item: _Item, at: int) -> tuple[float, float]:
    """Return a metric's value of a side and that of the first."""
    assert isinstance(item.compared, ComparedValue)
    new, base = item.compared.readings[at], item.compared.readings[0]
    return (new.value if new else None) or 0.0, (base.value if base else None) or 0.0
