"""What the screen itself must not get wrong: a label that a pause cuts, the nest that is meant, what nobody placed."""

import json

import pytest
from made_causes import made_causes
from web.server import QUICK, SPREAD, Server

from browser.test_screen import OF_RUNS, RULES, SIZES, Operator, records, waited
from linecheck.line.states import MAX_SENTENCE, State

LOOSE = QUICK.replace("PR3-[0-9]{6}", "[A-Z0-9]{3}-?[0-9]{4,6}")


@pytest.mark.parametrize("station", [SPREAD, f'{SPREAD}[screen]\nscanner_ends = "enter"\n'])
def test_a_label_that_a_pause_cuts_is_not_tested_by_its_beginning(browser, tmp_path, station):
    limits = QUICK if "scanner_ends" in station else LOOSE
    with Server(tmp_path, limits=limits, station=station) as server, Operator(browser, server) as operator:
        operator.scan("PR3-0002", end="")
        operator.page.wait_for_timeout(400)  # longer than a scanner's pause within a label
        assert operator.state() == "ready"
        assert "waits for Enter" in operator.page.inner_text("#typed")
        operator.scan("15")
        assert operator.until(*OF_RUNS, "not tested", serial="PR3-000215") in OF_RUNS
    assert [serial for _, serial, _ in records(tmp_path)] == ["PR3-000215"]


def told(nest, state, **changes):
    causes = made_causes()
    return {
        "nest": nest, "state": state, "serial": "PR3-004711", "run_id": "", "attempt": 2, "says": causes.sentence,
        "act": causes.first.act, "note": "", "doing": "Playing tone", "number": 2, "total": 9, "expected_seconds": 27.0,
        "elapsed_seconds": 4.0 if state == "testing" else None, "operator": "A. Berg", "shift": "late",
        "due": "golden due tomorrow 14:30", "wants_details": False, "may_judge": True, "locked_why": "", "cures": [],
        "about": "attempt 2, retest reason: repaired", "reminders": ["Retest reason of the next unit: repaired."],
        "is_next": False, **changes,
    }  # fmt: skip


def show(operator, *nests, unplaced=None):
    """Show what the server would tell of nests, and of what went to none."""
    text = json.dumps({"nests": nests, "unplaced": unplaced})
    operator.page.evaluate("text => window.source.onmessage({data: text})", text)


@pytest.fixture(scope="module")
def two_nests(tmp_path_factory):
    folder = tmp_path_factory.mktemp("two")
    (folder / "b.toml").write_text(f'nest = "b"\n{SPREAD}', encoding="utf-8")
    with Server(folder, "--station", folder / "b.toml", station=f'nest = "a"\n{SPREAD}') as running:
        yield running


#: As long as a sentence may be.
LONG = ("PR3-004711 is not tested: three units in a row have failed grossly and alike. " * 6)[:MAX_SENTENCE]

MARKED = """() => [...document.querySelectorAll(".nest")].map((nest) => {
  const next = nest.querySelector(".next"), name = nest.querySelector(".name b"), style = getComputedStyle(nest);
  return {name: name.innerText, size: parseFloat(getComputedStyle(name).fontSize),
          word: next.hidden ? "" : next.innerText, frame: style.outlineStyle};
})"""


def test_each_nest_has_its_name_and_the_chosen_one_a_word_and_a_frame(browser, two_nests):
    with Operator(browser, two_nests, told=True) as operator:
        show(operator, told("a", "ready", serial=""), told("b", "pass", is_next=True))
        first, second = operator.page.evaluate(MARKED)
        assert (first["name"], first["word"], first["frame"]) == ("a", "", "none")
        assert (second["name"], "next unit here" in second["word"], second["frame"]) == ("b", True, "dashed")
        assert min(first["size"], second["size"]) >= 0.06 * 1080


def test_what_went_to_no_nest_covers_every_verdict_and_goes_with_the_next_scan(browser, two_nests):
    unplaced = {"serial": "PR3-000001", "says": "Nobody has said.", "act": "Scan the nest's code first."}
    with Operator(browser, two_nests, told=True) as operator:
        show(operator, told("a", "pass"), told("b", "pass"), unplaced=unplaced)
        covered = operator.page.inner_text("#missed")
        assert all(text in covered for text in unplaced.values())
        middle = "document.elementFromPoint(innerWidth / 4, innerHeight / 2).closest('#missed') !== null"
        assert operator.page.evaluate(middle)
        show(operator, told("a", "pass"), told("b", "pass", is_next=True))
        assert operator.page.is_hidden("#missed")


#: What does not fit where it stands, by its class: words and serial numbers, acts, reminders, and the whole reason.
CUT = """() => [...document.querySelectorAll(".nest")].flatMap((nest) => {
  const box = nest.getBoundingClientRect(), words = nest.querySelector(".words").getBoundingClientRect();
  const says = nest.querySelector(".says");
  const parts = ".word span, .serial, .act, .about, .reminders p, .name, .next, .note, .says";
  const cut = [...nest.querySelectorAll(parts)].filter((part) => {
    const own = part.getBoundingClientRect(), lowest = part.closest(".words") ? words : box;
    return own.width && (own.right > box.right + 1 || own.left < box.left - 1 || own.bottom > lowest.bottom + 3);
  }).map((part) => part.className || part.parentElement.className);
  return says.scrollHeight > says.clientHeight + 1 || !nest.querySelector(".more").hidden ? [...cut, "reason"] : cut;
})"""


@pytest.mark.parametrize("size", SIZES)
def test_nothing_of_a_state_is_cut_off_with_a_reminder_and_a_reason_in_one_nest_or_two(
    browser, two_nests, size
):
    with Operator(browser, two_nests, size, told=True) as operator:
        for state in State:
            show(operator, told("a", state), told("b", state, is_next=True))
            assert operator.page.evaluate(CUT) == [], state
            long = {"says": LONG, "note": "Not tested: PR3-004712, scanned during this test. Scan it again."}
            show(operator, told("a", state, **long, reminders=[]), told("b", state, says=LONG, about=""))
            assert operator.page.evaluate(CUT) == [], state


def test_a_reason_for_which_there_is_no_room_says_so(browser, two_nests):
    with Operator(browser, two_nests, (640, 400), told=True) as operator:
        show(operator, told("a", "not tested", says=LONG), told("b", "ready"))
        first, second = (operator.page.locator(f".nest[data-nest={nest}] .more") for nest in "ab")
        assert "no room for all of it" in first.inner_text()
        assert second.is_hidden()


def test_two_nests_with_all_that_can_stand_there_are_free_of_barriers(browser, two_nests, axe_source):
    with Operator(browser, two_nests, told=True) as operator:
        for state in State:
            show(operator, told("a", state), told("b", state, is_next=True, note="Not tested: PR3-1."))
            found = operator.page.evaluate(RULES.format(axe_source))
            assert [rule["id"] for rule in found["violations"]] == [], state


def test_the_foot_shows_each_verdict_on_a_small_screen(browser, tmp_path):
    with Server(tmp_path) as server, Operator(browser, server, (1366, 768)) as operator:
        for number in range(6):
            operator.test(f"PR3-{number + 1:06d}")
        waited(operator.page, "() => document.querySelectorAll('#last li').length === 6")
        assert operator.page.inner_text("#counts").startswith("today: 6 units")
        seen = operator.page.evaluate("""() => [...document.querySelectorAll("#last li")].map((item) => {
          const box = item.getBoundingClientRect(), word = item.querySelector("b").getBoundingClientRect();
          return box.width === 0 || word.right <= box.right + 1;
        })""")
        assert all(seen)


def test_met_looks_like_no_pass(browser, two_nests):
    with Operator(browser, two_nests, told=True) as operator:
        show(operator, told("a", "pass"), told("b", "met"))
        colours = operator.page.evaluate(
            "() => [...document.querySelectorAll('.nest')].map((nest) => getComputedStyle(nest).backgroundColor)"
        )
        assert len(set(colours)) == 2
