"""What marks say of the channels that carry them, in words: dead, swapped, inverted or mixed. Nothing is changed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from linecheck.captures.programme.found_marks import CarriedMark, FoundMark

__all__ = ["channel_notes"]

#: A finding counts where it holds for more than this part of the marks.
MAX_OF_THEM = 0.5


def channel_notes(marks: Sequence[FoundMark], channels: Sequence[str]) -> Iterator[str]:
    """Yield what is odd about the channels of a recording.

    Parameters
    ----------
    marks : sequence of FoundMark
        Those that could be read.
    channels : sequence of str
        Their names, in the recording's order.
    """
    if not marks:
        return
    for index, name in enumerate(channels):
        carried = [entry for mark in marks if (entry := mark.carried[index]) is not None]
        silent = len(marks) - len(carried)
        if silent == len(marks):
            yield f"channel {name} carries no mark: it is dead, or not connected"
        elif silent:
            yield f"channel {name} carries only {len(carried)} of {len(marks)} marks: its contact may be loose"
        if carried:
            yield from _carried_notes(carried, index, channels)


def _carried_notes(carried: Sequence[CarriedMark], index: int, channels: Sequence[str]) -> Iterator[str]:
    name = channels[index]
    if sum(entry.mixed for entry in carried) > MAX_OF_THEM * len(carried):
        yield f"channel {name} carries the marks of several channels at once: mono, or a short between them"
        return
    played = Counter(entry.channel for entry in carried if entry.channel is not None)
    for other, count in played.items():
        if other != index:
            whose = channels[other] if other < len(channels) else f"number {other + 1}"
            how_often = "" if count == len(carried) else f" in {count} of {len(carried)} places"
            yield f"channel {name} carries the marks of channel {whose}{how_often}: swapped, or wired to both"
    inverted = sum(entry.polarity < 0 for entry in carried)
    if inverted:
        how_often = "" if inverted == len(carried) else f" in {inverted} of {len(carried)} places"
        yield f"channel {name} is inverted{how_often}"
