"""The map of the house in the contributor's guide, and what each room says of itself, are one."""

import ast
import re
import tomllib
from pathlib import Path

import pytest

import linecheck

PACKAGE = Path(linecheck.__file__).parent
GUIDE = PACKAGE.parent / "DEVELOPERS.md"
ROOMS = sorted(path.parent.name for path in PACKAGE.glob("*/__init__.py"))


def docstring(room):
    path = PACKAGE / room / "__init__.py"
    path = path if path.exists() else PACKAGE / f"{room}.py"
    return ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""


def mapped():
    """Return the guide's rows of rooms: what stands beside each name, in order."""
    rows = re.findall(r"^\| `linecheck/(\w+)(?:/|\.py)` \| (.*) \|$", GUIDE.read_text("utf-8"), re.MULTILINE)
    return dict(rows)


def test_the_guide_maps_every_room_in_the_words_of_the_room_itself():
    assert mapped() == {name: docstring(name).splitlines()[0] for name in mapped()}
    assert set(ROOMS) <= set(mapped())


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_says_what_comes_in_and_what_goes_out(room):
    said = docstring(room)
    assert re.search(r"^In: .*Out: ", said, re.MULTILINE | re.DOTALL)


def test_the_map_stands_in_the_order_of_the_import_contract():
    config = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text("utf-8"))
    (contract,) = config["tool"]["importlinter"]["contracts"]
    assert contract["exhaustive"]
    assert contract["exhaustive_ignores"] == ["__main__"]
    layers = [set(layer.split(" | ")) for layer in reversed(contract["layers"])]
    order = list(mapped())
    assert set(order) == set().union(*layers)
    assert [next(at for at, layer in enumerate(layers) if room in layer) for room in order] == sorted(
        at for at, layer in enumerate(layers) for _ in layer
    )


def test_what_the_guide_names_is_there():
    """Files and folders of this project that the guide names in code."""
    named = re.findall(
        r"`((?:linecheck|tests|limits|station_configs|\.ci)/[\w./-]*)`", GUIDE.read_text("utf-8")
    )
    inside = re.findall(
        r"`((?:log|run|line|station|captures|results|checks|measure|gates|cli|report|dsp)/[\w./]+\.py)`",
        GUIDE.read_text("utf-8"),
    )
    assert inside
    for name in named:
        assert "NAME" in name or (PACKAGE.parent / name).exists(), name
    for name in inside:
        assert (PACKAGE / name).exists(), name
