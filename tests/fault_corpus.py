"""A corpus of faulty captures of every kind: which faults pass unseen, and which clean captures are flagged.

A fault is put into the capture of a simulated unit and the whole is judged as a station judges it. It passes unseen
where a masked reading is judged although the fault has moved it by more than its expanded uncertainty (k = 2), or where
it is one that no careful bench would ship whatever it moves (both channels the same, another check's file). A fault
that a unit can have itself is the truth of its capture: a reading that it makes worse is as it should be, and one that
it makes better passes unseen.

``python tests/fault_corpus.py --rounds 20`` prints a table of both, by check and by fault.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Capture, Reading, Reference
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import Bounds, Check, LimitFile, Mask
from linecheck.limits.verdict import JudgedMeasurement, Verdict
from linecheck.measure.measure import Analysis, analyse, reference_from
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

Codes = NDArray[np.int64]
Fault = Callable[[Codes, np.random.Generator, int], Codes]

#: Kinds whose metrics reach beyond the audio band; the others are captured at 48 kHz, which costs less.
WIDE = ("reconstruction", "distortion_sweep", "ultrasonic")
RAMP_SECONDS = 0.01
#: The stimulus as it lies in a capture: faults lie in this part of it.
FAULT_FROM, FAULT_TO = 0.25, 0.9

#: The demonstration's checks with other stimuli of their kinds.
VARIANTS = {
    "swept_response": ("response", {"signal": "sweep"}),
    "crosstalk_in_turn": ("crosstalk", {"method": "in_turn"}),
    "dithered_quiet": ("quiet", {"dither": True}),
    "coarsely_dithered_quiet": ("quiet", {"dither": True, "bits": 16}),
    "ultrasonic_silence": ("ultrasonic", {"signal": "silence"}),
}

#: Masks that a good unit passes: 16-bit dither is 28 dB above its own noise; in silence what lies above 20 kHz is more.
MASKS = {
    "coarsely_dithered_quiet": {
        "noise_a": Mask(Bounds(max=120.0)),
        "snr_a": Mask(Bounds(90.0)),
    },
    "ultrasonic_silence": {
        "noise_20k_100k": Mask(Bounds(max=8.0)),
        "image_level": Mask(Bounds(max=0.0)),
    },
}


@lru_cache(maxsize=1)
def limit_file() -> LimitFile:
    """Return the demonstration's limits with the variants."""
    limits = load_limits(Path(__file__).parents[1] / "limits" / "pellow-r3.yaml")
    by_name = {check.name: check for check in limits.checks}
    more = []
    for name, (of, changes) in VARIANTS.items():
        check = by_name[of]
        stimulus = type(check.stimulus).model_validate({**check.stimulus.model_dump(), **changes})
        more.append(
            replace(check, name=name, stimulus=stimulus, masks={**check.masks, **MASKS.get(name, {})})
        )
    return replace(limits, checks=(*limits.checks, *more))


CHECKS = tuple(check.name for check in limit_file().checks)


def check_named(name: str) -> Check:
    """Return a check of the corpus."""
    return next(check for check in limit_file().checks if check.name == name)


@lru_cache(maxsize=64)
def stimulus_of(name: str) -> object:
    """Return what is played."""
    check = check_named(name)
    return check.kind.stimulus(check.stimulus, 2, RAMP_SECONDS)


@lru_cache(maxsize=24)
def clean(name: str, seed: int) -> Capture:
    """Return a clean capture of a good unit, its clock anywhere within what converters have."""
    check = check_named(name)
    rate = 192_000 if check.kind.name in WIDE else 48_000
    rng = np.random.default_rng([71, seed])
    ppm = float(rng.uniform(-100.0, 100.0) if seed % 4 else rng.uniform(-1000.0, 1000.0))
    unit = SimulatedUnit(spread=1.0).model_copy(update={"clock_ppm": ppm})
    with SimulatedInterface(
        unit, serial=f"PR3-{seed:06d}", attempt=seed + 1, capture_rate_hz=rate
    ) as station:
        return station.play(name, stimulus_of(name))


@lru_cache(maxsize=64)
def tone_level(seed: int) -> Reference | None:
    """Return the tone's level of a unit."""
    stimulus = check_named("tone").stimulus
    found = reference_from("tone", judged("tone", clean("tone", seed), None), limit_file().channels)
    return replace(found, stimulus=stimulus)


def reference(name: str, seed: int) -> Reference | None:
    """Return what a check's readings refer to; None where they refer to nothing but themselves."""
    return tone_level(seed) if check_named(name).kind.reference_kind else None


def judged(name: str, capture: Capture, refers_to: Reference | None) -> JudgedMeasurement:
    """Judge a capture as a station does."""
    limits = limit_file()
    return analyse(Analysis(check_named(name), capture, limits.channels, limits.decision, refers_to)).judged


@lru_cache(maxsize=64)
def judged_clean(name: str, seed: int) -> JudgedMeasurement:
    """Judge a clean capture."""
    return judged(name, clean(name, seed), reference(name, seed))


def clean_problems(name: str, seed: int) -> list[str]:
    """Return what is found wrong with a clean capture."""
    found = judged_clean(name, seed)
    return [
        f"{entry.code}: {entry.message}"
        for entry in found.problems
        if entry.blocks or entry.code == "peak_outside"
    ]


# ----------------------------------------------------------------------------------------------------------------------
# Faults: codes of shape (frames, channels), where in them, the rate. Each returns new codes.


def _length(rng: np.random.Generator, rate: int, least: float = 0.0005, most: float = 0.05) -> int:
    return max(2, round(float(np.exp(rng.uniform(np.log(least), np.log(most)))) * rate))


def _place(codes: Codes, rng: np.random.Generator, length: int) -> int:
    sounding = len(codes)
    return int(rng.uniform(FAULT_FROM, FAULT_TO) * (sounding - 2 * length)) + length


def _one_channel(fault: Fault) -> Fault:
    def faulty(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
        channel = int(rng.integers(codes.shape[1]))
        changed = fault(codes, rng, rate)
        result = codes.copy()
        count = min(len(codes), len(changed))
        result[:count, channel] = changed[:count, channel]
        return result

    return faulty


def lost(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate)
    at = _place(codes, rng, count)
    return np.delete(codes, np.s_[at : at + count], axis=0)


def lost_sample(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    return np.delete(codes, _place(codes, rng, 1), axis=0)


def doubled_sample(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    at = _place(codes, rng, 1)
    return np.insert(codes, at, codes[at], axis=0)


def played_twice(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate)
    at = _place(codes, rng, count)
    return np.insert(codes, at, codes[at - count : at], axis=0)


def copied_over(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate)
    at = _place(codes, rng, count)
    result = codes.copy()
    result[at : at + count] = codes[at - count : at]
    return result


def copied_over_few(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = int(rng.integers(4, 48))
    at = _place(codes, rng, count)
    result = codes.copy()
    result[at : at + count] = codes[at - count : at]
    return result


def swapped_blocks(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate)
    at = _place(codes, rng, count)
    result = codes.copy()
    result[at - count : at], result[at : at + count] = codes[at : at + count], codes[at - count : at]
    return result


def reversed_block(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate)
    at = _place(codes, rng, count)
    result = codes.copy()
    result[at : at + count] = codes[at : at + count][::-1]
    return result


def swapped_channels(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate, 0.005, 0.3)
    at = _place(codes, rng, count)
    result = codes.copy()
    result[at : at + count] = codes[at : at + count, ::-1]
    return result


def held(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate)
    at = _place(codes, rng, count)
    result = codes.copy()
    result[at : at + count] = codes[at]
    return result


def zeroed(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate)
    at = _place(codes, rng, count)
    result = codes.copy()
    result[at : at + count] = 0
    return result


def _faded(codes: Codes, rng: np.random.Generator, rate: int, depth: float, most: float = 0.1) -> Codes:
    count = _length(rng, rate, 0.002, most)
    at = _place(codes, rng, count)
    shape = 1.0 - depth * (0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(count) + 0.5) / count))
    result = codes.copy()
    result[at : at + count] = np.rint(codes[at : at + count] * shape[:, None])
    return result


def muted(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    return _faded(codes, rng, rate, 1.0)


def dipped(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    return _faded(codes, rng, rate, 1.0 - 10.0 ** (-rng.uniform(0.3, 3.0) / 20.0))


def crossfaded(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    """Lose a stretch and fade from what comes before it to what comes after."""
    count, fade = _length(rng, rate), _length(rng, rate, 0.001, 0.01)
    at = _place(codes, rng, count + fade)
    share = ((np.arange(fade) + 0.5) / fade)[:, None]
    joined = codes[at : at + fade] * (1.0 - share) + codes[at + count : at + count + fade] * share
    return np.concatenate((codes[:at], np.rint(joined).astype(np.int64), codes[at + count + fade :]))


def gain_step(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    at = _place(codes, rng, 1)
    result = codes.copy()
    result[at:] = np.rint(codes[at:] * 10.0 ** (-rng.uniform(0.1, 6.0) / 20.0))
    return result


def dc_step(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    at = _place(codes, rng, 1)
    result = codes.copy()
    result[at:] += int(10.0 ** (rng.uniform(-60.0, -30.0) / 20.0) * 2**23)
    return result


def burst(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate, 0.0005, 0.02)
    at = _place(codes, rng, count)
    size = 10.0 ** (rng.uniform(-50.0, -10.0) / 20.0) * 2**23
    result = codes.copy()
    result[at : at + count] += np.rint(size * rng.standard_normal((count, codes.shape[1]))).astype(np.int64)
    return result


def spike(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    result = codes.copy()
    result[_place(codes, rng, 1)] += round(
        float(rng.choice([-1, 1]) * 10.0 ** (rng.uniform(-40.0, -6.0) / 20.0) * 2**23)
    )
    return result


def clipped(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    highest = int(np.max(np.abs(codes)) * 10.0 ** (-rng.uniform(0.2, 6.0) / 20.0))
    return np.clip(codes, -highest, highest)


def wrapped(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    highest = int(np.max(np.abs(codes)) * 10.0 ** (-rng.uniform(0.2, 3.0) / 20.0))
    return (codes + highest) % (2 * highest) - highest


def truncated_words(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    low = 2 ** (24 - int(rng.integers(8, 15)))
    return codes // low * low


def inverted_stretch(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    count = _length(rng, rate)
    at = _place(codes, rng, count)
    result = codes.copy()
    result[at : at + count] *= -1
    return result


def cut_head(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    return codes[int(rng.uniform(0.2, 0.6) * len(codes)) :]


def cut_tail(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    return codes[: int(rng.uniform(0.4, 0.8) * len(codes))]


def mono_left(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    return np.repeat(codes[:, [int(rng.integers(2))]], codes.shape[1], axis=1)


def mono_mean(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    return np.repeat(np.sum(codes, axis=1, keepdims=True) // codes.shape[1], codes.shape[1], axis=1)


def dead_channel(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    result = codes.copy()
    result[:, int(rng.integers(2))] = 0
    return result


def many_lost(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    """Lose one frame again and again, as a stream does whose clocks are not tied together."""
    every = int(rng.integers(rate // 40, rate // 4))
    return np.delete(codes, np.s_[every::every], axis=0)


def converted(codes: Codes, rng: np.random.Generator, rate: int) -> Codes:
    """Leave nothing above a frequency, as a path does that runs at a lower rate."""
    spectrum = np.fft.rfft(codes, axis=0)
    spectrum[int(rng.uniform(0.12, 0.4) * len(codes)) :] = 0.0
    return np.rint(np.fft.irfft(spectrum, len(codes), axis=0)).astype(np.int64)


FAULTS: dict[str, Fault] = {
    "lost": lost,
    "lost_in_one": _one_channel(lost),
    "lost_sample": lost_sample,
    "lost_sample_in_one": _one_channel(lost_sample),
    "doubled_sample": doubled_sample,
    "played_twice": played_twice,
    "copied_over": copied_over,
    "copied_over_in_one": _one_channel(copied_over),
    "copied_over_few": copied_over_few,
    "swapped_blocks": swapped_blocks,
    "reversed_block": reversed_block,
    "swapped_channels": swapped_channels,
    "held": held,
    "held_in_one": _one_channel(held),
    "zeroed": zeroed,
    "zeroed_in_one": _one_channel(zeroed),
    "muted": muted,
    "muted_in_one": _one_channel(muted),
    "dipped": dipped,
    "crossfaded": crossfaded,
    "gain_step": gain_step,
    "gain_step_in_one": _one_channel(gain_step),
    "dc_step": dc_step,
    "burst": burst,
    "burst_in_one": _one_channel(burst),
    "spike": spike,
    "clipped": clipped,
    "wrapped": wrapped,
    "truncated_words": truncated_words,
    "inverted_stretch": inverted_stretch,
    "cut_head": cut_head,
    "cut_tail": cut_tail,
    "mono_left": mono_left,
    "mono_mean": mono_mean,
    "dead_channel": dead_channel,
    "many_lost": many_lost,
    "converted": converted,
}

#: What no capture of silence can tell: its rate, and how long it lasted.
SILENT = ("quiet", "dithered_quiet", "coarsely_dithered_quiet", "ultrasonic_silence")
UNTOLD = {(name, "wrong_rate") for name in SILENT}
#: What a unit may do itself, all through: a reading of it is right where it is that of the capture as it is.
OWN = ("clipped", "wrapped", "truncated_words", "dead_channel")
#: Not to be shipped whatever they move.
ALWAYS = ("mono_left", "mono_mean")
WRONG_RATES = {48_000: (44_100, 47_000, 96_000), 192_000: (176_400, 188_000, 96_000)}


@dataclass(frozen=True)
class Trial:
    """What came of a faulty capture: which masked readings are judged though they moved, and what was said."""

    check: str
    fault: str
    seed: int
    unseen: tuple[str, ...]
    passed: bool
    codes: tuple[str, ...]


def _like(capture: Capture, codes: Codes, rate_hz: int | None = None) -> Capture:
    codes = np.clip(codes, -(2**23), 2**23 - 1)
    samples = (codes << 8).astype(np.int32)
    return replace(capture, samples=samples, rate_hz=rate_hz or capture.rate_hz)


def fault_trial(name: str, fault: str, seed: int) -> Trial:
    """Put a fault into a clean capture and judge it."""
    capture = clean(name, seed % 4)
    codes = capture.samples.astype(np.int64) >> 8
    rng = np.random.default_rng([73, seed, *fault.encode()])
    if fault == "wrong_rate":
        faulty = _like(capture, codes, int(rng.choice(WRONG_RATES[capture.rate_hz])))
    elif fault == "wrong_file":
        others = [other for other in CHECKS if _tells_apart(name, other)]
        other = clean(others[int(rng.integers(len(others)))], seed % 4)
        faulty = other
    else:
        faulty = _like(capture, FAULTS[fault](codes, rng, capture.rate_hz))
    found = judged(name, faulty, reference(name, seed % 4))
    return _compared(name, fault, seed, found, faulty)


def own_level(capture: Capture, channel: int) -> float:
    """Return the strongest line's level in the middle of a capture, V rms, by Parseval from the bins around it."""
    frames = round(0.4 * capture.rate_hz)
    first = (capture.frames - frames) // 2
    values = capture.scaled[channel, first : first + frames]
    window = np.hanning(frames) ** 2
    power = np.abs(np.fft.rfft((values - np.mean(values)) * window)) ** 2 / (0.5 * frames * np.sum(window**2))
    place = int(np.argmax(power))
    return float(np.sqrt(np.sum(power[place - 6 : place + 7]))) * capture.full_scale_volts[channel]


def _is_misread(reading: Reading, true: Reading, name: str, faulty: Capture) -> bool:
    """Return whether a reading of what a unit did all through a capture is wrong.

    A level is held against :func:`own_level`. All else such a unit reads worse, by as much as the masks say it may;
    what reads better than without is wrong.
    """
    spread = 2.0 * max(_spread(reading), _spread(true))
    if reading.metric == "level" and reading.channel is not None:
        own = own_level(faulty, limit_file().channels.index(reading.channel))
        # Less of the capture than is measured, so that it scatters more.
        return abs(reading.value - own) > 2.0 * spread + 1e-6
    better = next(spec.better for spec in check_named(name).kind.metrics if spec.name == reading.metric)
    if better == "nominal":
        return abs(reading.value - true.value) > spread + 1e-9
    return (reading.value - true.value) * (1.0 if better == "more" else -1.0) > spread + 1e-9


def _tells_apart(name: str, other: str) -> bool:
    """Return whether another check's file is another stimulus's: silence is silence whatever it is called."""
    silent = set(SILENT)
    return other != name and not {name, other} <= silent


def _spread(reading: Reading) -> float:
    """Return how well a reading repeats: what no calibration states counts here just as much."""
    return reading.uncertainty or reading.repeatability or 0.0


def _compared(name: str, fault: str, seed: int, found: JudgedMeasurement, faulty: Capture) -> Trial:
    truth = {(i.reading.metric, i.reading.channel): i.reading for i in judged_clean(name, seed % 4).readings}
    unseen, verdicts = [], []
    for item in found.readings:
        if item.verdict is None:
            continue
        verdicts.append(item.verdict)
        if item.verdict is Verdict.INVALID or item.reading.value is None:
            continue
        true = truth[item.reading.metric, item.reading.channel]
        if true.value is None:
            continue
        moved = abs(item.reading.value - true.value)
        spread = max(_spread(item.reading), _spread(true))
        if fault in OWN and not _is_misread(item.reading, true, name, faulty):
            continue
        if fault in (*ALWAYS, "wrong_file", "wrong_rate") or moved > 2.0 * spread + 1e-9:
            where = f"{item.reading.metric}/{item.reading.channel}"
            unseen.append(f"{where} {true.value:.4g}→{item.reading.value:.4g} ±{2 * spread:.2g}")
    verdicts += [item.verdict for item in found.curves if item.verdict is not None]
    passed = bool(verdicts) and all(entry in (Verdict.PASS, Verdict.MARGINAL) for entry in verdicts)
    codes = tuple(sorted({entry.code for entry in found.problems if entry.blocks}))
    return Trial(name, fault, seed, tuple(unseen), passed, codes)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=4, help="faulty captures of each check and fault")
    parser.add_argument("--clean", type=int, default=20, help="clean captures of each check")
    parser.add_argument("--checks", nargs="*", default=CHECKS)
    parser.add_argument("--faults", nargs="*", default=[*FAULTS, "wrong_rate", "wrong_file"])
    parser.add_argument("--verbose", action="store_true")
    options = parser.parse_args()
    totals: Counter[str] = Counter()
    for name in options.checks:
        passed: Counter[str] = Counter()
        judged_wrong: Counter[str] = Counter()
        for fault in options.faults:
            for seed in range(options.rounds):
                trial = fault_trial(name, fault, seed)
                totals["captures"] += 1
                if trial.unseen and trial.passed:
                    passed[fault] += 1
                elif trial.unseen:
                    judged_wrong[fault] += 1
                if trial.unseen and options.verbose:
                    print(
                        "  ",
                        name,
                        fault,
                        seed,
                        "PASSED" if trial.passed else "judged",
                        trial.unseen,
                        flush=True,
                    )
        flagged = 0
        for seed in range(options.clean):
            problems = clean_problems(name, seed)
            flagged += bool(problems)
            if problems:
                print("   clean", name, seed, problems, flush=True)
        totals["passed"] += sum(passed.values())
        totals["judged"] += sum(judged_wrong.values())
        totals["flagged"] += flagged
        print(
            f"{name:20s} passed {dict(passed)}, judged {dict(judged_wrong)}; clean flagged {flagged}",
            flush=True,
        )
    print(dict(totals))


if __name__ == "__main__":
    main()
