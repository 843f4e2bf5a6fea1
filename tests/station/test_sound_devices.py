"""A device is chosen by name, or not at all."""

import importlib

import pytest

from linecheck.errors import StationError
from linecheck.station.interfaces.sound.devices import SoundDevice, choose_device, load_portaudio

CARDS = (
    SoundDevice(0, "Pellow R3: USB Audio (hw:1,0)", "ALSA", 2, 2),
    SoundDevice(1, "Bench interface: USB Audio (hw:2,0)", "ALSA", 8, 8),
    SoundDevice(2, "Twin: USB Audio (hw:3,0)", "ALSA", 2, 2),
    SoundDevice(3, "Twin: USB Audio (hw:4,0)", "ALSA", 2, 2),
    SoundDevice(4, "default", "ALSA", 32, 32),
    SoundDevice(5, "Bench interface", "Windows WASAPI", 0, 8),
    SoundDevice(6, "Bench interface", "MME", 0, 8),
    SoundDevice(7, "Ears", "ALSA", 2, 0),
)


@pytest.mark.parametrize(
    "name",
    [
        "Pellow R3: USB Audio (hw:1,0)",
        "ALSA: Pellow R3: USB Audio (hw:1,0)",
        "Pellow R3: USB Audio",
        "ALSA: Pellow R3: USB Audio",
    ],
)
def test_a_whole_name_is_enough_with_or_without_its_place(name):
    assert choose_device(CARDS, name, "playback", 2).index == 0


@pytest.mark.parametrize("name", ["Pellow", "pellow r3: usb audio", "0", "", "Pellow R3: USB Audio (hw:9,0)"])
def test_part_of_a_name_is_not(name):
    with pytest.raises(StationError, match="no playback device is called") as caught:
        choose_device(CARDS, name, "playback", 2)
    assert "'ALSA: Pellow R3: USB Audio (hw:1,0)'" in str(caught.value)
    assert "Ears" not in str(caught.value)


def test_a_name_that_fits_two_is_refused_with_both():
    with pytest.raises(StationError, match="2 capture devices are called 'Twin: USB Audio'") as caught:
        choose_device(CARDS, "Twin: USB Audio", "capture", 2)
    assert "(hw:3,0)" in str(caught.value)
    assert "(hw:4,0)" in str(caught.value)
    assert "Pellow" not in str(caught.value)
    assert choose_device(CARDS, "Twin: USB Audio (hw:4,0)", "capture", 2).index == 3


def test_a_host_api_tells_two_apart():
    with pytest.raises(StationError, match="2 playback devices"):
        choose_device(CARDS, "Bench interface", "playback", 2)
    assert choose_device(CARDS, "Windows WASAPI: Bench interface", "playback", 2).index == 5


def test_a_host_api_that_converts_unseen_is_refused():
    with pytest.raises(StationError, match="MME converts rates"):
        choose_device(CARDS, "MME: Bench interface", "playback", 2)


@pytest.mark.parametrize("name", ["default", "ALSA: default", "pulse", "sysdefault"])
def test_whatever_is_there_is_no_device(name):
    with pytest.raises(StationError, match="name one device"):
        choose_device(CARDS, name, "playback", 2)


def test_a_device_must_have_the_channels_and_the_direction():
    with pytest.raises(
        StationError, match="has 2 capture channels, and the station config asks for channel 3"
    ):
        choose_device(CARDS, "Ears", "capture", 3)
    with pytest.raises(StationError, match="no playback device is called 'Ears'"):
        choose_device(CARDS, "Ears", "playback", 2)


def test_no_device_at_all_is_said():
    with pytest.raises(StationError, match="There is no capture device at all"):
        choose_device((), "Ears", "capture", 2)


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (OSError("PortAudio library not found"), "apt-get install libportaudio2"),
        (ImportError("No module named 'sounddevice'"), "pip install sounddevice"),
    ],
)
def test_what_is_not_installed_is_named(monkeypatch, error, words):
    def missing(name):
        raise error

    monkeypatch.delenv("PA_ALSA_PLUGHW", raising=False)
    monkeypatch.setattr(importlib, "import_module", missing)
    with pytest.raises(StationError, match=words):
        load_portaudio()


def test_a_setting_that_lets_alsa_convert_is_refused(monkeypatch):
    monkeypatch.setenv("PA_ALSA_PLUGHW", "1")
    with pytest.raises(StationError, match="PA_ALSA_PLUGHW is set"):
        load_portaudio()
