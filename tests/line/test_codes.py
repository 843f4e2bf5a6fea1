"""Control codes, and scanners that type as another country's keyboard."""

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_run import LIMITS, STATION, write_small_files

from linecheck.errors import UsageError
from linecheck.limits.loading.load import load_limits
from linecheck.line.codes import (
    KEYS,
    NAMED,
    Code,
    Order,
    chosen,
    control_code,
    printed_codes,
    refuse_confusable,
)
from linecheck.line.keyboards import _TABLES, misread
from linecheck.station.config.load import load_station

ALONE = [order for order in Order if order not in NAMED and order is not Order.KEYS]


@pytest.mark.parametrize("order", ALONE)
def test_each_code_is_what_its_barcode_says(order):
    assert control_code(Code(order).text) == Code(order)
    assert Code(order).meaning
    with pytest.raises(UsageError, match="nothing after it"):
        control_code(f"{Code(order).text}-x")


@pytest.mark.parametrize("order", NAMED)
def test_a_name_in_a_code_comes_out_as_it_went_in(order):
    for name in ("late", "A. Berg", "re-seated", "B_2"):
        assert control_code(Code(order, name).text) == Code(order, name)
    for name in ("", " late", "../x", "a" * 33, "é", "a\x1b"):
        with pytest.raises(UsageError):
            control_code(f"LINE-{order}-{name}")


@given(st.text(max_size=40))
def test_no_text_is_taken_for_a_code_unless_it_begins_as_one(text):
    if not text.startswith("LINE-"):
        assert control_code(text) is None
        return
    with suppress(UsageError):
        assert control_code(text).text == text


def test_the_sheet_has_every_code_that_the_station_can_use(tmp_path):
    retest = LIMITS.replace("checks:\n", "retest: {reasons: [reseated, repaired]}\nchecks:\n")
    station = STATION + '[golden]\nserials = ["PR3-900001"]\n'
    write_small_files(tmp_path, limits=retest, station=station)
    limits, config = load_limits(tmp_path / "limits.yaml"), load_station(tmp_path / "station.toml").config
    codes = list(printed_codes(limits, config, [Code(Order.OPERATOR, "A. Berg")]))
    orders = {code.order for code in codes}
    assert {Order.STOP, Order.RESUME, Order.GOLDEN, Order.DONE, Order.OPERATOR, Order.KEYS} <= orders
    assert not {Order.CHECK, Order.CHALLENGE} & orders  # it has no loop, and no known-bad unit
    assert [code.name for code in codes if code.order is Order.REASON] == ["reseated", "repaired"]
    assert all(control_code(code.text) == code for code in codes)


def test_a_model_whose_serial_numbers_could_be_codes_is_refused(tmp_path):
    write_small_files(tmp_path, limits=LIMITS.replace("PR3-[0-9]{6}", "[A-Z]{4}-[A-Z]+"))
    with pytest.raises(UsageError, match="LINE-DONE is a control code"):
        refuse_confusable(load_limits(tmp_path / "limits.yaml"))


def test_an_answer_is_the_reason_itself_or_its_code():
    assert chosen("reseated", ["reseated", "repaired"]) == "reseated"
    assert chosen("LINE-REASON-REPAIRED", ["reseated", "repaired"]) == "repaired"
    assert chosen("PR3-000001", ["reseated"]) is None


def is_label(text):
    return text == "PR3-004711"


@pytest.mark.parametrize(
    ("typed", "scanner", "computer"),
    [
        # The keys of national layouts (from memory): - is ß on a German keyboard, ) on a French one.
        ("PR3ß004711", "QWERTY", "QWERTZ"),
        ("PR3/004711", "QWERTZ", "QWERTY"),
        ("PR\")àà'è&&", "QWERTY", "AZERTY"),
        ("PR#6))$&!!", "AZERTY", "QWERTY"),
    ],
)
def test_a_scanner_that_types_for_another_country_is_named(typed, scanner, computer):
    found = misread(typed, is_label)
    assert found is not None
    assert found.meant == "PR3-004711"
    assert f"types as a {scanner} keyboard, and this computer reads a {computer} one" in found.why


def test_caps_lock_is_named_and_nothing_else_is_made_up():
    assert "Caps Lock" in misread("pr3-004711", is_label).why
    assert misread("PR3-004711", is_label) is None
    assert misread("PR4-004711", is_label) is None


@pytest.mark.parametrize("pair", _TABLES)
def test_the_code_that_tests_the_keyboard_names_every_pair_of_keyboards(pair):
    text = Code(Order.KEYS, KEYS).text
    assert control_code(text) == Code(Order.KEYS, KEYS)
    scanner, computer = pair
    typed = text.translate(_TABLES[pair])
    assert typed != text
    assert control_code(typed) is None
    assert (
        f"a {scanner} keyboard, and this computer reads a {computer} one" in misread(typed, text.__eq__).why
    )
