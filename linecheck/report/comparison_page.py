"""The page of a comparison: what is to be decided, what speaks for and against it, and what differs.

What belongs together (:mod:`linecheck.history.comparison.topics`) is told once; what does not differ is counted. It is
made of the comparison and its sign-offs alone, and so is the same, byte by byte, whenever it is made of them again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain, filterfalse, zip_longest

from linecheck.history.comparison.file import AGAINST, FILE_NAME
from linecheck.history.comparison.findings import without_superseded
from linecheck.history.comparison.model import Compared, ComparedCurve, Comparison, Side
from linecheck.history.comparison.topics import Group, grouped, words_of
from linecheck.limits.verdict import WORST_FIRST, Verdict
from linecheck.log.signoff import Signoff
from linecheck.report.compared_values import WAYS, compared_rows, differs, side_by_side
from linecheck.report.figures.curves import figures_of_comparison
from linecheck.report.figures.data import COVERAGE, Figure
from linecheck.report.figures.words import file_name
from linecheck.report.parts import Part, badge, figure_part, free_name, hash_text
from linecheck.report.run_facts import Fact, moment, named_facts, setup_text

_NOTHING = "–"
_PAIR = 2
#: So many figures stand before the table; so many groups of differences speak for or against a side in its sentences.
MAX_TELLING, _MAX_TOLD = 3, 3
#: The table has so many of all that differs: what paper has room for beside the rest.
MAX_ROWS = 24
#: The page says its own digest where this stands: that of all its bytes with this in it.
NO_DIGEST = "0" * 64


@dataclass(frozen=True)
class Signed:
    """The sign-offs of a comparison, and the log in which they were looked up.

    ``found`` is None where they were not: ``place`` is then the log that is not there, or empty.
    """

    found: tuple[Signoff, ...] | None = None
    place: str = ""

    @property
    def told(self) -> str:
        """What there is, in a sentence that says where it was looked up."""
        if self.found is None:
            return (
                f"not looked up: there is no log {self.place}" if self.place else "not looked up in any log"
            )
        return f"{len(self.found)} in {self.place}" if self.found else f"none in {self.place}"


#: A page whose sign-offs nobody has looked for.
NOT_LOOKED_UP = Signed()


def comparison_page_of(
    comparison: Comparison, signed: Signed = NOT_LOOKED_UP, *, unfolded: bool = False
) -> Part:
    """Return the page of a comparison.

    Parameters
    ----------
    comparison : Comparison
    signed : Signed
        Its sign-offs.
    unfolded : bool
        Show, and print, what is folded too.
    """
    comparison = replace(
        comparison,
        values=tuple(without_superseded(comparison.values)),
        curves=tuple(without_superseded(comparison.curves)),
    )
    sides, groups = comparison.sides, grouped(comparison)
    serials = ", ".join(dict.fromkeys(side.serial for side in sides))
    number = _number(comparison)
    figures = _figures(comparison, groups)
    telling, folded, alike = _values(comparison, groups)
    return {
        "title": f"Comparison: {serials}",
        "running_head": f"Comparison {number}  {serials}",
        "software": comparison.software,
        "number": number,
        "headline": _headline(sides, signed.found or ()),
        "asked": _asked(sides),
        "decided": [_decision(signoff) for signoff in signed.found or ()],
        "sounds": comparison.sounds if len(sides) == _PAIR else (),
        "cases": [_case(comparison, at, groups) for at in range(1, len(sides))],
        "groups": list(group_parts(groups, comparison)),
        "notes": comparison.notes,
        "figures": figures[:MAX_TELLING],
        "more_figures": figures[MAX_TELLING:],
        "more": _more(len(figures) - MAX_TELLING, len(folded)),
        "whole": not folded,
        "labels": [_told(side) for side in sides],
        "masks": [_masks(side) for side in sides],
        "runs": [side.state for side in sides],
        "rows": telling,
        "folded_rows": folded,
        "alike": alike,
        "counts": _counts(comparison, len(folded)),
        "criterion": _criterion(comparison),
        "signs": [_sign_part(signoff) for signoff in signed.found or ()],
        "signed": signed.told,
        "signatures": list(_signatures(signed.found or ())),
        "sides": [_side_part(side) for side in sides],
        "filed": _filed(comparison, number),
        "unfolded": unfolded,
    }


def _number(comparison: Comparison) -> str:
    """Return the document's number, the same for the same comparison; an earlier file of it has it in its name."""
    return f"C-{comparison.digest[:12]}" if comparison.digest else "C-unsaved"


def _told(side: Side) -> str:
    return f"{side.label} {side.name}".strip()


def _headline(sides: Sequence[Side], signoffs: Sequence[Signoff]) -> str:
    """Return the decision that is asked for, or the one that stands: of several that agree."""
    first, *others = sides
    decisions = {signoff.signature.decision for signoff in signoffs}
    decisions |= {item.signature.decision for signoff in signoffs for item in signoff.countersignatures}
    if len(others) == 1:
        what = f"{others[0].name or others[0].label} in place of {first.name or first.label}"
        if len(decisions) == 1:
            return f"{decisions.pop().capitalize()}ed: {what}"
        return f"Accept or reject {what}?"
    labels = [side.label for side in others]
    return f"Which of {', '.join(labels[:-1])} and {labels[-1]} may replace {_told(first)}?"


def _asked(sides: Sequence[Side]) -> str:
    """Return who is to decide what."""
    first, *others = sides
    units = ", ".join(dict.fromkeys(side.serial for side in sides))
    which = (
        f"side {_told(others[0])}"
        if len(others) == 1
        else f"each of the sides {', '.join(map(_told, others))}"
    )
    return (
        f"Whoever may release {first.model} decides, and signs below, whether {which} is accepted in place of side "
        f"{_told(first)}; somebody else countersigns. Measured on {units}."
    )


def _decision(signoff: Signoff) -> str:
    signed = signoff.signature
    second = [
        f"countersigned ({item.signature.decision}) by {item.signature.by}, {item.signature.role}"
        for item in signoff.countersignatures
    ]
    return "; ".join(
        (f"{signed.decision.capitalize()}ed by {signed.by}, {signed.role}: {signed.reason}", *second)
    )


def _masks(side: Side) -> str:
    """Return what the masks say of a side's own checks: the name of a verdict, or that there are none."""
    found = {check.verdict for check in side.checks.values() if check.verdict is not None}
    worst = next((verdict for verdict in WORST_FIRST if verdict in found), None)
    if worst is Verdict.PASS and side.held:
        return side.state
    return badge(worst)


def _case(comparison: Comparison, at: int, groups: Sequence[Group]) -> Part:
    """Return what speaks for and against a side, and what is not known, a sentence each."""
    side = comparison.sides[at]
    own = [group for group in groups if group.side == side.label]
    masks = _masks(side)
    against = [f"its masks: {masks.upper()}"] if masks in (Verdict.FAIL, Verdict.MARGINAL) else []
    if side.state in AGAINST and side.state != masks:
        against.append(f"its whole run: {side.state.upper()}")
    good = ["all its masks pass"] if masks == Verdict.PASS and not against else []
    sentences = [
        ("For", [*good, *_briefly(own, worse=False)], "nothing is better"),
        ("Against", [*against, *_briefly(own, worse=True)], "nothing is worse"),
        ("Not known", list(_unknown(comparison, at, masks)), ""),
    ]
    return {
        "side": side.label,
        "name": side.name,
        "sound": comparison.sound_of(side.label)[0] if len(comparison.sides) > _PAIR else "",
        "sentences": [
            (word, f"{'; '.join(told) or none}.") for word, told, none in sentences if told or none
        ],
    }


def _briefly(groups: Sequence[Group], *, worse: bool) -> list[str]:
    told = [group.brief for group in groups if group.worse is worse]
    more = len(told) - _MAX_TOLD
    return [*told[:_MAX_TOLD], *([f"and {more} more"] if more > 0 else [])]


def _unknown(comparison: Comparison, at: int, masks: str) -> Iterator[str]:
    if masks in ("none", Verdict.INVALID):
        yield "no mask judges it" if masks == "none" else "not all that its masks judge could be measured"
    every: list[Compared] = [*comparison.values, *comparison.curves]
    without = sum(item.differences[at - 1].difference is None for item in every)
    if without:
        yield f"{_counted(without, 'value')} that could not be compared with side {comparison.sides[0].label}'s"
    label = comparison.sides[at].label
    refused = sum(f" is not compared: {label} " in note for note in comparison.notes)
    if refused:
        yield f"{_counted(refused, 'check')} not measured alike"


def group_parts(groups: Sequence[Group], comparison: Comparison) -> Iterator[Part]:
    """Yield each group of differences once, with all sides that have it.

    ``more`` says how many values follow, ``findings`` are all that have words.
    """
    told: dict[tuple[bool | None, str, int], list[Group]] = {}
    for group in groups:
        told.setdefault((group.worse, group.text, group.more), []).append(group)
    for (worse, text, more), same in told.items():
        follows = f"and {_counted(more, 'more value')} that {'follows' if more == 1 else 'follow'} from it"
        yield {
            "sides": " and ".join(group.side for group in same),
            "way": WAYS[worse],
            "word": "differs" if worse is None else WAYS[worse],
            "text": text,
            "more": follows if more else "",
            "findings": [words_of(finding, comparison) for finding in same[0].findings] if more else [],
        }


def _figures(comparison: Comparison, groups: Sequence[Group]) -> list[Part]:
    """Return a figure, or several, of each curve that differs: those that tell most of the gravest group first."""
    ranks = {key: at for at, group in reversed(list(enumerate(groups))) for key in group.members}
    curves = sorted(filter(differs, comparison.curves), key=lambda curve: ranks.get(_key(curve), len(groups)))
    first: list[Part] = []
    others: list[Part] = []
    taken: set[str] = set()
    for key in dict.fromkeys(map(_key, curves)):
        own = tuple(curve for curve in comparison.curves if _key(curve) == key)
        channels = [file_name(curve.channel) for curve in own if curve.channel]
        drawn = figures_of_comparison(replace(comparison, curves=own))
        for at, figure in enumerate(sorted(drawn, key=lambda figure: _telling(figure, channels))):
            part = figure_part(figure, free_name(f"figure-{file_name(figure.name)[:60]}", taken))
            (others if at else first).append(part)
    return first + others


def _telling(figure: Figure, channels: Sequence[str]) -> tuple[int, int]:
    """Return how little a figure of a curve tells: by its channel, then full depth, pass band and difference."""
    whose = [at for at, channel in enumerate(channels) if figure.name.endswith(f"-{channel}")]
    parts = ("full-depth", "pass-band", "difference")
    return max(whose, default=0), next((at for at, part in enumerate(parts) if part in figure.name), 0)


def _key(item: Compared) -> tuple[str, str]:
    return item.check, item.metric


def _values(comparison: Comparison, groups: Sequence[Group]) -> tuple[list[Part], list[Part], list[Part]]:
    """Return what tells most of each group of differences, in the groups' order; what else differs; what does not."""
    order = {key: at for at, group in reversed(list(enumerate(groups))) for key in group.members}
    every: list[Compared] = [*comparison.values, *comparison.curves]
    real = sorted(filter(differs, every), key=lambda item: order.get(_key(item), len(order)))
    # A figure tells of a curve without a unit.
    shown = _most_telling([_key(item) for item in real if not _is_pulse(item)], groups)
    rows = (
        [item for item in real if _key(item) in shown],
        [item for item in real if _key(item) not in shown],
        filterfalse(differs, every),
    )
    telling, folded, alike = (list(side_by_side(compared_rows(items))) for items in rows)
    return telling, folded, alike


def _most_telling(keys: Sequence[tuple[str, str]], groups: Sequence[Group]) -> set[tuple[str, str]]:
    """Return the first of each group by turns, until there are :data:`MAX_ROWS`: all, where they are no more."""
    own = [[*((one.check, one.metric) for one in group.findings), *group.members] for group in groups]
    turns = chain.from_iterable(zip_longest(*(dict.fromkeys(told) for told in own)))
    found = dict.fromkeys(key for key in (*turns, *keys) if key in set(keys))
    return set(list(found)[:MAX_ROWS])


def _is_pulse(item: Compared) -> bool:
    return isinstance(item, ComparedCurve) and not item.unit


def _counts(comparison: Comparison, folded: int) -> str:
    """Return how much more differs than is shown, how much does not, and how much could not be compared."""
    every: list[Compared] = [*comparison.values, *comparison.curves]
    rest = list(filterfalse(differs, every))
    lacking = sum(all(entry.difference is None for entry in item.differences) for item in rest)
    alike = len(rest) - lacking
    told = [f"{_counted(folded, 'more value')} {'differs' if folded == 1 else 'differ'}"] if folded else []
    told += [f"{_counted(alike, 'value')} {'does' if alike == 1 else 'do'} not differ"]
    told += [f"{_counted(lacking, 'value')} could not be compared"] if lacking else []
    return f"{', '.join(told)}."


def _counted(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"


def _more(figures: int, values: int) -> str:
    """Return what is folded of what differs; nothing where that is nothing."""
    counts = ((figures, "more figure"), (values, "more value"))
    return ", ".join(_counted(count, word) for count, word in counts if count > 0)


def _criterion(comparison: Comparison) -> str:
    first, *others = comparison.sides
    return (
        f"{' and '.join(side.label for side in others)} held against {first.label} in {comparison.comparisons} places. "
        f"A difference is real where it is more than {comparison.sigmas:.2g} standard uncertainties, which noise alone "
        "does not reach in so many places, and more than the accuracy of its check. "
        f"Uncertainties are expanded (k = {COVERAGE:g}, about 95 %)."
    )


def _side_part(side: Side) -> Part:
    facts = (
        Fact("serial", side.serial),
        Fact("model", side.model),
        Fact("firmware", side.firmware or "none recorded"),
        Fact("named as", side.reference),
        Fact("found in", side.source),
        Fact("station", side.station or "none recorded"),
        *(() if side.recorded is None else (Fact("recorded", moment(side.recorded)),)),
        Fact("started", moment(side.started)),
        Fact("measured with", side.software),
        Fact("run", side.run_id, is_code=True),
        Fact("limit file", f"{side.limit_path}, revision {side.limit_revision}"),
        Fact("limit file SHA-256", side.limit_sha256, is_code=True),
        *(Fact(f"calibration: {fact.name}", fact.value) for fact in named_facts(side.calibration)),
        *(Fact(f"interface: {fact.name}", fact.value) for fact in named_facts(side.interface)),
    )
    firmware = f", firmware {side.firmware}" if side.firmware else ""
    rows = tuple(
        (
            shared,
            check.name,
            setup_text(check.setup) or _NOTHING,
            "not judged" if check.verdict is None else check.verdict.value,
            hash_text(check.stimulus_sha256),
            hash_text(check.capture_sha256),
        )
        for shared, check in side.checks.items()
    )
    headings = ("check", "its name there", "setup", "verdict", "stimulus SHA-256", "capture SHA-256")
    return {
        "label": side.label,
        "name": side.name,
        "who": f"{side.serial}, {side.model}{firmware}",
        "badge": side.state,
        "facts": facts,
        "problems": [": ".join(filter(None, (check, problem.message))) for check, problem in side.problems],
        "hashes": {"headings": headings, "rows": rows},
    }


def _sign_part(signoff: Signoff) -> Part:
    signed = signoff.signature
    notes = [f"despite side {item.label}, {item.serial}: {item.verdict.upper()}" for item in signoff.despite]
    notes += [
        f"countersigned ({item.signature.decision}) by {item.signature.by}, {item.signature.role}, "
        f"{moment(item.recorded)}, record {item.sequence}: {item.signature.reason}"
        for item in signoff.countersignatures
    ]
    text = f"{signed.by}, {signed.role}, {moment(signoff.recorded)}, record {signoff.sequence}"
    notes.append(f"record hash {signoff.record_hash}")
    return {"decision": f"{signed.decision}ed", "text": text, "reason": signed.reason, "notes": notes}


def _signatures(signoffs: Sequence[Signoff]) -> Iterator[tuple[str, str, str, str, str]]:
    """Yield the lines to be signed: as what, name, role, date, decision; what the log does not say is left open."""
    for signoff in signoffs:
        for what, signed, when in (
            ("decides", signoff.signature, signoff.recorded),
            *(("countersigns", item.signature, item.recorded) for item in signoff.countersignatures),
        ):
            yield what, signed.by, signed.role, moment(when)[:10], signed.decision
    if not signoffs:
        yield "decides", "", "", "", "accept / reject"
    if not any(signoff.countersignatures for signoff in signoffs):
        yield "countersigns", "", "", "", "accept / reject"
    yield "made by", "", "", "", ""


def _filed(comparison: Comparison, number: str) -> tuple[Fact, ...]:
    """Return what a filed document says of itself: its number, of what it is made, when, and with what."""
    sides = (
        Fact(
            f"side {_told(side)}",
            f"{side.serial}, run {side.run_id}, {side.limit_path} revision {side.limit_revision}, "
            f"SHA-256 {side.limit_sha256}",
            is_code=True,
        )
        for side in comparison.sides
    )
    return (
        Fact("document", number),
        Fact("compared", moment(comparison.created)),
        Fact("made with", comparison.software),
        Fact(f"made from {FILE_NAME}, digest", comparison.digest or "none", is_code=True),
        *sides,
    )
