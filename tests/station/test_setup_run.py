"""Runs that set the unit between checks."""

import sys
from dataclasses import replace

import numpy as np
import pytest
from small_run import simulated, small_check, small_limits

from linecheck.captures.capture_set import load_capture_set, write_capture_set
from linecheck.captures.judging import judge_set
from linecheck.captures.setups import distinguishing_settings
from linecheck.errors import FileError, StationError
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import Verdict
from linecheck.measure.executors import InlineExecutor
from linecheck.station.config.station import SetupConfig, StationConfig
from linecheck.station.interfaces.interface import Interface
from linecheck.station.interfaces.simulated.filters import reconstruction_taps
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit
from linecheck.station.planning import station_plan
from linecheck.station.runner import RunFacts, run_unit
from linecheck.station.setup_control import SetupControl

FACTS = RunFacts("PR3-000001")
STATION = StationConfig(format=1, station="bench", interface="simulated", mains_hz=50)
WIDE = {"sinad": Mask(Bounds(60.0))}


def variant(entry, kind="tone", masks=WIDE, reference=None, **setup):
    """Return a check under a setup, named as the loader names it."""
    name = f"{entry}@{','.join(f'{key}={value}' for key, value in setup.items())}"
    return replace(small_check(name, kind, masks, reference), setup=setup)


def true_corner_hz(name):
    """Return where a filter of the simulated unit is 3 dB down, from its taps alone."""
    taps, _ = reconstruction_taps(name, 8)
    frequency = np.arange(15_000.0, 22_050.0, 1.0)
    turns = np.exp(-2j * np.pi * np.outer(frequency / (8 * 44_100.0), np.arange(len(taps))))
    level = 20.0 * np.log10(np.abs(turns @ taps) / np.sum(taps))
    return float(np.interp(3.0, -level, frequency))


class Operator:
    """Someone who does what is asked but for some requests."""

    def __init__(self, **refused):
        self.refused, self.asked = refused, []

    def confirm(self, request):
        self.asked.append(request)
        return next((why for word, why in self.refused.items() if f" {word} " in request), None)


class Listening(Interface):
    """An interface that records what it was told, and sets nothing itself."""

    def __init__(self):
        self.inner, self.heard = simulated(), []

    @property
    def identity(self):
        return {"kind": "listening"}

    def announce(self, stimulus):
        self.heard.append("nothing follows" if stimulus is None else "follows")

    def unit_changed(self):
        self.heard.append("changed")

    def play(self, check, stimulus):
        self.heard.append(check)
        return self.inner.play(check, stimulus)

    def __enter__(self):
        return self

    def __exit__(self, *error):
        pass


def run(checks, interface=None, operator=None, commands=None, station=STATION, **options):
    """Run checks and return the result."""
    plan = station_plan(small_limits(*checks), station)
    control = SetupControl([one.check for one in plan.checks], "PR3-000001", commands, operator)
    with InlineExecutor() as executor:
        return run_unit(plan, FACTS, interface or simulated(), executor, control=control, **options)


def test_each_reading_is_of_the_filter_that_it_says(tmp_path):
    masks = {"corner_3db": Mask(Bounds(10_000.0))}
    checks = [
        replace(small_check(f"a@filter={name}", "reconstruction", masks, seconds=1.2), setup={"filter": name})
        for name in ("sharp", "slow")
    ]
    checks += [variant("b", filter=name) for name in ("sharp", "slow")]

    def corners(outcome):
        return {
            check.check: [
                item.reading.value for item in check.judged.readings if item.reading.metric == "corner_3db"
            ]
            for check in outcome.checks
        }

    interface = SimulatedInterface(SimulatedUnit(filter="none"), capture_rate_hz=192_000)
    result = run(checks, interface, keep_captures=True)
    found = corners(result.outcome)
    assert list(found) == [check.name for check in checks]
    for check in checks[:2]:
        assert found[check.name] == pytest.approx([true_corner_hz(check.setup["filter"])] * 2, abs=1.0)
    assert [(step.setting, step.value, step.how) for step in result.outcome.settings] == [
        ("filter", "sharp", "interface"),
        ("filter", "slow", "interface"),
    ]
    limits = small_limits(*checks)
    folder = write_capture_set(
        tmp_path / "set",
        result.captures,
        model="pellow-r3",
        serial="PR3-000001",
        setups=distinguishing_settings(limits),
        ramp_seconds=0.01,
    )
    captures = load_capture_set(folder)
    assert {(entry.check, entry.setup["filter"]) for entry in captures.index.capture} == {
        (entry, name) for entry in "ab" for name in ("sharp", "slow")
    }
    with InlineExecutor() as executor:
        assert corners(judge_set(captures, limits, executor)) == found


def test_after_a_setting_that_failed_the_earlier_one_is_made_again():
    one, two = (variant("tone", mode=name) for name in ("one", "two"))
    operator = Operator(two="the button is stuck")
    control = SetupControl([one, two], "PR3-000001", None, operator)
    assert control.make(one, Listening()) is None
    assert control.make(two, Listening()) is not None
    # Nobody knows what the failed attempt has left of the unit's setting.
    assert not control.is_set(one, Listening())
    assert control.make(one, Listening()) is None
    assert [("one" in asked, "two" in asked) for asked in operator.asked] == [
        (True, False),
        (False, True),
        (True, False),
    ]


def test_a_setting_that_could_not_be_made_costs_its_checks_and_no_others():
    checks = [variant("tone", mode=name) for name in ("one", "two", "three")] + [variant("more", mode="two")]
    operator = Operator(two="the operator said that it cannot be set")
    outcome = run(checks, Listening(), operator).outcome
    assert outcome.verdict is Verdict.INVALID
    verdicts = {check.check: check.judged.verdict for check in outcome.checks}
    assert verdicts == {
        "tone@mode=one": Verdict.PASS,
        "tone@mode=two": Verdict.INVALID,
        "tone@mode=three": Verdict.PASS,
        "more@mode=two": Verdict.INVALID,
    }
    for check in outcome.checks:
        if check.entry == "more" or check.check == "tone@mode=two":
            (problem,) = check.judged.problems
            assert problem.code == "setup_failed"
            assert "mode two: the operator said that it cannot be set" in problem.message
    # Nobody is asked twice for what cannot be done.
    assert operator.asked == [f"Set mode to {name} on unit PR3-000001" for name in ("one", "two", "three")]
    assert [step.done for step in outcome.settings] == [True, False, True]


def test_a_check_that_no_mask_judges_keeps_the_run_from_a_pass_too():
    checks = [variant("tone", mode="one"), variant("tone", masks={}, mode="two")]
    outcome = run(checks, Listening(), Operator(two="no")).outcome
    assert outcome.verdict is Verdict.INVALID


def test_what_fails_under_another_setup_still_fails():
    checks = [
        variant("tone", masks={"sinad": Mask(Bounds(180.0))}, mode="one"),
        variant("tone", mode="two"),
    ]
    assert run(checks, Listening(), Operator(two="no")).outcome.verdict is Verdict.FAIL


def test_one_fixed_setup_is_asked_of_nobody():
    operator = Operator()
    outcome = run([variant("tone", mode="one"), variant("more", mode="one")], Listening(), operator).outcome
    assert (operator.asked, outcome.settings, outcome.verdict) == ([], (), Verdict.PASS)


def test_nothing_is_announced_across_a_change_and_the_interface_hears_of_it():
    interface = Listening()
    checks = [variant(entry, mode=name) for name in ("one", "two") for entry in ("tone", "more")]
    run(checks, interface, Operator())
    assert interface.heard == [
        *("follows", "tone@mode=one", "nothing follows", "more@mode=one"),
        "changed",
        *("follows", "tone@mode=two", "nothing follows", "more@mode=two"),
    ]


def test_a_check_waits_for_the_one_that_it_refers_to_under_a_later_setup():
    quiet = variant("quiet", "quiet", {"snr": Mask(Bounds(60.0))}, "tone@mode=two", mode="one")
    outcome = run([quiet, variant("tone", mode="two")], Listening(), Operator()).outcome
    assert outcome.verdict is Verdict.PASS
    snr = [item.reading.value for item in outcome.checks[0].judged.readings if item.reading.metric == "snr"]
    assert min(snr) > 90.0


def test_what_refers_to_a_check_that_never_comes_is_judged_at_the_end():
    quiet = variant("quiet", "quiet", {"snr": Mask(Bounds(60.0))}, "tone@mode=two", mode="one")
    outcome = run([quiet, variant("tone", mode="two")], Listening(), Operator(two="no")).outcome
    assert [check.judged.verdict for check in outcome.checks] == [Verdict.INVALID, Verdict.INVALID]


def test_an_interface_that_refuses_a_setting_fails_its_checks_alone():
    class Refusing(Listening):
        def can_set(self, setting, value):
            return True

        def set(self, setting, value):
            if value == "two":
                raise StationError("the relay does not answer")

    outcome = run([variant("tone", mode="one"), variant("tone", mode="two")], Refusing()).outcome
    assert [check.judged.verdict for check in outcome.checks] == [Verdict.PASS, Verdict.INVALID]
    assert "the relay does not answer" in outcome.checks[1].judged.problems[0].message


def test_the_station_s_command_sets_what_it_is_for():
    code = 'import os; print(os.environ["LINECHECK_SERIAL"], "{serial}"); assert "{value}" != "two"'
    commands = {"mode": SetupConfig(command=f"{sys.executable} -c '{code}'")}
    checks = [variant("tone", mode="one"), variant("tone", mode="two")]
    outcome = run(checks, Listening(), Operator(), commands).outcome
    assert [step.how for step in outcome.settings] == ["command", "command"]
    assert outcome.settings[0].output.strip() == "PR3-000001 PR3-000001"
    problem = outcome.checks[1].judged.problems[0].message
    assert "exit status 1" in problem
    assert "AssertionError" in problem
    assert "[setup.mode]" in problem


def test_a_capture_that_could_be_of_several_setups_is_refused_with_their_names(tmp_path):
    checks = [variant("tone", mode="one"), variant("tone", mode="two")]
    captures = run(checks, Listening(), Operator(), keep_captures=True).captures
    limits = small_limits(*checks)
    for name, setups, words in (
        ("tone", None, 'say which it is of: setup = {mode = "one"} or setup = {mode = "two"}'),
        ("tone", {"tone": {"mode": "six"}}, 'no such setup of it (mode = "six")'),
    ):
        folder = tmp_path / str(len(list(tmp_path.iterdir())))
        write_capture_set(
            folder,
            {name: captures["tone@mode=one"]},
            model="pellow-r3",
            serial="PR3-000001",
            setups=setups,
        )
        with InlineExecutor() as executor, pytest.raises(FileError) as refused:
            judge_set(load_capture_set(folder), limits, executor)
        assert words in str(refused.value)


def test_a_set_may_name_a_check_with_its_setup(tmp_path):
    checks = [variant("tone", mode="one"), variant("tone", mode="two")]
    captures = run(checks, Listening(), Operator(), keep_captures=True).captures
    folder = write_capture_set(tmp_path / "set", captures, model="pellow-r3", serial="PR3-000001")
    assert 'check = "tone@mode=one"' in (folder / "captures.toml").read_text()
    with InlineExecutor() as executor:
        outcome = judge_set(load_capture_set(folder), small_limits(*checks), executor)
    assert outcome.verdict is Verdict.PASS


def test_what_stays_the_same_is_left_as_the_unit_comes():
    masks = {"corner_3db": Mask(Bounds(10_000.0))}
    check = replace(small_check("a", "reconstruction", masks, seconds=1.2), setup={"filter": "sharp"})
    result = run([check], SimulatedInterface(SimulatedUnit(filter="slow"), capture_rate_hz=192_000))
    found = {item.reading.metric: item.reading.value for item in result.outcome.checks[0].judged.readings}
    assert found["corner_3db"] == pytest.approx(true_corner_hz("slow"), abs=1.0)
    assert result.outcome.settings == ()


def test_the_stations_command_comes_before_the_interface_and_a_simulated_unit_follows_it(tmp_path):
    noted = tmp_path / "noted"
    command = f"{sys.executable} -c \"open('{noted}', 'a').write('{{value}} ')\""
    interface = SimulatedInterface(SimulatedUnit(filter="none"))
    run(
        [variant("tone", filter="sharp"), variant("tone", filter="slow")],
        interface,
        commands={"filter": SetupConfig(command=command)},
    )
    assert noted.read_text(encoding="utf-8") == "sharp slow "
    assert "slow filter" in interface.identity["unit"]
