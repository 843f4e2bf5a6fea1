"""Loading limit files: what they come to, and every fault at its place."""

from __future__ import annotations

import cProfile

import pytest

from linecheck.errors import FileFaults
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import Bounds, Mask

pytestmark = pytest.mark.every_python


@pytest.fixture
def faults_of(write, kinds):
    def faults_of(text: str) -> list[str]:
        with pytest.raises(FileFaults) as error:
            load_limits(write(text), kinds=kinds)
        return str(error.value).splitlines()

    return faults_of


def with_check(whole: str, lines: str) -> str:
    return f"{whole}  x:\n" + "".join(f"    {line}\n" for line in lines.splitlines())


def test_a_whole_file(write, kinds, whole):
    limits = load_limits(write(whole + "approved: {by: A. Person, on: 2026-11-02}\n"), kinds=kinds)
    assert (limits.path, limits.model, limits.revision) == ("r3.yaml", "pellow-r3", 4)
    assert (limits.channels, limits.serial_pattern) == (("left", "right"), "PR3-[0-9]{6}")
    assert (limits.decision, limits.approved_by, limits.approved_on) == ("simple", "A. Person", "2026-11-02")
    (tone,) = limits.checks
    assert (tone.name, tone.kind, tone.reference) == ("tone", kinds["sine"], None)
    assert (tone.stimulus.frequency_hz, tone.stimulus.level_dbfs, tone.stimulus.rate_hz) == (997, -1, 44100)
    assert tone.analysis.band_hz == (20, 20000)
    assert tone.masks == {
        "sinad": Mask(Bounds(112.0), Bounds(108.0)),
        "balance": Mask(Bounds(-0.1, 0.1)),
        "spectrum": Mask(Bounds(max=((20.0, -120.0), (20000.0, -110.0)))),
    }


def test_a_kind_alone_is_a_check(write, kinds, whole):
    limits = load_limits(write(with_check(whole, "kind: sine")), kinds=kinds)
    assert limits.checks[1].stimulus == kinds["sine"].stimulus_parameters()
    assert limits.checks[1].masks == {}


def test_a_flat_number_limits_a_curve_everywhere(write, kinds, whole):
    limits = load_limits(write(whole.replace("[[20, -120], [20000, -110]]", "-100")), kinds=kinds)
    assert limits.checks[0].masks["spectrum"] == Mask(Bounds(max=-100.0))


def test_setups_are_laid_over_each_other_and_keep_what_is_written(write, kinds, whole):
    text = with_check(whole, "kind: sine\nsetup: {filter: slow, gain: 0.10, muted: false, firmware: '1.4'}")
    limits = load_limits(write(text), kinds=kinds)
    assert limits.setup == limits.checks[0].setup == {"input": "usb", "filter": "sharp"}
    assert limits.checks[1].setup == {
        "input": "usb", "filter": "slow", "gain": "0.10", "muted": "false", "firmware": "1.4",
    }  # fmt: skip


def test_a_reference_is_the_named_check_or_the_first_of_its_kind(write, kinds, whole):
    second = with_check(whole, "kind: sine")
    for analysis, reference in [
        ("", "tone"),
        ("analysis: {reference: x}", "x"),
        ("analysis: {reference: ~}", "tone"),
    ]:
        limits = load_limits(write(f"{second}  quiet:\n    kind: silence\n    {analysis}\n"), kinds=kinds)
        assert limits.checks[2].reference == reference
    alone = whole[: whole.index("  tone:")] + "  quiet: {kind: silence, masks: {noise: {pass: {max: 3}}}}\n"
    assert load_limits(write(alone), kinds=kinds).checks[0].reference is None


def test_a_check_never_refers_to_itself(write, kinds, whole):
    class Echo(type(kinds["silence"])):
        name = "echo"
        reference_kind = "echo"

    text = f"{whole}  one: {{kind: echo}}\n  two: {{kind: echo}}\n"
    limits = load_limits(write(text), kinds={**kinds, "echo": Echo()})
    assert [check.reference for check in limits.checks] == [None, "two", "one"]
    with pytest.raises(FileFaults, match="no check of kind echo is named 'one'"):
        load_limits(
            write(text.replace("{kind: echo}", "{kind: echo, analysis: {reference: one}}", 1)),
            kinds={**kinds, "echo": Echo()},
        )


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            "format: 1",
            "format: 2",
            "1:9: format: expected 1, the only format that this version of linecheck reads; got 2",
        ),
        (
            "format: 1",
            "format: true",
            "1:9: format: expected a whole number (version of the limit file's format, 1), got true",
        ),
        ("format: 1\n", "", "1:1: format: is missing (version of the limit file's format, 1)"),
        ("revision: 4\n", "", "1:1: revision: is missing (counts up with every change of the file)"),
        ("revision: 4", "revision: 0", "3:11: revision: expected at least 1 (counts up with"),
        (
            "revision: 4",
            "revision: 99999999999999999999",
            "3:11: revision: expected at most 1e+09 (counts up with",
        ),
        ("revision: 4", "revision: 1.5", "3:11: revision: expected a whole number (counts up with"),
        (
            "revision: 4",
            "revision: '4'",
            "3:11: revision: expected a whole number (counts up with every change of the "
            "file), got the text '4'; take the quotes away",
        ),
        ("pellow-r3", "pellow r3", "2:8: model: expected letters, digits"),
        ("pellow-r3", "../r3", "2:8: model: expected letters, digits"),
        ("pellow-r3", "3", "2:8: model: expected text (name of the product"),
        ("pellow-r3", "COM1", "2:8: model: expected letters, digits"),
        ("pellow-r3", "a" * 65, "2:8: model: expected letters, digits"),
        ("[left, right]", "[left, left]", "4:18: channels[2]: the channel left is named twice"),
        ("[left, right]", "[]", "4:11: channels: expected at least 1 values"),
        ("[left, right]", "left", "4:11: channels: expected a list (names of the channels"),
        ("[left, right]", "[left, 2]", "4:18: channels[2]: expected text"),
        ("[left, right]", "[left, Right]", "4:18: channels[2]: a channel's name is lower-case letters"),
        ("[left, right]", "[left, pair]", "4:18: channels[2]: 'pair' stands for"),
        ("[left, right]", str([f"c{n}" for n in range(33)]), "4:11: channels: expected at most 32 values"),
        (
            '"PR3-[0-9]{6}"',
            '"PR3-[0-9"',
            "5:17: serial_pattern: is not a regular expression: missing ]: [0-9",
        ),
        ('"PR3-[0-9]{6}"', '".*"', "5:17: serial_pattern: character 1: '.' would match anything"),
        (
            "setup: {input: usb",
            "decision: strict\nsetup: {input: usb",
            "6:11: decision: expected simple or guarded",
        ),
        ("input: usb", "Input: usb", "6:9: setup.Input: a name is lower-case"),
        ("input: usb", "input: ", "6:16: setup.input: expected text, a number, true or false, got nothing"),
        (
            "input: usb",
            "input: [usb]",
            "6:16: setup.input: expected text, a number, true or false, got a list",
        ),
        ("input: usb", "input: ''", "6:16: setup.input: expected 1 to 200 characters, got 0"),
        ("{input: usb, filter: sharp}", "sharp", "6:8: setup: expected names and values"),
        (
            "setup:",
            "approved: {by: x, on: 2026-11-31}\nsetup:",
            "6:23: approved.on: expected a day as 2026-11-02",
        ),
        ("setup:", "approved: {by: x, on: 20261102}\nsetup:", "6:23: approved.on: expected text (the day"),
        ("setup:", "approved: {by: x}\nsetup:", "6:1: approved.on: is missing (the day, as 2026-11-02)"),
        ("  tone:\n", "  Tone:\n", "8:3: checks.Tone: a check's name is lower-case"),
        ("  tone:\n", "  'a/../b':\n", "8:3: checks.'a/../b': a check's name is lower-case"),
        ("  tone:\n", "  lpt1:\n", "8:3: checks.lpt1: lpt1 cannot be a file name on Windows"),
        ("  tone:\n", f"  {'x' * 64}:\n", "8:3: checks.xxxx"),
        (
            "kind: sine",
            "kind: sin",
            "9:11: checks.tone.kind: unknown kind 'sin'; did you mean sine? the kinds are: silence, sine",
        ),
        ("kind: sine", "kind: [sine]", "9:11: checks.tone.kind: expected a kind of check, got a list"),
        ("    kind: sine\n", "", "8:3: checks.tone.kind: is missing; the kinds are: silence, sine"),
        ("stimulus: {", "stimuls: {", "10:5: checks.tone.stimuls: unknown key; did you mean stimulus?"),
        (
            "{frequency_hz: 997, level_dbfs: -1}",
            "",
            "10:14: checks.tone.stimulus: expected a mapping of frequency_hz",
        ),
        (
            "{frequency_hz: 997, level_dbfs: -1}",
            "997",
            "10:15: checks.tone.stimulus: expected a mapping of frequency_hz",
        ),
        (
            "frequency_hz",
            "frequency",
            "10:16: checks.tone.stimulus.frequency: unknown key; did you mean frequency_hz?",
        ),
        ("997", "30000", "10:15: checks.tone.stimulus: frequency_hz must be below half of rate_hz"),
        (
            "997",
            "true",
            "10:30: checks.tone.stimulus.frequency_hz: expected a number (Frequency, Hz), got true",
        ),
        (
            "997",
            "'997'",
            "10:30: checks.tone.stimulus.frequency_hz: expected a number (Frequency, Hz), "
            "got the text '997'; "
            "take the quotes away",
        ),
        ("997", "0", "10:30: checks.tone.stimulus.frequency_hz: expected more than 0 (Frequency, Hz), got 0"),
        ("-1}", "1}", "10:47: checks.tone.stimulus.level_dbfs: expected at most 0 (Level, dBFS), got 1"),
        ("-1}", "-1, dither: 1}", "10:59: checks.tone.stimulus.dither: expected true or false, got 1"),
        (
            "    masks",
            "    analysis: {band_hz: 20}\n    masks",
            "11:25: checks.tone.analysis.band_hz: expected a list",
        ),
        (
            "    masks",
            "    analysis: {band_hz: [20]}\n    masks",
            "11:25: checks.tone.analysis.band_hz: expected 2 or more values",
        ),
        (
            "    masks",
            "    analysis: {band_hz: [20, x]}\n    masks",
            "11:30: checks.tone.analysis.band_hz[2]: expected a number",
        ),
        (
            "sinad:",
            "snad:",
            "12:7: checks.tone.masks.snad: unknown metric; did you mean sinad? "
            "the metrics of sine are: sinad, level, "
            "balance, spectrum, gain_error, pair_phase",
        ),
        ("sinad: {pass: {min: 112}, fail", "sinad: {fail", "12:7: checks.tone.masks.sinad.pass: is missing"),
        (
            "{pass: {min: 112}, fail: {min: 108}}",
            "112",
            "12:14: checks.tone.masks.sinad: expected pass and fail",
        ),
        (
            "min: 112",
            "",
            "12:21: checks.tone.masks.sinad.pass: expected min, max or both, got an empty mapping",
        ),
        ("min: 112", "mim: 112", "12:22: checks.tone.masks.sinad.pass.mim: unknown key; did you mean min?"),
        ("min: 112", "min: no", "12:27: checks.tone.masks.sinad.pass.min: some programs read 'no'"),
        (
            "min: 112",
            "min: 112 dB",
            "12:27: checks.tone.masks.sinad.pass.min: expected a number in dB, got the text '112 dB'; "
            "write the number alone, its unit is fixed",
        ),
        (
            "min: 112",
            "min: '1,5'",
            "12:27: checks.tone.masks.sinad.pass.min: expected a number in dB, got the text '1,5'; "
            "write a decimal point, not a comma",
        ),
        (
            "min: 112",
            "min: \N{MINUS SIGN}3",
            "12:27: checks.tone.masks.sinad.pass.min: expected a number in dB, got the text "
            "'\N{MINUS SIGN}3'; write it with a plain '-': '-3'",
        ),
        (
            "min: 112",
            "min: true",
            "12:27: checks.tone.masks.sinad.pass.min: expected a number in dB, got true",
        ),
        (
            "min: 112",
            "min: 1e13",
            "12:27: checks.tone.masks.sinad.pass.min: expected a number in dB within ±1e+12",
        ),
        (
            "min: 112",
            "min: [[1, 2], [2, 3]]",
            "12:27: checks.tone.masks.sinad.pass.min: sinad is one value, not a curve",
        ),
        (
            "min: 108",
            "min: 113",
            "12:45: checks.tone.masks.sinad.fail.min: the pass mask must lie inside the fail mask; "
            "expected at most 112 dB, got 113",
        ),
        (
            "min: 108",
            "max: 120",
            "12:45: checks.tone.masks.sinad.fail.max: what fails here passes by the pass mask, "
            "which has no max; give it one",
        ),
        (
            "max: 0.1}}",
            "max: -0.1}}",
            "13:40: checks.tone.masks.balance.pass.max: must be above min (-0.1 dB), got -0.1",
        ),
        (
            "[[20, -120], [20000, -110]]",
            "[[20, -120]]",
            "14:30: checks.tone.masks.spectrum.pass.max: expected at least 2 points",
        ),
        (
            "[20000, -110]",
            "[20000]",
            "14:43: checks.tone.masks.spectrum.pass.max[2]: expected a point [Hz, dB], got 1 values",
        ),
        (
            "[20000, -110]",
            "-110",
            "14:43: checks.tone.masks.spectrum.pass.max[2]: expected a point [Hz, dB], got -110",
        ),
        (
            "[20000, -110]",
            "[20, -110]",
            "14:44: checks.tone.masks.spectrum.pass.max[2][1]: points ascend; expected more than 20 Hz",
        ),
        (
            "[[20, -120]",
            "[[0, -120]",
            "14:32: checks.tone.masks.spectrum.pass.max[1][1]: expected more than 0 Hz, the axis is",
        ),
        (
            "[20000, -110]",
            "[20000, x]",
            "14:51: checks.tone.masks.spectrum.pass.max[2][2]: expected a number in dB",
        ),
        (
            "-110]]}}",
            "-110]]}, fail: {max: -100}}",
            "14:72: checks.tone.masks.spectrum.fail.max: what fails here passes by "
            "the pass mask, which has no max below 20 Hz",
        ),
        (
            "-110]]}}",
            "-110]]}, fail: {max: [[20, -100], [20000, -111]]}}",
            "14:72: checks.tone.masks.spectrum.fail.max: the "
            "pass mask must lie inside the fail mask; expected at least -110 dB at 20000 Hz, got -111",
        ),
    ],
)
def test_one_fault_at_its_place(faults_of, whole, old, new, fault):
    assert old in whole
    found = faults_of(whole.replace(old, new, 1))
    assert found[0].startswith(f"r3.yaml:{fault}")
    assert len(found) == 1


# A misspelt key is unknown where it stands, and missing where it belongs.
@pytest.mark.parametrize(
    ("old", "new", "faults"),
    [
        (
            "revision: 4",
            "revison: 4",
            [
                "1:1: revision: is missing",
                "3:1: revison: unknown key; did you mean revision? the keys here are: format",
            ],
        ),
        (
            "setup:",
            "approved: {by: x, when: 2026-11-02}\nsetup:",
            ["6:1: approved.on: is missing", "6:19: approved.when: unknown key; the keys here are: by, on"],
        ),
        (
            "kind: sine",
            "knid: sine",
            ["8:3: checks.tone.kind: is missing", "9:5: checks.tone.knid: unknown key; did you mean kind?"],
        ),
        (
            "sinad: {pass:",
            "sinad: {pas:",
            [
                "12:7: checks.tone.masks.sinad.pass: is missing",
                "12:15: checks.tone.masks.sinad.pas: unknown key; did you mean pass?",
            ],
        ),
    ],
)
def test_a_misspelt_key(faults_of, whole, old, new, faults):
    found = faults_of(whole.replace(old, new, 1))
    assert len(found) == len(faults)
    assert all(text.startswith(f"r3.yaml:{fault}") for text, fault in zip(found, faults, strict=True))


@pytest.mark.parametrize(
    ("lines", "fault"),
    [
        (
            "",
            "15:5: checks.x: expected kind, setup, setups, stimulus, analysis, masks, regression, got nothing",
        ),
        ("kind: sine\nmasks:", "17:11: checks.x.masks: expected masks by metric, got nothing"),
        ("kind: sine\nmasks: {}", "17:12: checks.x.masks: expected masks by metric, got an empty mapping"),
        ("kind: sine\nmasks: {level: {}}", "17:13: checks.x.masks.level.pass: is missing"),
        (
            "kind: silence\nanalysis: {reference: tune}",
            "17:27: checks.x.analysis.reference: no check of kind sine is named 'tune'; did you mean tone? "
            "the checks of kind sine are: tone",
        ),
        (
            "kind: silence\nanalysis: {reference: x}",
            "17:27: checks.x.analysis.reference: no check of kind sine is named 'x'",
        ),
        ("kind: silence\nanalysis: {reference: 3}", "17:27: checks.x.analysis.reference: expected text"),
        (
            "kind: sine\nmasks: {gain_error: {pass: {min: [[-80, -1], [0, 1]], max: [[-60, 0.25], [0, 2]]}}}",
            None,
        ),
        (
            "kind: sine\nmasks: {gain_error: {pass: {min: [[-80, -1], [0, 1]], max: [[-60, -0.5], [0, 2]]}}}",
            "17:64: checks.x.masks.gain_error.pass.max: must be above min (-0.5 dB) at -60 dBFS, got -0.5",
        ),
    ],
)
def test_faults_of_a_further_check(write, kinds, faults_of, whole, lines, fault):
    text = with_check(whole, lines)
    if fault is None:
        assert len(load_limits(write(text), kinds=kinds).checks) == 2
        return
    (found,) = faults_of(text)
    assert found.startswith(f"r3.yaml:{fault}")


def test_a_file_that_judges_nothing_is_refused(faults_of, whole):
    nothing = whole[: whole.index("    masks:")]
    assert faults_of(nothing) == [
        "r3.yaml:8:3: checks: no check has a mask, so the file judges nothing; expected one mask or more"
    ]
    assert "checks: no check has a mask" in faults_of(nothing[: nothing.index("checks:")] + "checks: {}\n")[0]
    assert "checks: is missing" in faults_of(nothing[: nothing.index("checks:")])[0]
    assert (
        "checks: expected checks by their names, got nothing"
        in faults_of(nothing[: nothing.index("checks:")] + "checks:\n")[0]
    )


def test_all_faults_of_a_file_at_once_in_its_order(faults_of, whole):
    text = (
        whole.replace("format: 1", "format: 3")
        .replace("right]", "left]")
        .replace("997", "no")
        .replace("min: 112", "min: 1:30")
        .replace("balance", "balence")
        .replace("-110]", "-110, 3]")
    )
    places = [fault.split(": ")[0:2] for fault in faults_of(text)]
    assert places == [
        ["r3.yaml:1:9", "format"],
        ["r3.yaml:4:18", "channels[2]"],
        ["r3.yaml:10:30", "checks.tone.stimulus.frequency_hz"],
        ["r3.yaml:12:27", "checks.tone.masks.sinad.pass.min"],
        ["r3.yaml:13:7", "checks.tone.masks.balence"],
        ["r3.yaml:14:43", "checks.tone.masks.spectrum.pass.max[2]"],
    ]


def test_a_flood_of_faults_is_counted_not_listed(faults_of, whole):
    flood = "".join(f"    extra{n}: 1\n" for n in range(5000))
    found = faults_of(whole.replace("    masks:", f"{flood}    masks:"))
    assert len(found) == 51
    assert found[-1] == "r3.yaml: and 4950 faults more"


def test_a_file_as_large_as_they_get_costs_what_its_points_do(write, kinds, whole):
    def calls(count):
        points = ", ".join(f"[{20 + n}, -120]" for n in range(count))
        path = write(whole.replace("[20, -120], [20000, -110]", points))
        profile = cProfile.Profile()
        limits = profile.runcall(load_limits, path, kinds=kinds)
        assert len(limits.checks[0].masks["spectrum"].pass_.max) == count
        return sum(entry.callcount for entry in profile.getstats())

    calls(1000)
    assert calls(2000) < 2.2 * calls(1000)


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            "{min: -0.1, max: 0.1}",
            "{min: -0,1, max: 0,1}",
            "r3.yaml:13:32: checks.tone.masks.balance.pass: a comma ends a value here; write a decimal point, as in "
            "min: -0.1",
        ),
        (
            '"PR3-[0-9]{6}"',
            r'"PR3-\d{6}"',
            "r3.yaml:5:22: is no YAML: found unknown escape character (while parsing a quoted scalar); "
            "in double quotes a backslash begins an escape: write the text in single quotes",
        ),
        (
            "    masks:",
            "   masks:",
            "r3.yaml:11:4: is no YAML: did not find expected key (while parsing a block mapping); "
            "does this line begin in the same column as those that it belongs with?",
        ),
        (
            "    stimulus:",
            "      stimulus:",
            "r3.yaml:10:15: is no YAML: mapping values are not allowed in this context; "
            "does this line begin further to the right than the one that it belongs with?",
        ),
        (
            "\n      ",
            "\n    ",
            "r3.yaml:12:5: checks.tone.sinad: unknown key here; it belongs under masks, indented further",
        ),
        (
            "[left, right]",
            "[L, right]",
            "r3.yaml:4:12: channels[1]: a channel's name is lower-case letters, digits and '_', as in left, got 'L'",
        ),
    ],
)
def test_slips_that_people_make_are_known(faults_of, whole, old, new, fault):
    assert old in whole
    assert fault in faults_of(whole.replace(old, new))


def test_a_channel_that_is_refused_is_one_fault_and_no_list_that_is_too_short(faults_of, whole):
    faults = faults_of(whole.replace("[left, right]", "[L, R]"))
    assert [fault.split(": ")[1] for fault in faults] == ["channels[1]", "channels[2]"]


@pytest.mark.parametrize("named", ["", "    analysis: {reference: tone}\n"])
def test_a_kind_that_is_misspelt_is_one_fault(faults_of, whole, named):
    quiet = f"  quiet:\n    kind: silence\n{named}    masks: {{noise: {{pass: {{max: 5}}}}}}\n"
    (fault,) = faults_of(whole.replace("kind: sine", "kind: sinne") + quiet)
    assert "unknown kind 'sinne'; did you mean sine?" in fault
