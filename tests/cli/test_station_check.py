"""``linecheck station check``: recorded before it is shown, the worst first, nothing met that was not measured."""

import json

import forked_linecheck
import pytest
from small_run import LIMITS, call

from linecheck.errors import RecordError
from linecheck.log import Log, LogReader

DATABASE = "results/linecheck.sqlite"
STATION = """format = 1
station = "bench"
interface = "simulated"
mains_hz = 50
[capture]
rate_hz = 48000
"""
DIGITAL = STATION + '[loop]\nkind = "digital"\nevery_hours = 12\n'
ANALOGUE = STATION + '[loop]\nkind = "analogue"\n'
SOUND = """format = 1
station = "loopback"
interface = "sound"
mains_hz = 50
[playback]
device = "{device}"
channels = [1, 2]
rates_hz = [{rate}]
sample_format = "float32"
[capture]
device = "{device}_monitor"
rate_hz = {rate}
channels = [1, 2]
sample_format = "float32"
tail_seconds = 0.1
[loop]
kind = "digital"
"""


@pytest.fixture
def check(tmp_path, monkeypatch, capsys):
    """Return ``linecheck station check`` in an empty folder, given a station config."""
    monkeypatch.chdir(tmp_path)

    def run(config, *arguments):
        (tmp_path / "station.toml").write_text(config, encoding="utf-8")
        return call(monkeypatch, capsys, "station", "check", "--station", "station.toml", *arguments)

    return run


def statements(path=DATABASE):
    with LogReader(path) as log:
        assert log.verify().intact
        return log.statements("self_check")


@pytest.mark.every_python
def test_a_loop_that_is_met_is_recorded_and_shown(check, tmp_path):
    status, out, err = check(DIGITAL, "--json", "check.json")
    assert status == 0
    assert out.splitlines()[0] == "station bench: digital loop, 48000 Hz, 7.4 s of sound, record 1"
    assert "bit-identical: all 353760 frames" in out
    assert out.splitlines()[-1] == "The path can be trusted. Check it again within 12 h."
    assert "playing 1 of 1: words" in err
    (said,) = statements()
    assert (said.subject, said.content["verdict"]) == ("bench", "met")
    written = json.loads((tmp_path / "check.json").read_text(encoding="utf-8"))
    assert written.pop("record") == {"sequence": said.sequence, "hash": said.record_hash}
    assert written == said.content


def test_an_analogue_loop_with_a_fault_tells_it_first_and_what_to_do(check):
    status, out, _ = check(ANALOGUE, "--fault", "wrong_level,hum")
    assert status == 3
    lines = out.splitlines()
    assert lines[2].startswith("gain ")
    assert "left -6.0" in lines[2]
    assert all("not met" in line for line in lines[2:6])
    assert lines[-1].startswith("The path cannot be trusted: gain. Set the device's level controls")
    (said,) = statements()
    failed = {entry["name"] for entry in said.content["steps"] if entry["verdict"] == "not met"}
    assert said.content["verdict"] == "not met"
    assert {"gain", "hum", "noise"} <= failed


SINAD = LIMITS.replace("min: 108}, fail: {min: 90}", "min: 112}, fail: {min: 90}")


def test_the_masks_of_a_limit_file_are_held_against_the_path(check, tmp_path, monkeypatch, capsys):
    (tmp_path / "limits.yaml").write_text(SINAD, encoding="utf-8")
    config = ANALOGUE.replace("rate_hz = 48000", "rate_hz = 48000\nfull_scale_volts = [8.0, 8.0]")
    status, out, _ = check(config, "--limits", "limits.yaml", "--budget", "--json", "check.json")
    assert status == 0
    assert "can be trusted" not in out
    assert "The path is as its config asks, and hides what some masks ask for." in out
    (line,) = (line for line in out.splitlines() if line.startswith("not      tone.sinad"))
    assert "≥ 112 dB" in line
    assert "the path's noise with tone" in out
    assert "GUM 4.3.7, F.2.4.5" in out
    assert (
        "Not held against the path:\nwiring.order: the self-check has a step for it, which must be met" in out
    )
    written = json.loads((tmp_path / "check.json").read_text(encoding="utf-8"))
    answers = {(mask["metric"], mask["channel"]): mask["answer"] for mask in written["masks"]}
    assert answers["sinad", "left"] == "cannot"
    assert answers["level", "right"] == "decides"

    def ran(undecided):
        (tmp_path / "station.toml").write_text(f'{config}undecided = "{undecided}"\n', encoding="utf-8")
        words = ("--station", "station.toml", "--limits", "limits.yaml", "--serial", "PR3-000001")
        return call(monkeypatch, capsys, "run", *words, "--json", f"{undecided}.json")

    status, out, _ = ran("tell")
    assert (status, out.splitlines()[0]) == (0, "● PASS")
    assert "can barely decide, or cannot decide, tone sinad" in out
    status, out, _ = ran("widen")
    assert (status, out.splitlines()[0]) == (0, "▲ MARGINAL")
    told, widened = (
        next(
            entry
            for entry in json.loads((tmp_path / f"{name}.json").read_text(encoding="utf-8"))["readings"]
            if (entry["metric"], entry["channel"]) == ("sinad", "left")
        )
        for name in ("tell", "widen")
    )
    assert abs(widened["value"] - told["value"]) < 1.0, "nothing of the station's is subtracted"
    assert (widened["verdict"], told["verdict"]) == ("marginal", "pass")
    assert widened["uncertainty"] > 3.0 > told["uncertainty"]
    status, out, err = ran("refuse")
    assert (status, out) == (3, "")
    assert "tests no unit by them" in err
    refused = f'{config}undecided = "refuse"\n'
    assert check(refused, "--limits", "limits.yaml")[0] == 3


def test_a_budget_is_of_a_limit_file_and_the_result_never_overwrites_one(check, tmp_path):
    (tmp_path / "limits.yaml").write_text(SINAD, encoding="utf-8")
    status, _, err = check(ANALOGUE, "--budget")
    assert (status, "give --limits as well" in err) == (2, True)
    status, _, err = check(ANALOGUE, "--limits", "limits.yaml", "--json", "limits.yaml")
    assert (status, "limits.yaml: is an input of this command" in err) == (2, True)
    status, out, _ = check(DIGITAL, "--limits", "limits.yaml")
    assert (status, "no mask of pellow-r3 is held" in out) == (0, True)


def test_steps_that_lack_for_one_reason_share_a_line(check):
    status, out, _ = check(ANALOGUE, "--fault", "no_loop")
    assert status == 3
    assert "nothing played comes back on any channel" in out
    assert len(out.splitlines()) < 12


def test_nothing_is_shown_that_is_not_recorded(check, monkeypatch):
    def refuse(self, kind, subject, content):
        raise RecordError("the disk is full")

    monkeypatch.setattr(Log, "state", refuse)
    status, out, err = check(DIGITAL, "--json", "check.json")
    assert (status, out) == (3, "")
    assert "was not recorded, so it counts for nothing: the disk is full" in err


def test_a_result_that_cannot_be_written_is_told_and_what_was_recorded_is_shown(check, monkeypatch):
    def full(path, content):
        raise RecordError(f"{path}: cannot be written: the disk is full")

    monkeypatch.setattr("linecheck.cli.station.check.write_atomically", full)
    status, out, err = check(DIGITAL, "--json", "check.json")
    assert (status, statements()[0].content["verdict"]) == (3, "met")
    assert "bit-identical" in out
    assert "check.json: cannot be written: the disk is full" in err


def test_the_record_stands_before_anything_is_shown(check, monkeypatch):
    from linecheck.cli.display import self_check as display_self_check

    seen = []
    monkeypatch.setattr(display_self_check, "show_self_check", lambda found, *_: seen.append(statements()))
    assert check(DIGITAL)[0] == 0
    ((said,),) = seen
    assert said.content["verdict"] == "met"


def test_a_file_that_cannot_be_written_is_told_before_anything_is_played(check, tmp_path):
    (tmp_path / "file").write_text("")
    status, out, err = check(DIGITAL, "--json", "file/check.json")
    assert (status, out) == (2, "")
    assert "playing" not in err


@pytest.mark.parametrize(
    ("config", "arguments", "words"),
    [
        (STATION, (), "has no [loop]"),
        (DIGITAL, ("--fault", "sunspots"), "no fault of a loop named 'sunspots'"),
        (DIGITAL, ("--json", "station.toml"), "station.toml: is an input of this command"),
        (SOUND.format(device="unit", rate=48_000), ("--fault", "gate"), "has a real loop"),
        (DIGITAL.replace("digital", "optical"), (), "loop.kind"),
        (DIGITAL + "rate_hz = 96000\n", (), "one rate"),
    ],
)
def test_what_is_wrong_with_the_command_is_told_and_nothing_is_recorded(
    check, tmp_path, config, arguments, words
):
    status, out, err = check(config, *arguments)
    assert (status, out) == (2, "")
    assert words in err
    assert "Traceback" not in err
    assert not (tmp_path / DATABASE).exists()


def test_a_loop_that_nobody_closes_is_not_met(check):
    status, out, err = check(SOUND.format(device="unit", rate=48_000))
    assert status == 3
    assert "the loop could not be closed: there is no input on which anyone could confirm it" in out
    assert "Disconnect headphones, amplifiers and loudspeakers" in err
    (said,) = statements()
    assert said.content["verdict"] == "not met"
    assert said.content["audio"] == {}


def test_the_loops_commands_are_run_and_their_failures_count(check, tmp_path):
    commands = f'[loop.close]\ncommand = "touch {tmp_path}/closed"\n[loop.open]\ncommand = "touch {tmp_path}/opened"\n'
    assert check(DIGITAL + commands)[0] == 0
    assert (tmp_path / "closed").exists()
    assert (tmp_path / "opened").exists()
    status, out, _ = check(DIGITAL + '[loop.close]\ncommand = "false"\n')
    assert status == 3
    assert "the loop could not be closed: the command failed (exit status 1)" in out
    status, out, _ = check(DIGITAL + '[loop.open]\ncommand = "false"\n')
    assert status == 3
    assert "still closed" in out
    assert [entry.content["verdict"] for entry in statements()] == ["not met", "not met", "met"]


def over_sound(server, folder, device, rate):
    (folder / "station.toml").write_text(SOUND.format(device=device, rate=rate), encoding="utf-8")
    status, out, err = forked_linecheck.run(
        folder,
        *("station", "check", "--station", "station.toml", "--patched"),
        environment=server.environment,
        text=True,
    )
    (said,) = statements(folder / DATABASE)
    return status, out + err, {entry["name"]: entry for entry in said.content["steps"]}


@pytest.mark.sound
def test_a_null_sink_gives_back_every_bit(pulse_server, tmp_path):
    status, shown, steps = over_sound(pulse_server, tmp_path, "unit_48", 48_000)
    assert status == 0, shown
    assert "bit-identical: all 353760 frames" in steps["words"]["sentence"]
    assert "by way of a plug-in or sound server" in steps["identity"]["sentence"]


@pytest.mark.sound
def test_a_sound_server_that_converts_the_rate_is_found_out(pulse_server, tmp_path):
    # The sink runs at 44.1 kHz or 48 kHz, and PulseAudio's own converter is on either side of it.
    status, shown, steps = over_sound(pulse_server, tmp_path, "unit_44", 96_000)
    assert status == 3, shown
    assert "a rate converter is in the path" in steps["words"]["sentence"]
