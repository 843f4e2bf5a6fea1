"""Curves reduced to bands, so that two captures of one unit can be compared without a line that moves by a bin.

============================  ==============================================================
:func:`profile_of`            a curve as the extremes of its bands
:class:`Profile`              what that returns, and what a baseline keeps of a curve
:func:`compare_profiles`      a curve with the baseline's, band by band
:func:`is_another`            whether two curves have too few bands in common to be compared
============================  ==============================================================

Bands lie on a fixed lattice: over frequency a twelfth of an octave wide around 1000 · 2^(k/12) Hz, coarser where that
would be too many; over another axis in equal steps. Of each band two extremes are kept: the worst inside it, and the
worst in a window that is wider by what a line can move between captures. The new curve's inner extreme is compared with
the baseline's outer one: what only crossed the edge of a band is no change.

Where less (more) is better, the extreme is the highest (lowest) point. Where the nominal value is best, it is both, and
a change of either in any direction is one for the worse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Curve
from linecheck.checks.parts.declared import Better
from linecheck.dsp.arrays import FloatArray, IntArray
from linecheck.limits.regression import DETECTION_SIGMAS, Answer
from linecheck.limits.verdict import Verdict

#: Extremes of one curve that a baseline keeps, at most.
MAX_POINTS: Final = 200
FINEST_PER_OCTAVE: Final = 12
#: By how much a line may move: a part of its frequency (two clocks' 1000 ppm each), and widths of its resolution.
_MOVES_RELATIVE: Final = 2e-3
_MOVES_WIDTHS: Final = 1.5
#: Over another axis than frequency: parts of a step.
_MOVES_STEPS: Final = 0.1
#: Points that lie within so many uncertainties of the highest may be noise of the same strength.
_ALIKE: Final = 2.0
#: Standard deviation of the highest of n values of a standard normal distribution, over ln n (the roots of the
#: variances in Harter 1961, Biometrika 48, 151-165, from memory; the test integrates them anew). What scatters as a
#: power of few degrees of freedom does in dB spreads less.
_SPREAD_OF_HIGHEST: Final = (
    np.log([1.0, 2.0, 3.0, 5.0, 10.0, 20.0, 50.0, 100.0]),
    np.array([1.0, 0.826, 0.748, 0.669, 0.587, 0.525, 0.465, 0.430]),
)
#: The power of noise in a bin has few degrees of freedom, and scatters in dB with heavier tails than a normal
#: distribution of its uncertainty: with this factor fewer alarms than FAMILY_ALPHA came of noise alone.
_TAILS: Final = 1.15
#: A curve of which less can be compared says nothing.
MIN_RESOLVED: Final = 0.5
#: Clocks that differ move a curve's ends by a band or two; a curve that lacks more bands than this, or this share, is
#: another one.
MAX_ABSENT: Final = 2
MAX_ABSENT_SHARE: Final = 0.03


@dataclass(frozen=True)
class Lattice:
    """Where the bands lie: ``per_octave`` of them around 1000 · 2^(k / per_octave), or around k · ``step``."""

    per_octave: int | None = None
    step: float | None = None

    def position(self, x: FloatArray) -> FloatArray:
        """Return places on the axis in bands; band k reaches from k - 0.5 to k + 0.5."""
        if self.per_octave is not None:
            return np.asarray(self.per_octave * np.log2(x / 1000.0), dtype=np.float64)
        return np.asarray(x / (self.step or 1.0), dtype=np.float64)

    def centre(self, keys: IntArray) -> FloatArray:
        """Return the middles of bands on the axis."""
        if self.per_octave is not None:
            return np.asarray(1000.0 * np.exp2(keys / self.per_octave), dtype=np.float64)
        return np.asarray(keys * (self.step or 1.0), dtype=np.float64)

    def keys(self, x: FloatArray) -> IntArray:
        """Return the bands that places lie in."""
        return np.floor(self.position(x) + 0.5).astype(np.int64)


@dataclass(frozen=True)
class Profile:
    """The extremes of a curve's bands.

    Attributes
    ----------
    lattice : Lattice
    keys : int64 array, shape (bands,)
        Ascending.
    inner, outer, uncertainty : float64 arrays, shape (sides, bands)
        The extremes in a band and in its window, and the larger of their standard uncertainties. One side, the worse,
        or two where the nominal value is best: lowest, highest.
    x : float64 array, shape (sides, bands)
        Where the inner extreme lies.
    """

    lattice: Lattice
    keys: IntArray
    inner: FloatArray
    outer: FloatArray
    uncertainty: FloatArray
    x: FloatArray

    @property
    def comparisons(self) -> int:
        """How many values are compared."""
        return int(self.inner.size)


@dataclass(frozen=True)
class CurveChange:
    """The answer of a whole curve, and its most telling band.

    ``compared`` of ``bands`` extremes are known well enough that twice the margin would be found there. ``x``,
    ``value`` and ``base_value`` are of the band that has changed most for the worse (for the better, where the answer
    is that); None where there is none. ``absent`` of the baseline's bands are not there, where that is too many.
    """

    answer: Answer
    verdict: Verdict
    compared: int
    bands: int
    worse_by: float | None = None
    uncertainty: float | None = None
    x: float | None = None
    value: float | None = None
    base_value: float | None = None
    absent: int = 0


def lattice_for(curve: Curve, *, log_x: bool, better: Better) -> Lattice:
    """Return the finest lattice on which a curve has no more extremes than a baseline keeps."""
    most = MAX_POINTS // (2 if better == "nominal" else 1)
    first, last = float(curve.x[0]), float(curve.x[-1])
    if log_x and first > 0.0:
        per_octave = FINEST_PER_OCTAVE
        while per_octave > 1 and per_octave * math.log2(last / first) + 2.0 > most:
            per_octave //= 2
        return Lattice(per_octave=per_octave)
    gaps = np.diff(curve.x)
    finest = float(np.median(gaps)) if len(gaps) else 1.0
    span = last - first
    return Lattice(step=finest if len(curve.x) <= most - 2 else _round_step(span / (most - 2)))


def _round_step(least: float) -> float:
    """Return the next of 1, 2, 5, 10, … that is not less."""
    decade = 10.0 ** math.floor(math.log10(least))
    return next(
        factor * decade for factor in (1.0, 2.0, 5.0, 10.0) if factor * decade >= least * (1.0 - 1e-9)
    )


def profile_of(curve: Curve, lattice: Lattice, better: Better) -> Profile | None:
    """Return the extremes of a curve's bands; None where it has no points, or none with an uncertainty.

    Parameters
    ----------
    curve : Curve
        Ascending.
    lattice : Lattice
    better : {"more", "less", "nominal"}
    """
    if not len(curve.x) or curve.uncertainty is None or (lattice.per_octave and curve.x[0] <= 0.0):
        return None
    place = lattice.position(curve.x)
    keys = np.unique(lattice.keys(curve.x))
    first, last = _window(place, keys, 0.0)
    spare = _spare(curve, lattice, keys)
    outer_first, outer_last = _window(place, keys, spare)
    signs = {"less": (1.0,), "more": (-1.0,), "nominal": (-1.0, 1.0)}[better]
    inside = [_extremes(sign * curve.y, curve.uncertainty, first, last) for sign in signs]
    around = [_extremes(sign * curve.y, curve.uncertainty, outer_first, outer_last) for sign in signs]
    at = np.array([indices for indices, _ in inside])
    return Profile(
        lattice,
        keys,
        curve.y[at],
        curve.y[np.array([indices for indices, _ in around])],
        np.maximum([known for _, known in inside], [known for _, known in around]),
        curve.x[at],
    )


def _spare(curve: Curve, lattice: Lattice, keys: IntArray) -> FloatArray:
    """Return by how much the windows are wider than their bands on each side, in bands."""
    if lattice.per_octave is None:
        return np.full(len(keys), _MOVES_STEPS)
    width = _MOVES_WIDTHS * (curve.resolution_hz or 0.0)
    relative = np.maximum(width / lattice.centre(keys), _MOVES_RELATIVE)
    return lattice.per_octave * np.log2(1.0 + relative)


def _window(place: FloatArray, keys: IntArray, spare: FloatArray | float) -> tuple[IntArray, IntArray]:
    """Return the first point of each window and the one after its last."""
    return (
        np.searchsorted(place, keys - 0.5 - spare, side="left"),
        np.searchsorted(place, keys + 0.5 + spare, side="left"),
    )


def _extremes(
    y: FloatArray, uncertainty: FloatArray, first: IntArray, last: IntArray
) -> tuple[IntArray, FloatArray]:
    """Return the index of the highest point of each window, none of which is empty, and how well it is known.

    The highest of many points of noise is better known than each of them; that is what it is taken for together with
    those that lie within two of its uncertainties. A line that stands out by more is known as well as it says itself.
    """
    indices, known = [], []
    for start, stop in zip(first.tolist(), last.tolist(), strict=True):
        at = start + int(np.argmax(y[start:stop]))
        alike = np.count_nonzero(y[start:stop] >= y[at] - _ALIKE * uncertainty[at])
        indices.append(at)
        known.append(_TAILS * uncertainty[at] * np.interp(math.log(alike), *_SPREAD_OF_HIGHEST))
    return np.array(indices, dtype=np.int64), np.array(known)


def compare_profiles(
    new: Profile | None, base: Profile, better: Better, margin: float, sigmas: float
) -> CurveChange:
    """Compare a curve with the baseline's, band by band.

    Worse where one band or more is worse, as of a single value. A curve of which twice the margin would be found in
    fewer than half of the bands cannot be told. Otherwise it is better where a band is, and unchanged where none is:
    that no single one of hundreds of bands is proven equal does not matter, since none of them has changed by more
    than noise explains. A curve that lacks more of the baseline's bands than another clock explains cannot be told.

    Parameters
    ----------
    new : Profile or None
        None where it was not measured.
    base : Profile
    better : {"more", "less", "nominal"}
    margin : float
    sigmas : float
        :func:`~linecheck.limits.regression.alarm_sigmas`.
    """
    changes = None if new is None else _band_changes(new, base, better)
    bands = base.comparisons
    if new is None or changes is None:
        return CurveChange(Answer.CANNOT_TELL, Verdict.INVALID, 0, bands)
    bands += new.inner.shape[0] * int(np.sum(~np.isin(new.keys, base.keys)))
    beyond = np.maximum(margin, sigmas * changes.uncertainty)
    resolved = (sigmas + DETECTION_SIGMAS) * changes.uncertainty + changes.hidden <= 2.0 * margin
    worse, improved = changes.worse_by > beyond, changes.better_by > beyond
    compared = int(np.sum(resolved))
    if np.any(worse):
        return changes.told(Answer.WORSE, Verdict.FAIL, compared, bands, worse)
    absent = int(np.sum(~np.isin(base.keys, new.keys)))
    if is_another(absent, base):
        told = changes.told(Answer.CANNOT_TELL, Verdict.INVALID, compared, bands, ~worse)
        return replace(told, absent=absent)
    if compared < MIN_RESOLVED * bands:
        return changes.told(Answer.CANNOT_TELL, Verdict.INVALID, compared, bands, ~worse)
    if np.any(improved):
        return changes.told(Answer.BETTER, Verdict.PASS, compared, bands, improved)
    return changes.told(Answer.UNCHANGED, Verdict.PASS, compared, bands, resolved)


def is_another(absent: int, base: Profile) -> bool:
    """Return whether a curve that lacks so many of another's bands is another one."""
    return absent > max(MAX_ABSENT, MAX_ABSENT_SHARE * len(base.keys))


@dataclass(frozen=True)
class _BandChanges:
    """What has changed in the bands that both sides have; arrays of shape (sides, bands).

    ``worse`` and ``better`` are the pairs (value, baseline's) that were compared for either answer. ``hidden`` is how
    much of a change the neighbours of a band may hide: by how far the extreme of its window lies beyond its own.
    """

    hidden: FloatArray
    worse_by: FloatArray
    better_by: FloatArray
    uncertainty: FloatArray
    x: FloatArray
    worse: tuple[FloatArray, FloatArray]
    better: tuple[FloatArray, FloatArray]

    def told(
        self, answer: Answer, verdict: Verdict, compared: int, bands: int, among: NDArray[np.bool_]
    ) -> CurveChange:
        """Return an answer with the band that changed most among some: for the better where the answer is that."""
        change = self.better_by if answer is Answer.BETTER else self.worse_by
        value, base_value = self.better if answer is Answer.BETTER else self.worse
        at = np.unravel_index(int(np.argmax(np.where(among, change, -np.inf))), change.shape)
        return CurveChange(
            answer,
            verdict,
            compared,
            bands,
            worse_by=float(-change[at] if answer is Answer.BETTER else change[at]),
            uncertainty=float(self.uncertainty[at]),
            x=float(self.x[at]),
            value=float(value[at]),
            base_value=float(base_value[at]),
        )


def _band_changes(new: Profile, base: Profile, better: Better) -> _BandChanges | None:
    """Return the changes in the bands that both sides have; None where they have none in common."""
    _, at, base_at = np.intersect1d(new.keys, base.keys, return_indices=True)
    if not len(at) or len(new.inner) != len(base.inner):
        return None
    signs = np.array({"less": [[1.0]], "more": [[-1.0]], "nominal": [[-1.0], [1.0]]}[better])
    inner, outer = new.inner[:, at], new.outer[:, at]
    base_inner, base_outer = base.inner[:, base_at], base.outer[:, base_at]
    worse_by, better_by = signs * (inner - base_outer), signs * (base_inner - outer)
    hidden = signs * (base_outer - base_inner)
    worse, improved = (inner, base_outer), (outer, base_inner)
    if better == "nominal":
        fallen = better_by > worse_by
        worse = np.where(fallen, outer, inner), np.where(fallen, base_inner, base_outer)
        worse_by, better_by = np.maximum(worse_by, better_by), np.full_like(better_by, -np.inf)
        hidden = np.maximum(hidden, signs * (outer - inner))
    uncertainty = np.hypot(new.uncertainty[:, at], base.uncertainty[:, base_at])
    return _BandChanges(hidden, worse_by, better_by, uncertainty, new.x[:, at], worse, improved)
