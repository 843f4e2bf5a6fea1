"""What the README shows is what the program takes."""

import re
from pathlib import Path

import click
import pytest
import yaml

from linecheck.cli import COMMANDS, cli
from linecheck.limits.retest import RetestPolicy
from linecheck.station.config.load import load_station

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```(\w+)\n(.*?)^```", README, re.M | re.S)
SHOWN = [
    line.strip()
    for language, block in BLOCKS
    if language in ("bash", "yaml", "groovy")
    for line in block.splitlines()
    if re.search(r"\blinecheck [a-z]", line)
]


def test_the_readme_shows_commands_and_recipes():
    assert len(SHOWN) >= 8
    assert {"bash", "yaml", "groovy", "toml", "ini"} <= {language for language, _ in BLOCKS}


@pytest.mark.parametrize("line", SHOWN)
def test_every_option_that_a_command_shows_is_one(line):
    for words in re.findall(r"\blinecheck ((?:[a-z]+ )+[^|&#\n]*)", line):
        if words.split()[0] not in COMMANDS:
            continue  # pip install linecheck
        command, rest = cli, words.split()
        while isinstance(command, click.Group):
            command, rest = command.get_command(click.Context(command), rest[0]), rest[1:]
            assert command is not None, words
        known = {name for option in command.params for name in option.opts}
        used = {word for word in rest if word.startswith("--")}
        assert used <= known
        required = {
            option.opts[0]
            for option in command.params
            if isinstance(option, click.Option) and option.required
        }
        assert required <= used


@pytest.mark.parametrize("block", [block for language, block in BLOCKS if language == "yaml"])
def test_every_yaml_block_is_yaml(block):
    assert isinstance(yaml.safe_load(block), dict)


def test_every_command_is_in_the_table():
    for name in COMMANDS:
        assert re.search(rf"^\| `linecheck {name}\b|^\|.*`linecheck {name} ", README, re.M), name


@pytest.mark.parametrize(
    "block", [block for language, block in BLOCKS if language == "toml" and "[[capture]]" not in block]
)
def test_every_table_of_a_station_is_one_that_a_station_config_takes(block, tmp_path):
    path = tmp_path / "station.toml"
    head = 'format = 1\nstation = "bench"\ninterface = "simulated"\nmains_hz = 50\n'
    path.write_text(head + block, encoding="utf-8")
    assert load_station(path).config.station == "bench"


@pytest.mark.parametrize(
    "block", [block for language, block in BLOCKS if language == "yaml" and block.startswith("retest:")]
)
def test_the_retest_rules_are_some(block):
    assert RetestPolicy.model_validate(yaml.safe_load(block)["retest"]).most_attempts
