"""The simulated unit: the ``[simulated]`` table of a station config.

Every parameter is physical and exactly defined, so that what a check should read can be computed beforehand.
Levels in dB are relative to a full-scale sine at the unit's output (``output_volts``) unless said otherwise.
"""

from __future__ import annotations

import hashlib
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

FilterName = Literal["sharp", "slow", "minimum_phase", "none"]

#: What can be set between checks. The unit has one input and one output: which one it is told to use changes nothing.
SETTABLE = ("filter", "input", "output")

#: A level that stands for "not there".
NOTHING_DB = -400.0

Level = Annotated[float, Field(ge=NOTHING_DB, le=20.0)]
Levels = Annotated[tuple[Level, ...], Field(strict=False, max_length=19)]
#: Frequency in Hz and level.
AddedLine = Annotated[tuple[Annotated[float, Field(gt=0.0, le=1e6)], Level], Field(strict=False)]


class SimulatedUnit(BaseModel):
    """A converter and the capture converter that listens to it.

    A list that has fewer entries than there are channels is repeated: ``[0.0, -0.03]`` is for left, right,
    left, right…

    Attributes
    ----------
    seed : int
        Of everything random. The same seed, check name and attempt give the same capture.
    spread : float
        How much one serial number differs from another: 0 not at all, 1 as units of one batch do.
    output_volts : float
        V rms at the output for a full-scale sine in the flat part of the reconstruction filter.
    channel_gain_db : tuple of float
        Gain of each channel on top of that.
    clock_ppm : float
        The unit's clock against the capture's: a tone of f Hz is captured at f · (1 + clock_ppm · 1e-6).
    filter : str
        Reconstruction filter: ``sharp``, ``slow``, ``minimum_phase`` or ``none`` (the converter's hold alone).
    bit_errors : tuple of float
        Error of the weight of each bit of the converter, in parts of the bit's own weight, from the top bit (−1
        in two's complement, full scale being 1) on: −0.5 for the second alone is ``[0.0, −0.5]``.
    harmonics_db : tuple of float
        Levels of the 2nd, 3rd, … harmonic of a full-scale sine. The output is y = x + Σ h_n · (T_n(x) −
        T_n(0)) with T_n the Chebyshev polynomials and x = ±1 at full scale.
    slew_db : float
        Third harmonic of a full-scale sine of 10 kHz that the output stage's limited speed makes. With u the
        slope of x in parts of that sine's greatest slope it adds 4 h u³ to the output: the third harmonic of a
        sine of amplitude A and frequency f is h · (A · f / 10 kHz)³, 18 dB more an octave.
    coupling_hz : float
        Corner of the output's coupling capacitor, a first-order high-pass jf / (jf + corner); 0 for none.
    lowpass_hz, lowpass_q : float
        Second-order low-pass of the output, 1 / (1 + jf / (Q · f0) − (f / f0)²); 0 Hz for none. A Q above 0.71
        peaks.
    deemphasis : bool
        Whether 50/15 µs de-emphasis is on.
    noise_db : float
        White noise within 20 Hz to 20 kHz; the same density goes on to half the capture's rate.
    shaped_noise_db, shaped_noise_hz : float
        Noise as a one-bit converter's modulator leaves it: white noise of this level within 20 Hz to 20 kHz ahead of
        a sixth-order Butterworth high-pass of this corner, 36 dB more an octave up to there.
    hum_db : tuple of float
        Levels at the mains frequency and twice, three times, … that.
    mains_deviation_hz : float
        How far the mains is from its nominal frequency.
    jitter_random_ps : float
        Rms of random jitter, white from 0 to half the unit's rate, common to all channels.
    jitter_sine_ps, jitter_sine_hz : float
        Peak and frequency of sinusoidal jitter.
    modulation_db, modulation_hz : float
        Depth and frequency of a sinusoidal modulation of the level, the same in all channels: the output is
        multiplied by 1 + m · cos; each of the two side lines is 6.02 dB below m.
    added_lines : tuple of (float, float)
        Frequency in Hz and level of lines that are there whatever is played, as from the frames of a USB
        stream; the same in all channels, by the capture's clock.
    dc_offset_mv : tuple of float
        Per channel.
    crosstalk_db : float
        What comes of each channel in every other at low frequency; it rises as
        |1 + jf/``crosstalk_corner_hz``|.
    crosstalk_corner_hz : float
        Where it has risen by 3 dB.
    start_seconds : tuple of float
        Least and greatest time from the capture's start to the first sample's conversion; drawn for each
        check.
    tail_seconds : float
        Captured after the stimulus' end.
    adc_noise_db : float
        White noise of the capture converter within 20 Hz to 20 kHz, re a sine at its own full scale.
    adc_bits : int
        Word length of the capture, with TPDF dither.
    """

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)

    seed: int = Field(1, ge=0, lt=2**63)
    spread: float = Field(0.0, ge=0.0, le=10.0)
    output_volts: float = Field(4.0, gt=0.0, le=100.0)
    channel_gain_db: Levels = Field((0.0, -0.03), min_length=1)
    clock_ppm: float = Field(12.0, ge=-5000.0, le=5000.0)
    filter: FilterName = "sharp"
    bit_errors: tuple[Annotated[float, Field(ge=-1.0, le=1.0)], ...] = Field((), strict=False, max_length=32)
    harmonics_db: Levels = (-118.0, -119.5, -130.0, -126.0)
    slew_db: Level = NOTHING_DB
    coupling_hz: float = Field(0.0, ge=0.0, le=1000.0)
    lowpass_hz: float = Field(0.0, ge=0.0, le=1e7)
    lowpass_q: float = Field(0.5, ge=0.3, le=2.0)
    deemphasis: bool = False
    noise_db: Level = -117.3
    shaped_noise_db: Level = NOTHING_DB
    shaped_noise_hz: float = Field(60_000.0, ge=1_000.0, le=1e6)
    hum_db: Levels = (-136.0, -142.0, -139.0)
    mains_deviation_hz: float = Field(0.02, ge=-2.0, le=2.0)
    jitter_random_ps: float = Field(10.0, ge=0.0, le=1e6)
    jitter_sine_ps: float = Field(2.0, ge=0.0, le=1e6)
    jitter_sine_hz: float = Field(3000.0, ge=0.0, le=1e5)
    modulation_db: Level = NOTHING_DB
    modulation_hz: float = Field(100.0, ge=0.0, le=1e5)
    added_lines: tuple[AddedLine, ...] = Field((), strict=False, max_length=64)
    dc_offset_mv: tuple[float, ...] = Field((0.6, -0.4), strict=False, min_length=1, max_length=19)
    crosstalk_db: Level = -126.0
    crosstalk_corner_hz: float = Field(10000.0, gt=0.0)
    start_seconds: tuple[
        Annotated[float, Field(ge=0.0, le=60.0)], Annotated[float, Field(ge=0.0, le=60.0)]
    ] = Field((0.05, 0.3), strict=False)
    tail_seconds: float = Field(0.1, ge=0.0, le=60.0)
    adc_noise_db: Level = -130.0
    adc_bits: Literal[16, 24, 32] = 24

    @model_validator(mode="after")
    def _start_ascends(self) -> Self:
        if self.start_seconds[0] > self.start_seconds[1]:
            raise ValueError("start_seconds: the least time is greater than the greatest")
        return self

    @model_validator(mode="after")
    def _lowpass_is_short(self) -> Self:
        if 0.0 < self.lowpass_hz < 8_000.0:
            raise ValueError("lowpass_hz: give 0 for none, or at least 8000")
        return self

    def of_serial(self, serial: str) -> SimulatedUnit:
        """Return the unit with this serial number, which differs from the typical one by ``spread``.

        With a spread of 1 the standard deviations are 0.02 dB of gain, 3 ppm of clock, 0.4 dB of noise, 1 dB
        of each harmonic and 0.3 mV of offset.
        """
        if self.spread == 0.0:
            return self
        import numpy as np

        words = np.frombuffer(hashlib.sha256(f"{self.seed}/{serial}".encode()).digest(), dtype="<u4")
        generator = np.random.default_rng([int(word) for word in words])

        def around(values: tuple[float, ...], deviation: float, entries: int) -> tuple[float, ...]:
            drawn = generator.normal(0.0, deviation * self.spread, entries).tolist()
            return tuple(values[index % len(values)] + drawn[index] for index in range(entries))

        channels = max(2, len(self.channel_gain_db), len(self.dc_offset_mv))
        return self.model_copy(
            update={
                "seed": int(words[0]) << 16 ^ self.seed,
                "channel_gain_db": around(self.channel_gain_db, 0.02, channels),
                "clock_ppm": around((self.clock_ppm,), 3.0, 1)[0],
                "noise_db": around((self.noise_db,), 0.4, 1)[0],
                "harmonics_db": around(self.harmonics_db, 1.0, len(self.harmonics_db)),
                "dc_offset_mv": around(self.dc_offset_mv, 0.3, channels),
            }
        )
