"""Symptoms of captures: silence, overload, breaks, what the interface reported."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from linecheck.causes.evidence import NOT_THERE, TOO_LOW, Evidence, beyond, both
from linecheck.causes.symptom import DECISIVE, RARE, SPECIFIC, Symptom
from linecheck.checks.base import Detailed
from linecheck.limits.verdict import Verdict

#: Codes of what an interface reports.
REPORTED = ("overrun", "underrun", "stream_stopped", "station_failed", "not_captured")
#: Codes of breaks in time.
BROKEN = ("dropout", "repeated_block")
#: A jump is a whole number of samples within this, in samples.
WHOLE = 0.06
#: So few breaks tell no drift.
MIN_SLIPS = 4
#: Larger jumps are only known modulo the period of the tone, in stimulus samples at 997 Hz.
LARGEST_JUMP = 20.0


def _share(*codes: str, least: float = 0.5) -> Callable[[Evidence, str | None], float | None]:
    """Return a look that says whether at least so many of the checks have one of these problems."""

    def look(evidence: Evidence, channel: str | None) -> float | None:
        return beyond(evidence.share(codes, channel), least, 0.1 * least)

    return look


def _any(*codes: str) -> Callable[[Evidence, str | None], float | None]:
    def look(evidence: Evidence, channel: str | None) -> float | None:
        return float(any(True for _ in evidence.problems(*codes, channel=channel)))

    return look


def _all_channels(*codes: str, least: float = 0.5) -> Callable[[Evidence, str | None], float | None]:
    def look(evidence: Evidence, channel: str | None) -> float | None:
        least_share = min((evidence.share(codes, one) for one in evidence.channels), default=0.0)
        return beyond(least_share, least, 0.1 * least)

    return look


def _mixed(evidence: Evidence, channel: str | None) -> float | None:
    """Return whether channels carry each other's signal beside their own, by the coded signals."""
    sorts = {
        problem.sort for _, problem in evidence.problems("wrong_channel") if isinstance(problem, Detailed)
    }
    return float("mixed" in sorts) if sorts else None


def _elsewhere(evidence: Evidence, channel: str | None) -> float | None:
    """Return whether some captures hold nothing of their stimulus, while most of the others are sound."""
    missing = evidence.share(("stimulus_not_found", "wrong_rate", "wrong_channel"), None)
    return float(0.0 < missing < 0.5)


def _unclear(evidence: Evidence, channel: str | None) -> float | None:
    """Return whether a whole check judges nothing, though nothing voids its capture."""
    for check in evidence.run.checks:
        judged = [item for item in check.judged.items if item.verdict is not None]
        limits = evidence.run.limits_of(check.check)
        # What refers to another check has nothing to say where that one has not.
        voided = (limits is not None and limits.reference is not None) or any(
            problem.blocks or problem.code in TOO_LOW for problem in check.judged.problems
        )
        if judged and not voided and all(item.verdict is Verdict.INVALID for item in judged):
            return 1.0
    return 0.0


def _sorts(evidence: Evidence, channel: str | None) -> set[str]:
    return {
        problem.sort
        for _, problem in evidence.problems(*BROKEN, channel=channel)
        if isinstance(problem, Detailed)
    }


def _sort(*names: str) -> Callable[[Evidence, str | None], float | None]:
    def look(evidence: Evidence, channel: str | None) -> float | None:
        return float(bool(_sorts(evidence, channel) & set(names)))

    return look


def _jumps(evidence: Evidence, channel: str | None) -> Iterator[tuple[float, float]]:
    """Yield each jump in time in frames of the capture and in samples of the stimulus; below 0 what comes too early."""
    for check, problem in evidence.problems("dropout", channel=channel):
        rate = None if check is None else getattr(evidence.parameters(check), "rate_hz", None)
        if isinstance(problem, Detailed) and problem.frames is not None and rate:
            yield problem.frames, problem.frames * float(rate) / problem.rate_hz


def _whole(number: float) -> bool:
    return round(number) != 0 and abs(number - round(number)) < WHOLE


def _of_unit(evidence: Evidence, channel: str | None) -> float | None:
    """Jumps by whole samples of the stimulus that are no whole frames of the capture."""
    found = [entry for entry in _jumps(evidence, channel) if abs(entry[1]) < LARGEST_JUMP]
    if not found:
        return 0.0
    return sum(_whole(samples) and not _whole(frames) for frames, samples in found) / len(found)


def _of_recorder(evidence: Evidence, channel: str | None) -> float | None:
    """Jumps by whole frames of the capture that are no whole samples of the stimulus."""
    found = list(_jumps(evidence, channel))
    if not found:
        return 0.0
    return sum(_whole(frames) and not _whole(samples) for frames, samples in found) / len(found)


def _one_way(evidence: Evidence, channel: str | None) -> float | None:
    """Return how surely most checks break by one sample of the stimulus to the same side: two clocks that drift."""
    samples = [entry[1] for entry in _jumps(evidence, channel)]
    if len(samples) < MIN_SLIPS:
        return 0.0
    # Where slips are close to each other a jump is told as a little more or less than one.
    to_a_side = [sum(0.85 < sign * jump < 1.15 for jump in samples) / len(samples) for sign in (-1.0, 1.0)]
    return both(beyond(max(to_a_side), 0.6, 0.08), beyond(evidence.share(BROKEN, channel), 0.6, 0.06))


SYMPTOMS = (
    Symptom("digital_silence", "a capture of one value throughout", _share("silence"), leak=DECISIVE),
    Symptom("not_there", "nothing of the stimulus in a channel", _share(*NOT_THERE), leak=DECISIVE),
    Symptom(
        "nowhere",
        "nothing of the stimulus in any channel",
        _all_channels(*NOT_THERE),
        of_pair=True,
        leak=DECISIVE,
    ),
    Symptom("overload", "samples held at the capture's full scale", _any("overload"), leak=RARE),
    Symptom("flat_tops", "samples held below the capture's full scale", _any("clipping")),
    Symptom(
        "wrong_rate",
        "tones at the ratio of two rates",
        _all_channels("wrong_rate"),
        of_pair=True,
        leak=DECISIVE,
    ),
    # It hides readings and is no fault of the unit: it speaks against nothing else.
    Symptom("rate_too_low", "captures at a rate that is too low", _any(*TOO_LOW), of_pair=True, leak=0.3),
    Symptom("reported", "the interface reported a fault", _any(*REPORTED), of_pair=True, leak=DECISIVE),
    Symptom("not_finite", "values that are no numbers", _any("non_finite"), of_pair=True, leak=DECISIVE),
    Symptom("short", "captures shorter than what was played", _any("too_short"), of_pair=True),
    Symptom(
        "short_most",
        "most captures shorter than what was played",
        _all_channels("too_short"),
        of_pair=True,
        leak=DECISIVE,
    ),
    Symptom("elsewhere", "another stimulus in some captures than in the others", _elsewhere, of_pair=True),
    Symptom("unclear", "values that cannot be told though their capture is whole", _unclear, of_pair=True),
    Symptom(
        "same_samples",
        "two channels the same, bit for bit",
        _any("identical_channels"),
        of_pair=True,
        leak=DECISIVE,
    ),
    Symptom("repeated", "a stretch that is an exact copy", _any("repeated_block")),
    Symptom("broken", "breaks in most captures", _share(*BROKEN)),
    Symptom("broken_once", "a break in some captures", _any(*BROKEN)),
    Symptom("jumps", "jumps in time", _sort("jump", "turn")),
    Symptom("jumps_of_unit", "jumps by whole samples of the stimulus", _of_unit),
    Symptom("jumps_of_recorder", "jumps by whole frames of the capture", _of_recorder),
    Symptom("slips_one_way", "a sample lost, or doubled, again and again", _one_way, leak=SPECIFIC),
    Symptom("holes", "stretches that are missing or held", _sort("hole", "held")),
    Symptom("bursts", "a few samples that do not belong", _sort("burst")),
    Symptom("level_steps", "levels that step", _sort("step")),
    Symptom("mixed", "both channels in each", _mixed, of_pair=True, leak=DECISIVE),
    Symptom(
        "other_stimulus",
        "another stimulus than the one that was to be played",
        _any("other_stimulus", "wrong_channel"),
    ),
)
