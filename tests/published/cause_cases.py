"""Cases of faulty and clean units with the codes of their causes, none made by the project's own simulated unit.

``python tests/published/cause_cases.py --out FOLDER [--codes a,b] [--seeds 0-9] [--clean N]`` judges them and keeps
each as ``FOLDER/CODE-SEED.pickle``: a dict with ``case`` (the fields of :class:`Case`) and ``run``
(:class:`linecheck.run.model.Run`). What is there already is skipped. Seeds are outermost: seed 0 of every code comes
first. Besides the codes there are ``none_of_these`` (the seed modulo the number of unknown faults says which) and
``two_at_once``.

=========================  ===================================================================
:class:`Case`              what is wrong with a unit, and how that is known
:func:`made`               a bench and its case, by name and seed
:data:`NAMES`              every name
=========================  ===================================================================
"""

from __future__ import annotations

import argparse
import os
import pickle
import sys
import time
import traceback
import zlib
from collections import Counter
from dataclasses import asdict, dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from cause_bench import Bench, healthy, judged
from cause_faults import FAULTS, Made
from cause_unknown import UNKNOWN

from linecheck.limits.verdict import Verdict
from linecheck.run.model import Run

CLEAN, NONE, TWO = "clean", "none_of_these", "two_at_once"

#: Independent faults of different groups, each of which has to be seen beside the other.
PAIRS = (
    ("ground_loop", "distortion_even"),
    ("supply_hum", "channel_gain"),
    ("noise_white", "low_corner"),
    ("clock_off", "crosstalk_capacitive"),
    ("jitter_mains", "treble_droop"),
    ("inverted_polarity", "supply_hum"),
    ("swapped_channels", "noise_white"),
    ("filter_slow", "ground_loop"),
    ("deemphasis_on", "distortion_odd"),
    ("truncated_16", "supply_hum"),
    ("unit_clipping", "switching_supply"),
    ("volume_down", "crosstalk_common"),
    ("channel_delay", "noise_flicker"),
    ("jitter_frames", "usb_frame_noise"),
    ("bit_weight", "low_corner"),
    ("filter_minimum_phase", "clock_off"),
    ("crossover", "supply_modulation"),
    ("gain_wrong", "ground_loop"),
    ("oscillation", "distortion_even"),
    ("one_bit_noise", "channel_gain"),
)

NAMES = (*FAULTS, NONE, TWO, CLEAN)


@dataclass(frozen=True)
class Case:
    """What is wrong with a unit.

    Attributes
    ----------
    name : str
        Which row of the corpus it is of.
    codes : tuple of str
        The causes; ``none_of_these`` where no code describes it, none where the unit is clean.
    channel : str or None
        The channel that alone is hit; of the first cause.
    channels : tuple of str or None
        The same of each cause.
    seed : int
    weak : bool
        Whether a size is less than twice what the masks still pass, or passes them.
    size, source : str
        In words, and where the truth comes from.
    mains_hz : float
    """

    name: str
    codes: tuple[str, ...]
    channel: str | None
    channels: tuple[str | None, ...]
    seed: int
    weak: bool
    size: str
    source: str
    mains_hz: float


def made(name: str, seed: int) -> tuple[Bench, Case]:
    """Return the bench of a case; equal names and seeds give equal captures."""
    key = zlib.crc32(name.encode())
    bench = healthy((key % 100_000) * 1000 + seed if name != CLEAN else seed)
    draw = np.random.default_rng((key, seed))
    if name == CLEAN:
        return bench, Case(name, (), None, (), seed, False, "", "a healthy unit", bench.mains_hz)
    makers, codes = _makers(name, seed)
    parts: list[Made] = []
    for maker in makers:
        parts.append(maker(bench, draw))
        bench = parts[-1].bench
    case = Case(
        name=name,
        codes=codes,
        channel=parts[0].channel,
        channels=tuple(part.channel for part in parts),
        seed=seed,
        weak=any(part.weak for part in parts),
        size="; ".join(part.size for part in parts),
        source="; ".join(part.source for part in parts),
        mains_hz=bench.mains_hz,
    )
    return bench, case


def _makers(name, seed):
    if name == TWO:
        pair = PAIRS[seed % len(PAIRS)]
        return [FAULTS[code] for code in pair], pair
    if name == NONE:
        return [list(UNKNOWN.values())[seed % len(UNKNOWN)]], (NONE,)
    return [FAULTS[name]], (name,)


def not_passing(run: Run) -> int:
    """Return how many masks do not pass, each in each channel."""
    judged_all = [item for check in run.checks for item in (*check.judged.readings, *check.judged.curves)]
    return sum(item.verdict not in (None, Verdict.PASS) for item in judged_all)


def _seeds(text: str) -> range:
    first, _, last = text.partition("-")
    return range(int(first), int(last or first) + 1)


def _jobs(options) -> list[tuple[str, int]]:
    names = options.codes.split(",") if options.codes else [name for name in NAMES if name != CLEAN]
    jobs = []
    for seed in _seeds(options.seeds):
        for name in names:
            # Three variations of each unknown fault, and two rounds of pairs, within ten seeds.
            spread = {NONE: -(-3 * len(UNKNOWN) // 10), TWO: 2}.get(name, 1) if not options.codes else 1
            jobs += [(name, spread * seed + turn) for turn in range(spread)]
    every = max(1, len(jobs) // max(1, options.clean))
    clean = [(CLEAN, seed) for seed in range(options.clean)]
    for place, job in enumerate(clean):
        jobs.insert(min(len(jobs), (every + 1) * (place + 1)), job)
    return jobs


def main() -> None:
    """Run the cases that a command line asks for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--codes", default="")
    parser.add_argument("--seeds", default="0-9")
    parser.add_argument("--clean", type=int, default=0, help="so many clean units besides")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    for name, seed in _jobs(options):
        path = options.out / f"{name}-{seed}.pickle"
        if path.exists():
            continue
        began = time.monotonic()
        try:
            bench, case = made(name, seed)
            run = judged(bench)
        except Exception:
            print(f"{name:22} {seed:3} COULD NOT BE MADE", traceback.format_exc(limit=-3), flush=True)
            continue
        part = path.with_suffix(".part")
        part.write_bytes(pickle.dumps({"case": asdict(case), "run": run}))
        part.rename(path)
        codes = Counter(problem.code for check in run.checks for problem in check.judged.problems)
        told = ", ".join(f"{code} {count}" for code, count in codes.most_common(4))
        print(
            f"{name:22} {seed:3} {run.verdict.value:8} {not_passing(run):3} masks {'weak ' if case.weak else ''}"
            f"{case.channel or ''} {'+'.join(case.codes)} [{case.size}] {told} {time.monotonic() - began:.1f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()
