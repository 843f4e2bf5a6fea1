"""The worker beside a sound interface: ready at once, deaf to Ctrl-C, and never left behind."""

import os
import signal

from measure.orphans import is_left_behind

from linecheck.measure.executors import InlineExecutor, analysis_executor, make_ready
from linecheck.measure.measure import failure_problem


def test_threads_work_in_this_process_and_a_process_does_not():
    with analysis_executor(own_process=False) as threads:
        assert threads.submit(os.getpid).result() == os.getpid()
    with analysis_executor(own_process=True) as process:
        assert process.submit(os.getpid).result() != os.getpid()


def test_ctrl_c_at_the_terminal_does_not_reach_the_worker():
    with analysis_executor(own_process=True) as process:
        worker = process.submit(os.getpid).result()
        os.kill(worker, signal.SIGINT)
        assert process.submit(os.getpid).result() == worker
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_a_worker_that_was_killed_loses_its_task_and_the_next_one_gets_another():
    with analysis_executor(own_process=True) as process:
        worker = process.submit(os.getpid).result()
        lost = process.submit(signal.pause)
        os.kill(worker, signal.SIGKILL)
        problem = failure_problem(lost.exception(timeout=20.0))
        assert (problem.code, problem.blocks) == ("analysis_lost", True)
        assert "ended from outside" in problem.message
        assert process.submit(os.getpid).result(timeout=20.0) != worker


PARENT = """
import os, sys, time
from linecheck.measure.executors import InlineExecutor, analysis_executor, make_ready

if __name__ == "__main__":
    with analysis_executor(own_process=True) as process:
        print(process.submit(os.getpid).result(), flush=True)
        time.sleep(60)
"""


def test_a_worker_does_not_outlive_a_parent_that_was_killed(tmp_path):
    assert not is_left_behind(PARENT, tmp_path)


def test_making_a_worker_ready_after_the_run_has_ended_does_nothing():
    with analysis_executor(own_process=True) as executor:
        executor.shutdown(wait=False)
        make_ready(executor)


def test_the_inline_executor_gives_results_and_errors_as_any_executor_does():
    with InlineExecutor() as executor:
        assert executor.submit(divmod, 7, 2).result() == (3, 1)
        assert isinstance(executor.submit(divmod, 7, 0).exception(), ZeroDivisionError)
