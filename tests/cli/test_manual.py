"""README and manual: every command is one, tutorials run as they stand, the reference lacks nothing, pages open."""

import ast
import re
import shlex
import shutil
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import click.testing
import pytest
import yaml
from charted_runs import steady, units
from markdown_it import MarkdownIt
from small_run import call

from linecheck.checks import kinds
from linecheck.cli import COMMANDS, cli
from linecheck.cli.manual.topics import SECTIONS, topics
from linecheck.limits.retest import RetestPolicy
from linecheck.log import Log
from linecheck.station.config.load import load_station

ROOT = Path(__file__).parents[2]
MANUAL = ROOT / "linecheck" / "manual"
TEXTS = {"README": (ROOT / "README.md").read_text(encoding="utf-8")} | {
    path.stem: path.read_text(encoding="utf-8") for path in sorted(MANUAL.glob("*/*.md"))
}
BLOCKS = [
    (name, language, block)
    for name, text in TEXTS.items()
    for language, block in re.findall(r"^```(\w*)[^\n]*\n(.*?)^```", text, re.M | re.S)
]
#: What commands print, by the text that shows it: each block names its command.
PRINTED = [
    (name, command, block)
    for name, text in TEXTS.items()
    for command, block in re.findall(r"^```text linecheck ([^\n]*)\n(.*?)^```", text, re.M | re.S)
]
SHOWN = sorted(
    {
        line.strip()
        for _, language, block in BLOCKS
        if language in ("bash", "yaml", "groovy", "")
        for line in block.splitlines()
        if re.search(r"^\W*(?:- |sh '|- run: )?(?:\S*/)?linecheck [a-z]", line)
    }
)
#: Tutorials whose commands need nothing but what they make themselves.
RUN = ("first-run", "own-model", "shift", "sign-off")


def test_the_manual_shows_commands_and_recipes():
    assert len(SHOWN) >= 50
    assert {"bash", "yaml", "groovy", "toml", "ini"} <= {language for _, language, _ in BLOCKS}
    assert TEXTS["README"].count("\n") <= 120


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
        assert required <= used or "…" in line


@cache
def all_texts():
    return "\n".join(TEXTS.values())


@pytest.mark.parametrize("topic", TEXTS)
def test_no_block_of_code_swallows_another(topic):
    """A fence that closes nothing turns what follows it inside out, on the screen and in the pages."""
    blocks = [token for token in MarkdownIt("commonmark").parse(TEXTS[topic]) if token.type == "fence"]
    assert not [token.content for token in blocks if "```" in token.content]
    assert len(blocks) == len(re.findall(r"^ *```", TEXTS[topic], re.MULTILINE)) / 2


@pytest.mark.parametrize("block", [block for _, language, block in BLOCKS if language == "yaml"])
def test_every_yaml_block_is_yaml(block):
    assert isinstance(yaml.safe_load(block), dict)


@pytest.mark.parametrize(
    "block", [block for _, language, block in BLOCKS if language == "toml" and "[[capture]]" not in block]
)
def test_every_table_of_a_station_is_one_that_a_station_config_takes(block, tmp_path):
    path = tmp_path / "station.toml"
    head = 'format = 1\nstation = "bench"\ninterface = "simulated"\nmains_hz = 50\n'
    path.write_text(head + block, encoding="utf-8")
    assert load_station(path).config.station == "bench"


@pytest.mark.parametrize(
    "block", [block for _, language, block in BLOCKS if language == "yaml" and block.startswith("retest:")]
)
def test_the_retest_rules_are_some(block):
    assert RetestPolicy.model_validate(yaml.safe_load(block)["retest"]).most_attempts


def commands_of(topic):
    """Yield the commands of a tutorial, each with its exit status, and what goes into the station config."""
    for _, language, block in (entry for entry in BLOCKS if entry[0] == topic):
        if language == "toml":
            yield "config", block, 0
        for line in block.splitlines() if language == "bash" else ():
            command, _, said = line.partition("#")
            found = re.search(r"exit status (\d)", said)
            yield "command", command.strip(), int(found[1]) if found else 0


@pytest.mark.parametrize("topic", RUN)
def test_a_tutorial_runs_as_it_stands(topic, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    for sort, text, expected in commands_of(topic):
        if sort == "config":
            with open("station_configs/bench.toml", "a", encoding="utf-8") as stream:
                stream.write(text)
            continue
        for words in map(shlex.split, text.split("&&")):
            if words[0] == "mkdir":
                Path(words[1]).mkdir()
            elif words[0] == "cd":
                monkeypatch.chdir(words[1])
            else:
                assert words[0] == "linecheck"
                given = [str(path) for word in words[1:] for path in matching(word)]
                status, out, err = call(monkeypatch, capsys, *given)
                assert status == expected, (text, out, err)


GATED = "--station station_configs/gated.toml --limits limits/pellow-r3.yaml"
DEMO = "--station station_configs/demo.toml --limits limits/pellow-r3.yaml"
NOISIER = "--station station_configs/noisier.toml --limits limits/pellow-r3.yaml"
#: What is done before a command is shown, by how it begins. ``edit`` writes a file anew with one text for another,
#: ``keep`` copies the captures of the run before, and ``units`` records so many units with such a SINAD.
BEFORE = {
    "station status": (
        f'station golden {GATED} --serial PR3-900001 --accept --by "Q. Engineer" --reason first',
        f"station challenge {GATED} --serial PR3-900101 --fault hum",
    ),
    "run --station station_configs/gated.toml": tuple(
        f"run {GATED} --serial PR3-00000{unit} --fault hum" for unit in (1, 2, 3)
    ),
    "compare": (
        "run --station station_configs/demo.toml --limits limits/pellow-r3-filters.yaml --serial PR3-000001",
    ),
    "regress": (
        "edit station_configs/demo.toml station_configs/noisier.toml '[simulated]' '[simulated]\nnoise_db = -116.3'",
        f"run {DEMO} --serial PR3-004711 --firmware 1.4.2 --keep-captures",
        "keep captures/1.4.2",
        "baseline accept captures/1.4.2 --limits limits/pellow-r3.yaml --out baselines/pellow-r3.toml "
        '--by "A. Engineer" --reason "1.4.2 is released"',
        f"run {NOISIER} --serial PR3-004711 --firmware 1.5.0 --keep-captures",
        "keep captures/1.5.0",
    ),
    "limits check limits/mistaken.yaml": (
        "edit limits/pellow-r3.yaml limits/mistaken.yaml "
        "'thd:      {pass: {max: -113}, fail: {max: -106}}' 'thd:      {pass: {max: 0.0004}}'",
        "edit limits/mistaken.yaml limits/mistaken.yaml "
        "'noise:    {pass: {max: -115}, fail: {max: -110}}' 'noise:    {pass: {min: -115}}'",
    ),
    "limits check limits/earlier.yaml": (
        "edit limits/pellow-r3.yaml limits/earlier.yaml "
        "'separation: {pass: {min: 110}, fail: {min: 104}}' 'crosstalk: {pass: {min: 110}, fail: {min: 104}}'",
        "edit limits/earlier.yaml limits/earlier.yaml '{separation: 3}' '{crosstalk: 3}'",
    ),
    "log show": (
        f"run {DEMO} --serial PR3-000001 --firmware 1.4.2 --lot L-7 --fault hum",
        f"run {DEMO} --serial PR3-000001 --firmware 1.4.3 --lot L-7",
    ),
    "statistics chart-set": ("units 50 115",),
    "statistics chart ": ("units 40 114.7",),
    "repair": (f"run {DEMO} --serial PR3-000002 --fault missing_leg",),
    "log rejudge": (
        "edit limits/pellow-r3.yaml limits/proposed.yaml 'worst:          {pass: {max: -108}' "
        "'worst:          {pass: {max: -115}'",
        "edit limits/proposed.yaml limits/proposed.yaml 'revision: 1' 'revision: 2'",
    ),
}


def prepare(step, monkeypatch, capsys):
    """Do one of the steps before a command that is shown."""
    words = shlex.split(step)
    if words[0] == "edit":
        source, target, old, new = (word.replace("\\n", "\n") for word in words[1:])
        text = Path(source).read_text(encoding="utf-8")
        assert old in text, step
        Path(target).write_text(text.replace(old, new, 1), encoding="utf-8")
    elif words[0] == "keep":
        newest = max(Path("results").glob("*/*/captures"), key=lambda folder: folder.stat().st_mtime_ns)
        shutil.copytree(newest, words[1])
    elif words[0] == "units":
        with Log("results/linecheck.sqlite") as log:
            for run in units(steady(int(words[1]), centre=float(words[2])), first=log.head().sequence):
                log.append(run)
    else:
        call(monkeypatch, capsys, *words)


def masked(line):
    """Return a line without its numbers and spaces: a unit's noise is another on another machine."""
    return re.sub(r"[-−]?\d[\d.:]*", "0", re.sub(r"\s+", " ", line)).strip()


@pytest.mark.parametrize("name", sorted({name for name, _, _ in PRINTED}))
def test_what_is_shown_is_what_is_printed(name, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert call(monkeypatch, capsys, "init", "--demo")[0] == 0
    for command, block in ((command, block) for text, command, block in PRINTED if text == name):
        for step in (step for start, steps in BEFORE.items() if command.startswith(start) for step in steps):
            prepare(step, monkeypatch, capsys)
        _, out, err = call(monkeypatch, capsys, *shlex.split(command))
        printed = [masked(line) for line in (out + err).splitlines()]
        at = 0
        for line in filter(None, map(masked, block.splitlines())):
            if line != "…":
                assert line in printed[at:], (command, line, printed[at:])
                at = printed.index(line, at) + 1


def matching(word):
    """Return what a shell makes of a word."""
    found = sorted(Path().glob(word)) if "*" in word else []
    return found or [word]


def test_every_topic_can_be_shown(monkeypatch, capsys):
    status, out, _ = call(monkeypatch, capsys, "manual")
    assert status == 0
    for topic in topics():
        assert f"  {topic.name} " in out
        status, text, _ = call(monkeypatch, capsys, "manual", topic.name)
        assert (status, text.startswith(f"# {topic.title}\n")) == (0, True)
    assert {topic.section for topic in topics()} == set(SECTIONS)
    assert len({topic.name for topic in topics()}) == len(topics())


def test_a_topic_that_is_not_there_is_said(monkeypatch, capsys):
    status, _, err = call(monkeypatch, capsys, "manual", "filter")
    assert (status, "no topic 'filter'" in err) == (2, True)
    assert "did you mean limit-file" in call(monkeypatch, capsys, "manual", "limit-f")[2]


def reference(name):
    return next(topic for topic in topics() if topic.name == name).text()


def test_the_reference_has_every_command_option_kind_and_metric():
    commands = reference("commands")
    for name in COMMANDS:
        assert f"## linecheck {name}\n" in commands
    assert "--clock-is-right" in commands
    metrics = reference("metrics")
    for kind in kinds().values():
        assert f"## {kind.name}\n" in metrics
        for spec in kind.specs:
            assert f"| `{spec.name}` |" in metrics
    for key in ("highest_level_dbfs", "every_nth_pass", "refuse_when_overdue", "must_fail"):
        assert f"| `{key}` |" in reference("station-config")
    assert "| `full_scale_volts` |" in reference("capture-set")
    assert "| `verdict` |" in reference("result")
    assert "| `serial_pattern` |" in reference("limit-file-keys")


def problem_codes():
    """Return the codes of the problems that are made anywhere, and of what a driver reports."""
    found, names = set(), {}
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in (ROOT / "linecheck").rglob("*.py")]
    for node in (node for tree in trees for node in ast.walk(tree)):
        target = node.target if isinstance(node, ast.AnnAssign) else None
        target = node.targets[0] if isinstance(node, ast.Assign) else target
        if isinstance(target, ast.Name) and isinstance(node.value, ast.Constant):
            names.setdefault(target.id, node.value.value)
    for node in (node for tree in trees for node in ast.walk(tree)):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id == "Problem"
            and node.args
        ):
            code = node.args[0]
            found.add(code.value if isinstance(code, ast.Constant) else names.get(getattr(code, "id", "")))
    return {code for code in found if isinstance(code, str)} - {"passed"}


@pytest.mark.parametrize("name", ["init", "log list", "plot"])
def test_the_reference_shows_each_command_as_its_help_does(name):
    (commands,) = (topic.text() for topic in topics() if topic.name == "commands")
    shown = click.testing.CliRunner().invoke(
        cli, [*name.split(), "--help"], prog_name="linecheck", terminal_width=80
    )
    assert "-h, --help" in shown.output
    assert "[default: " in shown.output
    assert shown.output.strip() in commands


def test_every_problem_has_its_place_in_what_to_do():
    written = set(re.findall(r"`([a-z_0-9]+)`", TEXTS["troubleshooting"]))
    assert problem_codes() - written == set()


class _Links(HTMLParser):
    def __init__(self):
        super().__init__()
        self.targets, self.places = [], []

    def handle_starttag(self, tag, attributes):
        for name, value in attributes:
            if name in ("href", "src"):
                self.targets.append(value)


def test_the_pages_are_all_there_and_every_link_leads_somewhere(monkeypatch, capsys, tmp_path):
    status, out, err = call(monkeypatch, capsys, "manual", "--html", str(tmp_path / "pages"))
    assert (status, err) == (0, f"linecheck: {len(topics())} topics written\n")
    assert Path(out.strip()).name == "index.html"
    pages = {path.name: path.read_text(encoding="utf-8") for path in (tmp_path / "pages").glob("*.html")}
    assert {f"{topic.name}.html" for topic in topics()} <= pages.keys()
    for name, page in pages.items():
        links = _Links()
        links.feed(page)
        for target in links.targets:
            assert not target.startswith(("http", "//")), "a page asks for no network"
            assert (tmp_path / "pages" / target.partition("#")[0]).exists(), (name, target)
        assert "<script" not in page


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_every_link_between_files_leads_somewhere(name):
    place = ROOT / "README.md" if name == "README" else next(MANUAL.glob(f"*/{name}.md"))
    generated = {topic.name for topic in topics() if topic.section == "reference"}
    for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", TEXTS[name]):
        if Path(target).stem not in generated:
            assert (place.parent / target).exists(), target


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_shell_can_complete(shell, monkeypatch, capsys):
    monkeypatch.setenv("_LINECHECK_COMPLETE", f"{shell}_source")
    if shell == "bash" and shutil.which("bash") is None:
        pytest.fail("bash is missing")
    with pytest.raises(SystemExit) as ended:
        cli.main(prog_name="linecheck", complete_var="_LINECHECK_COMPLETE")
    assert ended.value.code == 0
    assert "linecheck" in capsys.readouterr().out
