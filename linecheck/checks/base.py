"""What every check kind is made of.

A kind turns parameters into a stimulus (:meth:`CheckKind.stimulus`), finds that stimulus in a capture
(:meth:`CheckKind.locate`) and takes its metrics from it (:meth:`CheckKind.measure`).

===================  ==============================================================
:class:`Stimulus`    what is played: integer samples, ready for the converter
:class:`Capture`     what came back: samples as the interface gave them
:class:`Location`    where the stimulus lies in the capture, and both clocks' ratio
:class:`Measurement` readings, curves and problems taken from one capture
:class:`CheckKind`   the base of every kind; one file per kind
===================  ==============================================================
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Final

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, FiniteFloat, GetPydanticSchema
from pydantic_core.core_schema import no_info_after_validator_function

from linecheck.checks.parts.declared import (
    CurveSpec as CurveSpec,
)
from linecheck.checks.parts.declared import (
    DifferenceSpec as DifferenceSpec,
)
from linecheck.checks.parts.declared import (
    Implied as Implied,
)
from linecheck.checks.parts.declared import (
    MetricSpec as MetricSpec,
)
from linecheck.checks.parts.declared import (
    Range as Range,
)
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.spectra.narrow import Narrowed, narrow, narrowing_factor

#: One dimension; in a file, a list of finite numbers.
Points = Annotated[
    FloatArray,
    GetPydanticSchema(
        lambda _, schema_of: no_info_after_validator_function(np.array, schema_of(list[FiniteFloat]))
    ),
]

_NOTHING: Mapping[str, Any] = MappingProxyType({})


class Parameters(BaseModel):
    """Base of the ``stimulus`` and ``analysis`` parameters of a kind: strict, closed, immutable."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


@dataclass(frozen=True)
class Stimulus:
    """What is played.

    Attributes
    ----------
    samples : int32 array, shape (frames, channels)
        Left-justified: full scale is 2**31, the low ``32 - bits`` bits are zero.
    rate_hz : int
        Sampling rate of the unit's input.
    bits : int
        Word length that the samples were quantised to.
    """

    samples: NDArray[np.int32]
    rate_hz: int
    bits: int

    @property
    def seconds(self) -> float:
        """Playing time."""
        return len(self.samples) / self.rate_hz

    @property
    def channels(self) -> int:
        """How many channels there are."""
        return int(self.samples.shape[1])


@dataclass(frozen=True)
class StreamEvent:
    """Something that the interface reported while it captured.

    ``code`` is a problem code (``overrun``, ``underrun``, ``stream_stopped``), ``seconds`` the time since the
    stream's start.
    """

    code: str
    seconds: float
    message: str


@dataclass(frozen=True)
class Capture:
    """What came back: evidence, never changed.

    Attributes
    ----------
    samples : int32 or float32 or float64 array, shape (frames, channels)
        As the interface or file gave them. Integers are left-justified, full scale 2**31; floats have full
        scale 1.0.
    rate_hz : int
        Sampling rate of the capture.
    full_scale_volts : tuple of float or None
        Peak volts at digital 1.0, per channel; None where unknown, so that volts cannot be read.
    bits : int or None
        Word length of integer samples, None for float samples.
    mains_hz : float or None
        Mains frequency where the capture was made, None where unknown.
    events : tuple of StreamEvent
        What the interface reported meanwhile.
    """

    samples: NDArray[Any]
    rate_hz: int
    full_scale_volts: tuple[float, ...] | None = None
    bits: int | None = None
    mains_hz: float | None = None
    events: tuple[StreamEvent, ...] = ()

    def __post_init__(self) -> None:
        """Lock the samples."""
        self.samples.setflags(write=False)

    @property
    def frames(self) -> int:
        """Number of frames."""
        return int(self.samples.shape[0])

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def seconds(self) -> float:
        """Length of the capture."""
        return self.frames / self.rate_hz

    @property
    def possible_mains_hz(self) -> tuple[float, ...]:
        """The mains frequency where it is known, else those that there are."""
        return (self.mains_hz,) if self.mains_hz else (50.0, 60.0)

    def volts(self, channel: int) -> float | None:
        """Return a channel's peak volts at digital 1.0; None where they are not known."""
        return None if self.full_scale_volts is None else self.full_scale_volts[channel]

    @cached_property
    def scaled(self) -> FloatArray:
        """The samples as float64 with full scale 1.0, shape (channels, frames), read-only."""
        values = np.array(self.samples.T, dtype=np.float64, order="C")
        if np.issubdtype(self.samples.dtype, np.integer):
            values *= 2.0**-31
        values.setflags(write=False)
        return values

    @cached_property
    def _narrowed(self) -> dict[int, Narrowed]:
        return {}

    def narrowed(self, top_hz: float) -> Narrowed:
        """Return the samples at the lowest rate that holds everything up to ``top_hz``; made once."""
        factor = narrowing_factor(self.rate_hz, top_hz)
        if factor not in self._narrowed:
            self._narrowed[factor] = narrow(self.scaled, self.rate_hz, factor)
        return self._narrowed[factor]


@dataclass(frozen=True)
class Stretch:
    """Part of a located stimulus over which its tones are steady: frames, and per channel the tones as captured, Hz."""

    start: int
    stop: int
    tones_hz: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class Location:
    """Where a stimulus lies in a capture.

    Attributes
    ----------
    start, stop : int
        Frames of the capture that may be measured: the settled inside of the stimulus, the same for all channels.
    found : tuple of bool
        Per channel, whether the stimulus is there.
    clock_ratio : float or None
        The unit's clock over the capture's clock, as fitted; None where the stimulus has no tone.
    tones_hz : tuple of tuple of float
        Per channel, the frequencies (as captured) of the tones that are steady from ``start`` to ``stop`` and prove the
        capture continuous.
    stretches : tuple of Stretch
        Where the stimulus changes: the parts that are steady, in place of ``tones_hz``.
    problems : tuple of Problem
        What the search found wrong.
    """

    start: int
    stop: int
    found: tuple[bool, ...]
    clock_ratio: float | None
    tones_hz: tuple[tuple[float, ...], ...] = ()
    problems: tuple[Problem, ...] = ()
    stretches: tuple[Stretch, ...] = ()

    @classmethod
    def nowhere(cls, channels: Sequence[str], problem: Problem) -> Location:
        """Return that a stimulus is in none of the channels, and why."""
        return cls(0, 0, (False,) * len(channels), None, problems=(problem,))

    def found_of(self, channels: Sequence[str]) -> list[tuple[int, str]]:
        """Return the index and the name of each channel that has the stimulus."""
        return [(index, name) for index, name in enumerate(channels) if self.found[index]]

    @property
    def steady(self) -> tuple[Stretch, ...]:
        """The parts over which tones are steady."""
        return self.stretches or (Stretch(self.start, self.stop, self.tones_hz),)


#: Code of the problem that the capture input was driven beyond its range: only the station can be to blame for it.
OVERLOAD: Final = "overload"


@dataclass(frozen=True)
class Problem:
    """Something that makes a number untrustworthy or impossible.

    ``channel`` is None where it concerns the whole capture. ``blocks`` says whether every reading of the channel
    (or capture) is void; a problem that does not block explains single readings. ``metrics`` names those.
    """

    code: str
    message: str
    channel: str | None = None
    blocks: bool = True
    metrics: tuple[str, ...] = ()

    @property
    def is_note(self) -> bool:
        """Whether it voids nothing and explains no missing value: worth knowing, no more."""
        return not self.blocks and not self.metrics


@dataclass(frozen=True)
class Detailed(Problem):
    """A problem with what its words say for programs, which no record keeps.

    ``sort`` is what it is: of a break ``jump``, ``hole``, ``turn``, ``burst``, ``step`` or ``held``, of channels
    ``mixed`` or ``swapped``. ``frames`` is by how many frames of a capture of ``rate_hz`` time jumps there, None where
    it does not or nobody knows.
    """

    sort: str = field(default="", compare=False)
    frames: float | None = field(default=None, compare=False)
    rate_hz: float = field(default=0.0, compare=False)

    @property
    def plain(self) -> Problem:
        """The problem as records and files have it."""
        return Problem(self.code, self.message, self.channel, self.blocks, self.metrics)


@dataclass(frozen=True)
class Note(Problem):
    """Something worth knowing that is no problem: it voids nothing, explains no missing value, changes no verdict.

    ``values`` are the numbers behind its words, for :meth:`CheckKind.compare`.
    """

    blocks: bool = False
    values: tuple[float, ...] = ()


@dataclass(frozen=True)
class Reading:
    """One metric's value with its standard uncertainty (k = 1).

    ``channel`` is None for a metric of the pair. ``value`` is None where it could not be measured. ``is_bound`` says
    that the truth is this or better, and how much better could not be told: it has a verdict where the truth has the
    same wherever it may lie, else it is invalid. ``repeatability`` is how well a value in volts repeats at one station
    (k = 1), where its uncertainty is None because no calibration is stated; it is no claim, and no record keeps it.
    """

    metric: str
    channel: str | None
    value: float | None
    unit: str
    uncertainty: float | None
    is_bound: bool = False
    repeatability: float | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        """Take NumPy's truth values as Python's: these go into words and files."""
        object.__setattr__(self, "is_bound", bool(self.is_bound))


@dataclass(frozen=True)
class Curve:
    """A reading along an axis; ``x`` ascends.

    ``resolution_hz`` where levels depend on bandwidth. ``uncertainty`` is each point's standard uncertainty
    (k = 1) in the unit of ``y``, None where it is not known: the guarded rule cannot judge such a curve.
    """

    metric: str
    channel: str | None
    x: Points
    x_unit: str
    y: Points
    unit: str
    resolution_hz: float | None = None
    uncertainty: Points | None = None


@dataclass(frozen=True)
class Reference:
    """The readings of the check that another check refers to: per channel, level re its capture's full scale.

    ``level_volts`` is the same in volts rms where that is known: captures may differ in their full scale. ``stimulus``
    is what that check played, None where nobody says it.
    """

    check: str
    level_dbfs: tuple[float | None, ...]
    level_uncertainty_db: tuple[float | None, ...]
    level_volts: tuple[float | None, ...] | None = None
    stimulus: Parameters | None = None


@dataclass(frozen=True)
class Context:
    """What a measurement may know besides its capture.

    ``volts_uncertainty`` is the relative standard uncertainty of the capture's full scale in volts, from its
    calibration, None where that is not stated; it enters what is read in volts, and nothing else.
    """

    channels: tuple[str, ...]
    reference: Reference | None = None
    volts_uncertainty: float | None = None


@dataclass(frozen=True)
class Measurement:
    """Everything taken from one capture."""

    readings: tuple[Reading, ...] = ()
    curves: tuple[Curve, ...] = ()
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True)
class Taken:
    """A check of a run with what was taken from its capture, for a comparison with others of its kind."""

    check: str
    setup: Mapping[str, str]
    stimulus: Parameters
    measurement: Measurement


class CheckKind(ABC):
    """One sort of check. Subclasses live one per file and register by being named ``KIND`` in it."""

    name: ClassVar[str]
    text: ClassVar[str]
    stimulus_parameters: ClassVar[type[Parameters]]
    analysis_parameters: ClassVar[type[Parameters]]
    metrics: ClassVar[tuple[MetricSpec, ...]]
    curves: ClassVar[tuple[CurveSpec, ...]] = ()
    #: Whether a reading rests on the level that was played, by the parameters alone: nothing captured tells it.
    rests_on_played_level: ClassVar[bool] = False

    @property
    def specs(self) -> tuple[MetricSpec | CurveSpec, ...]:
        """The metrics and curves, in their order."""
        return (*self.metrics, *self.curves)

    @abstractmethod
    def stimulus(self, parameters: Any, channels: int, ramp_seconds: float) -> Stimulus:  # noqa: ANN401 - each kind narrows it
        """Return what is played, quantised and reproducible to the byte."""

    @abstractmethod
    def locate(self, capture: Capture, parameters: Any, channels: tuple[str, ...]) -> Location:  # noqa: ANN401
        """Find the stimulus in the capture."""

    @abstractmethod
    def measure(
        self,
        capture: Capture,
        location: Location,
        parameters: Any,  # noqa: ANN401
        analysis: Any,  # noqa: ANN401
        context: Context,
    ) -> Measurement:
        """Take every metric and curve from a located stimulus."""

    def peak_dbfs(self, parameters: Any) -> float:  # noqa: ANN401
        """Return the highest level that the stimulus reaches, dB re a full-scale sine."""
        return float(parameters.level_dbfs)

    def max_ramp_seconds(self, parameters: Any) -> float:  # noqa: ANN401
        """Return the longest ramp that the stimulus can start and stop with; a kind that must be abrupt says so here.

        A station plays nothing that starts or stops faster than this and than its own ramp.
        """
        return math.inf

    def never_measured(
        self,
        parameters: Any,  # noqa: ANN401
        analysis: Any,  # noqa: ANN401
        channels: int,
        has_reference: bool,
    ) -> Mapping[str, str]:
        """Return the metrics and curves that these parameters can never give, whatever the unit, each with why.

        A limit file with a mask on one of them is refused, since every unit would end as invalid. What only some
        captures cannot give (their rate is too low, their volts are not known) does not belong here.

        Parameters
        ----------
        parameters, analysis : Parameters
            The stimulus's and the analysis's.
        channels : int
            How many channels the limit file declares.
        has_reference : bool
            Whether the file has a check of :attr:`reference_kind` that this one refers to.

        Returns
        -------
        mapping of str to str
            By name; the reason follows "can never be measured, so that no unit could pass: ".
        """
        return _NOTHING

    def compare(self, taken: Sequence[Taken]) -> tuple[Note, ...]:
        """Return what several checks of this kind in one run say together, in words; never called with fewer than two.

        Nothing that is said here changes a verdict.
        """
        return ()

    def curve_spans(self, parameters: Any, analysis: Any) -> Mapping[str, tuple[float, float]]:  # noqa: ANN401
        """Return from where to where, at most, curves go along their axes, by name.

        A limit file with a mask that goes further is refused; a curve that is not named here may go anywhere.
        """
        return _NOTHING

    def possible(self, parameters: Any, analysis: Any) -> Mapping[str, Range]:  # noqa: ANN401
        """Return what a perfect unit can read, by metric or curve, where these parameters narrow what a spec says.

        Word length, dither and band leave a residue that no unit takes away. A limit beyond is no fault of a file,
        since the same file may be played at another word length; ``limits check`` warns of it.
        """
        return _NOTHING

    def implied(self, parameters: Any, analysis: Any) -> tuple[Implied, ...]:  # noqa: ANN401
        """Return which metrics others keep within bounds: a mask that another one always decides before is no mask."""
        return ()

    #: The kind whose level this one refers to; None where it refers to none. A kind that has one has the analysis
    #: parameter ``reference``: the name of a check of that kind, or None for the first one in the file.
    reference_kind: ClassVar[str | None] = None
    #: The metrics and curves that refer to it; all else is the same whatever it is.
    referring: ClassVar[tuple[str, ...]] = ()

    #: Whether a digital copy of what is played, captured without noise, is rightly the same in every channel: then
    #: nobody can tell it from one channel captured twice.
    copies_alike: ClassVar[bool] = False
