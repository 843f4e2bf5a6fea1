"""The station's screen in a real browser: a shift of scans, and what stands on the page through all of it."""

import contextlib
import math
import os
import random
import signal
import time
from collections import Counter
from datetime import datetime

import pytest
from made_causes import made_causes
from needed import lacking
from station.pulse import PulseServer, missing_programs
from web.server import SPREAD, Server, children

from linecheck.line.states import State
from linecheck.log import LogReader, RunFilter

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


READY = """() => document.querySelector("#lost").hidden && !document.querySelector("#role").textContent
  && [...document.querySelectorAll(".nest")].every((nest) => !["none", "testing"].includes(nest.dataset.state)
    && !nest.querySelector(".act").textContent.startsWith("Wait"))"""
SHOWS = """([states, serial, nest]) => {
  const found = document.querySelector(nest);
  return states.includes(found.dataset.state) && (!serial || found.querySelector(".serial").innerText === serial);
}"""
#: What a nest says while its station's process is gone.
GONE = """() => [...document.querySelectorAll(".act")].some((act) => act.textContent.startsWith("Wait"))"""


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

    def state(self, nest=".nest"):
        return self.page.get_attribute(nest, "data-state")

    @property
    def serial(self):
        return self.page.inner_text(".serial")

    def until(self, *states, serial=None, nest=".nest"):
        """Wait until a nest is in one of these states, of this unit where one is given."""
        waited(self.page, SHOWS, [list(states), serial, nest])
        return self.state(nest)

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


#: A nest that must check itself, again and again; its relay sticks while there is a file.
CHECKED_SECONDS = 14.4
CHECKED = f"""nest = "a"
{SPREAD}[loop]
kind = "analogue"
every_hours = {CHECKED_SECONDS / 3600.0}
recheck_fails = false
[loop.close]
command = "test ! -e FOLDER/stuck"
"""
#: A nest of a station whose converters are a null sink of a sound daemon: its unit is a wire, and always passes.
SOUND = """format = 1
station = "loopback"
nest = "b"
interface = "sound"
mains_hz = 50
[playback]
device = "unit_44"
channels = [1, 2]
rates_hz = [44100]
sample_format = "float32"
[capture]
device = "unit_44_monitor"
rate_hz = 44100
channels = [1, 2]
full_scale_volts = [5.656854, 5.656854]
sample_format = "float32"
tail_seconds = 0.1
"""
TO_CHECK = "Scan LINE-CHECK: the station checks itself."
TO_MEND = "Fetch an engineer: self-check is not met. Once that is put right, scan LINE-CHECK."
A, B = ".nest[data-nest=a]", ".nest[data-nest=b]"


class Shift:
    """A shift at both nests, in which everything goes wrong now and then; each method but the first ones is a unit."""

    def __init__(self, operator, server, daemon, seed):
        self.operator, self.server, self.daemon = operator, server, daemon
        self.chance = random.Random(seed)
        self.stuck = server.folder / "stuck"
        self.checks = self.lapses = 0
        self.checked = 0.0
        self.number = 0

    def work(self, units):
        """Test so many units: each disturbance comes equally often, and between them all is well."""
        wrong = [
            self.double, self.other_in_the_test, self.both, self.wrong_label, self.codes, self.stop, self.reload,
            self.closed_tab, self.killed_station, self.killed_server, self.details, self.failed_check, self.lapse,
            self.dead_daemon, self.moved,
        ]  # fmt: skip
        well = [self.plain, self.plain, self.plain, self.sound]
        turns = units // 30 * wrong
        turns += [well[number % 4] for number in range(units - len(turns))]
        self.chance.shuffle(turns)
        for turn in turns:
            turn(self.next_serial())
            if self.chance.random() < 0.3:
                self.operator.page.wait_for_timeout(self.chance.randrange(300))
        self.operator.ready()
        return Counter(turn.__name__ for turn in turns)

    def next_serial(self):
        self.number += 1
        return f"PR3-{self.number:06d}"

    def scan(self, text, nest=A, end=None):
        """Scan something for a nest, by its code."""
        self.operator.scan("LINE-NEST-b" if nest == B else "LINE-NEST-a")
        self.operator.scan(text, self.chance.choice(["Enter", "Tab", ""]) if end is None else end)

    def states(self, serial, *nests):
        """Return what is in the log of a unit, or of it at some nests."""
        with LogReader(self.server.folder / "results/linecheck.sqlite") as log:
            found = log.runs(RunFilter(serial=serial))
        return [run.state for run in found if run.nest in (nests or "ab")]

    def told(self, serial, nest=A):
        """Wait for what comes of a unit, which the log must say too; a nest that may not judge checks itself first."""
        state = self.operator.until(*OF_RUNS, "stopped", "not tested", serial=serial, nest=nest)
        if state == "not tested":
            self.lapses += 1
            self.is_locked(serial)
            self.check()
            self.scan(serial)
            state = self.operator.until(*OF_RUNS, serial=serial, nest=nest)
        if state in OF_RUNS:
            assert self.states(serial)[0] in OF_RUNS[state]
        return state

    def is_locked(self, serial, act=TO_CHECK):
        """Look at a unit that the first nest has refused."""
        assert self.states(serial, "a") == []
        assert "self-check" in self.operator.page.inner_text(f"{A} .says")
        waited(self.operator.page, f"document.querySelector('{A} .act').innerText === '{act}'")

    def check(self, *, met=True):
        self.scan("LINE-CHECK", end="Enter")
        self.operator.until("met" if met else "not met", serial="self-check", nest=A)
        self.checks, self.checked = self.checks + 1, time.monotonic()

    def playing(self, serial, nest):
        """Scan a unit and wait until it plays; the simulated one is too fast for that."""
        self.scan(serial, nest, "Enter")
        if nest == B:
            waited(self.operator.page, f"document.querySelector('{B} .doing').innerText.includes('Playing')")

    def nest(self):
        return self.chance.choice([A, B])

    def plain(self, serial):
        self.scan(serial)
        self.told(serial)

    def sound(self, serial):
        self.scan(serial, B)
        assert self.told(serial, B) in ("pass", "test again")

    def double(self, serial):
        nest = self.nest()
        self.scan(serial, nest, "Enter")
        self.operator.scan(serial)
        self.told(serial, nest)

    def other_in_the_test(self, serial):
        other = self.next_serial()
        self.playing(serial, B)
        self.scan(other, B, "Enter")
        waited(self.operator.page, f"document.querySelector('{B} .note').innerText.includes('{other}')")
        assert self.operator.state(B) in ("testing", "pass", "test again")
        self.told(serial, B)
        assert self.states(other) == []

    def both(self, serial):
        other = self.next_serial()
        self.scan(serial, B, "Enter")
        self.scan(other)
        self.told(other)
        self.told(serial, B)

    def moved(self, serial):
        """Test a unit at one nest, and then at the other: what stood at the first is no longer so."""
        self.sound(serial)
        self.scan(serial)
        self.told(serial)
        assert self.operator.page.inner_text(f"{B} .serial") == ""

    def wrong_label(self, serial):
        self.scan(self.chance.choice(["PR4-000001", "pr3-000001", "PR3/000001", "A" * 3000, "<b>PASS</b>"]))
        self.operator.until("not tested", nest=A)
        self.operator.scan("LINE-KEYS-AZYQWM-0123456789")  # one of them looks like another keyboard's
        self.plain(serial)

    def codes(self, serial):
        for code in ("LINE-OPERATOR-A. Berg", "LINE-SHIFT-late", "LINE-STOP", "LINE-RESUME"):
            self.operator.scan(code)
            self.operator.page.wait_for_timeout(60)
        for nest in (A, B):
            self.operator.until("ready", "station locked", nest=nest)
        self.plain(serial)

    def stop(self, serial):
        self.playing(serial, B)
        self.scan("LINE-STOP", B, "Enter")
        assert self.told(serial, B) == "stopped"
        assert self.states(serial) == ["aborted"]
        self.operator.scan("LINE-RESUME")  # it stops every nest
        for nest in (A, B):
            self.operator.until("ready", "station locked", nest=nest)

    def reload(self, serial):
        nest = self.nest()
        self.playing(serial, nest)
        self.operator.reload()
        self.again(serial, nest)

    def again(self, serial, nest):
        """Go on with a unit at a new page, whose scan the old one may have taken along."""
        self.operator.ready()
        if self.operator.page.inner_text(f"{nest} .serial") != serial:
            self.scan(serial, nest)
        self.told(serial, nest)

    def closed_tab(self, serial):
        nest = self.nest()
        self.playing(serial, nest)
        self.operator.close_tab()
        self.again(serial, nest)

    def cut_off(self, serial, nest):
        """Look at the unit that was under test when everything died."""
        self.operator.ready()
        if nest == B:
            self.operator.until("stopped", serial=serial, nest=B)
            assert self.states(serial) == ["aborted"]

    def killed_station(self, serial):
        nest = self.nest()
        self.playing(serial, nest)
        for pid in self.server.station_pids():
            if nest == A or children(pid, b"interfaces.sound.worker"):
                os.kill(pid, signal.SIGKILL)
        waited(self.operator.page, GONE)
        if nest == B:
            self.plain(self.next_serial())  # the other nest goes on, and records what was cut off
        self.cut_off(serial, nest)

    def killed_server(self, serial):
        nest = self.nest()
        self.playing(serial, nest)
        self.server.kill()
        waited(self.operator.page, "() => !document.querySelector('#lost').hidden")
        self.server.start()
        self.cut_off(serial, nest)

    def details(self, serial):
        self.operator.scan("LINE-DETAILS")
        self.operator.scan("LINE-BACK")
        self.plain(serial)

    def failed_check(self, serial):
        self.stuck.touch()
        self.check(met=False)
        assert "the loop could not be closed" in self.operator.page.inner_text(f"{A} .says")
        self.scan(serial)
        self.operator.until("not tested", serial=serial, nest=A)
        self.is_locked(serial, TO_MEND)
        self.sound(self.next_serial())  # the other nest goes on
        self.stuck.unlink()
        self.check()
        self.plain(serial)

    def lapse(self, serial):
        self.plain(serial)
        before = self.operator.state(A)
        passed = time.monotonic() - self.checked
        self.operator.page.wait_for_timeout(1000.0 * max(0.0, CHECKED_SECONDS - passed))
        assert self.operator.state(A) == before  # what is on the disk stands
        lapses, other = self.lapses, self.next_serial()
        self.plain(other)
        assert self.lapses == lapses + 1

    def dead_daemon(self, serial):
        self.playing(serial, B)
        self.daemon.kill()
        assert self.told(serial, B) == "test again"
        assert self.states(serial) == ["invalid"]
        assert self.operator.page.inner_text(f"{B} .says").startswith("Not judged: ")
        without = self.next_serial()
        self.scan(without, B)
        self.operator.until("test again", "not tested", serial=without, nest=B)
        assert set(self.states(without)) <= {"invalid"}
        self.plain(self.next_serial())  # the other nest goes on
        self.daemon.start()
        for _ in range(5):  # a busy machine may lose samples, which is no fail
            self.scan(serial, B)
            self.operator.until("testing", serial=serial, nest=B)
            if self.told(serial, B) == "pass":
                return
        raise AssertionError("the station does not go on")


@pytest.fixture
def daemon():
    """A sound daemon of this test's own: it is killed."""
    if missing_programs():
        lacking(missing_programs())
    with PulseServer() as running:
        yield running


@pytest.mark.sound
@pytest.mark.parametrize("units", [30, pytest.param(400, marks=pytest.mark.soak)])
@pytest.mark.timeout(3600)
def test_no_word_of_a_verdict_ever_stands_beside_another_serial_number_or_before_its_record(
    browser, daemon, tmp_path, units
):
    (tmp_path / "b.toml").write_text(SOUND)
    station = CHECKED.replace("FOLDER", str(tmp_path))
    server = Server(
        tmp_path, "--station", tmp_path / "b.toml", station=station, environment=daemon.environment
    )
    with server:
        with Operator(browser, server) as operator:
            shift = Shift(operator, server, daemon, seed=units)
            happened = shift.work(units)
        recorded = records(tmp_path)
        wrong = wrong_samples(operator.samples, recorded)
        print(
            f"{len(operator.samples)} samples, {len(wrong)} wrong, {len(recorded)} runs, {shift.number} units,"
            f" {shift.checks} self-checks, {shift.lapses} lapses; {dict(happened)}"
        )
        assert wrong == []
        with LogReader(tmp_path / "results/linecheck.sqlite") as log:
            assert log.verify().intact
            heard = {run.state for run in log.runs(limit=5000) if run.nest == "b"}
    assert operator.errors == []
    assert heard == {"pass", "invalid", "aborted"}
    words = {word for _, word, _ in operator.samples}
    assert {"pass", "fail", "test again", "not tested", "testing", "stopped"} <= words
    assert {"station locked", "met", "not met"} <= words


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
    assert operator.state() == state


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
