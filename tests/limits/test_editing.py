"""Limits put into the text of a limit file, which stays as it was in all else."""

import difflib
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from linecheck.limits.editing import CannotEdit, limit_text, mask_path, with_masks, with_next_revision
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import Bounds, Mask

FOLDER = Path(__file__).parents[2] / "limits"
TEXT = """# first
revision: 4  # how often
checks:
  tone:
    kind: tone
    masks:
      # what the data sheet says
      sinad:  {pass: {min: 112}, fail: {min: 108}}   # dB
      thd:
        pass: {max: -110}
  quiet: {kind: quiet}
"""


def changed_lines(text, after):
    lines = difflib.ndiff(text.splitlines(), after.splitlines())
    return [line[2:].strip() for line in lines if line.startswith("+ ")]


def place(metric, check="tone"):
    return ("checks", check, "masks", metric)


@pytest.mark.parametrize(
    ("path", "mask", "expected"),
    [
        (
            place("sinad"),
            Mask(Bounds(111.5), Bounds(107.0)),
            ["sinad:  {pass: {min: 111.5}, fail: {min: 107}}   # dB"],
        ),
        (place("sinad"), Mask(Bounds(111.5)), ["sinad:  {pass: {min: 111.5}, fail: {min: 108}}   # dB"]),
        (place("thd"), Mask(Bounds(max=-109.0)), ["pass: {max: -109}"]),
        (
            place("thd"),
            Mask(Bounds(max=-109.0), Bounds(max=-100.0)),
            ["fail: {max: -100}", "pass: {max: -109}"],
        ),
        (
            place("hum"),
            Mask(Bounds(max=-120.0), Bounds(max=-1.0)),
            ["hum: {pass: {max: -120}, fail: {max: -1}}"],
        ),
        (
            place("snr", "quiet"),
            Mask(Bounds(110.0)),
            ["quiet: {kind: quiet, masks: {snr: {pass: {min: 110}}}}"],
        ),
        (
            place("imd", "intermodulation"),
            Mask(Bounds(max=-98.0)),
            ["intermodulation:", "masks:", "imd: {pass: {max: -98}}"],
        ),
        (
            place("spectrum"),
            Mask(Bounds(max=((20.0, -110.0), (20000.0, -114.5)))),
            ["spectrum: {pass: {max: [[20, -110], [20000, -114.5]]}}"],
        ),
    ],
)
def test_only_what_is_meant_changes(path, mask, expected):
    assert changed_lines(TEXT, with_masks(TEXT, {path: mask})) == expected


def test_the_revision_is_the_next_one():
    assert changed_lines(TEXT, with_next_revision(TEXT)) == ["revision: 5  # how often"]


def test_a_list_in_lines_of_its_own_is_left_to_its_author():
    text = "checks:\n  tone:\n    masks:\n      spectrum:\n        pass:\n          max:\n            - [20, -110]\n"
    with pytest.raises(CannotEdit, match="lines of its own"):
        with_masks(text, {place("spectrum"): Mask(Bounds(max=((20.0, -1.0), (30.0, -1.0))))})


def test_setups_have_masks_of_their_own_or_share_one():
    path = FOLDER / "pellow-r3-filters.yaml"
    limits, text = load_limits(path), path.read_text()
    found = {
        (check.name, metric): mask_path(limits, check, metric, text)
        for check in limits.checks
        for metric in check.masks
    }
    assert found["reconstruction@filter=slow", "corner_3db"] == (
        "checks", "reconstruction", "setups", 1, "masks", "corner_3db",
    )  # fmt: skip
    assert found["reconstruction@filter=slow", "pre_ringing"] == place("pre_ringing", "reconstruction")


@pytest.mark.parametrize("name", ["pellow-r3", "pellow-r3-filters", "pellow-d1"])
def test_every_mask_of_the_demonstration_can_be_changed(name, tmp_path):
    """Also those of the file that it builds on; what comes out loads, and judges by the new masks."""
    path = FOLDER / f"{name}.yaml"
    limits, text = load_limits(path), path.read_text()

    def moved(limit, by):
        return tuple((x, y + by) for x, y in limit) if isinstance(limit, tuple) else limit + by

    masks = {}
    for check in limits.checks:
        for metric, mask in check.masks.items():
            sides = mask.pass_.sides
            outer = {side: moved(limit, 0.5 if side == "max" else -0.5) for side, limit in sides.items()}
            masks[mask_path(limits, check, metric, text)] = Mask(Bounds(**sides), Bounds(**outer))
    after = with_next_revision(with_masks(text, masks))
    (tmp_path / "common").mkdir()
    for common in (FOLDER / "common").iterdir():
        (tmp_path / "common" / common.name).write_bytes(common.read_bytes())
    (tmp_path / "new.yaml").write_text(after)
    loaded = load_limits(tmp_path / "new.yaml")
    assert loaded.revision == limits.revision + 1
    assert [check.name for check in loaded.checks if check.masks]
    for check in loaded.checks:
        for metric, mask in check.masks.items():
            assert mask == masks[mask_path(loaded, check, metric, after)]
    # All that went are the lines of limits and of the revision: every comment is there.
    gone = [line for line in difflib.ndiff(text.splitlines(), after.splitlines()) if line.startswith("- ")]
    assert all("pass" in line or "fail" in line or "revision" in line or "quiet" in line for line in gone), (
        gone
    )
    assert [line for line in text.splitlines() if "#" in line and line not in after] == []


@settings(max_examples=60, deadline=None)
@given(st.floats(-1e9, 1e9, allow_nan=False).filter(lambda value: value == 0.0 or abs(value) > 1e-9))
def test_a_number_is_written_as_plain_digits(value):
    text = limit_text(value)
    assert "e" not in text.lower()
    assert float(yaml.safe_load(text)) == pytest.approx(value, rel=1e-11)
