"""Patterns of serial numbers: enough for any label, too little for harm."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.limits.serial_pattern import (
    PatternError,
    compile_serial_pattern,
    pattern_in_words,
    serial_hint,
    serial_matches,
)


@pytest.mark.parametrize(
    ("pattern", "matching", "other"),
    [
        ("PR3-[0-9]{6}", "PR3-004711", "PR3-4711"),
        (r"\d{4,8}", "12345", "123"),
        (r"(?:A|B)\d{2}", "B07", "C07"),
        (r"[A-Z]{2}(-[0-9]{3})?", "AB", "AB-"),
        (r"\w+", "a_1", "a-1"),
        (r"[A-Z0-9\]\\-]{3}", r"A]\ "[:3], "abc"),
        (r"SN\.[0-9]+", "SN.1", "SNx1"),
        (r"[]A]{2}", "]A", "]B"),
        ("A{,3}B", "AAB", "AAAAB"),
        (r"\d{3}", "123", "١٢٣"),
        (r"\w{2}", "ab", "äb"),
        ("[0-9]{3}", "123", "123\n"),
        ("[0-9]{1,64}", "1" * 64, "1" * 65),
        ("[0-9]+", "1" * 64, "1" * 65),
    ],
)
def test_patterns_that_labels_need(pattern, matching, other):
    assert serial_matches(pattern, matching)
    assert not serial_matches(pattern, other)
    assert not serial_matches(pattern, "")


@pytest.mark.parametrize(
    ("pattern", "says"),
    [
        ("", "1 to 200 characters"),
        ("a" * 201, "1 to 200 characters, got 201"),
        (".*", "character 1: '.' would match anything"),
        ("[^/]+", "character 1: [^…] would match anything else"),
        ("[0-9]*", "empty serial number"),
        ("a|", "empty serial number"),
        ("[[:^alpha:]]+", "character 1: only lists of characters"),
        ("[A[:cntrl:]]+", "character 1: only lists of characters"),
        ("a{3,2}", "invalid repetition size: {3,2}"),
        ("a{", "expected a count"),
        ("a{,}", "character 2: expected a count"),
        ("a{x}", "expected a count"),
        ("a{99999}", "invalid repetition size: {99999}"),
        ("a++", "bad repetition operator: ++"),
        ("a{2}{3}", "bad repetition operator: {2}{3}"),
        ("+a", "no argument for repetition operator: +"),
        ("(a", "missing ): (a"),
        ("a)", "unexpected ): a)"),
        ("[a", "missing ]: [a"),
        ("[z-a]", "is not a regular expression"),
        ("(?=a)a", "only plain groups"),
        ("(?i)a", "only plain groups"),
        (r"(a)\1", "after a backslash"),
        (r"\bA", "after a backslash"),
        ("a\\", "after a backslash"),
        ("^a$", "is not needed"),
        ("é+", "printable ASCII"),
        ("a\n", "printable ASCII"),
        ("(((a{99}){99}){99}){99}", "is not a regular expression: invalid repetition"),
    ],
)
def test_patterns_that_are_refused(pattern, says):
    with pytest.raises(PatternError) as error:
        compile_serial_pattern(pattern)
    assert says in str(error.value)
    assert len(str(error.value)) < 250


@given(st.text(st.sampled_from(r"aA0-9[]{}()|*+?.\^$,:d "), max_size=24), st.text("aA0-9", max_size=64))
def test_what_is_accepted_matches_as_a_regular_expression_and_never_the_empty_text(pattern, serial):
    try:
        compiled = compile_serial_pattern(pattern)
    except PatternError:
        return
    assert serial_matches(pattern, serial) == bool(re.fullmatch(pattern, serial, re.ASCII))
    assert compiled.fullmatch("") is None


# Each takes a backtracking matcher longer than a shift.
@pytest.mark.parametrize("pattern", ["(a+)+b", "(a|aa)+b", "(a?){40}b", "(a|b|ab){20}c", "(((a*)*)*)*b"])
def test_a_pattern_that_matches_in_many_ways_is_matched_at_once(pattern):
    assert not serial_matches(pattern, "a" * 64)
    assert serial_matches(pattern[:-1] + "[ac]", "a" * 21)


@pytest.mark.parametrize(
    ("serial", "words"),
    [
        ("pr3-000001", "Caps Lock"),
        ("Pr3-000001", "Caps Lock"),
        # What a scanner types by the American layout, under a German one and a French one (from memory).
        ("PR3ß000001", "another keyboard layout than this computer? It may have read PR3-000001"),
        ('PR")ààààà&', "another keyboard layout than this computer? It may have read PR3-000001"),
        (" PR3-000001", "blank"),
        ("PR3-00001", ""),
        ("", ""),
    ],
)
def test_what_may_have_gone_wrong_with_a_scan(serial, words):
    hint = serial_hint("PR3-[0-9]{6}", serial)
    assert words in hint
    assert bool(words) is bool(hint)


@given(st.text(max_size=70))
def test_a_hint_is_never_in_the_way(serial):
    assert serial_hint("PR3-[0-9]{6}", serial).isprintable()


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("PR3-[0-9]{6}", "PR3- and 6 digits"),
        (r"PR3-\d{6}", "PR3- and 6 digits"),
        ("[A-Z]{2}[0-9]{4,6}", "2 capital letters and 4 to 6 digits"),
        (r"V1\.[0-9]", "V1. and 1 digit"),
        ("SN-[A-Z0-9]{8}-[0-9]", "SN-, 8 capital letters or digits, - and 1 digit"),
        ("ABC", "ABC"),
        *(
            (pattern, pattern)
            for pattern in ("A|B", "X[0-9]+", "(?:AB)[0-9]{2}", "[ACE]{2}1", "A{3}", r"\w{3}")
        ),
    ],
)
def test_a_pattern_is_told_in_words_where_it_is_plain(pattern, words):
    compile_serial_pattern(pattern)
    assert pattern_in_words(pattern) == words
