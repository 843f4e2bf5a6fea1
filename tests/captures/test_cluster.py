"""Many sets on a real cluster: a scheduler and workers that are processes on the loopback interface."""

import socket
import sys
import time

import contract
import pytest
from loopback_cluster import loopback_cluster
from many_captures import write_limits, write_sets
from small_run import call
from workers_at_sets import with_deaths

from linecheck.captures import cluster as cluster_module
from linecheck.captures.cluster import ClusterWorkers, check_address, cluster_workers
from linecheck.captures.many_sets import judge_sets
from linecheck.captures.workers import WorkerDied
from linecheck.errors import StationError, UsageError
from linecheck.limits.verdict import Verdict

FAULTS = (None, "swapped_channels", None, "inverted_polarity_right")


@pytest.fixture(scope="module")
def cluster():
    with loopback_cluster(2) as found:
        yield found


@pytest.fixture
def workers(cluster):
    with cluster_workers(cluster.address) as found:
        yield found


@pytest.fixture(scope="module")
def limits(tmp_path_factory):
    return write_limits(tmp_path_factory.mktemp("limits"))


@pytest.fixture(scope="module")
def paths(tmp_path_factory, limits):
    return write_sets(tmp_path_factory.mktemp("sets"), limits, FAULTS)


def test_a_cluster_comes_to_the_same_results_in_the_same_order(workers, paths, limits):
    assert workers.at_a_time >= 2
    assert workers.lost is None
    assert workers.notes == ()
    contract.check_same_results_in_the_order_given(workers, paths, limits)
    contract.check_the_limit_file_of_its_model_judges_each(workers, paths, limits)


def test_a_set_that_cannot_be_read_costs_nothing_else(workers, paths, limits, tmp_path):
    contract.check_what_cannot_be_read_costs_nothing_else(workers, paths, limits, tmp_path)


def test_what_is_left_when_someone_asks_to_stop_is_named(workers, paths, limits):
    contract.check_what_is_left_when_asked_to_stop_is_named(workers, paths, limits)


def test_an_impure_function_is_called_each_time(workers):
    # The measurement of yesterday must not be that of today: the cluster keeps results of pure functions.
    assert workers.executor.submit(time.monotonic_ns).result(20.0) != workers.executor.submit(
        time.monotonic_ns
    ).result(20.0)


@pytest.mark.every_python
def test_the_command_line_gives_the_same_bytes_on_a_cluster_as_on_processes(
    cluster, paths, limits, tmp_path, monkeypatch, capsys
):
    lines = []
    for name, options in (("cluster", ["--scheduler", cluster.address]), ("processes", ["--workers", "1"])):
        file = tmp_path / f"{name}.jsonl"
        arguments = ["judge", *paths, "--limits", limits.path, "--json", str(file), *options]
        status, out, err = call(monkeypatch, capsys, *arguments)
        assert status == 1, err
        assert out.startswith("✖ FAIL\n\n  4 sets: 2 fail, 2 pass\n")
        assert "Traceback" not in err
        lines.append([contract.without_own(text) for text in file.read_text(encoding="utf-8").splitlines()])
    assert lines[0] == lines[1]
    assert len(lines[0]) == 4


def test_one_set_is_shown_as_if_it_were_judged_here(cluster, paths, limits, monkeypatch, capsys, tmp_path):
    file = tmp_path / "r.json"
    options = ["--limits", limits.path, "--scheduler", cluster.address, "--json", file]
    status, out, _ = call(monkeypatch, capsys, "judge", paths[0], *options)
    assert (status, out.splitlines()[0]) == (0, "● PASS")
    assert "wiring" in out
    assert file.read_text(encoding="utf-8").startswith('{\n  "format": 1,')
    status, out, err = call(monkeypatch, capsys, "judge", tmp_path / "nowhere", *options)
    assert (status, out) == (2, "")
    assert f"linecheck: {tmp_path / 'nowhere'}: there is no such capture set" in err


def test_a_worker_that_dies_costs_a_retry_of_its_set_and_nothing_else(cluster, tmp_path, limits):
    paths = write_sets(tmp_path, limits, FAULTS)
    with cluster_workers(cluster.address) as workers:
        contract.check_a_death_costs_a_retry_of_its_set_alone(with_deaths(workers), paths, limits)
    assert sorted(worker.poll() is None for worker in cluster.workers) == [False, True]
    cluster.add_workers(1)


def test_a_set_is_given_up_that_the_scheduler_gave_up(tmp_path, limits, cluster):
    """The scheduler of this test lets one worker die and no more: its own setting, by its documented variable."""
    paths = write_sets(tmp_path, limits, (None, None))
    (tmp_path / "set-0" / "deadly").write_bytes(b"many times")
    with (
        loopback_cluster(3, DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="0") as fragile,
        cluster_workers(fragile.address) as workers,
    ):
        dead, judged = judge_sets(paths, [limits], with_deaths(workers))
    assert (dead.verdict, dead.problem.code) == (Verdict.INVALID, "worker_died")
    assert judged.verdict is Verdict.PASS


def test_one_without_workers_is_told_and_a_scheduler_that_is_gone_leaves_named_what_it_had(
    paths, limits, monkeypatch, capfd
):
    monkeypatch.setattr(cluster_module, "CONNECT_SECONDS", 2.0)
    found = []
    with loopback_cluster(0) as cluster:
        with pytest.raises(StationError, match="has no workers"), cluster_workers(cluster.address):
            pass
        cluster.add_workers(1)
        with cluster_workers(cluster.address) as workers:
            for judged in judge_sets(paths * 25, [limits], workers):
                if not found:
                    cluster.scheduler.kill()
                found.append(judged)
    assert len(found) == 100
    assert found[-1].verdict is Verdict.ABORTED
    assert {judged.why for judged in found if judged.verdict is Verdict.ABORTED} <= {
        f"not judged: the scheduler at {cluster.address} let it go",
        f"not judged: the connection to the scheduler at {cluster.address} was lost",
    }
    assert capfd.readouterr().err == ""  # it is for the command to say


def test_a_scheduler_that_does_not_answer_is_told_in_time(monkeypatch):
    monkeypatch.setattr(cluster_module, "CONNECT_SECONDS", 0.5)
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{silent.getsockname()[1]}"
        with pytest.raises(StationError, match="cannot be reached"), cluster_workers(address):
            pass


@pytest.mark.parametrize(
    "address", ["", "192.0.2.7:8786", "tcp://", "http://192.0.2.7:80", "tcp://a b:1", "-"]
)
def test_what_is_no_address_is_refused(address):
    with pytest.raises(UsageError, match=r"as in tcp://"):
        check_address(address)


def test_without_the_cluster_extra_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'linecheck\[cluster\]'"), cluster_workers("tcp://a:1"):
        pass


class FakeClient:
    """A cluster that is as a test says."""

    status = "running"

    def __init__(self, found):
        self.found = found

    def wait_for_workers(self, count, timeout):
        assert count == 1

    def run(self, function, *, on_error):
        assert on_error == "return"
        return self.found

    def nthreads(self):
        return {}

    def get_executor(self, *, pure, retries):
        assert (pure, retries) == (False, 0)


def test_workers_with_other_software_are_refused_by_name():
    here = cluster_module.software_here()
    other = tuple((name, "0.0.1" if name == "numpy" else number) for name, number in here)
    missing = ModuleNotFoundError("No module named 'linecheck'")
    client = FakeClient({"tcp://good": here, "tcp://old": other, "tcp://bare": missing})
    with pytest.raises(StationError) as caught:
        ClusterWorkers(client, "tcp://192.0.2.7:8786")
    text = str(caught.value)
    assert "tcp://good" not in text
    assert "tcp://old" in text
    assert "numpy 0.0.1" in text
    assert "tcp://bare: ModuleNotFoundError: No module named 'linecheck'" in text


def test_a_cluster_that_stays_without_workers_is_lost(monkeypatch):
    workers = ClusterWorkers(FakeClient({"tcp://a": cluster_module.software_here()}), "tcp://192.0.2.7:8786")
    assert workers.lost is None
    monkeypatch.setattr(cluster_module, "WORKERLESS_SECONDS", -1.0)
    assert "has had no worker" in workers.lost
    workers.close()


def test_a_connection_that_is_closed_is_given_up_without_a_word():
    class Closed:
        def shutdown(self, wait):
            raise OSError("Client is closed")

    workers = ClusterWorkers(FakeClient({"tcp://a": cluster_module.software_here()}), "tcp://192.0.2.7:8786")
    workers.executor = Closed()
    workers.abandon()
    workers.close()


def test_only_what_the_scheduler_gave_up_is_a_death():
    from distributed import KilledWorker

    workers = ClusterWorkers(FakeClient({"tcp://a": cluster_module.software_here()}), "tcp://192.0.2.7:8786")
    error = ValueError("no death")
    assert workers.cause(error) is error
    death = workers.cause(KilledWorker("task", None, 3))
    assert isinstance(death, WorkerDied)
    assert (death.workers, death.certain) == (4, False)
    workers.close()
