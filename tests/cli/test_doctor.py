"""What a machine lacks is said, with what to do; a station's needs count."""

import json
from pathlib import Path

import pytest
import tomli
from small_run import call

from linecheck.doctor import examine, finding
from linecheck.doctor.finding import Finding, State, cure_here
from linecheck.errors import StationError

STATION = """format = 1
station = "bench"
interface = "sound"
mains_hz = 50
[playback]
device = "x"
channels = [1, 2]
rates_hz = [48000]
[capture]
device = "x"
channels = [1, 2]
rate_hz = 48000
"""


@pytest.fixture
def doctor(monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.toml").write_text(STATION)
    return lambda *arguments: call(monkeypatch, capsys, "doctor", *arguments)


def missing_portaudio():
    raise StationError("PortAudio is missing (no such library)")


def test_each_thing_is_a_line_and_what_is_amiss_has_a_cure(doctor, monkeypatch):
    monkeypatch.setattr(examine, "load_portaudio", missing_portaudio)
    monkeypatch.setattr(finding, "system", lambda: "debian")
    status, out, err = doctor()
    assert (status, err) == (0, "")
    assert "● Python: 3." in out
    assert "○ PortAudio: PortAudio is missing (no such library)\n    apt-get install libportaudio2\n" in out


def test_what_a_station_needs_is_missing_and_not_a_note(doctor, monkeypatch):
    monkeypatch.setattr(examine, "load_portaudio", missing_portaudio)
    status, out, _ = doctor("--station", "bench.toml", "--json")
    assert status == 3
    states = {row["name"]: row["state"] for row in json.loads(out)}
    assert (states["PortAudio"], states["psycopg"]) == ("missing", "ok")


def test_a_runtime_folder_that_cannot_be_looked_into_is_no_trouble(doctor, monkeypatch):
    monkeypatch.setattr(examine, "load_portaudio", missing_portaudio)
    monkeypatch.setenv("XDG_RUNTIME_DIR", "x" * 5000)
    status, out, err = doctor()
    assert (status, err) == (0, "")
    assert "sound server: none" in out


@pytest.mark.parametrize(
    ("system", "cure"),
    [
        ("debian", "apt-get install x"),
        ("fedora", "dnf install x (not tried)"),
        ("macos", ""),
        ("other", ""),
    ],
)
def test_a_cure_that_was_not_tried_says_so(monkeypatch, system, cure):
    monkeypatch.setattr(finding, "system", lambda: system)
    found = Finding("x", State.NOTE, "", {"debian": "apt-get install x", "fedora": "dnf install x"})
    assert cure_here(found) == cure


def test_a_cure_for_every_system_is_one_for_each(monkeypatch):
    monkeypatch.setattr(finding, "system", lambda: "fedora")
    assert cure_here(Finding("x", State.NOTE, "", {"": "plug it in"})) == "plug it in"


def test_a_disk_without_room_is_missing(monkeypatch):
    monkeypatch.setattr(examine, "room_for_record", lambda disk: "the disk is full")
    (found,) = examine._room(None)
    assert (found.state, found.text) == (State.MISSING, "the disk is full")


def test_sound_devices_that_this_user_may_not_open_are_named(monkeypatch):
    class Node:
        def __init__(self, name):
            self.name = name

        def __lt__(self, other):
            return self.name < other.name

        def __fspath__(self):
            return f"/dev/snd/{self.name}"

    class Folder:
        def __init__(self, path):
            self.path = path

        def glob(self, pattern):
            return [Node("pcmC0D0p"), Node("pcmC0D0c")]

    monkeypatch.setattr(examine, "Path", Folder)
    monkeypatch.setattr(examine.os, "access", lambda node, mode: node.name.endswith("p"))
    monkeypatch.setattr(examine.sys, "platform", "linux")
    (found,) = examine._sound_rights(None)
    assert (found.state, "1 of 2 sound devices (pcmC0D0c)" in found.text) == (State.NOTE, True)


def test_every_extra_for_users_is_looked_for():
    declared = tomli.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))
    extras = declared["project"]["optional-dependencies"]
    assert {name for name in extras if name not in ("test", "lint")} == set(examine._EXTRAS)
    for name, (_, package) in examine._EXTRAS.items():
        assert any(requirement.startswith(package) for requirement in extras[name])
