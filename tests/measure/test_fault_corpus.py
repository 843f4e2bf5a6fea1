"""A corpus of faulty captures of all checks: a slice of it always, all of it as a soak (``-m soak``)."""

import pytest
from fault_corpus import CHECKS, FAULTS, SILENT, UNTOLD, clean_problems, fault_trial

#: Faults that each check must see, wherever they lie; the rest is for the soak's table.
ALWAYS_SEEN = ("mono_left", "mono_mean", "lost", "zeroed", "wrong_file")
#: Silence has no mark: what is lost of it is not seen where that moves nothing, and other silence is silence.
ALL = (*FAULTS, "wrong_rate", "wrong_file")


def passes(check, fault, seed):
    trial = fault_trial(check, fault, seed)
    return f"{check} {fault} {seed}: {', '.join(trial.unseen)}" if trial.unseen and trial.passed else ""


@pytest.mark.parametrize("check", CHECKS)
def test_what_a_careful_bench_would_not_ship_never_passes(check):
    faults = [fault for fault in ALWAYS_SEEN if check not in SILENT or fault not in ("lost", "wrong_file")]
    assert [words for fault in faults if (words := passes(check, fault, 1))] == []
    assert clean_problems(check, 1) == []


@pytest.mark.soak
@pytest.mark.timeout(0)
@pytest.mark.parametrize("check", CHECKS)
def test_no_fault_that_matters_passes_and_no_clean_capture_is_flagged(check, capsys):
    passed, flagged = [], []
    for seed in range(20):
        passed += [passes(check, fault, seed) for fault in ALL if (check, fault) not in UNTOLD]
    for seed in range(1000):
        flagged += [f"{seed}: {words}" for words in clean_problems(check, seed)]
    passed = [words for words in passed if words]
    with capsys.disabled():
        print(
            f"\n{check}: {len(passed)} of {20 * len(ALL)} faulty captures pass, {len(flagged)} of 1000 clean flagged"
        )
    assert passed == []
    assert flagged == []
