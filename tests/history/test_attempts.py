from dataclasses import replace

import pytest
from made_runs import LIMITS, made_check, made_curve, made_reading, made_run

from linecheck.history.attempts import Changed, Moved, attempt_changes
from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.run.facts import Asset


@pytest.fixture
def changes(tmp_path):
    """Store two runs and return what changed from the first to the second."""

    def of(first, second):
        with Log(tmp_path / "log.sqlite") as log:
            one, two = (log.append(run).sequence for run in (first, second))
            return attempt_changes(log.record(one), log.record(two))

    return of


def test_nothing_changed(changes):
    found = changes(made_run(), made_run())
    assert (found.flips, found.moved, found.facts, found.why) == ((), (), (), "")
    assert found.compared > 0


def test_what_is_judged_otherwise(changes):
    before = made_run(
        made_check(made_reading(Verdict.FAIL, 105.0), made_curve(Verdict.FAIL), made_reading(channel="right"))
    )
    after = made_run(
        made_check(made_reading(), made_curve(), made_reading(Verdict.INVALID, None, channel="right"))
    )
    assert changes(before, after).flips == (
        Changed("tone sinad left", Verdict.FAIL, Verdict.PASS),
        Changed("tone sinad right", Verdict.PASS, Verdict.INVALID),
        Changed("tone spectrum curve left", Verdict.FAIL, Verdict.PASS),
    )


def test_what_has_moved_beyond_its_uncertainty(changes):
    # Of 0.03 dB each, the difference is known to 0.042 dB: 0.08 dB is noise, 0.8 dB is not, whatever is allowed for.
    before = made_run(made_check(made_reading(value=113.0), made_reading(value=113.0, channel="right")))
    after = made_run(made_check(made_reading(value=113.08), made_reading(value=112.2, channel="right")))
    (moved,) = changes(before, after).moved
    assert moved == Moved(
        "tone sinad right", 113.0, 112.2, pytest.approx(0.03 * 2**0.5), "dB", "worse", judged=True
    )
    assert moved.sigmas == pytest.approx(0.8 / 0.0424, rel=1e-3)


def test_what_a_mask_judges_comes_first(changes):
    def run(sinad, thd):
        return made_run(made_check(made_reading(value=sinad), made_reading(None, thd, "thd")))

    found = changes(run(113.0, -130.0), run(112.0, -110.0))
    assert [(moved.subject, moved.judged) for moved in found.moved] == [
        ("tone sinad left", True),
        ("tone thd left", False),
    ]


def test_what_else_was_not_the_same(changes):
    cable = Asset("cable", "CB-12", {"due": "2027-01-31"})
    first = made_run(lot="L-7", assets=(cable,), packages={"numpy": "2.0"}, identity={"boot": "1"})
    second = replace(
        made_run(limits=replace(LIMITS, revision=2, sha256="cd" * 32), firmware="1.4.3"),
        calibration={"due": "2027-02-28"},
        interface={"kind": "simulated", "faults": "hum"},
        assets=(replace(cable, id="CB-13"),),
        packages={"numpy": "2.1"},
        identity={"boot": "1"},
    )
    assert changes(first, second).facts == (
        Changed("firmware", "1.4.2", "1.4.3"),
        Changed("lot", "L-7", None),
        Changed("asset cable", "CB-12, due 2027-01-31", "CB-13, due 2027-01-31"),
        Changed("calibration due", "2027-01-31", "2027-02-28"),
        Changed("interface faults", None, "hum"),
        Changed("package numpy", "2.0", "2.1"),
        Changed("limit revision", "1", "2"),
        Changed("limit file's bytes", "ab" * 6, "cd" * 6),
    )


def test_other_setups_and_checks_that_were_not_run(changes):
    slow = made_run(made_check(made_reading(), setup={"filter": "slow", "input": "usb"}), missing=("quiet",))
    found = changes(made_run(made_check(made_reading())), slow)
    assert found.facts == (
        Changed("setup of tone", "filter sharp, input usb", "filter slow, input usb"),
        Changed("checks that were not run", None, "quiet"),
    )


def test_runs_that_measured_nothing_alike(changes):
    found = changes(*(made_run(made_check(made_reading(Verdict.INVALID, None))) for _ in range(2)))
    assert (found.moved, found.compared) == ((), 0)
    assert "nothing can be compared" in found.why
