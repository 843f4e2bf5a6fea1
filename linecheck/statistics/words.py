"""What the statistics say in words: shares, differences, groups that stand out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from linecheck.checks.parts.declared import difference_unit
from linecheck.files.text import counted, listed, visible
from linecheck.results.wording import significant
from linecheck.statistics.among import OfModel, OfStated, Place
from linecheck.statistics.moved import Moved
from linecheck.statistics.standouts import Apart, Standout
from linecheck.statistics.yields import Share, Yields

#: So many metrics of a group are named.
_MAX_NAMED = 3


def share_text(share: Share) -> str:
    """Return a share in percent."""
    return "–" if share.value is None else f"{100.0 * share.value:.{digits_of(share)}f} %"


def interval_text(share: Share) -> str:
    """Return what a share lies between."""
    low, high = share.interval
    digits = digits_of(share)
    return f"{100.0 * low:.{digits}f} to {100.0 * high:.{digits}f} %"


def digits_of(share: Share) -> int:
    """Return how many decimals of a percentage mean something: two digits of half its interval."""
    low, high = share.interval
    return min(4, max(0, math.ceil(1.0 - math.log10(50.0 * (high - low)))))


def cause_texts() -> dict[str, str]:
    """Return the causes in plain words, by their codes."""
    from linecheck.causes import cause_codes

    return cause_codes() | {"": "not named"}


def lines_of(found: Yields) -> Iterator[tuple[str, str]]:
    """Yield what was counted in all, as names and texts."""
    for name, share in (("first-pass", found.first_pass), ("final", found.final)):
        if share.among:
            units = f"{share.found} of {counted(share.among, 'unit')}"
            yield name, f"{share_text(share)} ({interval_text(share)}), {units}"
    if found.rolled is not None:
        yield (
            "rolled",
            f"{100.0 * found.rolled:.{digits_of(found.first_pass)}f} %, the product of the checks' own yields",
        )
    apart = ((found.invalid, "invalid run"), (found.aborted, "aborted run"))
    if found.invalid or found.aborted:
        texts = [counted(number, noun) for number, noun in apart if number]
        yield "apart", f"{' and '.join(texts)}, in no yield"
    for name, number, text in (
        ("retests hid", found.hidden, "failed first and passed later, without a repair"),
        ("repaired", found.repaired, "failed first and passed after a repair"),
        ("held", found.held, "passed, not released"),
        ("not judged", found.unjudged, "without a run that judges them"),
        ("retested", found.first_seen_before, "judged first in a run that is not picked"),
    ):
        if number:
            yield name, f"{counted(number, 'unit')} {text}"


def standout_text(found: Standout) -> str:
    """Return what is said of a group that stands out, in a sentence or two."""
    said = []
    if found.excess > 0.0:
        said.append(
            f"{share_text(found.failed)} of its {counted(found.units, 'unit')} failed at first, "
            f"{share_text(found.rest)} of the others: {found.excess:.0f} units more than these would have"
        )
    if found.apart:
        named = [_apart_text(each) for each in found.apart[:_MAX_NAMED]]
        if len(found.apart) > _MAX_NAMED:
            named.append(f"and {counted(len(found.apart) - _MAX_NAMED, 'other metric')}")
        said.append("; ".join(named))
    when = f" ({found.since} to {found.until} UTC)" if found.parted_by in ("lot", "work order") else ""
    return f"{found.parted_by} {visible(found.group)}{when}: {'. '.join(said)}"


def _apart_text(apart: Apart) -> str:
    channel = "" if apart.channel is None else f" {apart.channel}"
    which = "higher" if apart.difference > 0.0 else "lower"
    amount = significant(abs(apart.difference), 2)
    unit = {"dBFS": "dB"}.get(apart.unit, apart.unit)
    return (
        f"{visible(apart.check)} {visible(apart.metric)}{channel} is {amount} {unit} {which} than elsewhere "
        f"({abs(apart.sigmas):.1f} standard deviations of units)"
    )


def moved_texts(found: Sequence[Moved]) -> list[str]:
    """Return what is said of what has moved, one sentence for each thing: its farthest metrics, since when, how far."""
    by_words: dict[tuple[str, str], list[Moved]] = {}
    for each in found:
        by_words.setdefault((each.model, each.what.words), []).append(each)
    models = {each.model for each in found}
    said = []
    for (model, words), metrics in by_words.items():
        named = [_moved_text(each) for each in metrics[:_MAX_NAMED]]
        if len(metrics) > _MAX_NAMED:
            named.append(f"and {counted(len(metrics) - _MAX_NAMED, 'other metric')}")
        of = f" of {visible(model)}" if len(models) > 1 else ""
        which = " (which of them cannot be told)" if len(metrics[0].what.suspects) > 1 else ""
        said.append(f"{visible(words)}{of} has moved{which}: {'; '.join(named)}")
    return said


def _moved_text(moved: Moved) -> str:
    what, name = moved.what, moved.name
    channel = "" if name.channel is None else f" {name.channel}"
    amount = significant(abs(what.size), 2)
    unit = {"dBFS": "dB"}.get(moved.unit, moved.unit)
    which = "higher" if what.size > 0.0 else "lower"
    how = "little by little" if what.gradual else "at once"
    return (
        f"{visible(name.check)} {visible(name.metric)}{channel} is {amount} {unit} {which} since about "
        f"{moved.since} UTC, {how} ({abs(moved.sigmas):.1f} standard deviations of units)"
    )


def standout_plain(found: Standout) -> Mapping[str, object]:
    """Return a group that stands out as plain data."""
    return {
        "parted_by": found.parted_by,
        "group": found.group,
        "failed": found.failed.plain(),
        "rest": found.rest.plain(),
        "excess": found.excess,
        "apart": [vars(each) for each in found.apart],
        "chance": found.chance,
        "text": standout_text(found),
    }


def of_model_text(found: OfModel, place: Place) -> str:
    """Return how a reading lies among the units of a model, in words."""
    units = counted(found.units, "unit")
    more = [f"{found.others} measured otherwise left out"] * (found.others > 0 and not found.otherwise)
    more += [f"{found.bounds} of them bounds"] * (found.bounds > 0)
    where = f"{units}{f', {listed(more, 2)}' if more else ''}"
    span = "" if found.low is None else f"; 90 % of them {_span_text(found, place.unit)}"
    if found.otherwise:
        return f"{where}{span}. Not to be compared: {listed(found.otherwise, 4)}"
    if found.worse_share is None:
        return f"{where}: too few for a place among them"
    share = f"{100.0 * found.worse_share:.0f} %"
    told = f"above {share} of them" if place.better == "nominal" else f"better than {share} of them"
    return f"{told} ({where}){span}"


def _span_text(found: OfModel, unit: str) -> str:
    low, high = (significant(value, 6) for value in (found.low or 0.0, found.high or 0.0))
    return f"{low} to {high} {unit}".rstrip()


def of_stated_text(found: OfStated, place: Place) -> str:
    """Return how a reading lies beside a stated value, in words."""
    stated = (
        f"{significant(found.stated.value, 6)} {found.stated.unit} stated ({visible(found.stated.source)})"
    )
    if found.difference is None:
        return f"{stated}. Not to be compared: {listed(found.otherwise, 4)}"
    amount = f"{significant(abs(found.difference), 3)} {difference_unit(place.unit)}".rstrip()
    if found.difference == 0.0:
        told = "the same"
    elif place.better == "nominal":
        told = f"{amount} {'more' if found.difference > 0.0 else 'less'}"
    else:
        is_better = (found.difference > 0.0) == (place.better == "more")
        told = f"{amount} {'better' if is_better else 'worse'}"
    unknown = (
        f"; not known of this run: {listed(found.unknown, 4)}" if found.stated.under and found.unknown else ""
    )
    unsaid = "; it is not stated how it was measured" if not found.stated.under else ""
    return f"{told} than {stated}{unknown}{unsaid}"
