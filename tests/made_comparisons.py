"""Comparisons made up by hand, so that what is signed is tested without comparing anything."""

from dataclasses import replace

from linecheck.history.comparison.model import Comparison, Finding, Side, SideCheck
from linecheck.limits.verdict import Verdict

DIGEST = "d1" * 32


def made_side(label="A", verdict=Verdict.PASS, **changes):
    """Return a side of one check under one filter setting."""
    setting = "sharp" if label == "A" else "slow"
    side = Side(
        label=label,
        reference=f"results/PR3-000001-{setting}",
        name=setting,
        source="record 1 of results/linecheck.sqlite",
        run_id=f"{label.lower()}0000000-0000-4000-8000-000000000000",
        serial="PR3-000001",
        model="pellow-r3",
        verdict=verdict,
        firmware="1.4.2",
        station="line-2-nest-a",
        software="linecheck 0.1.0",
        started="2026-11-20T08:15:00.000000Z",
        recorded=None,
        limit_path="limits/pellow-r3.yaml",
        limit_revision=3,
        limit_sha256="ab" * 32,
        calibration={},
        interface={"kind": "simulated"},
        checks={
            "reconstruction": SideCheck(
                f"reconstruction@filter={setting}",
                {"filter": setting},
                verdict,
                "5a" * 32,
                label.lower() * 64,
            )
        },
    )
    return replace(side, **changes)


def made_comparison(*sides, digest=DIGEST, **changes):
    """Return a comparison of these sides; of a sharp and a slow filter where none are given."""
    text = "slow loses 2.6 dB at 18 kHz against sharp"
    finding = Finding("B", text, "reconstruction", "droop", ("left",), -2.6, 0.02, "dB", True, 26.0, 18000.0)
    comparison = Comparison(
        created="2026-11-20T09:00:00.000000Z",
        software="linecheck 0.1.0",
        limit_path="limits/pellow-r3.yaml",
        limit_revision=3,
        limit_sha256="ab" * 32,
        channels=("left", "right"),
        sides=sides or (made_side("A"), made_side("B")),
        sigmas=4.3,
        comparisons=200,
        values=(),
        curves=(),
        findings=(finding,),
        digest=digest,
    )
    return replace(comparison, **changes)
