"""YAML 1.2 in, plain data with places out; everything else is refused with its place."""

from __future__ import annotations

import errno
import hashlib
import os
import time

import pytest

from linecheck.errors import FileError, FileFaults
from linecheck.files.yaml import MAX_BYTES, REFUSED, dotted, read_source, shown


def value_of(write, scalar: str):
    source = read_source(write(f"format: {scalar}\n"))
    return source.data["format"], [str(fault) for fault in source.faults]


# YAML 1.2.2, 10.3.2 "Tag resolution" of the core schema. What only YAML 1.1 took for a number, a truth
# value or a date is text there; the plain YAML 1.1 loaders read 20e3 as text and 2026-11-02 as a date.
@pytest.mark.parametrize(
    ("scalar", "value"),
    [
        ("20e3", 20e3),
        ("1e3", 1e3),
        ("-1.5E-2", -0.015),
        (".5", 0.5),
        ("5.", 5.0),
        ("+12", 12),
        ("0", 0),
        ("-0", 0),
        ("0.10", 0.1),
        ("true", True),
        ("False", False),
        ("null", None),
        ("~", None),
        ("", None),
        ("2026-11-02", "2026-11-02"),
        ("1.4.2", "1.4.2"),
        ("nope", "nope"),
        ("e5", "e5"),
        ("'no'", "no"),
        ('"010"', "010"),
        ("'.nan'", ".nan"),
        ("=", "="),
    ],
)
def test_scalars_of_the_core_schema(write, scalar, value):
    found, faults = value_of(write, scalar)
    assert (found, type(found), faults) == (value, type(value), [])


@pytest.mark.parametrize(
    ("scalar", "says"),
    [
        ("no", "true or false"),
        ("Yes", "true or false"),
        ("OFF", "true or false"),
        ("y", "true or false"),
        ("1:30", "base 60"),
        ("20:00:15.5", "base 60"),
        ("010", "octal"),
        ("-007", "octal"),
        ("0x10", "decimal digits"),
        ("0o17", "decimal digits"),
        ("0b11", "decimal digits"),
        ("1_000", "without '_'"),
        ("1_0.5e3", "without '_'"),
        (".inf", "no finite number"),
        ("-.INF", "no finite number"),
        (".NaN", "no finite number"),
        ("1e999", "too large"),
        ("9" * 5000, "digits"),
        ("&a 5", "anchors"),
        ("*a", "aliases"),
        ("!!str 5", "tags"),
        ("! 5", "tags"),
        ("!!python/object/apply:os.system [ls]", "tags"),
    ],
)
def test_what_programs_read_differently_is_refused_at_its_place(write, scalar, says):
    found, faults = value_of(write, scalar)
    assert found is REFUSED
    assert len(faults) == 1
    assert faults[0].startswith("r3.yaml:1:9: format: ")
    assert says in faults[0]


def test_places_of_keys_and_values(write):
    source = read_source(write("a: 1\nb:\n  - x\n  - {c: 'd'}\n"))
    place = source.values[("b", 1, "c")]
    assert (place.line, place.column) == (4, 9)
    key = source.keys[("b", 1, "c")]
    assert (key.line, key.column) == (4, 6)
    assert (source.values[("b", 0)].line, source.values[("b", 0)].column) == (3, 5)
    assert source.data == {"a": 1, "b": ["x", {"c": "d"}]}


def test_the_hash_is_over_the_bytes_as_they_are(write):
    content = b"\xef\xbb\xbfformat: 1\r\n# comment\r\n"
    assert read_source(write(content)).sha256 == hashlib.sha256(content).hexdigest()


def test_all_faults_at_once_each_at_its_place(write):
    text = """\
    a: no
    b: [1:30, 2, *x]
    a: 3
    7: seven
    ? [complex, key]
    : {inner: .nan}
    null: x
    <<: {d: 4}
    &k c: 1
    """
    faults = [str(fault) for fault in read_source(write(text)).faults]
    assert [fault.split(" ")[0] for fault in faults] == [
        "r3.yaml:1:4:",
        "r3.yaml:2:5:",
        "r3.yaml:2:14:",
        "r3.yaml:3:1:",
        "r3.yaml:4:1:",
        "r3.yaml:5:3:",
        "r3.yaml:6:11:",
        "r3.yaml:7:1:",
        "r3.yaml:8:1:",
        "r3.yaml:9:1:",
    ]
    assert "first in line 1" in faults[3]
    assert "based_on" in faults[8]


def test_the_first_of_two_equal_keys_is_kept(write):
    source = read_source(write("a: {b: 1}\na: {b: 2, c: 3}\n"))
    assert source.data == {"a": {"b": 1}}
    assert source.values[("a", "b")].line == 1
    assert ("a", "c") not in source.values


@pytest.mark.parametrize(
    ("text", "place", "says"),
    [
        ("", "1:1", "empty"),
        ("# only a comment\n", "1:1", "empty"),
        ("- a\n- b\n", "1:1", "key: value"),
        ("text\n", "1:1", "key: value"),
        ("a: 1\nb: [1\n", "3:1", "no YAML"),
        ("a: 1\n\tb: 2\n", "2:1", "tab"),
        ("a: 'x\n", "2:1", "no YAML"),
        ("a: 1\nb: {c: 1}}\n", "2:10", "no YAML"),
        ("a: " + "[" * 100, "1:27", "levels deep"),
        ("a: [" + "1," * 120_000 + "]", "1:", "too many"),
        ("a: \x07\n", "1:4", "U+0007"),
    ],
)
def test_what_cannot_be_read_at_all(write, text, place, says):
    with pytest.raises(FileFaults) as error:
        read_source(write(text.encode()))
    assert str(error.value).startswith(f"r3.yaml:{place}")
    assert says in str(error.value)
    assert len(str(error.value)) < 300


def test_a_second_document_is_refused(write):
    faults = read_source(write("a: 1\n---\nb: 2\n")).faults
    assert [str(fault) for fault in faults] == [
        "r3.yaml:2:1: a second document begins here, a limit file is one document"
    ]


def test_a_directive_is_refused(write):
    assert "directives" in str(read_source(write("%YAML 1.1\n---\na: 1\n")).faults[0])


def test_a_control_character_in_a_quoted_text_is_refused(write):
    source = read_source(write('a: "x\\0y"\nb: "\\e[31m"\n"c\\n": 1\n'))
    assert [fault.line for fault in source.faults] == [1, 2, 3]
    assert source.data == {"a": REFUSED, "b": REFUSED}


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"version https://git-lfs.github.com/spec/v1\noid sha256:00\nsize 3\n", "git lfs pull"),
        (b"a: 1\n\0\0", "binary"),
        ("a: 1\n".encode("utf-16"), "UTF-16"),
        (b"a: 1\nb: caf\xe9\n", "r3.yaml:2:7: byte 0xE9 is not UTF-8"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt ", "binary"),
    ],
)
def test_what_is_no_text_is_named_for_what_it_is(write, content, says):
    with pytest.raises(FileError, match=r"^r3\.yaml") as error:
        read_source(write(content))
    assert says in str(error.value)


def test_ten_megabytes_are_refused_at_once(write, monkeypatch):
    name = write(b"a: [" + b"1," * 5_000_000 + b"1]")
    monkeypatch.setattr("yaml.parse", lambda *args, **kwargs: pytest.fail("parsed what is too large"))
    began = time.process_time()
    with pytest.raises(FileError, match="longer than 1,048,576 bytes"):
        read_source(name)
    assert time.process_time() - began < 0.1


def test_exactly_the_largest_file_is_read(write):
    text = b"a: 1\n#" + b"x" * (MAX_BYTES - 6)
    assert read_source(write(text)).data == {"a": 1}
    with pytest.raises(FileError, match="longer than 1,048,576 bytes"):
        read_source(write(text + b"x"))


def test_missing_files_folders_pipes_and_odd_names(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    os.mkfifo("pipe")
    for name, says in [
        ("nothing.yaml", "no such file"),
        (".", "folder"),
        ("pipe", "no regular file"),
        ("a\0b", "no file name"),
        ("x" * 5000, "cannot be read"),
        ("nothing.yaml/x", "no such file"),
    ]:
        with pytest.raises(FileError, match=says):
            read_source(name)


@pytest.mark.parametrize("number", [errno.EACCES, errno.EIO, errno.EMFILE])
def test_a_file_that_cannot_be_opened(write, monkeypatch, number):
    name = write("a: 1\n")

    def refuse(*args, **kwargs):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr("builtins.open", refuse)
    with pytest.raises(FileError, match=rf"r3\.yaml: cannot be read: {os.strerror(number)}"):
        read_source(name)


def test_hostile_text_takes_no_time(write):
    for scalar in (
        "1" + "_" * 500_000 + "x",
        "1:" * 300_000,
        "[" * 900_000,
        "{a: " * 200_000,
        "- " * 400_000,
    ):
        began = time.process_time()
        refused = False
        try:
            refused = bool(read_source(write(f"a: {scalar}")).faults)
        except FileError:
            refused = True
        assert time.process_time() - began < 2.0
        assert refused or scalar.startswith("1")


def test_messages_show_values_short_and_visibly():
    assert shown("no") == "'no'"
    assert shown("\x1b[31m\n") == "'\\x1b[31m\\n'"
    assert len(shown("x" * 10_000)) <= 42
    assert dotted(("checks", "a b", "x", 1, 0)) == "checks.'a b'.x[2][1]"
