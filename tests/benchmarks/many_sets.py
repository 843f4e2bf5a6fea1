"""Many capture sets: how many a second, over reading their files and one Fourier transform of every channel."""

import importlib.util
import os
import shutil
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

import numpy as np
from scipy.fft import next_fast_len, rfft
from small_run import CAPTURE_RATE_HZ, LIMITS

from linecheck.audio.file import read_audio
from linecheck.captures.capture_set import write_capture_set
from linecheck.captures.many_sets import judge_sets
from linecheck.captures.workers import set_workers
from linecheck.limits.loading.load import load_limits
from linecheck.run.plan import make_plan
from linecheck.station.interfaces.simulated.interface import SimulatedInterface

DEMO = Path(__file__).parents[2] / "limits" / "pellow-r3.yaml"


def rows(quick):
    """Return the table's lines: one worker, two of them, two of a cluster where there is one."""
    sets = 4 if quick else 16
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        limits = _limits(Path(folder), quick)
        paths = _written(Path(folder), limits, sets)
        floor = min(_floor(paths) for _ in range(2))
        table, alone = [], None
        for name, workers in _crews(stack):
            list(judge_sets(paths[:2], [limits], workers))  # they are started, and have loaded what they need
            wall = min(_wall(paths, limits, workers) for _ in range(1 if quick else 2))
            alone = alone or wall
            table.append(
                (
                    f"{sets} sets of {len(limits.checks)} checks, {name}",
                    f"{sets / wall:.2f} sets a second, {alone / wall:.2f} times one worker",
                    f"reading and one FFT {sets / floor:.1f} sets a second",
                    f"{wall / floor:.1f}",
                    "no more with two than half of it with one",
                )
            )
    return table


def _limits(folder, quick):
    if not quick:
        return load_limits(DEMO)
    (folder / "limits.yaml").write_text(LIMITS, encoding="utf-8")
    return load_limits(folder / "limits.yaml")


def _written(folder, limits, sets):
    """Write a set, and copies of it: other files with the same sound."""
    interface = SimulatedInterface(capture_rate_hz=CAPTURE_RATE_HZ if len(limits.checks) < 5 else 192_000)
    plan = make_plan(limits)
    taken = {entry.check.name: interface.play(entry.check.name, entry.stimulus) for entry in plan.checks}
    first = write_capture_set(folder / "set-0", taken, model=limits.model, serial="PR3-000001")
    copies = [shutil.copytree(first, folder / f"set-{number}") for number in range(1, sets)]
    return [str(path) for path in (first, *copies)]


def _floor(paths):
    begun = time.perf_counter()
    for path in paths:
        for entry in (Path(path) / name for name in sorted(os.listdir(path)) if name.endswith(".wav")):
            audio = read_audio(entry)
            values = np.ascontiguousarray(audio.samples.T, dtype=np.float64)
            rfft(values, next_fast_len(values.shape[1], real=True))
    return time.perf_counter() - begun


def _wall(paths, limits, workers):
    begun = time.perf_counter()
    found = list(judge_sets(paths, [limits], workers))
    wall = time.perf_counter() - begun
    assert all(judged.outcome is not None for judged in found)
    return wall


def _crews(stack):
    """Yield who judges; those before are ended first."""
    for count in (1, 2):
        with set_workers(count) as workers:
            yield f"{count} worker{'s' if count > 1 else ''}", workers
    if importlib.util.find_spec("distributed") is not None:
        from captures.loopback_cluster import loopback_cluster

        from linecheck.captures.cluster import cluster_workers

        cluster = stack.enter_context(loopback_cluster(2))
        yield "2 workers of a cluster", stack.enter_context(cluster_workers(cluster.address))
