"""The log in the browser: what is found, what is shown, and that nothing of it can be changed or escaped."""

import asyncio
from dataclasses import dataclass
from urllib.parse import unquote

import pytest
from made_causes import made_causes, with_causes
from made_runs import made_check, made_reading, made_run
from small_run import LIMITS, STATION, write_small_files
from starlette.datastructures import Headers

from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.station.config.load import load_station
from linecheck.web.app import Line, make_app
from linecheck.web.stations import Stations

HOST = "127.0.0.1:8460"
HOSTILE = "<script>alert('x')</script>\u202e"


@dataclass
class Answer:
    status_code: int
    headers: Headers
    content: bytes

    @property
    def text(self):
        return self.content.decode()


class Client:
    """Asks an application as a browser does, without a server between."""

    def __init__(self, app):
        self.app = app

    def get(self, path):
        return self.request("GET", path)

    def request(self, method, path, headers=()):
        return asyncio.run(self._asked(method, path, {"host": HOST, **dict(headers)}))

    async def _asked(self, method, path, headers):
        place, _, query = path.partition("?")
        sent = []

        asked = iter([None])

        async def receive():
            if next(asked, 0) == 0:
                await asyncio.sleep(3600.0)  # nothing more comes, and nobody leaves
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message):
            sent.append(message)

        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
            "path": unquote(place), "raw_path": place.encode(), "query_string": query.encode(), "root_path": "",
            "headers": [(name.lower().encode(), value.encode()) for name, value in headers.items()],
            "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 8460),
        }  # fmt: skip
        await self.app(scope, receive, send)
        body = b"".join(message.get("body", b"") for message in sent)
        return Answer(sent[0]["status"], Headers(raw=sent[0]["headers"]), body)


@pytest.fixture
def client(tmp_path, monkeypatch):
    """A client of the server's pages, whose log has some runs; no station is started."""
    monkeypatch.chdir(tmp_path)
    write_small_files(tmp_path, limits=LIMITS, station=f'{STATION}[golden]\nserials = ["PR3-900001"]\n')
    station, limits = load_station("station.toml"), load_limits("limits.yaml")
    failed = made_check(made_reading(Verdict.FAIL, 104.0))
    with Log(station.config.records.database) as log:
        for run in (
            made_run(serial="PR3-000001", lot="L1", released=True),
            with_causes(made_run(failed, serial="PR3-000002", lot="L2", operator=HOSTILE)),
            made_run(serial="PR3-000002", lot="L2", reason="reseated", released=True),
        ):
            log.append(run)
    app = make_app(Line({"bench": station}, limits), Stations({}), frozenset({HOST}))
    return Client(app)


def listed(client, query=""):
    """Return the records that a page of the log lists, the newest first."""
    text = client.get(f"/runs?{query}").text
    return [int(part.split("<")[0]) for part in text.split('data-label="record">')[1:]]


@pytest.mark.parametrize(
    ("query", "records"),
    [
        ("", [3, 2, 1]),
        ("serial=PR3-000002", [3, 2]),
        ("lot=L1", [1]),
        ("verdict=fail", [2]),
        ("failed=tone.sinad", [2]),
        (f"cause={made_causes().first.codes[0]}", [2]),
        ("since=2099-01-01", []),
        ("until=2020-01-01", []),
        ("before=3", [2, 1]),
        ("serial=PR3-000002&verdict=pass", [3]),
        ("cause=nothing", []),
    ],
)
def test_runs_are_found_by_what_is_asked_for(client, query, records):
    assert listed(client, query) == records


@pytest.mark.parametrize("query", ["since=soon", "verdict=perhaps", "until=%3Cscript%3E"])
def test_what_cannot_be_asked_is_told_in_words(client, query):
    answer = client.get(f"/runs?{query}")
    assert answer.status_code == 400
    assert 'role="alert"' in answer.text
    assert "<script>" not in answer.text


@pytest.mark.every_python
def test_a_run_says_its_verdict_its_cause_and_its_values_and_hides_nothing(client):
    text = client.get("/runs/2").text.replace("\N{NO-BREAK SPACE}", " ")
    for said in ("FAIL", "PR3-000002", made_causes().sentence, "tone", "&lt;script&gt;"):
        assert said in text
    assert "\u202e" not in text
    assert "<script>" not in text


def test_attempts_stand_side_by_side_what_ever_failed_first(client):
    text = client.get("/units/PR3-000002").text
    assert text.index("reseated") > 0
    assert [text.count(word) for word in ('class="word fail"', 'class="word pass"')] == [1, 1]
    assert "104" in text
    assert "113" in text


def test_the_gates_say_what_opens_the_station_by_the_scanner(client):
    text = client.get("/standing").text
    assert "units may not be judged" in text
    assert "Connect golden unit PR3-900001 and scan it." in text


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/runs/99", 404),
        ("/runs/nonsense", 404),
        ("/units/PR3-999999", 404),
        ("/runs/1/captures/..%2F..%2Flog.sqlite", 404),
        ("/runs/1/captures/tone.wav", 404),
        ("/static/..%2Fapp.py", 404),
        ("/nothing", 404),
    ],
)
def test_what_is_not_there_is_told_and_no_file_but_a_capture_is_given(client, path, status):
    answer = client.get(path)
    assert answer.status_code == status
    assert "Traceback" not in answer.text


@pytest.mark.parametrize("path", ["/runs", "/runs/1", "/units/PR3-000001", "/standing", "/shift", "/codes"])
@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
def test_nothing_can_be_changed(client, path, method):
    assert client.request(method, path, headers={"Origin": f"http://{HOST}"}).status_code == 405


def test_a_page_with_figures_is_that_of_the_report(client):
    answer = client.get("/runs/1/report")
    assert answer.status_code == 200
    assert "<svg" in answer.text
    assert answer.headers["content-security-policy"].startswith(
        "default-src 'none'; style-src 'unsafe-inline'"
    )


@pytest.mark.parametrize("query", ["", "?days=1", "?days=none"])
def test_the_line_of_the_last_days_is_one_page(client, query):
    answer = client.get(f"/line{query}")
    assert answer.status_code == 200
    assert "What to look at first" in answer.text
    assert "script-src" not in answer.headers["content-security-policy"]
    assert HOSTILE not in answer.text


def test_a_kept_capture_is_given_as_the_file_that_it_is(client, tmp_path):
    with Log(tmp_path / "results/linecheck.sqlite") as log:
        run = log.record(1)
    from linecheck.results.files import run_folder

    folder = tmp_path / "results" / run_folder(run.serial, run.started, run.run_id) / "captures"
    folder.mkdir(parents=True)
    (folder / "tone.wav").write_bytes(b"RIFF")
    (folder / "captures.toml").write_text("format = 1")
    assert "tone.wav" in client.get("/runs/1").text
    assert client.get("/runs/1/captures/tone.wav").content == b"RIFF"
    assert client.get("/runs/1/captures/captures.toml").status_code == 404


def test_every_code_of_the_sheet_is_drawn_as_what_it_says(client):
    text = client.get("/codes").text
    assert text.count("<svg") == text.count("<code>") > 6
    assert "LINE-GOLDEN" in text
