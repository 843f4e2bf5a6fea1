"""The decision rule over very many readings at once, each of them judged as :mod:`linecheck.limits.decision` judges it.

======================  =================================================================
:class:`FlatMasks`      the masks of many metrics, side by side in arrays
:func:`judge_readings`  very many values, each against the mask of its metric
:class:`GridMask`       a curve's mask on one axis, for all curves that have that axis
======================  =================================================================

Verdicts are small numbers here, higher where they are worse: :data:`LEVELS` names them, :data:`UNJUDGED` is what no
mask judges.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Curve
from linecheck.checks.parts.declared import Better
from linecheck.dsp.arrays import FloatArray
from linecheck.limits.decision import SIDES, bounds_prove, guards, limits_at, point_ranks, reaches
from linecheck.limits.model import Decision, Mask
from linecheck.limits.verdict import Verdict

Levels = NDArray[np.int8]

#: The verdicts by their level.
LEVELS: Final = tuple(Verdict)
UNJUDGED: Final = -1

_LEVEL = {verdict: level for level, verdict in enumerate(LEVELS)}
_INVALID: Final = np.int8(_LEVEL[Verdict.INVALID])
#: Levels by the rank of a point: pass, marginal, fail.
_OF_RANK: Final = np.array([_LEVEL[Verdict.PASS], _LEVEL[Verdict.MARGINAL], _LEVEL[Verdict.FAIL]], np.int8)


def level_of(verdict: Verdict | None) -> int:
    """Return a verdict's level."""
    return UNJUDGED if verdict is None else _LEVEL[verdict]


@dataclass(frozen=True)
class FlatMasks:
    """Masks of metrics, one after the other; shape (metrics,) each.

    ``masked`` says whether there is a mask at all, ``sides`` on which side of a bound the truth may lie.
    A limit that is not there is NaN; the fail limits are those of the pass mask where there is no fail mask.
    """

    masked: NDArray[np.bool_]
    sides: NDArray[np.int8]
    lower: FloatArray
    upper: FloatArray
    fail_lower: FloatArray
    fail_upper: FloatArray

    @classmethod
    def of(cls, masks: Iterable[tuple[Mask | None, Better]]) -> FlatMasks:
        """Put masks side by side, each with which way its metric is better."""
        pairs = list(masks)
        limits = np.array([_flat_limits(mask) for mask, _ in pairs], dtype=np.float64).reshape(-1, 4)
        return cls(
            np.array([mask is not None for mask, _ in pairs], dtype=bool),
            np.array([SIDES[way] for _, way in pairs], dtype=np.int8),
            *(np.ascontiguousarray(column) for column in limits.T),
        )


def _flat_limits(mask: Mask | None) -> tuple[float, ...]:
    if mask is None:
        return (np.nan,) * 4
    # A reading has no axis: it is judged at 1.
    return tuple(float(limit[0]) for limit in limits_at(mask, np.array([1.0]), False))


def judge_readings(
    masks: FlatMasks,
    metric: NDArray[np.intp],
    value: FloatArray,
    uncertainty: FloatArray,
    is_bound: NDArray[np.bool_],
    decision: Decision,
) -> Levels:
    """Judge readings, each against the mask of its metric; shape (readings,).

    Parameters
    ----------
    masks : FlatMasks
    metric : int array, shape (readings,)
        Which mask judges each of them.
    value, uncertainty : float64 array, shape (readings,)
        NaN where there is none.
    is_bound : bool array, shape (readings,)
    decision : {"simple", "guarded"}
    """
    guard, known = np.zeros(len(uncertainty)), np.ones(len(uncertainty), dtype=bool)
    if decision == "guarded":
        guard, known = guards(uncertainty)
    with np.errstate(over="ignore", invalid="ignore"):
        limits = [of[metric] for of in (masks.lower, masks.upper, masks.fail_lower, masks.fail_upper)]
        lower, upper, *outer = limits
        ranks, _, judged = point_ranks(value, lower + guard, upper - guard, *outer)
        proven = ~is_bound | bounds_prove(ranks, value, guard, limits, masks.sides[metric])
    sound = np.isfinite(value) & known & judged & proven
    return np.where(masks.masked[metric], np.where(sound, _OF_RANK[ranks], _INVALID), np.int8(UNJUDGED))


@dataclass(frozen=True)
class GridMask:
    """A curve's mask at the points of one axis.

    Attributes
    ----------
    reached : bool
        Whether that axis reaches as far as the mask does; a curve that does not is invalid.
    lower, upper, fail_lower, fail_upper : float64 array, shape (points,)
    """

    reached: bool
    lower: FloatArray
    upper: FloatArray
    fail_lower: FloatArray
    fail_upper: FloatArray

    @classmethod
    def of(cls, mask: Mask, x: FloatArray, log_x: bool, resolution_hz: float | None) -> GridMask:
        """Lay a mask over an axis.

        Parameters
        ----------
        mask : Mask
        x : float64 array, shape (points,)
        log_x : bool
            Whether limits are straight over the logarithm of x.
        resolution_hz : float or None
            The curve's.
        """
        sound = bool(np.all(np.isfinite(x)))
        axis = Curve("", None, x if sound else np.empty(0), "", np.zeros(len(x)), "", resolution_hz)
        return cls(reaches(axis, mask, log_x), *limits_at(mask, x, log_x))

    def judge(self, y: FloatArray, uncertainty: FloatArray | None, decision: Decision) -> Levels:
        """Judge curves along that axis, each by its worst point.

        Parameters
        ----------
        y : float64 array, shape (curves, points)
        uncertainty : float64 array, shape (curves, points), or None
            None where no curve has one.
        decision : {"simple", "guarded"}

        Returns
        -------
        int8 array, shape (curves,)
        """
        sound = np.all(np.isfinite(y), axis=1) & self.reached
        guard: FloatArray | float = 0.0
        if decision == "guarded":
            if uncertainty is None:
                return np.full(len(y), _INVALID)
            guard, known = guards(uncertainty)
            sound &= np.all(known, axis=1)
        with np.errstate(over="ignore", invalid="ignore"):
            lower, upper = self.lower + guard, self.upper - guard
            ranks, _, judged = point_ranks(y, lower, upper, self.fail_lower, self.fail_upper)
        # A point that no limit judges has the rank of one that passes.
        sound &= np.any(judged, axis=1)
        return np.where(sound, _OF_RANK[np.max(ranks, axis=1, initial=0)], _INVALID)
