"""TOML files as strict models: every fault with its place, few words whatever the file holds."""

import json

import pytest
from made_comparisons import made_comparison
from pydantic import BaseModel, Field

from linecheck.captures.capture_set import load_capture_set
from linecheck.errors import MAX_LISTED, FileError, FileFaults
from linecheck.files import faults
from linecheck.files.toml import parse_model, read_toml
from linecheck.history.baseline.file import load_baseline
from linecheck.history.comparison.file import load_comparison, write_comparison
from linecheck.limits.loading.load import load_limits
from linecheck.station.config.load import load_station


class Entry(BaseModel):
    number: int
    list: tuple[int, ...] = Field(strict=False, min_length=1)


class File(BaseModel):
    entry: tuple[Entry, ...] = Field(strict=False)


def refused(path, text, model=File):
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileFaults) as caught:
        parse_model(read_toml(path), model)
    return caught.value


def test_fifty_faults_are_listed_and_the_rest_is_counted(tmp_path):
    found = refused(tmp_path / "x.toml", '[[entry]]\nnumber = "a"\nlist = [1]\n' * 20_000)
    lines = str(found).splitlines()
    assert len(found.faults) == MAX_LISTED == 50
    assert lines[-1] == f"{tmp_path / 'x.toml'}: and 19950 faults more"
    assert (len(lines), found.message) == (51, "20000 faults")


def test_faults_found_by_other_means_are_counted_as_well(tmp_path):
    path = tmp_path / "x.toml"
    path.write_text("[[entry]]\nnumber = 1\nlist = [1]\n", encoding="utf-8")
    file = read_toml(path)
    further = [file.fault(("entry", at), f"is wrong {at}") for at in range(60)]
    with pytest.raises(FileFaults) as caught:
        parse_model(file, File, further)
    assert str(caught.value).endswith("x.toml: and 10 faults more")


def test_a_list_is_too_short_only_where_no_entry_of_it_was_refused(tmp_path):
    found = refused(
        tmp_path / "x.toml", "[[entry]]\nnumber = 1\nlist = []\n[[entry]]\nnumber = 1\nlist = ['a']\n"
    )
    assert [fault.key for fault in found.faults] == ["entry[1].list", "entry[2].list[1]"]


class Counted(tuple):
    """A place of a fault that counts how often it is looked at."""

    looks = 0

    def __len__(self):
        Counted.looks += 1
        return super().__len__()


def test_what_faults_cost_grows_as_their_number_does():
    def looks(count):
        Counted.looks = 0
        entries = [{"loc": Counted(("entry", at, "list")), "type": "too_short"} for at in range(count)]
        assert len(faults.own_errors(entries)) == count
        return Counted.looks

    assert looks(400) == 10 * looks(40)


@pytest.mark.parametrize("number", ["1.0", "true", '"1"', "2"])
def test_a_format_is_the_whole_number_1_and_nothing_that_equals_it(tmp_path, number):
    path = tmp_path / "x.toml"
    path.write_text(f"format = {number}\n", encoding="utf-8")
    (tmp_path / "captures.toml").write_text(f"format = {number}\n", encoding="utf-8")
    for load in (load_station, load_baseline):
        with pytest.raises(FileFaults, match="format: expected 1, got"):
            load(path)
    with pytest.raises(FileFaults, match="format: expected 1, got"):
        load_capture_set(tmp_path)
    path = tmp_path / "x.yaml"
    path.write_text(f"format: {number}\n", encoding="utf-8")
    with pytest.raises(FileFaults, match=r"x\.yaml:1:9: format: expected"):
        load_limits(path)


@pytest.mark.parametrize("number", [1.0, True])
def test_nor_is_that_of_a_comparison(tmp_path, number):
    write_comparison(tmp_path, made_comparison())
    path = tmp_path / "comparison.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"format": number}), encoding="utf-8")
    with pytest.raises(FileError, match="is no comparison that this linecheck can read"):
        load_comparison(path)
