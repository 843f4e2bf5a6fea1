"""Beginning with a new model: what is written loads without a doubt, runs, and is reachable at its word length."""

from pathlib import Path

import click.testing
import pytest
from small_run import call

from linecheck.cli.init import command
from linecheck.errors import UsageError
from linecheck.limits.loading.load import load_limits
from linecheck.limits.serial_pattern import serial_matches
from linecheck.starter.answers import CLASSES, Answers, serial_pattern
from linecheck.starter.files import demo_files, model_files
from linecheck.station.config.load import load_station
from linecheck.station.interfaces.sound.devices import SoundDevice

ROOT = Path(__file__).parents[2]
GIVEN = ("--model", "ax1", "--serial", "AX1-00017", "--output-volts", "2.1")


@pytest.fixture
def linecheck(monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    return lambda *arguments: call(monkeypatch, capsys, *arguments)


@pytest.mark.parametrize("name", list(CLASSES))
def test_what_is_written_is_checked_strictly_and_a_good_unit_passes(linecheck, name):
    status, out, err = linecheck("init", *GIVEN, "--class", name, "--ci", "gitlab")
    assert status == 0, err
    assert out.splitlines() == ["limits/ax1.yaml", "station_configs/bench.toml", ".gitlab-ci.yml"]
    assert "AX1-[0-9]{5} matches AX1-00017" in err
    assert (
        "linecheck run --station station_configs/bench.toml --limits limits/ax1.yaml --serial AX1-00017"
        in err
    )
    assert linecheck("limits", "check", "limits/ax1.yaml", "--strict")[0] == 0
    run = ("run", "--station", "station_configs/bench.toml", "--limits", "limits/ax1.yaml")
    status, out, err = linecheck(*run, "--serial", "AX1-00017")
    assert status == 0, out
    assert linecheck(*run, "--serial", "AX1-00018", "--fault", "distorting")[0] == 1


@pytest.mark.parametrize("bits", [16, 20, 24, 32])
@pytest.mark.parametrize("channels", ["left", "left,right", "front_left,front_right,centre"])
def test_masks_are_reachable_at_any_word_length_and_with_any_channels(linecheck, bits, channels):
    status, _, err = linecheck(
        "init",
        *GIVEN,
        "--class",
        "converter",
        "--bits",
        str(bits),
        "--channels",
        channels,
        "--rates",
        "48000,96000",
    )
    assert status == 0, err
    status, _, err = linecheck("limits", "check", "limits/ax1.yaml", "--strict")
    assert status == 0, err
    assert load_limits("limits/ax1.yaml").channels == tuple(channels.split(","))


@pytest.mark.parametrize("fault", ["bit_weight", "one_bit_noise", "hum", "distorting"])
def test_faults_that_a_tone_does_not_show_are_found_by_what_is_written(linecheck, fault):
    linecheck("init", *GIVEN, "--class", "streamer")
    run = ("run", "--station", "station_configs/bench.toml", "--limits", "limits/ax1.yaml")
    assert linecheck(*run, "--serial", "AX1-00018", "--fault", fault)[0] == 1


@pytest.mark.parametrize("rate", [44_100, 96_000, 192_000, 384_000])
@pytest.mark.parametrize("name", list(CLASSES))
def test_no_mask_is_idle_at_any_rate(linecheck, name, rate):
    assert linecheck("init", *GIVEN, "--class", name, "--rates", str(rate))[0] == 0
    status, _, err = linecheck("limits", "check", "limits/ax1.yaml", "--strict")
    assert status == 0, err


@pytest.mark.parametrize("service", ["gitlab", "github", "jenkins"])
def test_a_station_with_sound_devices_and_each_build_service(linecheck, service):
    names = ('RME "A" 5\\6', "hw: µ")
    status, out, err = linecheck(
        "init", *GIVEN, "--playback", names[0], "--capture", names[1], "--ci", service, "--station", "line-2"
    )
    assert status == 0, err
    config = load_station("station_configs/line-2.toml").config
    assert (config.playback.device, config.capture.device) == names
    assert config.loop is not None
    job = Path(out.splitlines()[-1]).read_text(encoding="utf-8")
    assert "linecheck judge captures/* --limits limits/ax1.yaml" in job

    assert "note: on this machine " in err
    assert "linecheck station check --station station_configs/line-2.toml" in err


@pytest.mark.parametrize(("model", "channels"), [("123", "left,right"), ("yes", "no,on"), ("1e3", "null")])
def test_names_that_yaml_takes_for_something_else_stay_names(linecheck, model, channels):
    given = ("--model", model, "--serial", "AX1-00017", "--channels", channels)
    assert linecheck("init", *given)[0] == 0
    limits = load_limits(f"limits/{model}.yaml")
    assert (limits.model, limits.channels) == (model, tuple(channels.split(",")))


@pytest.mark.parametrize("name", list(CLASSES))
def test_a_unit_played_again_is_no_worse_than_itself_by_the_margins_written(linecheck, name):
    linecheck("init", *GIVEN, "--class", name)
    run = ("run", "--station", "station_configs/bench.toml", "--limits", "limits/ax1.yaml", "--keep-captures")
    for _ in range(2):
        assert linecheck(*run, "--serial", "AX1-00017")[0] == 0
    first, again = sorted(path.parent for path in Path("results").glob("**/captures.toml"))
    limits, baseline = ("--limits", "limits/ax1.yaml"), ("--baseline", "base.toml")
    told = ("--by", "A. Engineer", "--reason", "released")
    status, _, err = linecheck("baseline", "accept", str(first), *limits, "--out", "base.toml", *told)
    assert (status, "no margin" in err) == (0, False), err
    status, out, err = linecheck("regress", str(again), *limits, *baseline)
    assert status == 0, out + err


class TestQuestions:
    """On a terminal each answer is looked at when it is given, and asked for anew where it makes no sense."""

    @pytest.fixture
    def asked(self, monkeypatch, tmp_path):
        monkeypatch.chdir(tmp_path)
        monkeypatch.setattr("linecheck.cli.init.load_portaudio", lambda: None)
        devices = tuple(
            SoundDevice(number, f"Interface {number} (hw:{number},0)", "ALSA", 2, 2) for number in (1, 2)
        )
        monkeypatch.setattr("linecheck.cli.init.list_devices", lambda _: devices)

        def run(*answers, arguments=()):
            reads = click.testing.CliRunner()
            with reads.isolation(input="\n".join(answers) + "\n") as (out, err, _):
                monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
                command.main(arguments, standalone_mode=False)
            return out.getvalue().decode() + err.getvalue().decode()

        return run

    def test_wrong_answers_are_refused_one_by_one_and_none_is_lost(self, asked):
        told = asked(
            "a/b", "ax1", "amplifier", "player", "AX", "AX1-00017", "Left", "left,right", "fast", "44100", "99", "16",
            "nan", "2.1", "../x", "line-2", "gitlub", "gitlab",
            "Interface 9", "Interface 1", "Interface 8", "Interface 2",
        )  # fmt: skip
        for refused in ("'a/b'", "'amplifier'", "'AX'", "'Left'", "'fast'", "'99'", "'nan'", "'../x'", "'gitlub'",
                        "'Interface 9'", "'Interface 8'"):  # fmt: skip
            assert refused in told, told
        config = load_station("station_configs/line-2.toml").config
        assert config.playback.device == "ALSA: Interface 1 (hw:1,0)"
        assert config.capture.device == "ALSA: Interface 2 (hw:2,0)"
        assert load_limits("limits/ax1.yaml").model == "ax1"
        assert Path(".gitlab-ci.yml").exists()

    def test_an_option_that_makes_no_sense_is_refused_before_anything_is_asked(self, asked):
        with pytest.raises(UsageError, match="--ci"):
            asked(arguments=("--ci", "cron"))

    def test_empty_answers_are_a_simulated_station(self, asked):
        asked("ax1", "", "AX1-00017", *[""] * 7)
        assert load_station("station_configs/bench.toml").config.interface == "simulated"


def test_nothing_is_written_over(linecheck):
    Path("limits").mkdir()
    Path("limits/ax1.yaml").write_text("mine")
    status, _, err = linecheck("init", *GIVEN)
    assert (status, "is there already, and nothing is written over" in err) == (2, True)
    assert Path("limits/ax1.yaml").read_text() == "mine"
    assert not Path("station_configs").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--model", "ax1"), "give --serial: nobody can be asked here"),
        ((*GIVEN, "--model", "../ax1"), "--model: '../ax1' is no name"),
        ((*GIVEN, "--channels", "left,left"), "--channels"),
        ((*GIVEN, "--channels", "Left Out"), "--channels"),
        ((*GIVEN, "--rates", "44100,fast"), "--rates"),
        ((*GIVEN, "--rates", "8000"), "--rates"),
        ((*GIVEN, "--rates", "9" * 5000), "--rates"),
        ((*GIVEN, "--bits", "7"), "--bits"),
        ((*GIVEN, "--bits", "00241"), "--bits"),
        ((*GIVEN, "--output-volts", "nan"), "--output-volts"),
        ((*GIVEN, "--output-volts", "inf"), "--output-volts"),
        ((*GIVEN, "--output-volts", "0"), "--output-volts"),
        ((*GIVEN, "--class", "amplifier"), "--class: 'amplifier' is none of player, converter, streamer"),
        ((*GIVEN, "--ci", "cron"), "--ci: 'cron' is none of gitlab"),
        ((*GIVEN, "--playback", "x"), "give --playback and --capture"),
        ((*GIVEN, "--serial", "AX"), "no counter of two digits"),
        ((*GIVEN, "--serial", "AX/00017"), "cannot be part of the pattern"),
        (("--demo", "--model", "x"), "--demo asks for nothing: leave out --model"),
        (("--demo", "--class", "player"), "--demo asks for nothing: leave out --class"),
        ((*GIVEN, "--playback", "", "--capture", "x"), "give --playback and --capture"),
    ],
)
def test_what_makes_no_sense_is_said_and_nothing_is_written(linecheck, tmp_path, arguments, said):
    status, _, err = linecheck("init", *arguments)
    assert (status, said in err) == (2, True), err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("folder", ["/dev/null/x", "x" * 5000, "a\nfile"])
def test_a_folder_that_cannot_be_is_said(linecheck, folder):
    Path("a\nfile").write_text("mine")
    status, _, err = linecheck("init", *GIVEN, "--out", folder)
    assert (status, "Traceback" in err) == (2, False)
    assert "cannot be made" in err


@pytest.mark.parametrize(
    ("example", "pattern", "matches", "other"),
    [
        ("PR3-000123", "PR3-[0-9]{6}", "PR3-999999", "PR4-000123"),
        ("2611-0042-X", "2611-[0-9]{4}-X", "2611-0043-X", "2612-0042-X"),
        ("00017", "[0-9]{5}", "99999", "0017"),
    ],
)
def test_a_pattern_by_example(example, pattern, matches, other):
    assert serial_pattern(example) == pattern
    assert serial_matches(pattern, example)
    assert serial_matches(pattern, matches)
    assert not serial_matches(pattern, other)


def test_the_demonstration_is_the_one_of_the_repository(linecheck):
    texts = demo_files()
    assert "limits/common/line-output-24bit.yaml" in texts
    for path, text in texts.items():
        assert (ROOT / path).read_text(encoding="utf-8") == text
    assert linecheck("init", "--demo", "--out", "demo")[0] == 0
    assert load_limits("demo/limits/pellow-r3.yaml").model == "pellow-r3"


def test_a_serial_number_without_a_counter_is_refused_before_anything_is_made():
    answers = Answers("ax1", "bench", "AX", ("left",), "converter", (48_000,), 24, 2.0)
    with pytest.raises(UsageError, match="counter"):
        model_files(answers)
