"""A small limit file and a small station, so that a whole run takes a moment."""

import functools
import sys
import tempfile
from pathlib import Path

from linecheck.captures.capture_set import write_capture_set
from linecheck.checks import kinds
from linecheck.cli import main
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import Bounds, Check, LimitFile, Mask
from linecheck.run.plan import make_plan
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

CAPTURE_RATE_HZ = 48_000


def small_check(name, kind, masks=None, reference=None, **stimulus):
    """Return a check that takes a fraction of a second."""
    found = kinds()[kind]
    parameters = found.stimulus_parameters(**{"seconds": 0.25, **stimulus})
    return Check(name, found, parameters, found.analysis_parameters(), {}, masks or {}, reference)


def small_limits(*checks):
    """Return the limit file of these checks, or of a tone, a quiet that refers to it, and a wiring."""
    if not checks:
        checks = (
            small_check("quiet", "quiet", {"snr": Mask(Bounds(90.0))}, "tone"),
            small_check("tone", "tone", {"sinad": Mask(Bounds(90.0)), "level": Mask(Bounds(3.5, 4.5))}),
            small_check("wiring", "wiring", {"order": Mask(Bounds(1.0, 1.0))}),
        )
    return LimitFile(
        path="limits/pellow-r3.yaml",
        sha256="ab" * 32,
        model="pellow-r3",
        revision=1,
        channels=("left", "right"),
        serial_pattern="PR3-[0-9]{6}",
        decision="simple",
        setup={},
        checks=tuple(checks),
    )


def simulated(*faults, **unit):
    """Return an interface to a typical unit with these faults."""
    parts = {"start_seconds": (0.02, 0.05), "tail_seconds": 0.05, **unit}
    return SimulatedInterface(SimulatedUnit(**parts), capture_rate_hz=CAPTURE_RATE_HZ, faults=faults)


LIMITS = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
checks:
  quiet:
    kind: quiet
    stimulus: {seconds: 0.25}
    analysis: {reference: tone}
    masks:
      snr: {pass: {min: 100}}
  tone:
    kind: tone
    stimulus: {seconds: 0.25}
    masks:
      sinad: {pass: {min: 108}, fail: {min: 90}}
      level: {pass: {min: 3.5, max: 4.5}}
      spectrum: {pass: {max: [[20, -60], [20000, -60]]}}
  wiring:
    kind: wiring
    stimulus: {seconds: 0.25}
    masks:
      order: {pass: {min: 1}}
"""

STATION = """format = 1
station = "bench"
interface = "simulated"
mains_hz = 50
[capture]
rate_hz = 48000
full_scale_volts = [8.0, 8.0]
[simulated]
start_seconds = [0.02, 0.05]
tail_seconds = 0.05
"""


def write_small_files(folder, *, limits=LIMITS, station=STATION):
    """Write a limit file and a station config and return the arguments that name them."""
    (folder / "limits.yaml").write_text(limits, encoding="utf-8")
    (folder / "station.toml").write_text(station, encoding="utf-8")
    return ["--station", str(folder / "station.toml"), "--limits", str(folder / "limits.yaml")]


@functools.cache
def small_captures():
    """Return the captures of a good unit, by check of LIMITS; they are taken once, and shared."""
    with tempfile.TemporaryDirectory() as folder:
        write_small_files(Path(folder))
        plan = make_plan(load_limits(Path(folder) / "limits.yaml"))
    interface = simulated()
    return {entry.check.name: interface.play(entry.check.name, entry.stimulus) for entry in plan.checks}


def write_small_set(folder):
    """Write the capture set of a good unit and return its folder."""
    return write_capture_set(folder, small_captures(), model="pellow-r3", serial="PR3-004711")


def call(monkeypatch, capsys, *arguments):
    """Run the command line in this process and return its exit status, standard output and standard error."""
    monkeypatch.setattr(sys, "argv", ["linecheck", *map(str, arguments)])
    status = 0
    try:
        main()
    except SystemExit as error:
        status = int(error.code or 0)
    captured = capsys.readouterr()
    return status, captured.out, captured.err
