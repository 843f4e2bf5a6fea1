"""Station configs: what a test station is, in one TOML file.

Paths in a config (``[records]``) are relative to the folder that the command is started in, as paths on the
command line are, so that one config serves whoever runs it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, field_validator, model_validator

from linecheck.checks.base import Problem
from linecheck.files.toml import FormatOne
from linecheck.run.facts import Asset
from linecheck.station.config.archive import ArchiveConfig
from linecheck.station.config.gates import ChallengeConfig, ChartsConfig, GateConfig, GoldenConfig
from linecheck.station.config.hand_over import AfterConfig, BeforeConfig
from linecheck.station.config.loop import LoopConfig
from linecheck.station.config.screen import ScreenConfig
from linecheck.station.config.server_url import check_server_url
from linecheck.station.config.table import CommandTable, Once, Table, Text, matching
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

SampleFormat = Literal["int32", "float32"]
Rate = Annotated[int, Field(ge=8_000, le=1_000_000)]
Channel = Annotated[int, Field(ge=1, le=256)]
Channels = Annotated[tuple[Channel, ...], Field(strict=False, min_length=1, max_length=64), Once]
Scale = Annotated[float, Field(gt=0.0, le=1e4)]
Scales = Annotated[tuple[Scale, ...], Field(strict=False, min_length=1, max_length=64)]

#: Rates that a simulated unit takes where the config names none.
COMMON_RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 352_800, 384_000, 705_600, 768_000)

StationName = Annotated[
    str,
    matching(
        r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}",
        "is not a station name: use letters, digits, '.', '_', '-', at most 64",
    ),
]
AssetId = Annotated[
    str,
    matching(
        r"[A-Za-z0-9][A-Za-z0-9._/-]{0,63}",
        "is not an asset id: use letters, digits, '.', '_', '-', '/', at most 64",
    ),
]


class PlaybackConfig(Table):
    """The side that plays.

    Attributes
    ----------
    device : str or None
        Name of the device; needed by the sound interface.
    channels : tuple of int or None
        Channels of the device, counted from 1, in the limit file's order.
    rates_hz : tuple of int
        The rates that the device plays without converting them.
    sample_format : str
        What the driver is given: ``int32`` or ``float32``.
    latency_seconds : float or None
        Latency asked of the driver; None leaves it to the interface.
    """

    device: Text | None = None
    channels: Channels | None = None
    rates_hz: Annotated[tuple[Rate, ...], Field(strict=False, min_length=1, max_length=64), Once] = (
        COMMON_RATES
    )
    sample_format: SampleFormat = "int32"
    latency_seconds: float | None = Field(None, gt=0.0, le=10.0)


class CaptureConfig(Table):
    """The side that listens.

    Attributes
    ----------
    device : str or None
        Name of the device; needed by the sound interface.
    rate_hz : int
        Sampling rate of every capture.
    channels : tuple of int or None
        Channels of the device, counted from 1, in the limit file's order.
    full_scale_volts : tuple of float or None
        Peak volts at digital 1.0, per channel; without it volts cannot be read.
    sample_format : str
        What the driver gives: ``int32`` or ``float32``.
    tail_seconds : float
        How long to go on capturing after the stimulus: longer than the unit's own delay. Once the delay has been seen,
        captures end earlier.
    """

    device: Text | None = None
    rate_hz: Rate = 192_000
    channels: Channels | None = None
    full_scale_volts: Scales | None = None
    sample_format: SampleFormat = "int32"
    tail_seconds: float = Field(0.25, ge=0.0, le=60.0)

    @model_validator(mode="after")
    def _one_scale_a_channel(self) -> Self:
        if self.channels is not None and self.full_scale_volts is not None:
            scales, channels = len(self.full_scale_volts), len(self.channels)
            if scales != channels:
                raise ValueError(
                    f"full_scale_volts has {scales} entries for {channels} channels: give one each"
                )
        return self


class _Calibrated(Table):
    """A thing with a calibration date and a due date.

    Attributes
    ----------
    performed, due : date or None
        The day of the last calibration, and the last day on which it holds.
    by, certificate : str or None
        Who calibrated it, and the number of the certificate.
    refuse_when_overdue : bool
        Whether no unit is judged after that day.
    """

    performed: date | None = None
    due: date | None = None
    by: Text | None = None
    certificate: Text | None = None
    refuse_when_overdue: bool = False

    @model_validator(mode="after")
    def _due_after_performed(self) -> Self:
        if self.performed is not None and self.due is not None and self.due < self.performed:
            raise ValueError(f"due ({self.due}) is before performed ({self.performed})")
        return self

    def overdue(self, what: str, code: str, today: date) -> tuple[Problem, ...]:
        """Return what a run on this day must say of it; ``what`` is its name in a sentence."""
        if self.due is None or today <= self.due:
            return ()
        days = (today - self.due).days
        message = f"{what} was due on {self.due}, {days} day{'s' if days != 1 else ''} ago"
        return (Problem(code, message, blocks=self.refuse_when_overdue),)

    def calibrated(self) -> dict[str, str]:
        """Return what the record says of the days and of who it was."""
        entries = {name: getattr(self, name) for name in ("performed", "due", "by", "certificate")}
        return {name: str(value) for name, value in entries.items() if value is not None}


class CalibrationConfig(_Calibrated):
    """When the capture's volts were last compared with something better, and when that is due again.

    ``refuse_when_overdue`` keeps units from being tested after that day, or, where the gates mark runs only
    (``gate.outside``), makes every run invalid; without it the run says so and goes on.

    Attributes
    ----------
    uncertainty_percent : float or None
        Standard uncertainty (k = 1) of ``full_scale_volts``; it enters every reading in volts. None is unknown and not
        zero: no reading in volts then claims an uncertainty.
    """

    uncertainty_percent: Annotated[float, Field(ge=0.0, le=10.0)] | None = None

    @property
    def volts_uncertainty(self) -> float | None:
        """Relative standard uncertainty of the capture's volts; None where it is not stated."""
        return None if self.uncertainty_percent is None else 0.01 * self.uncertainty_percent

    def problems(self, today: date) -> tuple[Problem, ...]:
        """Return what a run on this day must say of the calibration."""
        return self.overdue("the station's calibration", "calibration_overdue", today)

    def record(self) -> dict[str, str]:
        """Return what the record says of it."""
        percent = self.uncertainty_percent
        return self.calibrated() | ({} if percent is None else {"uncertainty_percent": str(percent)})


class AssetConfig(_Calibrated):
    """A thing that the station's readings rest on: an interface, a cable, an adapter, a load.

    Attributes
    ----------
    id : str
        What is written on it: letters, digits, ``.``, ``_``, ``-``, ``/``.
    what : str or None
        What it is, in words.
    """

    id: AssetId
    what: Text | None = None

    def problems(self, role: str, today: date) -> tuple[Problem, ...]:
        """Return what a run on this day must say of it."""
        return self.overdue(f"the calibration of {role} {self.id}", "asset_overdue", today)

    def record(self, role: str) -> Asset:
        """Return what the record says of it."""
        described = {} if self.what is None else {"what": self.what}
        return Asset(role, self.id, described | self.calibrated())


class RecordsConfig(Table):
    """Which records of a run are kept, and where; paths are relative to the folder that the command is started in.

    Attributes
    ----------
    database : str
        The log, an SQLite file.
    captures : str
        Which captures are kept beside the other files, where the station has no archive; ``failed``: of every run that
        does not pass.
    folder : str
        Where all other files of a run go.
    """

    database: Text = "results/linecheck.sqlite"
    captures: Literal["none", "failed", "all"] = "none"
    folder: Text = "results"


class ProtectionConfig(Table):
    """Limits that the station never exceeds.

    Attributes
    ----------
    highest_level_dbfs : float
        Nothing louder is ever played.
    ramp_seconds : float
        How long every stimulus takes to fade in and out.
    """

    highest_level_dbfs: float = Field(0.0, ge=-120.0, le=20.0)
    ramp_seconds: float = Field(0.01, ge=0.0, le=1.0)


class SetupConfig(CommandTable):
    """How the station makes one setting of the unit: by a command, which ends with status 0 once it is made.

    ``{setting}`` and ``{value}`` stand for those, ``{serial}`` for the serial number of the unit.
    """

    marks = ("setting", "value", "serial")


class IdentifyConfig(CommandTable):
    """The command that asks the unit what it is; it prints ``name = value``, one a line, and ends with status 0.

    ``{serial}`` stands for the serial number that was scanned. What it may say is up to it; ``serial``, ``firmware``
    and the settings of the limit file are held against what is expected.
    """

    marks = ("serial",)


class ConditionsConfig(CommandTable):
    """The command that reports the station's conditions (temperature, state of the mixer), as ``name = value``."""


class SyncConfig(Table):
    """The server that the log is sent to as it grows; without ``to`` it stays on the station.

    Attributes
    ----------
    to : str or None
        ``postgresql://USER@HOST/DATABASE``, without a password (``~/.pgpass`` or ``PGPASSWORD`` holds it).
    every_seconds : float
        How often the log is looked at for something new.
    """

    to: Annotated[str, AfterValidator(check_server_url)] | None = None
    every_seconds: float = Field(5.0, ge=0.1, le=86_400.0)


class SignConfig(Table):
    """The key that signs every record of the log.

    Attributes
    ----------
    key : str
        A PEM file with an Ed25519 key that nobody but its owner may read; its path is relative to the folder that the
        command is started in.
    """

    key: Text


class StationConfig(Table):
    """A whole station config.

    Attributes
    ----------
    format : int
        Version of the file's format.
    station : str
        Name of the station, as every record says it.
    interface : str
        What plays and captures: ``sound`` (PortAudio), ``simulated``, or one that is installed beside linecheck.
    mains_hz : int
        Frequency of the mains; hum is looked for at its multiples.
    nest : str or None
        Which of several places for a unit this is.
    """

    format: FormatOne
    station: StationName
    interface: str
    mains_hz: Literal[50, 60]
    playback: PlaybackConfig = PlaybackConfig()
    capture: CaptureConfig = CaptureConfig()
    calibration: CalibrationConfig = CalibrationConfig()
    records: RecordsConfig = RecordsConfig()
    protection: ProtectionConfig = ProtectionConfig()
    simulated: SimulatedUnit = SimulatedUnit()
    setup: Annotated[dict[str, SetupConfig], Field(max_length=64)] = {}  # noqa: RUF012 - copied
    nest: Text | None = None
    assets: Annotated[dict[str, AssetConfig], Field(max_length=64)] = {}  # noqa: RUF012 - copied
    identify: IdentifyConfig | None = None
    conditions: ConditionsConfig | None = None
    before: BeforeConfig | None = None
    after: AfterConfig | None = None
    golden: GoldenConfig | None = None
    challenge: ChallengeConfig | None = None
    sync: SyncConfig = SyncConfig()
    sign: SignConfig | None = None
    gate: GateConfig = GateConfig()
    charts: ChartsConfig | None = None
    loop: LoopConfig | None = None
    archive: ArchiveConfig | None = None
    screen: ScreenConfig = ScreenConfig()

    @model_validator(mode="after")
    def _tone_beside_the_path(self) -> Self:
        tone = self.screen.tone_device
        if tone is not None and tone in (self.playback.device, self.capture.device):
            raise ValueError(
                f"screen.tone_device: {tone} is in the test path, where a tone would be measured; name another device"
            )
        return self

    @model_validator(mode="after")
    def _kept_once(self) -> Self:
        if self.archive is not None and self.records.captures != "none":
            raise ValueError("[archive] says which captures are kept: leave records.captures out")
        return self

    @model_validator(mode="after")
    def _good_or_bad(self) -> Self:
        golden = self.golden.serials if self.golden is not None else ()
        for name, unit in self.challenge.units.items() if self.challenge is not None else ():
            if unit.serial in golden:
                raise ValueError(
                    f"{unit.serial} is golden and the challenge unit {name}: a unit is one of both"
                )
        return self

    @field_validator("assets")
    @classmethod
    def _each_asset_once(cls, assets: dict[str, AssetConfig]) -> dict[str, AssetConfig]:
        ids = [asset.id for asset in assets.values()]
        for role, asset in assets.items():
            if ids.count(asset.id) > 1:
                raise ValueError(f"{role}: the asset {asset.id} is named twice; each has an id of its own")
        return assets


@dataclass(frozen=True)
class Station:
    """A station config as loaded from a file; ``sha256`` is over the file's bytes."""

    config: StationConfig
    path: str
    sha256: str
