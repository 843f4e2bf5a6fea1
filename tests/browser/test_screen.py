"""The station's screen in a real browser: a shift of scans, and what stands on the page through all of it."""

import contextlib
import math
import os
import random
import signal
import time
from datetime import datetime

import pytest
from made_causes import made_causes
from web.server import SPREAD, Server

from linecheck.line.states import State
from linecheck.log import LogReader

#: What stands on the page, 20 times a second, with the time of the computer's clock in ms.
SAMPLED = """
window.samples = [];
setInterval(() => {
  for (const nest of document.querySelectorAll(".nest")) {
    const text = (part) => nest.querySelector(part).innerText.replace(/\\s+/g, " ").trim();
    const lost = document.querySelector("#lost");
    const covered = ["#lost", "#missed"].some((name) => !(document.querySelector(name) || {}).hidden);
    if (lost && !covered) window.samples.push([Date.now(), text(".word").toLowerCase(), text(".serial")]);
  }
}, 50);
"""
#: A word on the page, and what its run came to in the log.
OF_RUNS = {
    "pass": {"pass", "marginal"},
    "fail": {"fail"},
    "hold": {"hold"},
    "test again": {"invalid"},
}
SIZES = [(1920, 1080), (1366, 768), (1280, 800)]


#: In place of the server's events: a test tells the page a state itself.
TOLD = """
window.EventSource = class {
  constructor() { window.source = this; }
  addEventListener() {}
  close() {}
};
"""


READY = """() => {
  const nest = document.querySelector(".nest"), text = (part) => document.querySelector(part).textContent;
  const starts = text(".says").includes("The station starts");
  return document.querySelector("#lost").hidden && !["none", "testing"].includes(nest.dataset.state)
    && !text("#role") && !starts;
}"""
SHOWS = """([states, serial]) => {
  const nest = document.querySelector(".nest");
  return states.includes(nest.dataset.state) && (!serial || nest.querySelector(".serial").innerText === serial);
}"""


def waited(page, expression, argument=None):
    """Wait until something is so on a page: asked from here, since the page's policy lets no text be a script."""
    until = time.monotonic() + 40.0
    while not page.evaluate(expression, argument):
        assert time.monotonic() < until, page.inner_text("body")
        page.wait_for_timeout(25)


class Operator:
    """Somebody with a scanner before the screen."""

    def __init__(self, browser, server, size=(1920, 1080), *, told=False):
        self.browser, self.server = browser, server
        self.context = browser.new_context(viewport={"width": size[0], "height": size[1]})
        self.told = told
        self.context.add_init_script(TOLD if told else SAMPLED)
        self.samples, self.errors = [], []
        self.open()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.keep()
        self.context.close()

    def open(self):
        """Open the screen."""
        self.page = self.context.new_page()
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.goto(self.server.url)
        if not self.told:
            self.ready()

    def ready(self):
        """Wait until the page operates the station and nothing is under test."""
        waited(self.page, READY)

    def keep(self):
        """Keep what was seen on the page so far."""
        with contextlib.suppress(Exception):
            self.samples += self.page.evaluate("window.samples.splice(0)")

    def reload(self):
        self.keep()
        self.page.reload()

    def close_tab(self):
        self.keep()
        self.page.close()
        self.open()

    def scan(self, text, end="Enter", delay=0):
        """Type as a scanner does."""
        self.page.keyboard.type(text, delay=delay)
        if end:
            self.page.keyboard.press(end)

    @property
    def state(self):
        return self.page.evaluate("document.querySelector('.nest').dataset.state")

    @property
    def serial(self):
        return self.page.inner_text(".serial")

    def until(self, *states, serial=None):
        """Wait until the nest is in one of these states, of this unit where one is given."""
        waited(self.page, SHOWS, [list(states), serial])
        return self.state

    def test(self, serial, end="Enter"):
        self.scan(serial, end)
        return self.until(*OF_RUNS, "not tested", "stopped", serial=serial)


def records(folder):
    """Return each run in the log as (time in ms, serial, state), in order."""
    with LogReader(folder / "results/linecheck.sqlite") as log:
        runs = log.runs(limit=5000)
    moments = (
        (1000.0 * datetime.fromisoformat(run.logged.recorded).timestamp(), run) for run in reversed(runs)
    )
    return [(moment, run.serial, run.state) for moment, run in moments]


def wrong_samples(samples, recorded):
    """Return what stood on the page beside a serial number that it did not belong to, or before it was on the disk."""
    by_serial = {}
    for moment, serial, state in recorded:
        by_serial.setdefault(serial, []).append((moment, state))
    wrong = []
    for moment, word, serial in samples:
        if word in OF_RUNS:
            before = [state for when, state in by_serial.get(serial, ()) if when <= moment]
            if not before or before[-1] not in OF_RUNS[word]:
                wrong.append((moment, word, serial, before[-3:]))
    return wrong


def shift(operator, server, units, seed):
    """Work through a shift in which everything goes wrong now and then."""
    chance = random.Random(seed)
    for number in range(units):
        serial = f"PR3-{number + 1:06d}"
        end = chance.choice(["Enter", "Tab", ""])
        match chance.randrange(12):
            case 0:  # a double scan
                operator.scan(serial, end or "Enter")
                operator.scan(serial, end or "Enter")
            case 1:  # the next label in the middle of the test
                operator.scan(serial, end or "Enter")
                operator.scan(f"PR3-{number + 2:06d}", "Enter")
            case 2:  # a wrong label
                operator.scan(
                    chance.choice(["PR4-000001", "pr3-000001", "PR3/000001", "A" * 3000, "<b>PASS</b>"])
                )
                operator.until("not tested")
                operator.scan("LINE-KEYS-AZYQWM-0123456789")  # one of them looks like another keyboard's
                operator.scan(serial, end)
            case 3:  # codes
                for code in ("LINE-OPERATOR-A. Berg", "LINE-SHIFT-late", "LINE-STOP", "LINE-RESUME"):
                    operator.scan(code)
                    operator.page.wait_for_timeout(60)
                operator.until("ready")
                operator.scan(serial, end)
            case 4:  # loaded anew in the middle of the run
                operator.scan(serial, end or "Enter")
                operator.reload()
            case 5 if number % 5 == 0:  # a closed tab
                operator.scan(serial, end or "Enter")
                operator.close_tab()
            case 6 if number % 7 == 0:  # the station's process dies in the middle of a run
                operator.scan(serial, "Enter")
                for pid in server.station_pids():
                    with contextlib.suppress(ProcessLookupError):
                        os.kill(pid, signal.SIGKILL)
                operator.page.wait_for_timeout(2500)
                operator.ready()
                continue
            case 7 if number % 11 == 0:  # the whole server is killed, and started again
                operator.scan(serial, "Enter")
                server.kill()
                waited(operator.page, "() => !document.querySelector('#lost').hidden")
                server.start()
                operator.ready()
                continue
            case 8:  # the engineer's page and back
                operator.scan("LINE-DETAILS")
                operator.scan("LINE-BACK")
                operator.scan(serial, end)
            case _:
                operator.scan(serial, end)
        operator.until(*OF_RUNS, "stopped", serial=serial)
        if chance.random() < 0.3:
            operator.page.wait_for_timeout(chance.randrange(300))
    operator.ready()


@pytest.mark.parametrize("units", [30, pytest.param(400, marks=pytest.mark.soak)])
@pytest.mark.timeout(1800)
def test_no_word_of_a_verdict_ever_stands_beside_another_serial_number_or_before_its_record(
    browser, tmp_path, units
):
    with Server(tmp_path) as server:
        with Operator(browser, server) as operator:
            shift(operator, server, units, seed=units)
        recorded = records(tmp_path)
        assert wrong_samples(operator.samples, recorded) == []
    assert operator.errors == []
    assert len({serial for _, serial, _ in recorded}) >= 0.8 * units
    words = {word for _, word, _ in operator.samples}
    assert {"pass", "fail", "not tested", "testing"} <= words


def test_a_wrong_word_would_be_found():
    recorded = [(1000.0, "A", "pass"), (2000.0, "A", "fail")]
    right = [(1000.0, "pass", "A"), (1999.0, "pass", "A"), (2000.0, "fail", "A"), (1.0, "testing", "B")]
    assert wrong_samples(right, recorded) == []
    for wrong in ((999.0, "pass", "A"), (1500.0, "pass", "B"), (2500.0, "pass", "A"), (1500.0, "fail", "A")):
        assert wrong_samples([wrong], recorded) != []


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    with Server(tmp_path_factory.mktemp("screen")) as running:
        yield running


@pytest.fixture
def operator(browser, server):
    with Operator(browser, server) as found:
        yield found


@pytest.mark.parametrize("end", ["Enter", "Tab", ""])
def test_a_scan_arrives_with_whatever_at_its_end_and_whatever_has_the_focus(operator, end):
    serial = f"PR3-0010{len(end):02d}"
    operator.page.focus("footer a")
    assert operator.test(serial, end) in OF_RUNS
    assert operator.serial == serial


def test_what_a_person_types_waits_for_enter(operator):
    operator.page.keyboard.type("PR3-002000", delay=150)
    operator.page.wait_for_timeout(400)
    assert operator.page.inner_text("#typed") == "PR3-002000"
    operator.page.keyboard.press("Enter")
    assert operator.until(*OF_RUNS, serial="PR3-002000")


def test_a_second_tab_watches_the_same_and_starts_nothing(operator, browser, server):
    with contextlib.closing(browser.new_context()) as context:
        second = context.new_page()
        second.goto(server.url)
        waited(second, "() => document.querySelector('#role').textContent.includes('watches')")
        second.keyboard.type("PR3-003000")
        second.keyboard.press("Enter")
        waited(
            second, "() => document.querySelector('#missed').textContent.includes('another page operates')"
        )
        operator.test("PR3-003001")
        waited(second, "() => document.querySelector('.serial').innerText === 'PR3-003001'")
    assert "PR3-003000" not in {serial for _, serial, _ in records(server.folder)}


def test_a_page_to_watch_never_operates(browser, tmp_path):
    with Server(tmp_path) as server, contextlib.closing(browser.new_context()) as context:
        page = context.new_page()
        page.goto(f"{server.url}/watch")
        waited(page, "() => document.querySelector('.nest').dataset.state === 'ready'")
        page.wait_for_timeout(2500)  # two beats: nobody else is there
        assert "watches" in page.inner_text("#role")
        page.keyboard.type("PR3-000001")
        page.keyboard.press("Enter")
        waited(page, "() => document.querySelector('#missed').textContent.includes('another page operates')")
    assert records(tmp_path) == []


def test_a_page_without_its_server_shows_no_verdict(browser, tmp_path):
    with Server(tmp_path) as server, Operator(browser, server) as operator:
        assert operator.test("PR3-000001") in OF_RUNS
        server.stop()
        waited(operator.page, "() => !document.querySelector('#lost').hidden")
        assert operator.page.inner_text(".word") == ""
        assert operator.page.inner_text(".serial") == ""


#: A station that must check itself, every few seconds.
GATED = f'{SPREAD}[loop]\nkind = "analogue"\nevery_hours = 0.002\n'


def test_a_station_that_may_not_judge_shows_no_verdict_until_it_has_checked_itself(browser, tmp_path):
    with Server(tmp_path, station=GATED) as server, Operator(browser, server) as operator:
        assert operator.until("station locked")
        assert operator.page.inner_text(".act") == "Scan LINE-CHECK: the station checks itself."
        for serial in ("PR3-000001", "PR3-000002"):
            operator.scan(serial)
            operator.until("not tested", serial=serial)
            operator.scan("LINE-CHECK")
            operator.until("met", serial="self-check")
            assert operator.test(serial) in OF_RUNS
            # The check lapses: the verdict stands, and the next unit is not tested.
            operator.page.wait_for_timeout(8000)
            assert operator.state in OF_RUNS
        operator.keep()
        recorded = records(tmp_path)
        assert [serial for _, serial, _ in recorded] == ["PR3-000001", "PR3-000002"]
        assert wrong_samples(operator.samples, recorded) == []


def test_a_scan_that_a_dead_station_would_lose_covers_the_verdict_before_it(browser, tmp_path):
    with Server(tmp_path) as server, Operator(browser, server) as operator:
        operator.test("PR3-000001")
        for pid in server.station_pids():
            os.kill(pid, signal.SIGSTOP)  # as good as dead, and nobody has noticed
        operator.scan("PR3-000002")
        waited(operator.page, "() => !document.querySelector('#missed').hidden")
        assert "PR3-000002" in operator.page.inner_text("#missed")
        for pid in server.station_pids():
            os.kill(pid, signal.SIGKILL)
        waited(operator.page, "() => document.querySelector('.nest').dataset.state === 'ready'")
        operator.scan("PR3-000003")
        operator.until(*OF_RUNS, serial="PR3-000003")
        assert operator.page.is_hidden("#missed")
    assert [serial for _, serial, _ in records(tmp_path)] == ["PR3-000001", "PR3-000003"]


def test_the_engineers_page_is_one_scan_away_and_takes_no_key(operator):
    operator.test("PR3-004000")
    operator.scan("LINE-DETAILS")
    frame = operator.page.frame_locator("iframe")
    frame.locator("h1").filter(has_text="PR3-004000").wait_for()
    operator.page.mouse.click(400, 400)  # whoever clicks into it
    operator.test("PR3-004001")
    assert operator.page.is_hidden("#details")


#: Of 20 minutes of arc, h = 2·d·tan(a/2) (ISO 9241-3, as public pages on ergonomics quote it).
MM_AT_TEN_METRES = 2.0 * 10_000.0 * math.tan(math.radians(20.0 / 60.0) / 2.0)
#: Height of a capital of Liberation Sans and of DejaVu Sans, in em: the lower one (from memory).
CAPITAL = 0.69


def mm_high(width, height, inches=24.0):
    """Return the height of a screen of 24 inches."""
    return 25.4 * inches * height / math.hypot(width, height)


def shown_state(operator, state):
    """Show a state as the server would tell it."""
    causes = made_causes()
    told = {
        "nest": "bench", "state": state, "serial": "PR3-004711", "run_id": "", "attempt": 2, "says": causes.sentence,
        "act": causes.first.act, "note": "", "doing": "Playing tone", "number": 2, "total": 9, "expected_seconds": 27.0,
        "elapsed_seconds": 4.0 if state == "testing" else None, "operator": "A. Berg", "shift": "late",
        "due": "golden due 14:30",
        "wants_details": False, "may_judge": True, "locked_why": "", "cures": [],
    }  # fmt: skip
    operator.page.evaluate("told => window.source.onmessage({data: JSON.stringify(told)})", {"nests": [told]})
    assert operator.state == state


@pytest.mark.parametrize("size", SIZES)
def test_the_verdict_of_each_state_is_as_high_as_ten_metres_ask_for_and_nothing_is_cut(browser, server, size):
    with Operator(browser, server, size, told=True) as operator:
        for state in State:
            shown_state(operator, state)
            found = operator.page.evaluate(MEASURED)
            if state not in (State.READY, State.TESTING):
                assert CAPITAL * found["word"] / size[1] >= MM_AT_TEN_METRES / mm_high(*size), (state, found)
            assert found["cut"] == [], state


#: The height of the word's letters, and what does not fit where it stands.
MEASURED = """() => {
  const nest = document.querySelector(".nest"), box = nest.getBoundingClientRect();
  const cut = [...nest.querySelectorAll(".word span, .serial, .act, .says")].filter((part) => {
    const own = part.getBoundingClientRect();
    return own.width && (own.right > box.right + 1 || own.left < box.left - 1 || own.bottom > box.bottom + 1);
  }).map((part) => part.className || part.parentElement.className);
  const shape = nest.querySelector(".shape").getBoundingClientRect();
  for (const part of nest.querySelectorAll(".word span, .serial")) {
    const range = document.createRange();
    range.selectNodeContents(part);
    const own = range.getBoundingClientRect(), ink = 0.12 * own.height;
    const beside = own.right <= shape.left || own.top + ink >= shape.bottom || own.bottom - ink <= shape.top;
    if (own.width && !beside) cut.push("shape");
  }
  return {word: parseFloat(getComputedStyle(nest.querySelector(".word")).fontSize), cut};
}"""


def test_states_differ_in_word_shape_colour_and_side(browser, server):
    with Operator(browser, server, told=True) as operator:
        seen = {}
        for state in State:
            shown_state(operator, state)
            seen[state] = operator.page.evaluate(LOOKS)
        for part in ("word", "shape"):
            assert len({look[part] for look in seen.values()}) == len(seen), part
        for first in seen:
            for second in seen:
                if first < second:
                    same = [part for part in ("colour", "band") if seen[first][part] == seen[second][part]]
                    assert len(same) < 2, (first, second)
        verdicts = [
            seen[state] for state in (State.PASS, State.FAIL, State.HOLD, State.TEST_AGAIN, State.NOT_TESTED)
        ]
        assert (
            len({look["band"] for look in verdicts})
            == len({look["colour"] for look in verdicts})
            == len(verdicts)
        )


RULES = "() => {{ {}; return axe.run(document, {{resultTypes: ['violations']}}); }}"

LOOKS = """() => {
  const nest = document.querySelector(".nest"), style = getComputedStyle(nest);
  const shape = nest.querySelector("use").getAttribute("href");
  const side = ["Top", "Right", "Bottom", "Left"].map((name) => parseFloat(style[`border${name}Width`]) > 8);
  return {word: nest.querySelector(".word").innerText, colour: style.backgroundColor, band: side.join(),
          shape: document.querySelector(shape).innerHTML};
}"""


@pytest.mark.parametrize("path", ["/", "/codes", "/runs", "/shift", "/standing"])
def test_every_page_is_free_of_barriers(operator, server, axe_source, path):
    page = operator.page
    if path != "/":
        page = operator.context.new_page()
        page.goto(server.url + path)
    else:
        operator.test("PR3-005000")
    # The policy lets no script in: the rules are run from the outside.
    found = page.evaluate(RULES.format(axe_source))
    assert [(rule["id"], [node["html"] for node in rule["nodes"]]) for rule in found["violations"]] == []


@pytest.mark.parametrize("state", list(State))
def test_the_screen_in_every_state_is_free_of_barriers(browser, server, axe_source, state):
    with Operator(browser, server, told=True) as operator:
        shown_state(operator, state)
        found = operator.page.evaluate(RULES.format(axe_source))
    assert [(rule["id"], [node["html"] for node in rule["nodes"]]) for rule in found["violations"]] == []
