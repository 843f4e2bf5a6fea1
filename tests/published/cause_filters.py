"""Faults of filters and crosstalk, and what is wrong with a whole station or run.

Each enters itself in :data:`cause_made.FAULTS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from cause_bench import Array, Bench, Moment, Unit, Words, kaiser_taps
from cause_made import (
    TRADE,
    Made,
    db,
    either,
    fault,
    logs,
    ringing_out,
    some,
    some_checks,
    unit_with,
)
from cause_tools import ac_response
from numpy.typing import NDArray
from scipy import fft

from linecheck.checks.base import Capture, StreamEvent
from linecheck.limits.model import Bounds, LimitFile, Mask

# Filters


def _filtered(bench: Bench, taps: tuple[float, ...] | None, size: str, source: str) -> Made:
    return Made(unit_with(bench, taps=taps), None, False, size, source)


def _slow_taps(draw: np.random.Generator) -> tuple[tuple[float, ...], str]:
    low, high = draw.uniform(12e3, 18e3), draw.uniform(25e3, 32e3)
    return kaiser_taps(low, high, draw.uniform(75, 105), 352_800.0), f"falls from {low:.0f} to {high:.0f} Hz"


@fault("filter_slow")
def _filter_slow(bench: Bench, draw: np.random.Generator) -> Made:
    return _filtered(bench, *_slow_taps(draw), "Kaiser window, scipy.signal.firwin")


def _minimum_phase(taps: tuple[float, ...]) -> tuple[float, ...]:
    """Return taps of the same magnitude and minimum phase, by the cepstrum (Oppenheim and Schafer, chapter 13)."""
    count = 1 << 18
    magnitude = np.abs(fft.fft(np.array(taps), count))
    cepstrum = fft.ifft(np.log(np.maximum(magnitude, 1e-7 * magnitude.max()))).real
    cepstrum[1 : count // 2] *= 2.0
    cepstrum[count // 2 + 1 :] = 0.0
    return tuple(fft.ifft(np.exp(fft.fft(cepstrum))).real[: 6 * len(taps)].tolist())


@fault("filter_minimum_phase")
def _filter_minimum_phase(bench: Bench, draw: np.random.Generator) -> Made:
    return _filtered(bench, _minimum_phase(bench.unit.taps or ()), "", "minimum phase by the cepstrum")


@fault("filter_missing")
def _filter_missing(bench: Bench, draw: np.random.Generator) -> Made:
    if draw.uniform() < 0.4:
        # A hold, and behind it the analogue filter that is always there: second order, Butterworth.
        corner = logs(draw, 60e3, 200e3)
        low = lambda lines, hz: lines / (1 + 1j * np.sqrt(2) * hz / corner - (hz / corner) ** 2)  # noqa: E731
        return _filtered(bench.adding(transfers=low), None, f"hold, {corner:.0f} Hz behind it", "sin x / x")
    return _filtered(bench, None, "hold", "sin x / x of a hold")


@fault("filter_sharp")
def _filter_sharp(bench: Bench, draw: np.random.Generator) -> Made:
    """A healthy unit under limits that expect another filter: the masks of the slow one, or of minimum phase."""
    slow = draw.uniform() < 0.5
    limits = _other_filter(bench.limits, slow)
    return Made(
        replace(bench, limits=limits),
        None,
        False,
        f"limits expect {'slow' if slow else 'minimum phase'}",
        "limits/pellow-r3-filters.yaml",
    )


def _other_filter(limits: LimitFile, slow: bool) -> LimitFile:
    checks = []
    for check in limits.checks:
        masks = dict(check.masks)
        if check.name == "reconstruction" and slow:
            masks |= {"response_20k": Mask(Bounds(-4.5, -3.5)), "corner_3db": Mask(Bounds(18300.0, 18800.0))}
            masks |= {"stopband_attenuation": Mask(Bounds(min=70.0))}
            del masks["image_rejection"], masks["pre_ringing"]
        elif check.name == "reconstruction":
            masks["pre_ringing"] = Mask(Bounds(max=-40.0))
        elif slow and check.name == "treble_tone":
            masks["level"] = Mask(Bounds(2.75, 3.05))
        elif slow and check.name == "response":
            masks["flatness"] = Mask(Bounds(max=5.0))
        checks.append(replace(check, masks=masks))
    return replace(limits, checks=tuple(checks))


def _emphasis(hz: Array) -> NDArray[np.complex128]:
    """Pre-emphasis 50/15 µs: (1 + s·50 µs)/(1 + s·15 µs) (IEC 60908, from memory)."""
    return (1 + 2j * np.pi * hz * 50e-6) / (1 + 2j * np.pi * hz * 15e-6)


@fault("deemphasis_on")
def _deemphasis_on(bench: Bench, draw: np.random.Generator) -> Made:
    bench = bench.adding(transfers=lambda lines, hz: lines / _emphasis(hz))
    return Made(bench, None, False, "", "50/15 µs, IEC 60908, from memory")


@fault("preemphasis")
def _preemphasis(bench: Bench, draw: np.random.Generator) -> Made:
    limited = draw.uniform() < 0.5

    def stage(words: Words, moment: Moment) -> Words:
        x = words.values
        hz = np.arange(x.shape[1] + 1) * (0.5 * words.rate_hz / x.shape[1])
        x = fft.irfft(fft.rfft(x, 2 * x.shape[1], axis=-1) * _emphasis(hz), axis=-1)[:, : x.shape[1]]
        return replace(words, values=np.clip(x, -1.0, 1.0) if limited else x)

    return Made(
        bench.adding(words=ringing_out(stage)),
        None,
        False,
        "words clip" if limited else "words have room",
        "50/15 µs, IEC 60908, from memory",
    )


def _in_channels(
    weights: Array, response: Callable[[Array], NDArray[np.complex128]]
) -> Callable[[NDArray[np.complex128], Array], NDArray[np.complex128]]:
    return lambda lines, hz: np.where(weights != 0.0, lines * response(hz), lines)


@fault("low_corner")
def _low_corner(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw)
    corner, load = logs(draw, 2.5, 80.0), logs(draw, 5e3, 5e4)
    farads = 1.0 / (2 * np.pi * corner * load)
    response = ac_response(f"V1 in 0 AC 1\nRS in a 47\nC1 a out {farads:.6g}\nR1 out 0 {load:.6g}")
    bench = bench.adding(transfers=_in_channels(weights, response))
    return Made(
        bench,
        name,
        corner < 6.5,
        f"{corner:.1f} Hz, {farads * 1e6:.2f} µF",
        "ngspice: coupling capacitor into a load",
    )


@fault("treble_droop")
def _treble_droop(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw)
    corner, ohms = logs(draw, 8e3, 130e3), logs(draw, 100, 2e3)
    farads = 1.0 / (2 * np.pi * corner * ohms)
    netlist = f"V1 in 0 AC 1\nR1 in out {ohms:.6g}\nC1 out 0 {farads:.6g}"
    if draw.uniform() < 0.4:
        netlist = (
            f"V1 in 0 AC 1\nR1 in a {ohms:.6g}\nC1 a 0 {farads:.6g}\n"
            f"R2 a out {8 * ohms:.6g}\nC2 out 0 {farads / 16:.6g}"
        )
    bench = bench.adding(transfers=_in_channels(weights, ac_response(netlist)))
    return Made(bench, name, corner > 70e3, f"{corner:.0f} Hz", "ngspice: output resistor and capacitor")


@fault("treble_peak")
def _treble_peak(bench: Bench, draw: np.random.Generator) -> Made:
    weights, name = some(draw)
    corner, quality = logs(draw, 22e3, 75e3), logs(draw, 1.0, 4.0)
    ohms = 2.2e3
    c2 = 1.0 / (4 * np.pi * corner * ohms * quality)
    c1 = 4 * quality**2 * c2
    netlist = (
        f"V1 in 0 AC 1\nR1 in a {ohms}\nR2 a b {ohms}\nC1 a out {c1:.6g}\nC2 b 0 {c2:.6g}\nE1 out 0 b out 1e6"
    )
    bench = bench.adding(transfers=_in_channels(weights, ac_response(netlist)))
    rise = 20 * np.log10(abs(ac_response(netlist)(np.array([2e4]))[0]))
    return Made(
        bench,
        name,
        rise < 0.5,
        f"{corner:.0f} Hz, Q {quality:.1f}: {rise:.2f} dB at 20 kHz",
        "ngspice: Sallen-Key low-pass with a wrong capacitor",
    )


# Crosstalk


def _crossing(bench: Bench, draw: np.random.Generator, netlist: str, level: float, source: str) -> Made:
    index, name = either(draw)
    both = draw.uniform() < 0.7
    hit = np.ones((2, 1)) if both else np.eye(2)[index][:, None]
    response = ac_response(netlist)
    bench = bench.adding(transfers=lambda lines, hz: lines + hit * lines[::-1] * response(hz))
    weak = level < -107.0
    return Made(bench, None if both else name, weak, f"{level:.0f} dB", source)


@fault("crosstalk_capacitive")
def _crosstalk_capacitive(bench: Bench, draw: np.random.Generator) -> Made:
    level, ohms = draw.uniform(-115.0, -45.0), logs(draw, 100, 2e3)
    farads = db(level) / (2 * np.pi * 10e3 * ohms)
    netlist = f"V1 in 0 AC 1\nC1 in out {farads:.6g}\nR1 out 0 {ohms:.6g}"
    return _crossing(
        bench, draw, netlist, level, "ngspice: stray capacitance into a source resistance; dB at 10 kHz"
    )


@fault("crosstalk_common")
def _crosstalk_common(bench: Bench, draw: np.random.Generator) -> Made:
    level, load = draw.uniform(-113.0, -45.0), logs(draw, 600, 2e4)
    ohms = load * db(level)
    netlist = f"V1 in 0 AC 1\nRL in out {load:.6g}\nRG out 0 {ohms:.6g}"
    return _crossing(bench, draw, netlist, level, "ngspice: two loads on one ground resistance")


# The rest


@fault("wrong_model")
def _wrong_model(bench: Bench, draw: np.random.Generator) -> Made:
    taps, size = _slow_taps(draw)
    if draw.uniform() < 0.4:
        taps, size = _minimum_phase(bench.unit.taps or ()), "minimum phase"
    volts = float(draw.choice((1.0, 2.0, 2.1, 2.5, 3.0)))
    unit: Unit = replace(
        bench.unit,
        volts=volts,
        taps=taps,
        clock_ppm=float(draw.choice((-1, 1))) * draw.uniform(25, 90),
        noise_volts=tuple((logs(draw, 4e-6, 3e-5) * np.ones(2)).tolist()),
        second=db(draw.uniform(-115, -95)),
        third=db(draw.uniform(-115, -95)),
        crosstalk=db(draw.uniform(-116, -90)),
    )
    return Made(replace(bench, unit=unit), None, False, f"{volts} V, {size}", TRADE)


@fault("swapped_files")
def _swapped_files(bench: Bench, draw: np.random.Generator) -> Made:
    count = int(draw.integers(2, 5))

    def stage(taken: dict[str, Capture], generator: np.random.Generator) -> dict[str, Capture]:
        names = generator.choice(sorted(taken), count, replace=False).tolist()
        turned = names[1:] + names[:1]
        return taken | {name: taken[other] for name, other in zip(names, turned, strict=True)}

    return Made(bench.adding(whole=stage), None, False, f"{count} recordings", TRADE)


@fault("station_failed")
def _station_failed(bench: Bench, draw: np.random.Generator) -> Made:
    names = [check.name for check in bench.limits.checks]
    if draw.uniform() < 0.4:
        name = str(draw.choice(names))
        return Made(replace(bench, failing=name), None, False, f"gone at {name}", TRADE)
    code, hit = str(draw.choice(("overrun", "underrun"))), some_checks(bench, draw, 0.1)

    def stage(taken: Capture, moment: Moment) -> Capture:
        if moment.check not in hit:
            return taken
        seconds = moment.noise.uniform(moment.begins, moment.ends)
        at, count = int(seconds * taken.rate_hz), int(logs(moment.noise, 64, 4096))
        samples = np.delete(taken.samples, slice(at, at + count), axis=0)
        return replace(
            taken, samples=samples, events=(StreamEvent(code, seconds, f"the driver reported an {code}"),)
        )

    return Made(bench.adding(frames=stage), None, False, f"{code} in {len(hit)} checks", TRADE)
