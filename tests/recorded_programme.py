"""Recordings of test programmes with all that a free-running source may do to them, and the truth about each."""

from dataclasses import dataclass

import numpy as np
import soxr
from small_run import small_check, small_limits

from linecheck.captures.programme.programme import make_programme

#: What is heard of a programme's segments that were not asked for: nothing.
EDGE_SECONDS = 0.5


def short_limits(bits=16, rate_hz=44_100):
    """Return a limit file of three checks that take a fraction of a second each."""
    return small_limits(
        small_check("quiet", "quiet", None, "tone", bits=bits, rate_hz=rate_hz),
        small_check("tone", "tone", bits=bits, rate_hz=rate_hz),
        small_check("wiring", "wiring", bits=bits, rate_hz=rate_hz),
    )


@dataclass(frozen=True)
class Played:
    """A segment that a source plays: its number, the silence before it, and how much of its end is lost."""

    number: int
    gap_seconds: float = 0.6
    lost_seconds: float = 0.0


@dataclass(frozen=True)
class Recorded:
    """Samples in single precision, their rate, and when each segment's stimulus begins (by the recorder)."""

    samples: np.ndarray
    rate_hz: int
    seconds: tuple[float, ...]


def recorded(
    programme, played, *, rate_hz=48_000, ppm=0.0, gains=((0.5, 0.0), (0.0, 0.5)), noise_dbfs=-100.0, lost=0.0
):
    """Return the recording of some segments.

    Parameters
    ----------
    programme : Programme
    played : sequence of Played
    rate_hz : int
        Of the recorder.
    ppm : float
        By how much the source's clock is fast.
    gains : nested sequence
        Of each recorded channel from each played one.
    noise_dbfs : float
        White noise of the recorder: rms re that of a full-scale sine.
    lost : float
        Seconds that are missing at the beginning.
    """
    whole = np.concatenate(list(programme.blocks())) * 2.0**-31
    placed = programme.layout()
    clock_hz = programme.rate_hz * (1.0 + 1e-6 * ppm)
    parts, starts, frames = [], [], 0
    for entry in (*played, None):
        gap = np.zeros(
            (round((entry.gap_seconds if entry else EDGE_SECONDS) * programme.rate_hz), programme.channels)
        )
        parts.append(gap)
        frames += len(gap)
        if entry is not None:
            place = placed[entry.number]
            stop = place.stop - round(entry.lost_seconds * programme.rate_hz)
            parts.append(whole[place.mark : stop])
            starts.append((frames + place.start - place.mark) / clock_hz - lost)
            frames += stop - place.mark
    heard = np.concatenate(parts) @ np.array(gains).T
    samples = soxr.resample(heard, clock_hz, rate_hz, quality="VHQ")[round(lost * rate_hz) :]
    generator = np.random.default_rng(1)
    samples += generator.standard_normal(samples.shape) * (10.0 ** (noise_dbfs / 20.0) / np.sqrt(2.0))
    return Recorded(samples.astype(np.float32), rate_hz, tuple(starts))


def short_programme(bits=16, rate_hz=44_100):
    """Return the programme of :func:`short_limits`."""
    return make_programme(short_limits(bits, rate_hz))
