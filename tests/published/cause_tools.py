"""General-purpose programs as the source of a fault's truth: ngspice for circuits, sox for effects, two codecs.

================================  =================================================================
:func:`ac_response`               transfer function of a netlist, as a function of Hz
:func:`dc_curve`                  output over input of a netlist
:func:`follower`                  an output stage in its feedback loop, from its open curve
:func:`sox`                       words through effects of sox
:func:`mp3`, :func:`opus`         words through a lossy codec (LAME, Opus)
================================  =================================================================
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PchipInterpolator

Array = NDArray[np.float64]

#: Ahead of a program that works in whole numbers, and taken back behind it: 6 dB, so that overshoots are not clipped.
HEADROOM = 0.5


def _ngspice(netlist: str, analysis: str, vector: str) -> Array:
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.txt"
        text = (
            f"* circuit\n.options reltol=1e-7 abstol=1e-14 vntol=1e-10\n{netlist}\n{analysis}\n.control\n"
            f"set numdgt=15\nset wr_singlescale\nrun\nwrdata {out} {vector}\nquit\n.endc\n.end\n"
        )
        deck = Path(folder) / "deck.cir"
        deck.write_text(text)
        subprocess.run(["ngspice", "-b", str(deck)], check=False, capture_output=True, timeout=60)
        return np.loadtxt(out)


@lru_cache
def ac_response(netlist: str, node: str = "out") -> Callable[[Array], NDArray[np.complex128]]:
    """Return the response at a node to the netlist's source of 1 V, as a function of Hz.

    ngspice's small-signal analysis at 60 points a decade from 0.05 Hz to 1 MHz, between them a cubic spline over the
    logarithm of the frequency of real and imaginary part; below its lowest frequency as there.
    """
    frequencies, real, imaginary = _ngspice(netlist, ".ac dec 60 0.05 1meg", f"v({node})").T
    spline = CubicSpline(np.log(frequencies), np.stack((real, imaginary), axis=1))

    def response(frequencies_hz: Array) -> NDArray[np.complex128]:
        parts = spline(np.log(np.maximum(frequencies_hz, frequencies[0])))
        return parts[:, 0] + 1j * parts[:, 1]

    return response


@lru_cache
def dc_curve(netlist: str, source: str, reach: float, points: int = 2401) -> tuple[Array, Array]:
    """Return input and output volts of a netlist's node ``out`` over a sweep of a source by ±``reach`` volts."""
    step = 2.0 * reach / (points - 1)
    found = _ngspice(netlist, f".dc {source} {-reach:.9g} {reach:.9g} {step:.12g}", "v(out)")
    return found[:, 0], found[:, 1]


def follower(drive: Array, output: Array, loop_gain: float, top: float) -> tuple[Array, Array]:
    """Return the curve of a stage inside a loop: input volts on an even grid up to ±``top``, and output volts.

    With the open stage's output f(d) and d = A · (input - output), each output belongs to the input
    output + f⁻¹(output)/A (negative feedback; Black 1934, from memory).
    """
    keep = np.concatenate(([True], np.diff(np.maximum.accumulate(output)) > 1e-13))
    drive, output = drive[keep], output[keep]
    asked = output + drive / loop_gain
    grid = np.linspace(-top, top, 200_001)
    inside = np.clip(grid, asked[0], asked[-1])
    return grid, PchipInterpolator(asked, output)(inside)


def sox(values: Array, rate_hz: float, *effects: str, out_rate_hz: float | None = None) -> Array:
    """Return words behind effects of sox (SoX 14.4.2, ``man sox``); shape (channels, frames), full scale 1.0."""
    into = ["-t", "f64", "-r", f"{rate_hz:.0f}", "-c", str(len(values))]
    out = ["-t", "f64", "-r", f"{out_rate_hz or rate_hz:.0f}", "-c", str(len(values))]
    command = ["sox", "-D", *into, "-", *out, "-", *effects]
    done = subprocess.run(
        command, input=(HEADROOM * values.T).tobytes(), capture_output=True, check=True, timeout=60
    )
    return np.frombuffer(done.stdout).reshape(-1, len(values)).T / HEADROOM


def mp3(values: Array, rate_hz: float, kbit: int) -> Array:
    """Return words through an MP3 of a constant rate (LAME 3.100)."""
    return _codec(
        values,
        rate_hz,
        ["lame", "--quiet", "-b", str(kbit), "IN", "MID"],
        ["lame", "--quiet", "--decode", "MID", "OUT"],
    )


def opus(values: Array, rate_hz: float, kbit: int) -> Array:
    """Return words through Opus and back to their rate (opus-tools)."""
    return _codec(
        values,
        rate_hz,
        ["opusenc", "--quiet", "--bitrate", str(kbit), "IN", "MID"],
        ["opusdec", "--quiet", "--rate", f"{rate_hz:.0f}", "MID", "OUT"],
    )


def _codec(values: Array, rate_hz: float, encode: list[str], decode: list[str]) -> Array:
    with tempfile.TemporaryDirectory() as folder:
        names = {"IN": f"{folder}/in.wav", "MID": f"{folder}/mid", "OUT": f"{folder}/out.wav"}
        soundfile.write(names["IN"], HEADROOM * values.T, int(rate_hz), subtype="PCM_24")
        for command in (encode, decode):
            words = [names.get(word, word) for word in command]
            subprocess.run(words, check=True, capture_output=True, timeout=60)
        decoded, rate = soundfile.read(names["OUT"], always_2d=True)
        assert rate == int(rate_hz)
        return decoded.T / HEADROOM
