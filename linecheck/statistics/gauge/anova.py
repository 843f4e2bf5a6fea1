"""Analysis of variance of a balanced study, and the components of variance that follow from it.

=========================  ==================================================================
:class:`Layout`            what was varied: units alone, crossed with levels, or nested in them
:func:`mean_squares`       the table of a study's mean squares, of all metrics at once
:func:`model_of`           which of the two models holds: with interaction, or pooled
=========================  ==================================================================

A *level* is one of the operators, nests, stations or days that are compared. Crossed: every unit is measured at every
level. Nested: each level has units of its own, which only tells levels from units where these come from one process.

All effects are random. A component is a linear combination of mean squares that are independent of each other, each its
expectation times chi-square over its degrees of freedom (Burdick, Borror, Montgomery, *Design and Analysis of Gauge R&R
Studies*, 2005).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Layout = Literal["alone", "crossed", "nested"]

#: An interaction whose test gives more than this is pooled with the repeats. As large as that, so that a small true
#: interaction is not taken for none (Bancroft's rule for preliminary tests, from memory).
ALPHA: Final = 0.25

#: Components in the order in which they are told.
REPEAT, LEVEL, INTERACTION, UNIT = "repeat", "level", "interaction", "unit"


@dataclass(frozen=True)
class Source:
    """A row of the table: a source of variation, with the test of it where there is one."""

    name: str
    df: int
    ss: float
    ms: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True)
class Model:
    """Mean squares, and the components as combinations of them.

    Attributes
    ----------
    name : str
        ``with interaction``, ``pooled``, ``nested`` or ``units alone``.
    sources : tuple of str
    df : tuple of int
        Degrees of freedom, by source.
    combinations : mapping of str to tuple of float
        By component, the coefficient of each source's mean square.
    tested_by : tuple of int
        By source, the index of the source whose mean square it is tested by; -1 where it is not tested.
    """

    name: str
    sources: tuple[str, ...]
    df: tuple[int, ...]
    combinations: Mapping[str, tuple[float, ...]]
    tested_by: tuple[int, ...]

    def components(self, ms: Array) -> dict[str, Array]:
        """Return each component of mean squares whose last axis are the sources; it may be negative."""
        return {name: ms @ np.asarray(row) for name, row in self.combinations.items()}

    def variance_of_mean(self, ms: Array) -> Array:
        """Return the variance of the mean of all readings, as that of what units and levels are drawn from."""
        names = {UNIT: 1.0, LEVEL: 1.0, INTERACTION: -1.0}
        if self.name == "nested":
            names = {LEVEL: 1.0}
        elif self.name == "pooled":
            names = {UNIT: 1.0, LEVEL: 1.0, REPEAT: -1.0}
        row = np.array([names.get(source, 0.0) for source in self.sources])
        return ms @ row / (sum(self.df) + 1)

    def table(self, ms: Array) -> tuple[Source, ...]:
        """Return the rows of the table of one metric."""
        from scipy.stats import f as f_distribution

        rows = []
        for at, (name, df) in enumerate(zip(self.sources, self.df, strict=True)):
            by = self.tested_by[at]
            f = p = None
            if by >= 0 and ms[by] > 0:
                f = float(ms[at] / ms[by])
                p = float(f_distribution.sf(f, df, self.df[by]))
            rows.append(Source(name, df, float(ms[at] * df), float(ms[at]), f, p))
        return tuple(rows)


def mean_squares(values: Array, layout: Layout) -> tuple[Model, Array]:
    """Return the full model of a study and the mean squares of each metric.

    Parameters
    ----------
    values : array, (metrics, units, levels, repeats)
        Without a hole. Of a nested study the units of each level; of units alone there is one level.
    layout : str
    """
    _, units, levels, repeats = values.shape
    # Sums of squares of readings far from zero lose digits: what all share is taken off first.
    values = values - values.mean(axis=(1, 2, 3), keepdims=True)
    cells = values.mean(axis=3)
    within = ((values - cells[..., None]) ** 2).sum(axis=(1, 2, 3))
    by_level = cells.mean(axis=1)
    if layout == "crossed":
        by_unit = cells.mean(axis=2)
        interaction = cells - by_unit[:, :, None] - by_level[:, None, :]
        ss = [
            levels * repeats * (by_unit**2).sum(axis=1),
            units * repeats * (by_level**2).sum(axis=1),
            repeats * (interaction**2).sum(axis=(1, 2)),
            within,
        ]
        model = _crossed(units, levels, repeats)
    elif layout == "nested":
        ss = [
            units * repeats * (by_level**2).sum(axis=1),
            repeats * ((cells - by_level[:, None, :]) ** 2).sum(axis=(1, 2)),
            within,
        ]
        model = _nested(units, levels, repeats)
    else:
        ss = [repeats * (cells**2).sum(axis=(1, 2)), within]
        model = _alone(units, repeats)
    return model, np.stack(ss, axis=1) / np.asarray(model.df)


def model_of(full: Model, ms: Array, alpha: float = ALPHA) -> tuple[Model, Array]:
    """Return the model that holds for one metric, and its mean squares: pooled where no interaction shows at alpha."""
    pooled = pooled_model(full, ms)
    if pooled is None:
        return full, ms
    p = full.table(ms)[2].p
    return (full, ms) if p is not None and p < alpha else pooled


def pooled_model(full: Model, ms: Array) -> tuple[Model, Array] | None:
    """Return the model without interaction, which then counts as repeats; None where there is none to pool."""
    if full.name != _WITH_INTERACTION:
        return None
    part, level, both, repeat = full.df
    df = (part, level, both + repeat)
    error = (ms[..., 2] * both + ms[..., 3] * repeat) / df[2]
    unit, other = full.combinations[UNIT], full.combinations[LEVEL]
    combinations = {
        REPEAT: (0.0, 0.0, 1.0),
        LEVEL: (0.0, other[1], -other[1]),
        UNIT: (unit[0], 0.0, -unit[0]),
    }
    model = Model("pooled", (UNIT, LEVEL, REPEAT), df, combinations, (2, 2, -1))
    return model, np.stack([ms[..., 0], ms[..., 1], error], axis=-1)


_WITH_INTERACTION: Final = "with interaction"


def _crossed(units: int, levels: int, repeats: int) -> Model:
    df = (units - 1, levels - 1, (units - 1) * (levels - 1), units * levels * (repeats - 1))
    part, level, both = 1 / (levels * repeats), 1 / (units * repeats), 1 / repeats
    combinations = {
        REPEAT: (0.0, 0.0, 0.0, 1.0),
        LEVEL: (0.0, level, -level, 0.0),
        INTERACTION: (0.0, 0.0, both, -both),
        UNIT: (part, 0.0, -part, 0.0),
    }
    return Model(_WITH_INTERACTION, (UNIT, LEVEL, INTERACTION, REPEAT), df, combinations, (2, 2, 3, -1))


def _nested(units: int, levels: int, repeats: int) -> Model:
    df = (levels - 1, levels * (units - 1), levels * units * (repeats - 1))
    level, unit = 1 / (units * repeats), 1 / repeats
    combinations = {REPEAT: (0.0, 0.0, 1.0), LEVEL: (level, -level, 0.0), UNIT: (0.0, unit, -unit)}
    return Model("nested", (LEVEL, UNIT, REPEAT), df, combinations, (1, 2, -1))


def _alone(units: int, repeats: int) -> Model:
    combinations = {REPEAT: (0.0, 1.0), UNIT: (1 / repeats, -1 / repeats)}
    return Model("units alone", (UNIT, REPEAT), (units - 1, units * (repeats - 1)), combinations, (1, -1))
