"""Many sets on workers of this machine, real ones and such as fail to order; a cluster has a file of its own."""

from collections import Counter
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace

import contract
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_runs import made_run
from many_captures import write_limits, write_sets
from small_run import small_limits
from workers_at_sets import thread_workers, with_deaths

from linecheck.captures import many_sets
from linecheck.captures.many_sets import (
    MAX_AHEAD,
    MAX_DEATHS,
    SetTask,
    judge_sets,
    judge_task,
    software_here,
)
from linecheck.captures.workers import WorkerDied, Workers, processors, set_workers
from linecheck.limits.verdict import Verdict


@pytest.fixture(scope="module")
def limits(tmp_path_factory):
    return write_limits(tmp_path_factory.mktemp("limits"))


@pytest.fixture(scope="module")
def paths(tmp_path_factory, limits):
    faults = (None, "swapped_channels", None, "inverted_polarity_right")
    return write_sets(tmp_path_factory.mktemp("sets"), limits, faults)


@pytest.fixture(scope="module", params=["inline", "threads", "processes"])
def workers(request):
    if request.param == "threads":
        found = thread_workers()
        with found.executor:
            yield found
        return
    with set_workers(0 if request.param == "inline" else 2) as found:
        yield found


def test_whoever_judges_the_results_and_their_order_are_the_same(workers, paths, limits):
    contract.check_same_results_in_the_order_given(workers, paths, limits)


def test_a_set_that_cannot_be_read_costs_nothing_else(workers, paths, limits, tmp_path):
    contract.check_what_cannot_be_read_costs_nothing_else(workers, paths, limits, tmp_path)


def test_each_set_is_judged_by_the_limit_file_of_its_model(workers, paths, limits):
    contract.check_the_limit_file_of_its_model_judges_each(workers, paths, limits)


def test_what_is_left_when_someone_asks_to_stop_is_named(paths, limits):
    contract.check_what_is_left_when_asked_to_stop_is_named(thread_workers(), paths, limits)


@pytest.fixture(scope="module")
def dying():
    """Two processes that die at sets that are marked for it."""
    with set_workers(2) as workers:
        yield with_deaths(workers)


def test_a_process_that_dies_costs_a_retry_of_its_set_and_nothing_else(dying, tmp_path, limits):
    paths = write_sets(tmp_path, limits, (None, None, "swapped_channels"))
    again = contract.check_a_death_costs_a_retry_of_its_set_alone(dying, paths, limits)
    assert again == [(paths[1], "its process was ended by SIGKILL, as happens where memory runs out")]


def test_a_set_that_kills_every_process_is_given_up_by_name(dying, tmp_path, limits):
    paths = write_sets(tmp_path, limits, (None, None))
    (tmp_path / "set-0" / "deadly").write_bytes(b"many times")
    dead, judged = judge_sets(paths, [limits], dying)
    assert (dead.path, dead.verdict, dead.problem.code) == (paths[0], Verdict.INVALID, "worker_died")
    assert f"{MAX_DEATHS} workers died" in dead.problem.message
    assert (tmp_path / "set-0" / "deadly").read_bytes() == b"many times"[MAX_DEATHS:]
    assert judged.verdict is Verdict.PASS


def test_relative_paths_are_found_and_told_as_they_were_given(paths, limits, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "deep" / "inner").mkdir(parents=True)
    (tmp_path / "deep" / "near").symlink_to(paths[0])
    (tmp_path / "link").symlink_to("deep/inner")
    with set_workers(0) as workers:
        near, lacking = judge_sets(["link/../near", "far"], [limits], workers)
    assert (near.path, near.verdict) == ("link/../near", Verdict.PASS)
    assert lacking.problem.message == "far: there is no such capture set"
    assert lacking.why == "there is no such capture set"


def test_a_worker_with_other_software_judges_nothing(paths, limits):
    other = (("python", "3.99"), *software_here()[1:])
    problem = judge_task(SetTask(paths[0], paths[0], True, (limits,), None, other))
    assert problem.code == "other_software"
    assert "python 3.99" in problem.message


def test_a_worker_that_does_not_see_the_files_says_so(limits):
    task = SetTask("/nowhere/set", "set", True, (limits,), None, software_here())
    problem = judge_task(task)
    assert problem.code == "set_refused"
    assert "the worker does not see it" in problem.message
    assert "/nowhere/set" in problem.message


def test_a_fault_in_linecheck_makes_its_set_invalid(paths, limits, monkeypatch):
    def fail(*arguments, **options):
        raise ZeroDivisionError("oh")

    monkeypatch.setattr(many_sets, "judge_folder", fail)
    with set_workers(0) as workers:
        (judged,) = judge_sets(paths[:1], [limits], workers)
    assert (judged.verdict, judged.problem.code) == (Verdict.INVALID, "judging_failed")
    assert "ZeroDivisionError: oh" in judged.problem.message


@pytest.mark.parametrize(
    ("text", "most"),
    [
        ("100000 100000\n", 1),  # the form: Linux kernel documentation, "Control Group v2", cpu.max
        ("50000 100000\n", 1),
        ("max 100000\n", None),
        ("800000000 100000\n", None),
        ("nonsense", None),
        ("", None),
        ("-100000 100000", 1),
        ("1 0", None),
    ],
)
def test_a_container_has_no_more_workers_than_its_share_of_the_machine(tmp_path, text, most):
    quota = tmp_path / "cpu.max"
    unlimited = processors(quota)
    assert unlimited >= 1
    quota.write_text(text, encoding="ascii")
    assert processors(quota) == (unlimited if most is None else most)


class Scripted(Executor):
    """Does what a script says of each set: how many workers die of it, and which die because of another."""

    def __init__(self, deaths, *, shared):
        self.deaths = dict(deaths)
        self.shared = shared
        self.begun = Counter()
        self.open = {}

    def submit(self, fn, /, *args, **kwargs):
        (task,) = args
        name = int(task.shown)
        self.begun[name] += 1
        self.open[name] = future = Future()
        return future

    def settle(self):
        """End everything that is under way, as one step of time."""
        names, self.open = self.open, {}
        killers = {name for name in names if self.deaths.get(name, 0) > 0}
        for name, future in names.items():
            if name in killers or (self.shared and killers):
                self.deaths[name] = self.deaths.get(name, 0) - (name in killers)
                future.set_exception(WorkerDied("gone", certain=not self.shared))
            else:
                future.set_result(replace(made_run(), serial=f"PR3-{name:06}"))


class ScriptedWorkers(Workers):
    """Time goes on by one step whenever their health is asked for."""

    @property
    def lost(self):
        self.executor.settle()
        return None


@pytest.fixture
def no_waiting(monkeypatch):
    monkeypatch.setattr(many_sets, "LOOK_SECONDS", 0.0)


def judged_by_script(executor, sets, width):
    names = [str(name) for name in range(sets)]
    found = list(judge_sets(names, [small_limits()], ScriptedWorkers(executor, width)))
    assert [judged.path for judged in found] == names
    return found


@given(
    deaths=st.dictionaries(st.integers(0, 11), st.integers(1, 6), max_size=5),
    width=st.integers(1, 6),
    shared=st.booleans(),
)
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whoever_dies_each_set_is_yielded_once_in_order_and_only_killers_are_given_up(
    no_waiting, deaths, width, shared
):
    executor = Scripted(deaths, shared=shared)
    for name, judged in enumerate(judged_by_script(executor, 12, width)):
        given_up = judged.problem is not None
        assert given_up or judged.outcome.serial == f"PR3-{name:06}"
        assert not given_up or judged.problem.code == "worker_died"
        if not shared:
            assert given_up == (deaths.get(name, 0) >= MAX_DEATHS)
            assert executor.begun[name] == min(deaths.get(name, 0) + 1, MAX_DEATHS)
        elif name not in deaths:
            assert not given_up


def test_a_slow_set_holds_up_a_bounded_number_of_others(no_waiting):
    class Slow(Scripted):
        idle, before, most = 0, 0, 0

        def settle(self):
            """Keep the first set back until nothing more has been begun for a while."""
            begun = sum(self.begun.values())
            self.idle = self.idle + 1 if begun == self.before else 0
            self.before = begun
            if 0 in self.open and self.idle < 5:
                first = self.open.pop(0)
                super().settle()
                self.open[0] = first
                self.most = begun
            else:
                super().settle()

    executor = Slow({}, shared=False)
    judged_by_script(executor, 200, 4)
    assert executor.most == 4 + MAX_AHEAD


def test_workers_that_are_lost_leave_named_what_they_had():
    class Lost(Workers):
        @property
        def lost(self):
            return "the cable was cut"

    with ThreadPoolExecutor(1) as executor:
        (judged,) = judge_sets(["set"], [small_limits()], Lost(executor, 1))
    assert (judged.verdict, judged.problem.message) == (Verdict.ABORTED, "not judged: the cable was cut")
