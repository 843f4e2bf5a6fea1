"""The baseline file: what was accepted as good, and later firmware is compared with.

==========================  ==================================================================
:func:`load_baseline`       a baseline from its file, or every fault of the file at once
:class:`Baseline`           what that returns
:func:`baseline_bytes`      a baseline as the bytes of its file
==========================  ==================================================================

The file is TOML that a person can review: in the limit file's order, a reading or a band of a curve a line, values to a
hundredth of what matters, so that noise in the last digits makes no difference. It names what it
comes from: limit file, software, and for each unit its firmware, station, calibration, captures and stimuli. Its digest
is over all that it says, however it is laid out: a file whose numbers were edited is refused.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, ClassVar, Final, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from linecheck.errors import FileError
from linecheck.files.toml import FormatOne, parse_model, read_toml
from linecheck.limits.curve_profile import Lattice, Profile
from linecheck.limits.regression import Measured
from linecheck.limits.serial_pattern import MAX_SERIAL_LENGTH

MAX_BYTES: Final = 8_000_000
MAX_HISTORY: Final = 1000
MAX_TEXT_LENGTH: Final = 500
#: So far from zero, in bands, may a band lie; exact in floating point by far.
MAX_STEPS: Final = 1e9
#: No value is further from zero: what is more was not measured.
LARGEST: Final = 1e15

Text = Annotated[str, Field(min_length=1, max_length=MAX_TEXT_LENGTH)]
Name = Annotated[str, Field(min_length=1, max_length=100)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Number = Annotated[float, Field(ge=-LARGEST, le=LARGEST)]
Uncertainty = Annotated[float, Field(ge=0.0, le=LARGEST)]
Names = Annotated[tuple[Name, ...], Field(strict=False, max_length=1000)]


class _Table(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class Accepted(_Table):
    """Who accepted a baseline, when and why."""

    by: Text
    on: datetime
    reason: Text


class HistoryEntry(Accepted):
    """An earlier acceptance: of which firmware, and the SHA-256 of the file that was replaced."""

    firmware: Names = ()
    sha256: Sha256


class LimitsEntry(_Table):
    """The limit file that the readings were taken by."""

    path: Annotated[str, Field(min_length=1, max_length=4000)]
    revision: Annotated[int, Field(ge=1)]
    sha256: Sha256


class ReadingEntry(_Table):
    """One reading; ``bound`` where the truth is this or better."""

    metric: Name
    channel: Name | None = None
    value: Number
    unit: Annotated[str, Field(max_length=20)]
    uncertainty: Uncertainty
    bound: bool = False

    #: How many values are compared.
    comparisons: ClassVar[int] = 1

    @property
    def measured(self) -> Measured:
        """The value as the rule takes it."""
        return Measured(self.value, self.uncertainty, self.bound)


class CurveEntry(_Table):
    """The extremes of a curve's bands.

    A row of ``bands`` is ``[x, value, uncertainty]``, with a fourth number where the extreme in the band's wider
    window is another; where the nominal value is best ``[x, lowest, uncertainty, highest, uncertainty]``, with two
    more: lowest and highest of the window. ``x`` is the middle of the band.
    """

    metric: Name
    channel: Name | None = None
    unit: Annotated[str, Field(max_length=20)]
    x_unit: Annotated[str, Field(max_length=20)]
    per_octave: Annotated[int, Field(ge=1, le=96)] | None = None
    step: Annotated[float, Field(gt=0.0, le=LARGEST)] | None = None
    bands: Annotated[
        tuple[Annotated[tuple[Number, ...], Field(strict=False, min_length=3, max_length=7)], ...],
        Field(strict=False, min_length=1, max_length=1000),
    ]

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        if (self.per_octave is None) == (self.step is None):
            raise ValueError("expected per_octave or step, and not both")
        lengths = {len(row) for row in self.bands}
        if not (lengths <= {3, 4} or lengths <= {5, 7}):
            raise ValueError("expected bands of 3 or 4, or of 5 or 7 numbers each")
        if any(row[at] < 0.0 for row in self.bands for at in ((2, 4) if len(row) > 4 else (2,))):
            raise ValueError("an uncertainty is not negative")
        if self.per_octave is not None and any(row[0] <= 0.0 for row in self.bands):
            raise ValueError(f"expected places above 0 {self.x_unit}")
        places = np.array([row[0] for row in self.bands])
        with np.errstate(over="ignore"):
            far = ~(np.abs(self.lattice.position(places)) < MAX_STEPS)
        if np.any(far):
            raise ValueError(
                f"expected a step of which {self.x_unit or 'the axis'} has fewer than {MAX_STEPS:g}"
            )
        if np.any(np.diff(self.lattice.keys(places)) <= 0):
            raise ValueError("expected bands that ascend, each given once")
        return self

    @property
    def lattice(self) -> Lattice:
        """Where the bands lie."""
        return Lattice(self.per_octave, self.step)

    @property
    def two_sided(self) -> bool:
        """Whether lowest and highest are kept of each band."""
        return len(self.bands[0]) > 4

    @property
    def comparisons(self) -> int:
        """How many values are compared."""
        return len(self.bands) * (2 if self.two_sided else 1)

    def profile(self) -> Profile:
        """Return the extremes as arrays."""
        centres = np.array([row[0] for row in self.bands])
        rows = [_sides(row) for row in self.bands]
        inner, outer, uncertainty = (np.array([row[at] for row in rows]).T for at in range(3))
        keys = self.lattice.keys(centres)
        return Profile(self.lattice, keys, inner, outer, uncertainty, np.tile(centres, (len(inner), 1)))


def _sides(row: tuple[float, ...]) -> tuple[list[float], list[float], list[float]]:
    """Return a row's inner and outer extremes and their uncertainties, by side."""
    if len(row) <= 4:
        return [row[1]], [row[3] if len(row) == 4 else row[1]], [row[2]]
    inner = [row[1], row[3]]
    return inner, list(row[5:]) or inner, [row[2], row[4]]


def curve_entry(
    profile: Profile, metric: str, channel: str | None, unit: str, x_unit: str, margin: float | None = None
) -> CurveEntry:
    """Return a curve's extremes as a baseline keeps them, rounded as the margin allows.

    Without a margin everything is in full, and the place of a single extreme is its own.
    """
    places = profile.lattice.centre(profile.keys)
    if margin is None and len(profile.x) == 1:
        places = profile.x[0]
    rows = []
    for band, place in enumerate(places.tolist()):
        known = [float(value) for value in profile.uncertainty[:, band]]
        inner = [float(value) for value in profile.inner[:, band]]
        outer = [float(value) for value in profile.outer[:, band]]
        if margin is not None:
            place = float(f"{place:.6g}")
            outer = [_rounded(value, u, margin)[0] for value, u in zip(outer, known, strict=True)]
            both = [_rounded(value, u, margin) for value, u in zip(inner, known, strict=True)]
            inner, known = [value for value, _ in both], [u for _, u in both]
        pairs = [number for pair in zip(inner, known, strict=True) for number in pair]
        rows.append((place, *pairs, *(outer if outer != inner else ())))
    lattice = profile.lattice
    return CurveEntry(
        metric=metric,
        channel=channel,
        unit=unit,
        x_unit=x_unit,
        per_octave=lattice.per_octave,
        step=lattice.step,
        bands=tuple(rows),
    )


class CheckEntry(_Table):
    """What is kept of one check: how it was measured, the captures, and what came of it."""

    name: Name
    kind: Name
    setup: dict[str, str] = {}
    stimulus: dict[str, Any] = {}
    analysis: dict[str, Any] = {}
    captures: Annotated[tuple[Sha256, ...], Field(strict=False, max_length=1000)] = ()
    readings: Annotated[tuple[ReadingEntry, ...], Field(strict=False, max_length=1000)] = ()
    curve: Annotated[tuple[CurveEntry, ...], Field(strict=False, max_length=1000)] = ()

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        names = [(entry.metric, entry.channel) for entry in self.items]
        if len(set(names)) != len(names):
            raise ValueError("the same reading stands here twice")
        return self

    @property
    def items(self) -> tuple[ReadingEntry | CurveEntry, ...]:
        """The readings, then the curves."""
        return (*self.readings, *self.curve)


class UnitEntry(_Table):
    """One unit: what it was and where it was captured.

    ``certificate`` and ``volts_uncertainty_percent`` are of the calibration of the captures' volts; None is not stated.
    """

    serial: Annotated[str, Field(min_length=1, max_length=MAX_SERIAL_LENGTH)]
    firmware: Name | None = None
    stations: Names = ()
    certificate: Text | None = None
    volts_uncertainty_percent: Annotated[float, Field(ge=0.0, le=10.0)] | None = None
    check: Annotated[tuple[CheckEntry, ...], Field(strict=False, min_length=1, max_length=1000)]

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        names = [entry.name for entry in self.check]
        if len(set(names)) != len(names):
            raise ValueError("the same check stands here twice")
        return self

    @property
    def comparisons(self) -> int:
        """How many values are compared."""
        return sum(item.comparisons for entry in self.check for item in entry.items)


class BaselineFile(_Table):
    """The whole file."""

    format: FormatOne
    model: Name
    software: Name
    digest: Sha256 | None = None
    accepted: Accepted
    limits: LimitsEntry
    unit: Annotated[tuple[UnitEntry, ...], Field(strict=False, min_length=1, max_length=1000)]
    history: Annotated[tuple[HistoryEntry, ...], Field(strict=False, max_length=MAX_HISTORY)] = ()

    @model_validator(mode="after")
    def _each_once(self) -> Self:
        serials = [entry.serial for entry in self.unit]
        if len(set(serials)) != len(serials):
            raise ValueError("the same unit stands here twice")
        return self


@dataclass(frozen=True)
class Baseline:
    """A baseline with the path that it was read from and the SHA-256 of its bytes."""

    path: str
    sha256: str
    file: BaselineFile

    @property
    def is_edited(self) -> bool:
        """Whether it is another than was accepted; one of before there were digests is not known to be."""
        return self.file.digest is not None and self.file.digest != _content_digest(self.file)

    @cached_property
    def units(self) -> Mapping[str, UnitEntry]:
        """The units by serial number."""
        return {unit.serial: unit for unit in self.file.unit}


def load_baseline(path: str | Path, *, to_replace: bool = False) -> Baseline:
    """Read a baseline.

    Parameters
    ----------
    path : str or Path
    to_replace : bool
        Nothing is compared with it: it may be another than was accepted.

    Raises
    ------
    FileError
        It cannot be read, or was edited since it was accepted; every fault of it comes at once as
        :class:`~linecheck.errors.FileFaults`.
    """
    file = read_toml(path, longest=MAX_BYTES)
    baseline = Baseline(str(path), file.sha256, parse_model(file, BaselineFile))
    if baseline.is_edited and not to_replace:
        raise FileError(
            path,
            "is not what `linecheck baseline accept` has written: it was edited since, or two of its versions were "
            "merged. Restore it, or accept the captures again",
        )
    return baseline


def _content_digest(file: BaselineFile) -> str:
    """Return the SHA-256 of all that a baseline says: its canonical JSON without the digest and what is left out."""
    content = file.model_dump(mode="json", exclude={"digest"}, exclude_defaults=True)
    return sha256_of(json.dumps(content, sort_keys=True, separators=(",", ":")).encode())


def rounded_reading(entry: ReadingEntry, margin: float) -> ReadingEntry:
    """Return a reading as a baseline keeps it."""
    value, uncertainty = _rounded(entry.value, entry.uncertainty, margin)
    return entry.model_copy(update={"value": value, "uncertainty": uncertainty})


def _rounded(value: float, uncertainty: float, margin: float) -> tuple[float, float]:
    """Return a value to about a hundredth of its uncertainty, or of a tenth of its margin where that is more.

    Its uncertainty comes with that of the rounding, to two digits and never too small.
    """
    decimals = 1 - math.floor(math.log10(max(uncertainty, 0.1 * margin) / 5.0))
    step = 10.0**-decimals
    known = math.hypot(uncertainty, step / math.sqrt(12.0))
    places = 1 - math.floor(math.log10(known))
    up = math.ceil(round(known * 10.0**places, 9)) / 10.0**places
    return round(value, decimals) + 0.0, float(f"{up:.2g}")


_HEAD = """\
# What later firmware of this model is compared with (linecheck regress). Written by linecheck baseline accept: look at
# what changes here as at any other change, and do not edit the numbers.
"""


def baseline_bytes(file: BaselineFile) -> bytes:
    """Return a baseline as the bytes of its file, with its digest: UTF-8, the same for the same content."""
    return (_HEAD + "\n".join(_lines(file)) + "\n").encode()


def _lines(file: BaselineFile) -> Iterator[str]:
    yield from _pairs({"format": file.format, "model": file.model, "software": file.software})
    yield from _pairs({"digest": _content_digest(file)})
    yield from _table("[accepted]", file.accepted.model_dump())
    yield from _table("[limits]", file.limits.model_dump())
    for unit in file.unit:
        yield from _table("[[unit]]", unit.model_dump(exclude={"check"}, exclude_defaults=True))
        for check in unit.check:
            yield from _check_lines(check)
    for entry in file.history:
        yield from _table("[[history]]", entry.model_dump())


def _check_lines(check: CheckEntry) -> Iterator[str]:
    yield from _table(
        "[[unit.check]]", check.model_dump(exclude={"readings", "curve"}, exclude_defaults=True)
    )
    if check.readings:
        yield "readings = ["
        for entry in check.readings:
            yield f"  {_inline(entry.model_dump(exclude_defaults=True))},"
        yield "]"
    for curve in check.curve:
        yield from _table("[[unit.check.curve]]", curve.model_dump(exclude={"bands"}, exclude_defaults=True))
        yield "bands = ["
        for row in curve.bands:
            yield f"  {_inline(list(row))},"
        yield "]"


def _table(header: str, values: Mapping[str, Any]) -> Iterator[str]:
    yield ""
    yield header
    yield from _pairs(values)


def _pairs(values: Mapping[str, Any]) -> Iterator[str]:
    return (f"{key} = {_inline(value)}" for key, value in values.items() if value is not None)


def _inline(value: Any) -> str:  # noqa: ANN401 - any plain data
    """Return a value on one line of TOML; numbers, texts and times as the library writes them."""
    import tomli_w

    if isinstance(value, Mapping):
        return "{" + ", ".join(_pairs(value)) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_inline(entry) for entry in value) + "]"
    return tomli_w.dumps({"_": value}).removeprefix("_ = ").rstrip("\n")


def sha256_of(content: bytes) -> str:
    """Return the SHA-256 of a file's bytes."""
    return hashlib.sha256(content).hexdigest()
