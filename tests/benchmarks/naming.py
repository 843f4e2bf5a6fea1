"""Causes: the time that naming them takes of a run with every check, over a Fourier transform of a second of audio."""

import time

import numpy as np
from scipy.fft import rfft

from linecheck.causes import name_causes
from linecheck.limits.loading.load import load_limits
from linecheck.measure.executors import InlineExecutor
from linecheck.run.plan import make_plan
from linecheck.station.config.station import CalibrationConfig
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.runner import RunFacts, run_unit

TARGET_MS = 50.0


def _best(function, repeats):
    walls = []
    for _ in range(repeats):
        begun = time.perf_counter()
        function()
        walls.append(time.perf_counter() - begun)
    return min(walls)


def rows(quick):
    """Return the table's lines, one for a fault with few symptoms and one with many."""
    repeats = 3 if quick else 10
    plan = make_plan(load_limits("limits/pellow-r3.yaml"))
    second = np.random.default_rng(1).standard_normal((2, 192_000))
    floor = _best(lambda: rfft(second), repeats)
    table = []
    for fault in ("coupling_capacitor", "output_clipping"):
        interface = SimulatedInterface(faults=(fault,))
        facts = RunFacts(serial="PR3-000001", calibration=CalibrationConfig())
        run = run_unit(plan, facts, interface, InlineExecutor()).outcome
        wall = _best(lambda run=run: name_causes(run), repeats)
        table.append(
            (
                f"naming causes of {fault}",
                f"{1e3 * wall:.0f} ms",
                f"FFT of a second {1e3 * floor:.0f} ms",
                f"{wall / floor:.1f}",
                f"at most {TARGET_MS:g} ms",
            )
        )
    return table
