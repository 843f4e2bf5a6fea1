"""The server of the screen: who operates it, what it lets in, and what becomes of a run when something is killed."""

import contextlib
import http.client
import json
import os
import signal
import time

import pytest
from small_run import STATION
from web.server import PATIENCE_SECONDS, QUICK, SPREAD, Server

from linecheck.log import LogReader

FIRST, SECOND = "PR3-000001", "PR3-000002"
RESULTS = ("pass", "fail", "hold")
#: Long enough for something to happen meanwhile: it plays ten seconds at the pace of a converter.
SLOW = QUICK.replace("seconds: 0.25", "seconds: 20")


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    with Server(tmp_path_factory.mktemp("serve")) as running:
        yield running


@pytest.fixture
def page(server):
    """The page that operates the station."""
    with server.listen() as stream:
        stream.until(lambda state: state["state"] != "testing" and "starts" not in state["says"])
        yield stream


def runs_in(folder):
    with LogReader(folder / "results/linecheck.sqlite") as log:
        return log.runs(limit=1000)


@pytest.mark.every_python
def test_a_unit_is_tested_and_its_verdict_is_on_the_disk_when_it_is_told(server, page):
    assert page.scan(FIRST) == (200, {"taken": True})
    testing = page.until_state("testing")
    assert testing["serial"] == FIRST
    state = page.until_state(*RESULTS)
    (run,) = (run for run in runs_in(server.folder) if run.run_id == state["run_id"])
    assert (run.serial, run.state) == (state["serial"], state["state"]) == (FIRST, state["state"])


def test_a_second_page_watches_and_cannot_start_anything(server, page):
    with server.listen("operate=1") as second:
        second.until(lambda state: True)
        assert second.role == {"role": "watches", "page": second.role["page"], "key": None}
        assert second.scan(SECOND)[0] == 422  # no key at all
        assert second.scan(SECOND, key="")[0] == 409
        assert (
            second.scan(SECOND, key=page.role["key"])[0] == 409
        )  # a key that was seen is of no use to another page
        assert second.scan(SECOND, key="x" * 32)[0] == 409
    assert not [run for run in runs_in(server.folder) if run.serial == SECOND]


def test_a_page_that_is_loaded_anew_goes_on(server, page):
    with server.listen(f"operate=1&key={page.role['key']}") as again:
        again.until(lambda state: True)
        assert again.role == {**page.role, "page": again.role["page"]}
        assert page.scan(SECOND)[0] == 409  # the copy before it watches from now on


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "evil.example"}, 421),
        ({"Host": "127.0.0.1"}, 421),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({}, 403),
    ],
)
def test_no_other_page_and_no_other_name_reaches_the_station(server, headers, status):
    assert server.request("/scan", "{}", **headers)[0] == status


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
@pytest.mark.parametrize("path", ["/", "/events?operate=1", "/runs"])
def test_an_image_of_another_page_takes_no_ones_place(server, path, site):
    assert server.request(path, **{"Sec-Fetch-Site": site})[0] == 403


@pytest.mark.parametrize("path", ["/", "/events", "/runs", "/codes", "/static/station.js"])
def test_another_name_for_this_computer_reads_nothing(server, path):
    assert server.request(path, Host=f"rebound.example:{server.port}")[0] == 421


@pytest.mark.parametrize("path", ["/", "/codes", "/runs", "/shift", "/standing", "/static/station.js"])
def test_pages_load_nothing_from_elsewhere_and_run_no_other_script(server, path):
    status, headers, text = server.request(path)
    policy = headers["content-security-policy"]
    assert status == 200
    assert policy.startswith("default-src 'none'")
    assert "unsafe-eval" not in policy
    assert "script-src 'unsafe-inline'" not in policy
    assert "http://" not in text.replace("http://www.w3.org/", "")


@pytest.mark.parametrize(
    "body",
    [
        "",
        "no json",
        "[]",
        '{"key": 1, "page": "", "text": ""}',
        '{"key": "", "page": "", "text": "", "more": 1}',
        json.dumps({"key": "k", "page": "p", "text": "x" * 13_000}),
        "x" * 100_000,
        '{"a":' * 5000,
    ],
)
def test_what_is_no_scan_is_refused_and_nothing_else_happens(server, page, body):
    assert server.request("/scan", body, Origin=server.url)[0] in (409, 413, 422)
    assert page.scan("LINE-KEYS-AZYQWM-0123456789")[0] == 200


@pytest.mark.parametrize(
    "text",
    [
        "A" * 10_000,
        "\x00\x1b[2J",
        "<script>alert(1)</script>",
        "\u202ePASS",
        "../../etc/passwd",
        "'; DROP TABLE run; --",
        "😀",
    ],
)
def test_a_hostile_label_is_not_tested_and_shows_nothing_hidden(server, page, text):
    assert page.scan(text)[0] == 200
    state = page.until_state("not tested")
    assert len(state["serial"]) <= 64
    assert all(state[name].isprintable() for name in ("serial", "says", "act", "note"))


def test_a_scan_during_a_test_is_told_at_once_and_the_test_goes_on(tmp_path):
    with Server(tmp_path, limits=SLOW) as server, server.listen() as page:
        page.until_state("ready")
        page.scan(FIRST)
        page.until_state("testing")
        page.scan(SECOND)
        noted = page.until(lambda state: SECOND in state["note"])
        assert (noted["state"], noted["serial"]) == ("testing", FIRST)
        assert page.until_state(*RESULTS)["serial"] == FIRST
        assert [run.serial for run in runs_in(tmp_path)] == [FIRST]


def test_the_code_stop_ends_the_run_which_is_recorded_as_aborted(tmp_path):
    with Server(tmp_path, limits=SLOW) as server, server.listen() as page:
        page.until_state("ready")
        page.scan(FIRST)
        page.until(lambda state: state["number"] == 1)
        page.scan("LINE-STOP")
        state = page.until_state("stopped")
        assert (state["serial"], state["attempt"]) == (FIRST, 1)
        stopped = page.until(lambda state: "LINE-RESUME" in state["act"])
        assert (stopped["state"], stopped["serial"]) == ("stopped", FIRST)
        assert [(run.serial, run.state) for run in runs_in(tmp_path)] == [(FIRST, "aborted")]
        page.scan(SECOND)
        assert "LINE-RESUME" in page.until_state("not tested")["act"]
        page.scan("LINE-RESUME")
        page.until_state("ready")
        page.scan(SECOND)
        assert page.until_state(*RESULTS)["serial"] == SECOND


def test_a_station_that_was_killed_is_started_again_and_says_what_became_of_the_run(tmp_path):
    with Server(tmp_path, limits=SLOW) as server, server.listen() as page:
        page.until_state("ready")
        page.scan(FIRST)
        page.until(lambda state: state["number"] == 1)
        for pid in server.station_pids():
            os.kill(pid, signal.SIGKILL)
        assert "ended" in page.until_state("stopped")["says"]
        state = page.until(lambda state: state["serial"] == FIRST and state["state"] == "stopped")
        assert "cut off" in state["says"]
        assert [(run.serial, run.state) for run in runs_in(tmp_path)] == [(FIRST, "aborted")]


def test_a_server_that_was_killed_says_after_its_start_what_became_of_the_run(tmp_path):
    server = Server(tmp_path, limits=SLOW)
    with server:
        with server.listen() as page:
            page.until_state("ready")
            page.scan(FIRST)
            page.until(lambda state: state["number"] == 1)
            server.kill()
        server.start()
        with server.listen() as page:
            state = page.until(lambda state: state["serial"] == FIRST)
            assert (state["state"], "cut off" in state["says"]) == ("stopped", True)
    assert [(run.serial, run.state) for run in runs_in(tmp_path)] == [(FIRST, "aborted")]


def test_ending_the_server_ends_the_run_which_is_recorded(tmp_path):
    with Server(tmp_path, limits=SLOW) as server, server.listen() as page:
        page.until_state("ready")
        page.scan(FIRST)
        page.until(lambda state: state["number"] == 1)
        out = server.stop(signal.SIGTERM)
        assert "Traceback" not in out
    assert [(run.serial, run.state) for run in runs_in(tmp_path)] == [(FIRST, "aborted")]


def test_an_invalid_run_stops_a_station_that_is_to_stop_until_somebody_says_that_it_is_put_right(tmp_path):
    station = f"{STATION}[gate]\nstop_after_invalid = true\n"
    with Server(tmp_path, "--fault", "silence", station=station) as server, server.listen() as page:
        page.until_state("ready")
        page.scan(FIRST)
        assert page.until_state("test again", "fail")["state"] == "test again"
        page.scan(SECOND)
        refused = page.until_state("not tested")
        assert "LINE-RESUME" in refused["says"]
        page.scan("LINE-RESUME")
        page.until_state("ready")
        page.scan(SECOND)
        assert page.until_state("test again")["serial"] == SECOND


def test_a_unit_that_is_taken_out_of_the_nest_takes_its_verdict_along(tmp_path):
    station = f'{SPREAD}[screen.unit_present]\ncommand = "test -e {tmp_path}/unit"\n'
    (tmp_path / "unit").touch()
    with Server(tmp_path, station=station) as server, server.listen() as page:
        page.until_state("ready")
        page.scan(FIRST)
        assert page.until_state(*RESULTS)["serial"] == FIRST
        for name, data in page.events():  # it stays as long as the unit is there
            if name == "beat" or (name == "message" and data["nests"][0]["state"] == "ready"):
                break
        assert name == "beat"
        (tmp_path / "unit").unlink()
        removed = page.until_state("ready")
        assert (removed["serial"], removed["says"]) == ("", "")


def test_who_is_at_the_station_stands_in_the_record(server, page):
    page.scan("LINE-SHIFT-late")
    page.until(lambda state: state["shift"] == "late")
    page.scan("LINE-OPERATOR-A. Berg")
    page.until(lambda state: state["operator"] == "A. Berg")
    page.scan("PR3-000077")
    state = page.until(lambda state: state["state"] in RESULTS and state["serial"] == "PR3-000077")
    (run,) = (run for run in runs_in(server.folder) if run.run_id == state["run_id"])
    assert (run.operator, run.shift) == ("A. Berg", "late")


def test_several_nests_have_a_state_each_and_a_code_says_which_is_meant(tmp_path):
    for nest in ("a", "b"):
        (tmp_path / f"{nest}.toml").write_text(f'nest = "{nest}"\n{SPREAD}', encoding="utf-8")
    server = Server(tmp_path, "--station", tmp_path / "b.toml", station=f'nest = "a"\n{SPREAD}')
    with server, server.listen() as page:

        def nests(wanted):
            until = time.monotonic() + PATIENCE_SECONDS
            for name, data in page.events():
                assert time.monotonic() < until
                if name == "role":
                    page.role = data
                elif name == "message" and wanted({nest["nest"]: nest for nest in data["nests"]}):
                    return {nest["nest"]: nest for nest in data["nests"]}
            return None

        nests(lambda found: all(nest["state"] == "ready" for nest in found.values()))
        page.scan("LINE-NEST-b")
        page.scan(SECOND)
        found = nests(lambda found: found["b"]["state"] in RESULTS)
        assert (found["a"]["state"], found["b"]["serial"]) == ("ready", SECOND)
        page.scan("LINE-NEST-a")
        page.scan(FIRST)
        assert nests(lambda found: found["a"]["state"] in RESULTS)["a"]["serial"] == FIRST
        page.scan("LINE-NEST-a")
        page.scan("PR3-000003")
        page.scan("PR3-000003")  # the scanner reads it twice: it is not sent to the other nest as well
        found = nests(
            lambda found: any(
                nest["serial"] == "PR3-000003" and nest["state"] in RESULTS for nest in found.values()
            )
        )
        assert [nest["serial"] for nest in found.values()].count("PR3-000003") == 1
        (tested,) = (name for name, nest in found.items() if nest["serial"] == "PR3-000003")
        moved = "b" if tested == "a" else "a"
        for _ in range(2):  # the nest's code too is scanned twice, and says nothing of the next unit
            page.scan(f"LINE-NEST-{moved}")
            page.scan("PR3-000003")
        found = nests(
            lambda found: found[moved]["serial"] == "PR3-000003" and found[moved]["state"] in RESULTS
        )
        assert (found[tested]["state"], found[tested]["serial"]) == ("ready", "")
        page.scan("LINE-NEST-a")
        page.scan("PR3-000004")
        nests(lambda found: found["a"]["serial"] == "PR3-000004" and found["a"]["state"] in RESULTS)
    assert {run.nest for run in runs_in(tmp_path)} == {"a", "b"}
    assert len(runs_in(tmp_path)) == 5


def test_a_token_is_given_once_and_leaves_the_address(tmp_path):
    token = tmp_path / "token"
    token.write_text("a1" * 12)
    token.chmod(0o600)
    with Server(tmp_path, "--token-file", token) as server:

        def asked(path, **headers):
            connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=10)
            with contextlib.closing(connection):
                connection.request("GET", path, headers=headers)
                answer = connection.getresponse()
                return answer.status, answer.getheader("location"), answer.getheader("set-cookie") or ""

        assert asked("/codes")[0] == 401
        assert asked("/codes?token=wrong")[0] == 401
        assert asked("/events?operate=1")[0] == 401
        status, location, cookie = asked("/codes?token=" + "a1" * 12)
        assert (status, location) == (303, "/codes")
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie
        assert asked("/codes", Cookie=cookie.partition(";")[0])[0] == 200
        assert asked("/codes", Cookie="linecheck_token=wrong")[0] == 401
