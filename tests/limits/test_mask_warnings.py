"""What a limit file says that is no fault and hardly meant: each warning, where it stands, and no false one."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linecheck.checks import kinds
from linecheck.checks.base import CurveSpec
from linecheck.limits.loading.load import load_with_warnings
from linecheck.limits.mask_warnings import decided_before, mask_warnings, out_of_reach
from linecheck.limits.model import Bounds, Check, Mask

pytestmark = pytest.mark.every_python


def check_of(kind="tone", masks=None, **stimulus):
    found = kinds()[kind]
    parameters = found.stimulus_parameters(**stimulus)
    return Check(kind, found, parameters, found.analysis_parameters(), {}, masks or {})


def said(kind="tone", **masks):
    return [warning.text for warning in mask_warnings(check_of(kind, masks), has_margins=False)]


def at_most(value, fail=None):
    return Mask(Bounds(max=value), None if fail is None else Bounds(max=fail))


def at_least(value, fail=None):
    return Mask(Bounds(min=value), None if fail is None else Bounds(min=fail))


@pytest.mark.parametrize(
    ("kind", "metric", "mask", "words"),
    [
        ("tone", "thd", at_most(0.0004), ("no unit can fail", "per cent, write -108")),
        ("tone", "thd", at_most(108.0), ("no unit can fail", "sign wrong? -108")),
        ("tone", "thd", at_least(-108.0), ("less is better", "expected max")),
        ("tone", "sinad", at_most(112.0), ("more is better", "expected min")),
        (
            "tone",
            "level",
            at_least(0.0039),
            ("to either side", "alone passes everything above", "expected max too"),
        ),
        ("tone", "dc_offset", at_most(5.0), ("to either side", "everything below", "expected min too")),
        ("tone", "sinad", at_least(-112.0), ("no unit can fail", "sign wrong? 112")),
        ("tone", "level", Mask(Bounds(1900.0, 2000.0)), ("no unit can pass", "in mV, write 1.9")),
        ("tone", "level", at_most(1950.0), ("no unit can fail", "in mV, write 1.95")),
        ("quiet", "noise_a", at_most(-104.0), ("no unit can pass", "never below 0 µV")),
        ("wiring", "order", at_least(0.0), ("no unit can fail",)),
        ("wiring", "polarity", at_least(2.0), ("no unit can pass",)),
        ("tone", "thd", at_most(-100.0, 3.0), ("limits nothing", "never above 0 dB")),
        ("tone", "spectrum", at_most(((20.0, 90.0), (20000.0, 90.0))), ("no unit can fail",)),
    ],
)
def test_a_slip_is_doubted(kind, metric, mask, words):
    (text,) = said(kind, **{metric: mask})
    for part in words:
        assert part in text


@pytest.mark.parametrize(
    ("metric", "mask"),
    [
        ("thd", at_most(-112.0, -106.0)),
        ("thd", Mask(Bounds(-140.0, -80.0))),
        ("sinad", at_least(112.0)),
        ("level", Mask(Bounds(3.9, 4.1))),
        ("dc_offset", Mask(Bounds(-2.0, 2.0))),
        ("spectrum", at_most(((20.0, -110.0), (20000.0, -112.0)))),
    ],
)
def test_a_mask_that_means_something_is_not_doubted(metric, mask):
    assert said(**{metric: mask}) == []


@pytest.mark.parametrize("bits", [16, 20])
def test_no_sinad_is_better_than_the_word_length_allows(bits):
    # A full-scale sine over a quantiser's noise is 6.02 n + 1.76 dB (IEEE 1057); TPDF dither triples the noise, 4.77 dB
    # (Lipshitz, Wannamaker and Vanderkooy 1992); 20 Hz to 20 kHz holds 0.43 dB less of it than half of 44.1 kHz does.
    best = 6.0206 * bits + 1.7609 - 4.7712 + 10.0 * math.log10(22050.0 / 19980.0)
    assert (best == pytest.approx(93.75, abs=0.01)) is (bits == 16)
    for metric, sign in (("sinad", 1.0), ("thd_n", -1.0), ("noise", -1.0)):
        for beyond, doubted in ((0.01, True), (-0.01, False)):
            limit = sign * (best + beyond)
            mask = at_least(limit) if sign > 0 else at_most(limit)
            found = list(out_of_reach(check_of(masks={metric: mask}, bits=bits)))
            assert bool(found) is doubted
    (text,) = (
        warning.text
        for warning in mask_warnings(check_of(masks={"sinad": at_least(112.0)}, bits=16), has_margins=False)
    )
    assert "no unit can pass: a perfect unit has at most 93.75 dB with this stimulus" in text


def test_jitter_that_the_largest_sideband_decides():
    # Each line of a pair is 20 lg(π f J) below the tone (J. Dunn, AES 96th Convention, 1994): 12 ps at 11025 Hz is
    # -127.6 dB.
    assert 20.0 * math.log10(math.pi * 11025.0 * 12e-12) == pytest.approx(-127.63, abs=0.01)
    sidebands = at_most(-130.0, -127.0)
    (text,) = said("jitter", largest_sideband=sidebands, paired_jitter=at_most(12.0, 20.0))
    assert (
        "never decides, because largest_sideband decides first: within its -130 dB this is at most 9.13 ps"
        in text
    )
    assert said("jitter", largest_sideband=sidebands, paired_jitter=at_most(9.0, 20.0)) == []
    assert said("jitter", largest_sideband=at_most(-127.6), paired_jitter=at_most(12.0)) == []


def test_a_fail_mask_that_decides_is_enough():
    assert said(sinad=at_least(112.0, 100.0), thd=at_most(-112.0, -106.0)) == []
    assert len(said(sinad=at_least(112.0, 106.0), thd=at_most(-112.0, -106.0))) == 1


def test_of_two_masks_that_say_the_same_one_is_doubted():
    (text,) = said(sinad=at_least(112.0), thd_n=at_most(-112.0))
    assert text.startswith("never decides, because sinad decides first")


def test_of_two_that_say_the_same_the_looser_one_is_doubted():
    (text,) = said(sinad=at_least(100.0), thd_n=at_most(-112.0))
    assert text.startswith(
        "never decides, because thd_n decides first: within its -112 dB this is at least 112 dB"
    )


@given(
    limits=st.tuples(*[st.floats(-140.0, -20.0)] * 4),
    values=st.tuples(st.floats(-150.0, -10.0), st.floats(-150.0, -10.0)),
)
def test_what_never_decides_never_decides(limits, values):
    # Whatever harmonics and noise are, SINAD holds both.
    fails, passes = sorted(limits[:2])[::-1], sorted(limits[2:])
    thd_mask = at_most(min(fails), max(fails))
    sinad_mask = at_least(-passes[0], -passes[1])
    check = check_of(masks={"thd": thd_mask, "sinad": sinad_mask})
    spec = next(spec for spec in check.kind.metrics if spec.name == "thd")
    if decided_before(check, spec) is None:
        return
    thd, noise = values
    sinad = -10.0 * math.log10(10.0 ** (thd / 10.0) + 10.0 ** (noise / 10.0))
    if thd > thd_mask.pass_.max:
        assert sinad < sinad_mask.pass_.min
    if thd > thd_mask.fail.max:
        assert sinad < sinad_mask.fail.min


def test_what_a_comparison_leaves_out_is_doubted_unless_the_file_says_so(tmp_path):
    path = tmp_path / "r3.yaml"
    text = """format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
regression: {dB: 0.5}
checks:
  jitter:
    kind: jitter
    masks: {paired_jitter: {pass: {max: 8}}}
"""
    path.write_text(text)
    (warning,) = load_with_warnings(path).warnings
    assert str(warning).startswith(
        f"{path}:10:28: checks.jitter.masks.paired_jitter: is left out of every comparison"
    )
    assert "no margin for paired_jitter or for ps" in warning.message
    path.write_text(text + "    regression: {paired_jitter: false}\n")
    limits, found, _ = load_with_warnings(path)
    assert found == ()
    assert limits.checks[0].uncompared == {"paired_jitter": "the limit file says false"}
    path.write_text(text.replace("regression: {dB: 0.5}\n", ""))
    assert load_with_warnings(path)[1] == ()


def test_a_doubt_of_one_setup_stands_at_that_setup(tmp_path):
    path = tmp_path / "r3.yaml"
    path.write_text("""format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
  tone:
    kind: tone
    setups:
      - {filter: sharp}
      - {filter: slow, masks: {sinad: {pass: {min: -100}}}}
    masks: {sinad: {pass: {min: 100}}, noise: {pass: {max: 3}}}
""")
    found = load_with_warnings(path).warnings
    assert [(fault.line, fault.key) for fault in found] == [
        (11, "checks.tone.setups[2].masks.sinad.pass"),
        (12, "checks.tone.masks.noise.pass"),
    ]


def test_relations_are_between_what_there_is():
    for kind in kinds().values():
        names = {spec.name for spec in (*kind.metrics, *kind.curves)}
        parameters, analysis = kind.stimulus_parameters(), kind.analysis_parameters()
        assert kind.possible(parameters, analysis).keys() <= names
        for one in kind.implied(parameters, analysis):
            assert {one.metric, one.by} <= names
            assert not any(isinstance(spec, CurveSpec) and spec.name == one.by for spec in kind.curves)
