"""Whether the product has moved, a station, a nest, or a golden unit: a few hypotheses, weighed against each other.

=================  =======================================================================
:class:`Runs`      the values of one metric, with where and of which unit each was measured
:func:`weigh`      what has moved, each with its probability
:class:`Weighed`   the answer, and what cannot be told apart
=================  =======================================================================

Values of one kind of unit in one nest are a *cell*, with a level of its own that nothing is assumed of. Each hypothesis
says which cells have moved together: the product, all units but the golden ones; a station, all that was measured
there; a nest the same; a golden unit, it alone, everywhere. How they moved is a step at an unknown time or a ramp to
the end; a worn contact moves with the cycles of its asset. The size is normal around zero, and is integrated out, as is
the time, so that each hypothesis has one marginal likelihood (Kass and Raftery 1995). Hypotheses that move the same
cells predict the same and are told as one: without a golden unit and a second station the product and the station are
such a pair.

Values are taken as normal, and independent but for a correlation of each with the next, which is estimated and widens
what is believed. The cost is linear in the number of runs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

What = Literal["nothing", "product", "station", "nest", "golden", "wear"]

#: Before anything is seen: as likely as not nothing has moved; what has is one of four kinds, all as likely, and within
#: a kind each as likely as the next. Wear shares the nest's.
PRIOR_NOTHING: Final = 0.5
#: The standard deviation of a move before anything is seen, in standard deviations of units.
MOVE_SIGMAS: Final = 1.0
#: The same where there are only golden units, in standard deviations of theirs.
MOVE_GOLDEN_SIGMAS: Final = 3.0
#: A probability from which something is told.
TOLD_FROM: Final = 0.95
#: A value counts as no further from its neighbours than this, in standard deviations.
FAR_SIGMAS: Final = 3.0
_NEIGHBOURS: Final = 9
#: Of steps, where ramps have the rest.
_STEPS_SHARE: Final = 0.7
_BINS: Final = 64
#: Ramps begin at one of these parts of the span and go on to its end.
_RAMPS: Final = (0.0, 0.25, 0.5, 0.75)
#: A spread of fewer differences than this is not known well enough to hold anything against it.
MIN_DIFFERENCES: Final = 4
#: Fewer values of units are not weighed.
MIN_VALUES: Final = 20


@dataclass(frozen=True)
class Runs:
    """The values of one metric in order of time; all arrays have one entry each.

    Attributes
    ----------
    values : array of float
    station, nest : array of int
        Numbers into the names; a nest belongs to one station.
    golden : array of int
        Which golden unit it was; -1 for any other unit.
    cycles : array of float
        Mating cycles of the asset that wears, so far; NaN where none is known.
    stations, nests, goldens : sequence of str
    """

    values: FloatArray
    station: IntArray
    nest: IntArray
    golden: IntArray
    cycles: FloatArray
    stations: Sequence[str]
    nests: Sequence[str]
    goldens: Sequence[str] = ()


@dataclass(frozen=True)
class Suspect:
    """What may have moved.

    Attributes
    ----------
    what : str
    name : str
        Which station, nest or golden unit.
    """

    what: What
    name: str = ""

    @property
    def words(self) -> str:
        """It in words."""
        if self.what in ("nothing", "product"):
            return "nothing" if self.what == "nothing" else "the product"
        return f"{'golden unit' if self.what == 'golden' else self.what} {self.name}"


@dataclass(frozen=True)
class Hypothesis:
    """Suspects that the runs cannot tell apart, and how probable it is that one of them moved.

    Attributes
    ----------
    suspects : tuple of Suspect
    probability : float
    size, uncertainty : float
        How far it has moved by the last run, in the metric's unit, and the standard uncertainty of that.
    since : int
        The number of the first run after the move, at its most probable time.
    gradual : bool
        Whether a ramp, or wear, is more probable than a step.
    worn : float
        How much of its probability is that of contacts which wear with their mating cycles.
    """

    suspects: tuple[Suspect, ...]
    probability: float
    size: float = 0.0
    uncertainty: float = 0.0
    since: int = 0
    gradual: bool = False
    worn: float = 0.0

    @property
    def words(self) -> str:
        """It in words."""
        return " or ".join(each.words for each in self.suspects)


@dataclass(frozen=True)
class Weighed:
    """What the runs say, the most probable first.

    ``sigma`` is the standard deviation of units within a cell, ``golden_sigma`` that of runs of golden units, None
    where there are too few. ``correlation`` is that of a value with the next, ``limited`` how many values
    lie so far from their neighbours that they count as nearer.
    """

    hypotheses: tuple[Hypothesis, ...]
    sigma: float | None
    golden_sigma: float | None
    correlation: float
    units: int
    golden_runs: int
    limited: int
    why_not: str = ""

    @property
    def told(self) -> Hypothesis | None:
        """What can be told: one thing that is probable enough; None where nothing can."""
        first = self.hypotheses[0] if self.hypotheses else None
        return (
            first
            if first is not None and first.probability >= TOLD_FROM and len(first.suspects) == 1
            else None
        )

    @property
    def moved(self) -> float:
        """How probable it is that anything moved."""
        return sum(each.probability for each in self.hypotheses if each.suspects[0].what != "nothing")


def weigh(runs: Runs) -> Weighed:
    """Return what has moved, each with its probability."""
    is_golden = runs.golden >= 0
    units, golden_runs = int(np.sum(~is_golden)), int(np.sum(is_golden))
    cell, cells = _cells(runs)
    runs, limited = _limited(runs, cell)
    sigma, golden_sigma = _spread(runs.values, cell, ~is_golden), _spread(runs.values, cell, is_golden)
    if sigma is None or units < MIN_VALUES:
        if golden_sigma is None:
            told = f"it cannot be told with {units} units and {golden_runs} runs of golden units"
            return Weighed((), sigma, golden_sigma, 0.0, units, golden_runs, limited, told)
        sigma = None
    spread = np.where(is_golden, golden_sigma or np.inf, sigma or np.inf)
    move = MOVE_SIGMAS * sigma if sigma else MOVE_GOLDEN_SIGMAS * (golden_sigma or 0.0)
    weighed = _weighed(runs, cell, cells, spread, move)
    correlation = _correlation(runs, cell, weighed[0], spread)
    if correlation > 0:
        spread = np.where(is_golden, spread, spread * math.sqrt((1.0 + correlation) / (1.0 - correlation)))
        weighed = _weighed(runs, cell, cells, spread, move)
    return Weighed(weighed, sigma, golden_sigma, correlation, units, golden_runs, limited)


def _cells(runs: Runs) -> tuple[IntArray, IntArray]:
    """Return the cell of each run, and nest, station and golden unit of each cell, shape (cells, 3)."""
    keys = np.column_stack([runs.nest, runs.station, runs.golden])
    cells, cell = np.unique(keys, axis=0, return_inverse=True)
    return cell.reshape(-1), cells


def _limited(runs: Runs, cell: IntArray) -> tuple[Runs, int]:
    """Return the runs with no value further from the median of its neighbours in its cell than :data:`FAR_SIGMAS`.

    A broken unit is one value, however far it lies: it is no drift, and does not hide one.
    """
    from scipy.ndimage import median_filter

    values = runs.values.astype(float)
    for number in range(int(cell.max(initial=-1)) + 1):
        mine = np.flatnonzero(cell == number)
        if len(mine) < _NEIGHBOURS:
            continue
        middle = median_filter(values[mine], size=_NEIGHBOURS, mode="mirror")
        # Of normal values; the median of the absolute differences of neighbours is 0.954 standard deviations.
        reach = FAR_SIGMAS * float(np.median(np.abs(np.diff(values[mine])))) / 0.954
        if reach > 0:
            values[mine] = np.clip(values[mine], middle - reach, middle + reach)
    return replace(runs, values=values), int(np.sum(values != runs.values))


def _spread(values: FloatArray, cell: IntArray, wanted: NDArray[np.bool_]) -> float | None:
    """Return the standard deviation within cells from differences of neighbours, which a step hardly touches.

    Of few differences it is taken as larger, as Student's distribution is wider. None where there are too few.
    """
    order = np.argsort(cell[wanted], kind="stable")
    ordered, of_cell = values[wanted][order], cell[wanted][order]
    apart = np.diff(ordered)[np.diff(of_cell) == 0]
    if len(apart) < MIN_DIFFERENCES or not np.any(apart):
        return None
    freedom = len(apart) / 1.5  # von Neumann (1941): neighbours share values
    return math.sqrt(0.5 * float(np.mean(apart**2)) * (freedom / (freedom - 2.0) if freedom > 4 else 2.0))


def _weighed(
    runs: Runs, cell: IntArray, cells: IntArray, spread: FloatArray, move: float
) -> tuple[Hypothesis, ...]:
    known = np.isfinite(spread)
    count = len(cells)
    weight = np.where(known, 1.0 / spread**2, 0.0)
    totals = np.bincount(cell, minlength=count)
    centred = runs.values - (np.bincount(cell, runs.values, count) / totals)[cell]
    bins = (np.arange(len(cell)) * _BINS) // len(cell)
    place = cell * _BINS + bins
    # Numbers and sums of each cell in each bin of time, in units of their variance.
    numbers = np.bincount(place, weight, count * _BINS).reshape(count, _BINS)
    sums = np.bincount(place, weight * centred, count * _BINS).reshape(count, _BINS)
    shapes, chances, starts = _shapes()
    whole = np.maximum(numbers.sum(axis=1, keepdims=True), 1e-300)
    information = numbers @ shapes.T**2 - (numbers @ shapes.T) ** 2 / whole
    evidence = sums @ shapes.T
    informed = information.max(axis=1) > 0
    suspects = list(_suspects(runs, cells))
    chance_of = _prior([suspect for suspect, _ in suspects])
    found: list[_Found] = []
    for suspect, moves in suspects:
        moved = moves & informed
        if not moved.any():
            continue
        if suspect.what == "wear":
            info, told, chance, start = (
                *_worn(runs, cell, moved, weight, centred),
                np.ones(1),
                np.zeros(1, int),
            )
        else:
            info, told, chance, start = (
                information[moved].sum(axis=0),
                evidence[moved].sum(axis=0),
                chances,
                starts,
            )
        logs = _log_factor(info, told, move) + np.log(chance)
        best = int(np.argmax(logs))
        gradual = suspect.what == "wear" or best >= _BINS - 1
        found.append(
            _Found(
                moved.tobytes(),
                suspect,
                _log_sum(logs) + math.log(chance_of[suspect]),
                *_size(info, told, logs, move),
                int(start[best] * len(cell)) // _BINS,
                gradual,
            )
        )
    return _grouped(found)


class _Found(NamedTuple):
    """A suspect with the cells that it moves, the logarithm of its weight, and how it moved."""

    moves: bytes
    suspect: Suspect
    log: float
    size: float
    uncertainty: float
    since: int
    gradual: bool


def _grouped(found: Sequence[_Found]) -> tuple[Hypothesis, ...]:
    """Return the hypotheses with their probabilities, those that move the same cells as one."""
    logs = np.array([math.log(PRIOR_NOTHING), *(each.log for each in found)])
    chances = np.exp(logs - logs.max())
    chances /= chances.sum()
    same: dict[bytes, list[tuple[float, _Found]]] = {}
    for each, chance in zip(found, chances[1:].tolist(), strict=True):
        same.setdefault(each.moves, []).append((chance, each))
    hypotheses = [Hypothesis((Suspect("nothing"),), float(chances[0]))]
    for alike in same.values():
        probability = sum(chance for chance, _ in alike)
        _, first = max(alike, key=lambda one: one[0])
        worn = sum(chance for chance, one in alike if one.suspect.what == "wear")
        hypotheses.append(
            Hypothesis(
                tuple(one.suspect for _, one in alike if one.suspect.what != "wear"),
                probability,
                *_mixed(alike),
                first.since,
                first.gradual,
                worn / probability if probability else 0.0,
            )
        )
    return tuple(sorted(hypotheses, key=lambda each: -each.probability))


def _mixed(alike: Sequence[tuple[float, _Found]]) -> tuple[float, float]:
    """Return the size of a move over all suspects that move the same cells, and its standard uncertainty."""
    share = np.array([chance for chance, _ in alike])
    share = share / share.sum() if share.sum() > 0 else np.full(len(alike), 1.0 / len(alike))
    sizes = np.array([each.size for _, each in alike])
    mean = float(share @ sizes)
    spread = np.array([each.uncertainty for _, each in alike]) ** 2 + (sizes - mean) ** 2
    return mean, math.sqrt(float(share @ spread))


def _suspects(runs: Runs, cells: IntArray) -> Iterator[tuple[Suspect, NDArray[np.bool_]]]:
    """Yield each suspect with the cells that it moves."""
    nest, station, golden = cells.T
    yield Suspect("product"), golden < 0
    for number in np.unique(station):
        yield Suspect("station", runs.stations[number]), station == number
    for number in np.unique(nest):
        at = station[nest == number][0]
        # A station's only nest is that station.
        is_only = len(np.unique(nest[station == at])) == 1
        if not is_only:
            yield Suspect("nest", runs.nests[number]), nest == number
        cycles = runs.cycles[runs.nest == number]
        cycles = cycles[np.isfinite(cycles)]
        if len(cycles) and np.ptp(cycles) > 0:
            yield Suspect("wear", runs.nests[number]), nest == number
    for number in np.unique(golden[golden >= 0]):
        yield Suspect("golden", runs.goldens[number]), golden == number


def _prior(suspects: Sequence[Suspect]) -> dict[Suspect, float]:
    """Return how probable each suspect is before anything is seen."""
    kinds: dict[str, list[Suspect]] = {}
    for suspect in suspects:
        kinds.setdefault("nest" if suspect.what == "wear" else suspect.what, []).append(suspect)
    share = (1.0 - PRIOR_NOTHING) / 4.0
    return {suspect: share / len(same) for same in kinds.values() for suspect in same}


def _shapes() -> tuple[FloatArray, FloatArray, IntArray]:
    """Return the ways to move, shape (shapes, bins), how probable each is, and the bin in which it begins."""
    at = np.arange(_BINS)
    steps = (at >= np.arange(1, _BINS)[:, None]).astype(float)
    part = (at + 0.5) / _BINS
    ramps = np.array([np.clip((part - start) / (1.0 - start), 0.0, None) for start in _RAMPS])
    chances = [_STEPS_SHARE / len(steps)] * len(steps) + [(1.0 - _STEPS_SHARE) / len(ramps)] * len(ramps)
    starts = [*range(1, _BINS), *(int(start * _BINS) for start in _RAMPS)]
    return np.vstack([steps, ramps]), np.array(chances), np.array(starts)


def _worn(
    runs: Runs, cell: IntArray, moved: NDArray[np.bool_], weight: FloatArray, centred: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return what the cycles of an asset say: information and evidence of a trend over their whole range."""
    wanted = moved[cell] & np.isfinite(runs.cycles)
    cycles, of_cell, weighed = runs.cycles[wanted], cell[wanted], weight[wanted]
    cycles = (cycles - cycles.min()) / max(float(np.ptp(cycles)), 1e-300)
    totals = np.maximum(np.bincount(of_cell, weighed, len(moved)), 1e-300)
    cycles = cycles - (np.bincount(of_cell, weighed * cycles, len(moved)) / totals)[of_cell]
    return np.array([weighed @ cycles**2]), np.array([weighed @ (cycles * centred[wanted])])


def _size(
    information: FloatArray, evidence: FloatArray, logs: FloatArray, move: float
) -> tuple[float, float]:
    """Return the size of a move at the end of the span, over all ways to move, and its standard uncertainty."""
    share = np.exp(logs - _log_sum(logs))
    precision = information + 1.0 / move**2
    sizes = evidence / precision
    mean = float(share @ sizes)
    return mean, math.sqrt(float(share @ (1.0 / precision + (sizes - mean) ** 2)))


def _log_factor(information: FloatArray, evidence: FloatArray, move: float) -> FloatArray:
    """Return the logarithm of the Bayes factor of a move of normal size against none."""
    gain = 1.0 + information * move**2
    return 0.5 * (evidence * move) ** 2 / gain - 0.5 * np.log(gain)


def _log_sum(logs: FloatArray) -> float:
    highest = float(np.max(logs))
    return highest + math.log(float(np.sum(np.exp(logs - highest))))


def _correlation(runs: Runs, cell: IntArray, first: Hypothesis, spread: FloatArray) -> float:
    """Return how far each value of a unit goes with the next of its cell, once what has moved is taken out.

    What is not beyond twice its standard error is none.
    """
    left = runs.values.astype(float)
    for piece in (slice(0, first.since), slice(first.since, None)):
        sums = np.bincount(cell[piece], left[piece])
        left[piece] -= (sums / np.maximum(np.bincount(cell[piece]), 1))[cell[piece]]
    order = np.argsort(cell, kind="stable")
    wanted = ((runs.golden < 0) & np.isfinite(spread))[order]
    ordered, of_cell = left[order][wanted], cell[order][wanted]
    same = np.diff(of_cell) == 0
    power = float(np.sum(ordered**2))
    if not same.any() or power <= 0:
        return 0.0
    found = float(np.sum((ordered[1:] * ordered[:-1])[same])) / power
    return min(found, 0.95) if found > 2.0 / math.sqrt(len(ordered)) else 0.0
