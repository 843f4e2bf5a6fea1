"""Runs made by hand for tests of figures, and what is drawn, read back out of the SVG."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
from made_runs import made_run, recorded_check, with_checks

from linecheck.checks.base import Curve, Problem, Reading
from linecheck.limits.decision import judge_curve, judge_reading
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import JudgedMeasurement
from linecheck.report.figures.data import Figure
from linecheck.report.figures.drawing.frame import frame_of
from linecheck.run.model import CheckOutcome, Run

SVG = "{http://www.w3.org/2000/svg}"
SPECTRUM_MASK = Mask(
    Bounds(max=((20.0, -108.0), (200.0, -112.0), (20000.0, -112.0))),
    Bounds(max=((20.0, -102.0), (200.0, -106.0), (20000.0, -106.0))),
)


def spectrum(channel: str, seed: int = 1, points: int = 1626, line_db: float = -118.0) -> Curve:
    """Return noise of one sort with a line at 2 kHz."""
    x = np.geomspace(20.0, 20000.0, points)
    y = -150.0 + 4.0 * np.random.default_rng(seed).standard_normal(points)
    y[np.argmin(np.abs(x - 2000.0))] = line_db
    return Curve("spectrum", channel, x, "Hz", y, "dB", 5.0, np.full(points, 0.5))


def check_of(
    curves: list[Curve],
    mask: Mask | None = None,
    *,
    name: str = "tone",
    kind: str = "tone",
    log_x: bool = True,
    readings: list[tuple[Reading, Mask | None]] | None = None,
    problems: tuple[Problem, ...] = (),
) -> CheckOutcome:
    """Return a check with these curves, judged."""
    judged = JudgedMeasurement(
        tuple(judge_reading(limits, reading, "simple") for reading, limits in readings or []),
        tuple(judge_curve(mask, curve, log_x, "simple") for curve in curves),
        problems,
    )
    return CheckOutcome(name, kind, {}, judged, 1.0)


def view_of(
    *checks: CheckOutcome,
    masks: dict[str, Mask] | None = None,
    serial: str = "PR3-000001",
    stimulus: dict[str, object] | None = None,
) -> Run:
    """Return a run with these checks; every one of them has these masks and this stimulus."""
    known = (recorded_check(check.check, check.kind, masks, stimulus) for check in checks)
    run = made_run(*checks, serial=serial, run_id="1" * 8, firmware=None, operator=None, station=None)
    return replace(with_checks(run, *known), source="made by hand")


def group(text: str, ending: str) -> ElementTree.Element:
    """Return the SVG's group whose id ends like this; it fails where there is not exactly one."""
    found = [
        element
        for element in ElementTree.fromstring(text).iter(f"{SVG}g")
        if element.get("id", "").endswith(ending)
    ]
    assert len(found) == 1, ending
    return found[0]


def drawn_points(text: str, figure: Figure, ending: str) -> np.ndarray:
    """Return the corners of a line of the SVG in the figure's own numbers, shape (points, 2)."""
    left, top, right, bottom = _axes_box(text)
    path = next(group(text, ending).iter(f"{SVG}path")).get("d", "")
    corners = corners_of(path)
    frame = frame_of(figure)
    across = (corners[:, 0] - left) / (right - left)
    up = (bottom - corners[:, 1]) / (bottom - top)
    if figure.x.log:
        x = frame.x_low * (frame.x_high / frame.x_low) ** across
    else:
        x = frame.x_low + across * (frame.x_high - frame.x_low)
    return np.column_stack([x, frame.y_low + up * (frame.y_high - frame.y_low)])


def corners_of(path: str) -> np.ndarray:
    """Return the corners of a path of moves and straight lines, shape (corners, 2) (SVG 2, 9.3: paths)."""
    corners, here = [], np.zeros(2)
    for letter, numbers in re.findall(r"([MLml])([^MLmlzZ]*)", path):
        values = np.array(
            [float(number) for number in re.findall(r"-?(?:\d+\.?\d*|\.\d+)(?:e-?\d+)?", numbers)]
        )
        for pair in values.reshape(-1, 2):
            here = pair if letter.isupper() else here + pair
            corners.append(here)
    return np.array(corners).reshape(-1, 2)


def _axes_box(text: str) -> tuple[float, float, float, float]:
    """Return left, top, right and bottom of the axes: the second rectangle, after the paper."""
    path = re.findall(r'<path d="M([\d.]+) ([\d.]+)L([\d.]+) [\d.]+L[\d.]+ ([\d.]+)L', text)[1]
    left, bottom, right, top = (float(value) for value in path)
    return left, top, right, bottom


def distances(points: np.ndarray, figure: Figure, drawn: np.ndarray) -> np.ndarray:
    """Return how far each point lies from the nearest corner drawn, as a share of the axes."""
    frame = frame_of(figure)

    def shares(values: np.ndarray) -> np.ndarray:
        if figure.x.log:
            across = np.log(values[:, 0] / frame.x_low) / np.log(frame.x_high / frame.x_low)
        else:
            across = (values[:, 0] - frame.x_low) / (frame.x_high - frame.x_low)
        return np.column_stack([across, (values[:, 1] - frame.y_low) / (frame.y_high - frame.y_low)])

    apart = shares(points)[:, None, :] - shares(drawn)[None, :, :]
    return np.min(np.max(np.abs(apart), axis=2), axis=1)


def renamed(curve: Curve, **changes: object) -> Curve:
    """Return a curve with other values."""
    return replace(curve, **changes)
