"""Capture sets that are judged in a moment, so that a test can have many."""

from small_run import simulated

from linecheck.captures.capture_set import write_capture_set
from linecheck.limits.loading.load import load_limits
from linecheck.run.plan import make_plan

LIMITS = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
checks:
  wiring:
    kind: wiring
    stimulus: {seconds: 0.25}
    masks:
      order: {pass: {min: 1}}
      polarity: {pass: {min: 1}}
"""


def write_limits(folder, text=LIMITS, name="limits.yaml"):
    """Write a limit file and return it, loaded."""
    (folder / name).write_text(text, encoding="utf-8")
    return load_limits(folder / name)


def write_sets(folder, limits, faults):
    """Write a set for each entry of ``faults`` (a fault's name, or None), and return their paths as texts."""
    plan = make_plan(limits)
    paths = []
    for number, fault in enumerate(faults):
        interface = simulated(*([fault] if fault else []))
        taken = {entry.check.name: interface.play(entry.check.name, entry.stimulus) for entry in plan.checks}
        path = folder / f"set-{number}"
        write_capture_set(path, taken, model=limits.model, serial=f"PR3-{number:06}", firmware="1.4.2")
        paths.append(str(path))
    return paths
