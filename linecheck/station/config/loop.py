"""The ``[loop]`` of a station config: the station's output patched to its own input, to prove the path.

::

    [loop]
    kind = "analogue"                    # or "digital": every word must come back as it was played
    every_hours = 12
    shares_clock = true                  # playback and capture run off one clock; left out: as the devices say
    gain_db = [-3.02, -3.02]             # level captured re full scale, less the level played
    undecided = "tell"                   # or "refuse", "widen": of masks that the path leaves hardly decidable
    recheck_fails = true                 # a fail that the path could have made counts after another check

    [loop.close]                         # a relay; without it the operator patches
    command = "nest-relay loop on"
    [loop.open]
    command = "nest-relay loop off"

    [loop.limits]                        # of an analogue loop
    noise_dbfs = -105.0

The defaults of ``[loop.limits]`` are a judgement, common practice and no source: what a sound interface of studio
quality keeps with ease and a broken path does not. What a station must keep follows from its limit files: 10 dB below
their limits of noise and distortion, a fifth of those of level. ``station check --limits`` holds it against them, and
``undecided`` says what becomes of masks that it does not keep, ``recheck_fails`` whether a fail that the path could
have made as well waits for the next check.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from linecheck.station.config.table import CommandTable, Hours, Table

Gain = Annotated[float, Field(ge=-80.0, le=40.0)]
Hertz = Annotated[float, Field(ge=1.0, le=400_000.0)]


class LoopCommand(CommandTable):
    """A command that closes or opens the loop."""


class LoopLimits(Table):
    """What an analogue loop must keep.

    Attributes
    ----------
    gain_within_db : float
        How far each channel's gain may be from ``gain_db``.
    delay_within_frames : float
        How far the channels may arrive apart, frames of the capture.
    crosstalk_db : float
        Least attenuation of one channel in another.
    noise_dbfs : float
        Noise in silence, 20 Hz to 20 kHz, re a full-scale sine of the capture.
    hum_dbfs : float
        Mains products in silence, the same.
    thd_n_db : float
        Distortion and noise of a tone near full scale, 20 Hz to 20 kHz, re the tone.
    flatness_db : float
        Greatest level in ``flat_hz`` over the least.
    flat_hz : tuple of float
        That band, Hz.
    edge_share : float or None
        The response falls by 3 dB no lower than here, as a share of the lower of both rates: where a converter's own
        filter lies. A rate converter in the path may bring its edge lower. None: 0.45, or 40 kHz where that is lower,
        since analogue filters end there at high rates; give 0.45 if the interface keeps it.
    images_db : float
        Highest residue between many tones up to 0.49 of the rate, re one of them (about -37 dBFS), 5 Hz resolution.
    jitter_ps : float
        Peak jitter of the strongest pair of sidebands, picoseconds.
    clock_ppm : float or None
        How far both clocks may differ. None: 0.02 where they are one, which is what a slow warming of the converters'
        delay may feign; else 100.
    gain_steady_db : float
        How far a tone's gain may change with its level, over time, with noise or with the other channel.
    low_level_within_db : float
        How far the gain of a tone at -110 dBFS may be from that of louder ones.
    """

    gain_within_db: Annotated[float, Field(gt=0.0, le=6.0)] = 0.5
    delay_within_frames: Annotated[float, Field(gt=0.0, le=1000.0)] = 0.5
    crosstalk_db: Annotated[float, Field(ge=20.0, le=200.0)] = 80.0
    noise_dbfs: Annotated[float, Field(ge=-200.0, le=-40.0)] = -95.0
    hum_dbfs: Annotated[float, Field(ge=-200.0, le=-40.0)] = -100.0
    thd_n_db: Annotated[float, Field(ge=-200.0, le=-20.0)] = -90.0
    flatness_db: Annotated[float, Field(gt=0.0, le=6.0)] = 0.5
    flat_hz: Annotated[tuple[Hertz, Hertz], Field(strict=False)] = (20.0, 20_000.0)
    edge_share: Annotated[float, Field(ge=0.05, le=0.485)] | None = None
    images_db: Annotated[float, Field(ge=-200.0, le=-20.0)] = -65.0
    jitter_ps: Annotated[float, Field(gt=0.0, le=1e6)] = 500.0
    clock_ppm: Annotated[float, Field(gt=0.0, le=1000.0)] | None = None
    gain_steady_db: Annotated[float, Field(gt=0.0, le=3.0)] = 0.01
    low_level_within_db: Annotated[float, Field(gt=0.0, le=6.0)] = 0.5

    @model_validator(mode="after")
    def _ascends(self) -> Self:
        if self.flat_hz[0] >= self.flat_hz[1]:
            raise ValueError(f"flat_hz must ascend, got [{self.flat_hz[0]:g}, {self.flat_hz[1]:g}]")
        return self


class LoopConfig(Table):
    """How the station's output is patched to its input, and what the path must keep.

    Attributes
    ----------
    kind : {"analogue", "digital"}
        What the patch carries.
    every_hours : float or None
        How long the station may judge units after a self-check that was met; None for as long as it stays as it is.
    rate_hz : int or None
        The rate that is played at; None for the capture's, where it can be played.
    bits : int
        Word length that is played; of a digital loop what must come back whole.
    shares_clock : bool or None
        Whether playback and capture run off one clock; None for what the devices say.
    gain_db : tuple of float
        Level captured (re full scale) less the level played, per channel, or one for all.
    close, open : LoopCommand or None
        Commands that patch the loop and end it; without ``close`` somebody has to do it.
    limits : LoopLimits
        Of an analogue loop.
    undecided : str
        What becomes of masks that the path leaves hardly decidable, or not at all: ``tell`` says so of every run,
        ``refuse`` tests no unit by them, ``widen`` adds the path's part to the uncertainty of every reading that it
        enters, and judges those by the guarded rule.
    recheck_fails : bool
        Whether a fail that a change of the path alone could make (of level, balance, order, polarity, an edge) counts
        only once a self-check after it has been met; without it such a fail counts at once.
    """

    kind: Literal["analogue", "digital"]
    every_hours: Hours | None = None
    rate_hz: Annotated[int, Field(ge=44_100, le=1_000_000)] | None = None
    bits: Annotated[int, Field(ge=16, le=32)] = 24
    shares_clock: bool | None = None
    gain_db: Annotated[tuple[Gain, ...], Field(strict=False, min_length=1, max_length=64)] = (0.0,)
    close: LoopCommand | None = None
    open: LoopCommand | None = None
    limits: LoopLimits = LoopLimits()
    undecided: Literal["tell", "refuse", "widen"] = "tell"
    recheck_fails: bool = True

    @model_validator(mode="after")
    def _one_clock_in_a_digital_loop(self) -> Self:
        if self.kind == "digital" and self.shares_clock is False:
            raise ValueError(
                "shares_clock = false: a digital loop carries its clock; on two clocks words are lost or doubled"
            )
        return self
