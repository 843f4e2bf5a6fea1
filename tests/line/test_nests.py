"""Which nest a scan is for: the one that was chosen, or the only free one, and never one by default."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.limits.serial_pattern import has_one_length, serial_matches
from linecheck.line.nests import Choice, Seen, Unplaced

PATTERN = "PR3-[0-9]{6}"
FIRST, SECOND, NO_LABEL = "PR3-000001", "PR3-000002", "4006381333931"
READY, PASSED, TESTING, ASKED = (
    Seen("ready"),
    Seen("pass", "r1"),
    Seen("testing", "r2"),
    Seen("do this", "r3"),
)


def choice():
    return Choice(lambda text: serial_matches(PATTERN, text))


def test_without_a_nests_code_several_free_ones_take_no_unit():
    found = choice().meant(FIRST, {"a": PASSED, "b": READY})
    assert isinstance(found, Unplaced)
    assert found.serial == FIRST
    assert "Scan the nest's code first" in found.act


@pytest.mark.parametrize("busy", [TESTING, ASKED])
def test_the_only_free_nest_takes_the_unit(busy):
    assert choice().meant(FIRST, {"a": busy, "b": READY}) == ("b",)


@pytest.mark.parametrize(
    "between", [NO_LABEL, "LINE-OPERATOR-A. Berg", "LINE-SHIFT-late", "LINE-DETAILS", "LINE-nonsense"]
)
def test_a_nest_stays_chosen_until_its_run_begins(between):
    nests, chosen = {"a": PASSED, "b": PASSED}, choice()
    assert chosen.meant("LINE-NEST-b", nests) == ()
    chosen.meant(between, nests)
    chosen.hear("b", Seen("not tested"))
    chosen.hear("b", PASSED)
    assert chosen.meant(FIRST, nests) == ("b",)
    chosen.hear("b", Seen("testing", "r9"))
    assert chosen.chosen == ""
    assert isinstance(chosen.meant(SECOND, nests), Unplaced)


def test_a_run_that_was_under_way_when_a_nest_was_chosen_ends_no_choice():
    chosen = choice()
    chosen.meant("LINE-NEST-a", {"a": TESTING, "b": READY})
    chosen.hear("a", TESTING)
    assert chosen.chosen == "a"


def test_a_code_of_no_nest_ends_the_choice_and_says_so():
    chosen = choice()
    chosen.meant("LINE-NEST-a", {"a": READY, "b": READY})
    assert isinstance(chosen.meant("LINE-NEST-c", {"a": READY, "b": READY}), Unplaced)
    assert chosen.chosen == ""


@pytest.mark.parametrize(
    "code", ["LINE-STOP", "LINE-RESUME", "LINE-SHIFT-late", "LINE-KEYS-AZYQWM-0123456789"]
)
def test_what_is_said_of_the_line_goes_to_every_nest_whichever_is_chosen(code):
    chosen = choice()
    chosen.meant("LINE-NEST-b", {"a": READY, "b": READY})
    assert chosen.meant(code, {"a": READY, "b": READY}) == ("a", "b")


def test_an_answer_goes_where_the_question_was_asked():
    chosen = choice()
    chosen.meant("LINE-NEST-b", {"a": ASKED, "b": READY})
    assert chosen.meant("LINE-DONE", {"a": ASKED, "b": READY}) == ("a",)
    assert isinstance(choice().meant("LINE-DONE", {"a": ASKED, "b": ASKED}), Unplaced)


def test_a_keyboard_that_one_nest_found_wrong_reads_no_unit_for_another():
    wrong = Seen("not tested", wrong_keyboard=True)
    chosen = choice()
    chosen.meant("LINE-NEST-b", {"a": wrong, "b": READY})
    assert chosen.meant(FIRST, {"a": wrong, "b": READY}) == ("a",)


AT_TEST = Seen("testing", "r2", FIRST)


def test_a_unit_that_is_under_test_in_one_nest_is_tested_in_no_other():
    assert choice().meant(FIRST, {"a": AT_TEST, "b": READY}) == ("a",)
    chosen = choice()
    nests = {"a": AT_TEST, "b": READY}
    chosen.meant("LINE-NEST-b", nests)
    found = chosen.meant(FIRST, nests)
    assert isinstance(found, Unplaced)
    assert (found.says, chosen.chosen) == ("It is under test in nest a.", "b")
    assert chosen.meant(SECOND, nests) == ("b",)


def test_where_several_nests_are_free_each_says_its_own_code_first():
    chosen, free, scan = choice(), {"a": READY, "b": READY}, "Scan a serial number."
    assert chosen.act("b", free, scan) == "Scan LINE-NEST-b, then a serial number."
    assert chosen.act("b", free, "Test it again.") == "Test it again."
    assert chosen.act("b", {"a": TESTING, "b": READY}, scan) == scan
    assert chosen.act("a", {"a": READY}, scan) == scan
    chosen.meant("LINE-NEST-b", free)
    assert chosen.act("b", free, scan) == scan
    assert chosen.act("a", free, scan) == "Scan LINE-NEST-a, then a serial number."


SEEN = st.sampled_from([READY, PASSED, TESTING, ASKED, Seen("station locked"), Seen("stopped")])
CODES = st.sampled_from(
    ["LINE-NEST-a", "LINE-NEST-b", "LINE-NEST-x", "LINE-STOP", "LINE-CHECK", NO_LABEL, FIRST]
)


@given(st.lists(st.tuples(CODES, SEEN, SEEN), max_size=12), SEEN, SEEN)
def test_a_serial_number_never_goes_to_one_of_several_free_nests_that_nobody_chose(before, a, b):
    chosen = choice()
    for text, first, second in before:
        chosen.meant(text, {"a": first, "b": second})
        chosen.hear("a", first)
        chosen.hear("b", second)
    nests, wanted = {"a": a, "b": b}, chosen.chosen
    found = chosen.meant(FIRST, nests)
    free = [nest for nest, seen in nests.items() if seen not in (TESTING, ASKED)]
    if wanted:
        assert found == (wanted,)
    elif len(free) == 1:
        assert found == (free[0],)
    else:
        assert isinstance(found, Unplaced)


@pytest.mark.parametrize(
    ("pattern", "one"),
    [
        ("PR3-[0-9]{6}", True),
        (r"A\-\d{3}", True),
        ("A(?:b|c){2}", True),
        ("[A-Z0-9]{3}-?[0-9]{4,6}", False),
        (r"[\d]|abc", False),
        ("(ab|cde)x", False),
        ("a+", False),
        ("x{,3}y", False),
    ],
)
def test_a_pattern_has_one_length_or_several(pattern, one):
    assert has_one_length(pattern) is one


@given(
    st.text(alphabet="abx1(){}2,3|?+*[]\\d-", min_size=1, max_size=12),
    st.text(alphabet="abx123d-", max_size=8),
)
def test_no_beginning_of_a_serial_number_of_one_length_is_one(pattern, text):
    try:
        matches = serial_matches(pattern, text)
    except ValueError:
        return
    if matches and has_one_length(pattern):
        assert not any(serial_matches(pattern, text[:at]) for at in range(len(text)))
