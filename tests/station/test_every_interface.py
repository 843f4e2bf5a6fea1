"""What every interface says of itself: those that there are, and one that is added; nothing else knows their names."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest
from added_members import added_modules
from small_run import LIMITS, STATION, call, write_small_files

import linecheck
from linecheck.errors import ContractError, FileFaults, UsageError
from linecheck.station.config.load import load_station
from linecheck.station.config.station import StationConfig
from linecheck.station.interfaces import interface_of, interfaces, open_interface, open_loop

pytestmark = pytest.mark.every_python

KNOWN = ", ".join(sorted(interfaces()))
SKELETON = (Path(__file__).parent / "skeleton_interface.py").read_text(encoding="utf-8")
#: A value for every key that an interface may ask for.
VALUES = {
    "playback": {"device": "out", "channels": [1, 2], "rates_hz": [48000]},
    "capture": {"device": "in", "rate_hz": 48000, "channels": [1, 2], "full_scale_volts": [8.0, 8.0]},
}


@pytest.fixture
def added(tmp_path):
    """The skeleton among the interfaces."""
    folder = tmp_path / "interfaces"
    folder.mkdir()
    with added_modules(folder, "linecheck.station.interfaces", interfaces, skeleton=SKELETON):
        yield interfaces()["skeleton"]


@pytest.fixture(params=[*interfaces(), "skeleton"])
def described(request):
    """Every interface, and one that is added."""
    if request.param == "skeleton":
        return request.getfixturevalue("added")
    return interfaces()[request.param]


def config_text(name, **tables):
    lines = [f'format = 1\nstation = "bench"\ninterface = "{name}"\nmains_hz = 50']
    for table, values in tables.items():
        lines += [f"[{table}]", *(f"{key} = {json.dumps(value)}" for key, value in values.items())]
    return "\n".join(lines) + "\n"


def loaded(tmp_path, text):
    path = tmp_path / "station.toml"
    path.write_text(text, encoding="utf-8")
    return load_station(path).config


def needed(described):
    return {table: {name: VALUES[table][name] for name in names} for table, names in described.needs.items()}


def test_a_config_with_what_it_needs_opens_it(described, tmp_path):
    config = loaded(tmp_path, config_text(described.name, **needed(described), loop={"kind": "analogue"}))
    assert interface_of(config) is described
    for opened in (open_interface(config, serial="PR3-000001"), open_loop(config)):
        assert opened.identity["kind"] == described.name


def test_a_config_without_it_is_refused_at_every_key(described, tmp_path):
    expected = {f"{table}.{name}" for table, names in described.needs.items() for name in names}
    if not expected:
        assert loaded(tmp_path, config_text(described.name)).interface == described.name
        return
    with pytest.raises(FileFaults) as caught:
        loaded(tmp_path, config_text(described.name))
    assert {fault.key for fault in caught.value.faults} == expected
    assert {fault.message for fault in caught.value.faults} == {
        f"is missing: the {described.name} interface needs it"
    }


def test_a_table_of_another_interface_is_refused(described, tmp_path):
    for other in interfaces().values():
        if other.table and other is not described:
            with pytest.raises(FileFaults, match=f"{other.table}: is for the {other.name} interface only"):
                loaded(tmp_path, config_text(described.name, **needed(described), **{other.table: {}}))


def test_faults_are_for_interfaces_that_simulate_them(described, tmp_path):
    config = loaded(tmp_path, config_text(described.name, **needed(described), loop={"kind": "analogue"}))
    words = "nope" if described.has_faults else "faults are for the simulated interface only"
    with pytest.raises(UsageError, match=words):
        open_interface(config, serial="PR3-000001", faults=("nope",))
    with pytest.raises(UsageError, match=words):
        open_loop(config, faults=("nope",))


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("sond", f"there is no interface 'sond'; did you mean sound? the interfaces are: {KNOWN}"),
        ("", f"the interfaces are: {KNOWN}"),
        ("Sound", "did you mean sound?"),
    ],
)
def test_an_interface_that_there_is_not_is_refused_with_those_that_there_are(name, words, tmp_path):
    with pytest.raises(FileFaults) as caught:
        loaded(tmp_path, config_text(name))
    (fault,) = caught.value.faults
    assert (fault.key, fault.line) == ("interface", 3)
    assert words in fault.message


@pytest.mark.parametrize("value", ["5", "[]", "{}", "true"])
def test_an_interface_that_is_no_text_is_refused(value, tmp_path):
    text = config_text("simulated").replace('"simulated"', value)
    with pytest.raises(FileFaults, match="interface: expected text"):
        loaded(tmp_path, text)


def test_a_unit_is_tested_through_an_added_interface(added, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    station = STATION.replace('interface = "simulated"', 'interface = "skeleton"').split("[simulated]")[0]
    limits = LIMITS.replace("{min: 3.5, max: 4.5}", "{min: 2.5, max: 3.5}")
    arguments = write_small_files(tmp_path, limits=limits, station=station)
    status, out, err = call(
        monkeypatch, capsys, "run", *arguments, "--serial", "PR3-000001", "--json", "r.json"
    )
    assert status == 0, out + err
    assert json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["interface"]["kind"] == "skeleton"


def test_two_interfaces_of_one_name_are_refused(tmp_path):
    source = SKELETON.replace('name="skeleton"', 'name="sound"')
    with (
        added_modules(tmp_path, "linecheck.station.interfaces", interfaces, again=source),
        pytest.raises(
            ContractError, match=r"This is a fault in the interface 'sound': .*again and .*sound both"
        ),
    ):
        interfaces()


def test_no_module_but_its_own_compares_the_name_of_an_interface():
    names = set(interfaces())
    for path in sorted(Path(linecheck.__file__).parent.rglob("*.py")):
        if path.parent.name in names:
            continue
        text = path.read_text(encoding="utf-8")
        if not any(f'"{name}"' in text for name in names):
            continue
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Compare):
                constants = {part.value for part in ast.walk(node) if isinstance(part, ast.Constant)}
                assert not constants & names, f"{path}:{node.lineno}"


def test_saying_what_there_is_loads_no_driver():
    code = (
        "import sys; from linecheck.station.interfaces import interfaces; interfaces();"
        "print([name for name in ('sounddevice', 'scipy', 'soundfile') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_config_that_is_made_in_code_is_held_to_the_same_names():
    config = StationConfig(format=1, station="bench", interface="tape", mains_hz=50)
    with pytest.raises(UsageError, match="there is no interface 'tape'"):
        interface_of(config)
