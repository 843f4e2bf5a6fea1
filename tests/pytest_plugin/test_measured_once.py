"""What is wanted by many processes is found out by one of them."""

import json
import os
import signal
import stat
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.pytest_plugin.once import Once, SessionFolder

#: Takes the lock of an errand and keeps it until it is killed.
HOLDER = """
import platform, sys, time
from linecheck.pytest_plugin.once import Once, SessionFolder
class Errand:
    key = sys.argv[2]
    def run(self):
        print("holds", flush=True)
        time.sleep(600)
told = {"linecheck_folder": sys.argv[1], "linecheck_host": platform.node()}
Once(SessionFolder(told)).get(Errand())
"""


class Errand:
    """Notes when it is run."""

    def __init__(self, key, seconds=0.0):
        self.key = key
        self.seconds = seconds
        self.runs = []

    def run(self):
        time.sleep(self.seconds)
        self.runs.append(threading.get_ident())
        return {"key": self.key, "µ": [1.5, None]}


@pytest.fixture
def folder():
    made = SessionFolder(None)
    yield made
    made.remove()


def another(folder):
    """Return what another process of the session has: each opens the files of locks anew, which is what counts."""
    told = {}
    folder.tell(told)
    return Once(SessionFolder(told))


def wait_for(happened, seconds=10.0):
    """Return whether something happens in time."""
    deadline = time.monotonic() + seconds
    while not happened() and time.monotonic() < deadline:
        time.sleep(0.01)
    return happened()


@settings(max_examples=30)
@given(st.lists(st.permutations(range(4)), min_size=2, max_size=6))
def test_each_is_run_once_in_whatever_order_they_are_wanted(orders):
    folder = SessionFolder(None)
    errands = [Errand(f"sets/{number}/captures.toml", 0.001) for number in range(4)]

    processes = [another(folder) for _ in orders]

    def process(once, order):
        once.offer(errands)
        return [once.get(errands[number]) for number in order]

    try:
        with ThreadPoolExecutor(len(orders)) as pool:
            found = list(pool.map(process, processes, orders))
    finally:
        folder.remove()
    assert [len(errand.runs) for errand in errands] == [1, 1, 1, 1]
    for order, results in zip(orders, found, strict=True):
        assert results == [{"key": errands[number].key, "µ": [1.5, None]} for number in order]


def test_who_would_wait_does_something_else_meanwhile(folder):
    slow, other = Errand("slow", 0.3), Errand("other")
    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(another(folder).get, slow)
        time.sleep(0.1)
        helper = another(folder)
        helper.offer([slow, other])
        second = pool.submit(helper.get, slow)
        assert first.result(10) == second.result(10)
    assert len(slow.runs) == len(other.runs) == 1
    assert slow.runs != other.runs


def test_helping_passes_over_what_is_done_or_being_done(folder):
    done, taken, left, wanted = (Errand(key) for key in ("done", "taken", "left", "wanted"))
    another(folder).get(done)
    helper = another(folder)
    helper.offer([done, taken, wanted, left])
    with ThreadPoolExecutor(2) as pool, another(folder)._locked(taken, wait=True):
        with another(folder)._locked(wanted, wait=True):
            waiting = pool.submit(helper.get, wanted)
            assert wait_for(lambda: left.runs)
            assert not waiting.done()
        assert waiting.result(10)["key"] == "wanted"
    assert [len(errand.runs) for errand in (done, taken, left, wanted)] == [1, 0, 1, 1]
    last = Errand("last")
    with ThreadPoolExecutor(1) as pool, another(folder)._locked(last, wait=True):
        waiting = pool.submit(helper.get, last)
        assert wait_for(lambda: taken.runs)
    assert waiting.result(10)["key"] == "last"


def test_a_process_that_is_killed_leaves_nothing_locked(folder):
    wanted = Errand("sets/1.5.0")
    arguments = [sys.executable, "-c", HOLDER, str(folder.path), wanted.key]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as holder:
        try:
            assert holder.stdout.readline() == "holds\n"
            with ThreadPoolExecutor(1) as pool:
                waiting = pool.submit(another(folder).get, wanted)
                time.sleep(0.1)
                assert not waiting.done()
                holder.send_signal(signal.SIGKILL)
                assert waiting.result(10)["key"] == wanted.key
        finally:
            holder.kill()
    assert len(wanted.runs) == 1


def test_an_errand_that_breaks_off_is_run_by_the_next(folder):
    class Broken(Errand):
        def run(self):
            super().run()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        another(folder).get(Broken("set"))
    assert another(folder).get(Errand("set"))["key"] == "set"


def test_without_locks_each_process_is_on_its_own(folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "fcntl", None)
    errand = Errand("set")
    assert another(folder).get(errand) == another(folder).get(errand)
    assert len(errand.runs) == 1


def test_only_this_user_can_open_the_folder_and_who_told_of_it_removes_it(folder):
    told = {}
    folder.tell(told)
    assert json.loads(json.dumps(told)) == told
    assert not os.path.exists(told["linecheck_folder"])
    worker = SessionFolder(told)
    assert worker.path == folder.path
    assert stat.S_IMODE(os.stat(worker.path).st_mode) == 0o700
    worker.remove()
    assert worker.path.is_dir()
    folder.remove()
    assert not os.path.exists(told["linecheck_folder"])


def test_a_session_without_a_set_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    quiet = SessionFolder(None)
    quiet.tell({})
    quiet.remove()
    assert list(tmp_path.iterdir()) == []


def test_a_worker_on_another_machine_has_a_folder_of_its_own(folder):
    told = {}
    folder.tell(told)
    worker = SessionFolder(told | {"linecheck_host": "elsewhere"})
    path = worker.path
    assert path.is_dir()
    assert path != folder.path
    worker.remove()
    assert not path.exists()
