"""Processes that each have one thing to do at a time: what dies dies alone."""

import os
import signal
import threading
import time
from concurrent.futures import wait

import pytest
from measure.orphans import is_left_behind

from linecheck.captures.workers import WorkerDied, WorkerProcesses


def unpicklable():
    return threading.Lock()


def test_tasks_are_shared_out_and_come_back():
    with WorkerProcesses(2) as processes:
        found = [future.result(20.0) for future in [processes.submit(pow, 2, n) for n in range(20)]]
        workers = {future.result(20.0) for future in [processes.submit(os.getpid) for _ in range(20)]}
    assert found == [2**n for n in range(20)]
    assert os.getpid() not in workers
    assert 1 <= len(workers) <= 2


def test_errors_come_back():
    with WorkerProcesses(1) as processes:
        assert isinstance(processes.submit(divmod, 1, 0).exception(20.0), ZeroDivisionError)
        assert processes.submit(unpicklable).exception(20.0) is not None
        assert processes.submit(pow, 2, 3).result(20.0) == 8


@pytest.mark.parametrize(("death", "words"), [(os.abort, "SIGABRT"), (os._exit, "status 7")])
def test_what_dies_takes_its_own_task_with_it_and_no_other(death, words):
    with WorkerProcesses(2) as processes:
        slow = processes.submit(time.sleep, 0.5)
        lost = processes.submit(death, *([7] if death is os._exit else []))
        others = [processes.submit(pow, 2, n) for n in range(6)]
        error = lost.exception(20.0)
        assert isinstance(error, WorkerDied)
        assert words in str(error)
        assert (error.workers, error.certain) == (1, True)
        assert [future.result(20.0) for future in others] == [2**n for n in range(6)]
        assert slow.result(20.0) is None


def test_one_that_was_killed_while_idle_costs_nothing():
    with WorkerProcesses(1) as processes:
        worker = processes.submit(os.getpid).result(20.0)
        os.kill(worker, signal.SIGKILL)
        time.sleep(0.2)
        assert processes.submit(os.getpid).result(20.0) != worker


def test_ctrl_c_at_the_terminal_does_not_reach_them():
    with WorkerProcesses(1) as processes:
        worker = processes.submit(os.getpid).result(20.0)
        os.kill(worker, signal.SIGINT)
        assert processes.submit(os.getpid).result(20.0) == worker


def test_nobody_waits_for_what_is_given_up():
    processes = WorkerProcesses(2)
    running = [processes.submit(time.sleep, 60.0) for _ in range(2)]
    waiting = processes.submit(time.sleep, 60.0)
    assert not wait(running, 1.0).done
    processes.shutdown(wait=False)
    assert waiting.cancelled()
    assert all(isinstance(future.exception(30.0), WorkerDied) for future in running)


PARENT = """
import os, time
from linecheck.captures.workers import WorkerProcesses

if __name__ == "__main__":
    with WorkerProcesses(1) as processes:
        print(processes.submit(os.getpid).result(), flush=True)
        processes.submit(time.sleep, 60.0)
        time.sleep(60.0)
"""


def test_they_do_not_outlive_a_parent_that_was_killed(tmp_path):
    assert not is_left_behind(PARENT, tmp_path)
