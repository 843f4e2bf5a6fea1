"""The server of the screen at work: which nest is tested, what a stop, a kill and a switch leave on the screen."""

import os
import signal
import time

import pytest
from small_run import STATION
from web.server import QUICK, SPREAD, Server

from linecheck.log import LogReader

FIRST, SECOND, THIRD = "PR3-000001", "PR3-000002", "PR3-000003"
RESULTS = ("pass", "fail", "hold")
SLOW = QUICK.replace("seconds: 0.25", "seconds: 20")


def runs_in(folder):
    with LogReader(folder / "results/linecheck.sqlite") as log:
        return log.runs(limit=1000)


class Nests:
    """What a page hears of several nests."""

    def __init__(self, page):
        self.page = page

    def until(self, wanted):
        """Return the nests by name, and what went to none of them, once that is so."""
        for name, data in self.page.events():
            if name == "role":
                self.page.role = data
            elif name == "message":
                nests = {nest["nest"]: nest for nest in data["nests"]}
                if wanted(nests, data["unplaced"]):
                    return nests, data["unplaced"]
        raise AssertionError("the stream has ended")


@pytest.fixture
def two(tmp_path):
    """Two nests, both of which show a verdict."""
    (tmp_path / "b.toml").write_text(f'nest = "b"\n{SPREAD}', encoding="utf-8")
    server = Server(tmp_path, "--station", tmp_path / "b.toml", station=f'nest = "a"\n{SPREAD}')
    with server, server.listen() as page:
        nests = Nests(page)
        nests.until(lambda found, _: all(nest["state"] == "ready" for nest in found.values()))
        for number, nest in enumerate(("a", "b")):
            page.scan(f"LINE-NEST-{nest}")
            nests.until(lambda found, _, nest=nest: found[nest]["is_next"])
            page.scan(f"PR3-00090{number}")
            nests.until(lambda found, _, nest=nest: found[nest]["state"] in RESULTS)
        yield page, nests


def test_a_serial_number_goes_to_no_nest_by_default(two, tmp_path):
    page, nests = two
    page.scan(FIRST)
    found, unplaced = nests.until(lambda _, unplaced: unplaced)
    assert unplaced["serial"] == FIRST
    assert unplaced["act"] == "Scan the nest's code first, then this again."
    assert not any(nest["is_next"] for nest in found.values())
    page.scan("LINE-NEST-b")
    found, _ = nests.until(lambda found, unplaced: found["b"]["is_next"] and not unplaced)
    assert not found["a"]["is_next"]
    page.scan(FIRST)  # within two seconds: the code in between says that it is meant
    found, _ = nests.until(lambda found, _: found["b"]["serial"] == FIRST and found["b"]["state"] in RESULTS)
    assert not found["b"]["is_next"]
    assert next((run.nest, run.serial) for run in runs_in(tmp_path)) == ("b", FIRST)


@pytest.mark.parametrize("between", ["4006381333931", "LINE-OPERATOR-A. Berg"])
def test_a_wrong_label_or_a_badge_leaves_the_nest_that_was_chosen(two, tmp_path, between):
    page, nests = two
    page.scan("LINE-NEST-b")
    nests.until(lambda found, _: found["b"]["is_next"])
    page.scan(between)
    nests.until(lambda found, _: found["b"]["state"] == "not tested" or found["b"]["operator"] == "A. Berg")
    page.scan(SECOND)
    nests.until(lambda found, _: found["b"]["serial"] == SECOND and found["b"]["state"] in RESULTS)
    assert next((run.nest, run.serial) for run in runs_in(tmp_path)) == ("b", SECOND)


def test_a_stop_that_comes_before_the_first_sample_ends_the_run_and_the_station(tmp_path):
    asks = f'{SPREAD}[before]\ncommand = "sleep 2"\n'
    with Server(tmp_path, limits=SLOW, station=asks) as server, server.listen() as page:
        page.until_state("ready")
        page.scan(FIRST)
        page.until_state("testing")
        page.scan("LINE-STOP")
        state = page.until(lambda state: state["state"] == "stopped" and "LINE-RESUME" in state["act"])
        assert state["serial"] == FIRST
        assert [run.state for run in runs_in(tmp_path)] == ["aborted"]


def test_the_label_after_a_code_waits_for_its_turn(tmp_path):
    with Server(tmp_path) as server, server.listen() as page:
        page.until_state("ready")
        for code in ("LINE-STOP", "LINE-RESUME", "LINE-OPERATOR-A. Berg"):
            page.scan(code)
        page.scan(FIRST)
        assert page.until_state(*RESULTS, "not tested")["state"] in RESULTS


def test_another_label_ends_the_question_for_a_reason_and_is_tested(tmp_path):
    limits = QUICK.replace("checks:\n", "retest: {reasons: [reseated]}\nchecks:\n")
    with Server(tmp_path, limits=limits) as server, server.listen() as page:
        page.until_state("ready")
        page.scan(FIRST)
        page.until_state(*RESULTS)
        time.sleep(2.1)  # not a label that is read twice
        page.scan(FIRST)
        page.until_state("do this")
        page.scan(SECOND)
        state = page.until(lambda state: state["serial"] == SECOND and state["state"] in RESULTS)
        assert state["note"] == f"Not tested: {FIRST}, no retest reason was scanned. Scan it again."


def test_a_code_is_answered_where_nothing_else_is_shown(tmp_path):
    with Server(tmp_path) as server, server.listen() as page:
        page.until_state("ready")
        page.scan("LINE-KEYS-AZYQWM-0123456789")
        state = page.until(lambda state: "same keyboard" in state["note"])
        assert state["state"] == "ready"
        page.scan("LINE-DETAILS")
        page.until(lambda state: "No unit is shown" in state["note"])


def test_only_the_server_killed_says_all_the_same_whose_run_was_cut_off(tmp_path):
    with Server(tmp_path, limits=SLOW) as server:
        with server.listen() as page:
            page.until_state("ready")
            page.scan(FIRST)
            page.until(lambda state: state["number"] == 1)
        os.kill(server.process.pid, signal.SIGKILL)  # its station ends the run by itself
        server.process.wait()
        server.process.stdout.close()
        while not runs_in(tmp_path):
            time.sleep(0.1)
        server.start()
        with server.listen() as page:
            state = page.until(lambda state: state["serial"] == FIRST)
            assert (state["state"], state["act"]) == ("stopped", "Test it again.")


def test_a_switch_that_fails_is_told_while_a_verdict_stands_and_when_it_is_mended(tmp_path):
    station = f"{STATION}[screen.unit_present]\ncommand = \"sh -c 'exit $(cat {tmp_path}/switch)'\"\n"
    switch = tmp_path / "switch"
    switch.write_text("0")
    with Server(tmp_path, station=station) as server, server.listen() as page:
        page.until_state("ready")
        page.scan(FIRST)
        page.until_state(*RESULTS)
        switch.write_text("2")
        state = page.until(lambda state: any("does not answer" in text for text in state["reminders"]))
        assert state["state"] in RESULTS
        assert any("engineer" in text for text in state["reminders"])
        page.scan(SECOND)
        assert "engineer" in page.until_state("not tested")["act"]
        switch.write_text("0")
        page.until(lambda state: not state["reminders"])


def test_all_stations_of_a_screen_are_counted(tmp_path):
    (tmp_path / "b.toml").write_text(
        'nest = "b"\n' + SPREAD.replace('station = "bench"', 'station = "other"'), encoding="utf-8"
    )
    server = Server(tmp_path, "--station", tmp_path / "b.toml", station=f'nest = "a"\n{SPREAD}')
    with server, server.listen() as page:
        nests = Nests(page)
        nests.until(lambda found, _: all(nest["state"] == "ready" for nest in found.values()))
        page.scan("LINE-NEST-b")
        page.scan(THIRD)
        nests.until(lambda found, _: found["b"]["state"] in RESULTS)
        for name, data in page.events():
            if name == "shift" and data.get("units") == 1:
                break
        assert data["last"][0]["serial"] == THIRD
    assert [run.station for run in runs_in(tmp_path)] == ["other"]


def test_a_station_that_is_started_anew_knows_who_is_there(tmp_path):
    with Server(tmp_path) as server, server.listen() as page:
        page.until_state("ready")
        page.scan("LINE-SHIFT-late")
        page.until(lambda state: state["shift"] == "late")
        page.scan("LINE-OPERATOR-A. Berg")
        page.until(lambda state: state["operator"] == "A. Berg")
        for pid in server.station_pids():
            os.kill(pid, signal.SIGKILL)
        page.until_state("stopped")
        state = page.until_state("ready")
        assert (state["operator"], state["shift"]) == ("A. Berg", "late")
        page.scan(FIRST)
        page.until_state(*RESULTS)
    assert [(run.operator, run.shift) for run in runs_in(tmp_path)] == [("A. Berg", "late")]


def test_a_unit_under_test_in_one_nest_is_tested_in_no_other(tmp_path):
    (tmp_path / "b.toml").write_text(f'nest = "b"\n{SPREAD}', encoding="utf-8")
    server = Server(tmp_path, "--station", tmp_path / "b.toml", limits=SLOW, station=f'nest = "a"\n{SPREAD}')
    with server, server.listen() as page:
        nests = Nests(page)
        nests.until(lambda found, _: all(nest["state"] == "ready" for nest in found.values()))
        page.scan("LINE-NEST-a")
        page.scan(FIRST)
        nests.until(lambda found, _: found["a"]["state"] == "testing" and found["a"]["run_id"])
        page.scan("LINE-NEST-b")
        page.scan(FIRST)
        _, unplaced = nests.until(lambda _, unplaced: unplaced)
        assert unplaced["says"] == "It is under test in nest a."
        found, _ = nests.until(lambda found, _: found["a"]["state"] in RESULTS)
        assert found["b"]["state"] == "ready"
    assert [(run.nest, run.serial) for run in runs_in(tmp_path)] == [("a", FIRST)]


def test_a_stopped_station_that_is_started_anew_is_stopped(tmp_path):
    with Server(tmp_path) as server, server.listen() as page:
        page.until_state("ready")
        page.scan("LINE-STOP")
        page.until(lambda state: "LINE-RESUME" in state["act"])
        for pid in server.station_pids():
            os.kill(pid, signal.SIGKILL)
        page.until(lambda state: "program has ended" in state["says"])
        state = page.until(lambda state: "program has ended" not in state["says"])
        while state["state"] == "ready":  # a moment before it is told
            state = page.until(lambda state: True)
        assert (state["state"], "LINE-RESUME" in state["act"]) == ("stopped", True)
        page.scan(FIRST)
        assert "was stopped" in page.until_state("not tested")["says"]
        page.scan("LINE-RESUME")
        page.until_state("ready")
        page.scan(SECOND)
        page.until_state(*RESULTS)
    assert [run.serial for run in runs_in(tmp_path)] == [SECOND]
