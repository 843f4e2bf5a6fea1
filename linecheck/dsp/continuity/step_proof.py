"""Whether a step of a signal is whole: its tones steady from its begin to its end.

========================  ===========================================================================
:func:`is_clear`          whether a step is long and clear enough to be tested block by block
:func:`is_few`            whether it has too few periods for that
:func:`is_broken`         whether a short step is broken: its thirds differ
:func:`is_spliced`        whether a low tone was cut and joined, from a recording at a far higher rate
:func:`is_turned`         whether a low tone's phase turns at one place
:func:`is_swayed`         whether the unit itself sways the level of a high tone, as clipping does
========================  ===========================================================================
"""

from __future__ import annotations

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.dsp.continuity.continuity import splices
from linecheck.dsp.fits.tones import fit_known_tones, fit_tones, project, synthesise, taper

#: A tone this much lower than another sways it, and has no say in its frequency.
FAR_LOWER = 0.1
#: A high tone whose level the low one sways by this share, at the low one's period and no other, is the unit's doing.
SWAYED, SWAYED_ALONE = 0.02, 20.0
#: Tones make up this share of a step's power, or nothing proves it continuous.
CLEAR_SHARE = 0.9
#: A step of fewer periods has too few to tell a break from hum block by block. Where its tones make up this share, its
#: thirds are compared.
MANY_PERIODS, SHORT_CLEAR_SHARE = 180.0, 0.999
#: A third of fewer periods is swayed by hum and offsets more than by a break.
PERIODS_OF_A_THIRD = 3.0
#: A tone that differs by this much from one third to another, in level or phase (rad), is broken; the second where it
#: is very clear and a third has so many periods that hum sways it little.
BROKEN, BROKEN_IF_CLEAR, VERY_CLEAR_SHARE, UNSWAYED_PERIODS = 0.06, 0.012, 0.99999, 8.0
#: Where tones make up the share and a third is this weak re another, a tone is not there throughout.
MISSING, MISSING_SHARE = 0.6, 0.98
#: A phase turns at one place where that leaves this share of the variance of all periods' phases; so many periods stand
#: on either side, and so many there are.
LEFT_BY_A_TURN, PERIODS_A_SIDE, MIN_PERIODS = 0.07, 3, 10
#: So many splices in a step are a break; more come again with every period, as clipping does.
MAX_SPLICES = 2
#: A steady line sways thirds too: it is the cause where with it so little of the rest's power is left, and no more than
#: a break of the tone would leave. It is looked for so many cycles over the step from the tone, and below it.
EXPLAINED, NEAR_CYCLES, BREAKS_TRIED = 0.3, np.arange(0.25, 3.1, 0.25), 24
#: Lines farther from the tone sway nothing, and so many of the strongest are taken off before the near ones are looked
#: for.
FAR_CYCLES, MAX_LINES = 3.5, 6


def _thirds(record: FloatArray, tones: FloatArray) -> tuple[float, ComplexArray]:
    """Return the share of power that tones (cycles per frame) have in that third of a record where it is greatest.

    A break spoils one third, what comes early after it another: it must not hide itself. With it the first tone's
    complex amplitudes in the thirds, phases referred to one moment.
    """
    third = len(record) // 3
    if third < 64:
        return 0.0, np.zeros(0, dtype=np.complex128)
    shares, amplitudes = [], []
    for index, part in enumerate(record[: 3 * third].reshape(3, third)):
        fit = fit_tones(part, tones)
        shares.append(0.5 * float(np.sum(np.abs(fit.amplitudes) ** 2)) / max(float(np.var(part)), 1e-300))
        amplitudes.append(fit.amplitudes[0] * np.exp(-2j * np.pi * float(tones[0]) * third * index))
    return max(shares), np.array(amplitudes)


def is_clear(record: FloatArray, tones: FloatArray) -> bool:
    """Return whether a step of many periods has tones clear enough to prove it continuous."""
    return len(record) * float(tones[0]) >= MANY_PERIODS and _thirds(record, tones)[0] > CLEAR_SHARE


def is_few(record: FloatArray, tones: FloatArray) -> bool:
    """Return whether a step has too few periods to be tested block by block."""
    return len(record) * float(tones[0]) < MANY_PERIODS


def is_broken(record: FloatArray, tones: FloatArray) -> bool:
    """Return whether a step of few periods, clear enough to tell, differs from one third to another."""
    periods = len(record) * float(tones[0])
    if not 3.0 * PERIODS_OF_A_THIRD <= periods < MANY_PERIODS:
        return False
    share, amplitudes = _thirds(record, tones)
    sizes = np.abs(amplitudes)
    if share < SHORT_CLEAR_SHARE:
        gone = share > MISSING_SHARE and float(np.min(sizes)) < MISSING * float(np.max(sizes))
        return gone and not _is_a_line(record, tones)
    very_clear = share > VERY_CLEAR_SHARE and periods > 3.0 * UNSWAYED_PERIODS
    limit = BROKEN_IF_CLEAR if very_clear else BROKEN
    turned = max(abs(float(np.angle(amplitudes[k] * np.conj(amplitudes[k - 1])))) for k in range(3))
    differs = turned > limit or float(np.ptp(sizes)) > BROKEN * float(np.max(sizes))
    return differs and not _is_a_line(record, tones)


def is_spliced(record: FloatArray, rate_hz: float) -> bool:
    """Return whether a step of a low tone, recorded at four times its converter's rate or more, was cut and joined.

    A single frame that is lost turns a tone of 20 Hz by less than hum does, and reads as distortion.
    """
    found = len(splices(record, rate_hz, most=MAX_SPLICES + 1))
    return 0 < found <= MAX_SPLICES


def is_turned(record: FloatArray, tone: float, smallest: float) -> bool:
    """Return whether a tone's phase, taken period by period, is one value up to a place and another from there on.

    What hum, drift, or a coupling that settles does to the phases looks otherwise: a single step leaves most of it.

    Parameters
    ----------
    record : float64 array, shape (frames,)
    tone : float
        Cycles per frame.
    smallest : float
        Steps of less are none, rad.
    """
    count = int(len(record) * tone)
    if count < MIN_PERIODS:
        return False
    fit, rest = fit_known_tones(record, np.array([tone]))
    quadrature = synthesise(len(record), fit.frequencies, 1j * fit.amplitudes)
    edges = np.rint(np.arange(count + 1) / tone).astype(int)
    turned = np.add.reduceat((rest * quadrature)[: edges[-1]], edges[:-1])
    turned /= np.maximum(np.add.reduceat(quadrature[: edges[-1]] ** 2, edges[:-1]), 1e-300)
    sums, squares = np.cumsum(turned), np.cumsum(turned**2)
    # The period in which it turns belongs to neither side.
    before = np.arange(PERIODS_A_SIDE, count - PERIODS_A_SIDE)
    after = count - before - 1
    first, second = sums[before - 1] / before, (sums[-1] - sums[before]) / after
    left = squares[-1] - turned[before] ** 2 - before * first**2 - after * second**2
    all_of_it = squares[-1] - sums[-1] ** 2 / count
    found = (left < LEFT_BY_A_TURN * all_of_it) & (np.abs(second - first) > smallest)
    return bool(np.any(found)) and not _is_a_line(record, np.array([tone]))


def _is_a_line(record: FloatArray, tones: FloatArray) -> bool:
    """Return whether a steady line beside the tones, or a slow one, says why a record's thirds differ."""
    frames = len(record)
    record = record - _far_lines(record, tones)
    plain = _left(record, tones)
    places = np.concatenate(
        (NEAR_CYCLES, float(tones[0]) * frames + np.concatenate((-NEAR_CYCLES, NEAR_CYCLES)))
    )
    places = places[(places > 0.2) & (places < 0.49 * frames)] / frames
    places = places[np.min(np.abs(np.subtract.outer(places, tones)), axis=1) * frames > 0.2]
    with_line = min(_left(record, np.append(tones, place)) for place in places)
    if with_line > EXPLAINED * plain:
        return False
    cuts = np.linspace(0.0, frames, BREAKS_TRIED + 1).astype(int)[2:-2]
    broken = min(
        _left(record[:cut], tones) * cut + _left(record[cut:], tones) * (frames - cut) for cut in cuts
    )
    return bool(with_line * frames < broken)


def _far_lines(record: FloatArray, tones: FloatArray) -> FloatArray:
    """Return the steady lines of a record that are far from its tones, the strongest: harmonics, and other hum."""
    frames = len(record)
    size = 4 * frames
    places = np.fft.rfftfreq(size)
    far = np.min(np.abs(np.subtract.outer(places, tones)), axis=1) * frames > FAR_CYCLES
    far &= (places * frames > FAR_CYCLES) & (places < 0.49)
    lines = np.zeros(0)
    while len(lines) < MAX_LINES and np.any(far):
        _, rest = fit_known_tones(record, np.append(tones, lines))
        spectrum = np.abs(np.fft.rfft(rest * taper(frames), size))
        line = float(places[far][np.argmax(spectrum[far])])
        lines = np.append(lines, line)
        far &= np.abs(places - line) * frames > FAR_CYCLES
    fit = fit_tones(record, np.append(tones, lines))
    return synthesise(frames, lines, fit.amplitudes[len(tones) :])


def _left(record: FloatArray, tones: FloatArray) -> float:
    """Return the mean square that tones (cycles per frame) and a constant leave of a record."""
    return float(np.mean(fit_known_tones(record, tones)[1] ** 2))


def is_swayed(record: FloatArray, tones: FloatArray) -> bool:
    """Return whether the unit itself lets a low tone sway the level of a high one (clipping does).

    That leaves sidebands at the low tone's distance; a break would leave as much between them.
    """
    high, low = float(tones[0]), float(tones[-1])
    if low > FAR_LOWER * high:
        return False
    orders = np.arange(1.0, 5.0)
    places = np.concatenate((orders, -orders, orders + 0.5, -orders - 0.5)) * low + high
    power = np.abs(project(record * taper(len(record)), np.append(places, high))) ** 2
    beside, between = float(np.sum(power[:8])), float(np.sum(power[8:16]))
    return beside > SWAYED**2 * float(power[16]) and beside > SWAYED_ALONE * between
