"""The reference, made from the tables and models that the program itself uses, so that it cannot drift from them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from inspect import cleandoc, getdoc
from typing import Any, Final, get_args

import click
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined


def _commands() -> str:
    from linecheck.cli import cli

    lines = ["# Commands", "", "Each command with its options, as `--help` prints it.", ""]
    for name, command, context in _walked("linecheck", cli, None):
        lines += [f"## {name}", "", "```", command.get_help(context), "```", ""]
    return "\n".join(lines)


def _walked(
    name: str, command: click.Command, parent: click.Context | None
) -> Iterator[tuple[str, click.Command, click.Context]]:
    """Yield a command and all below it, with their whole names."""
    own = name if parent is None else name.rpartition(" ")[2]
    context = click.Context(
        command, info_name=own, parent=parent, terminal_width=80, **command.context_settings
    )
    yield name, command, context
    if isinstance(command, click.Group):
        for each in command.list_commands(context):
            found = command.get_command(context, each)
            assert found is not None
            yield from _walked(f"{name} {each}", found, context)


def _exit_statuses() -> str:
    from linecheck.cli import cli
    from linecheck.errors import ExitStatus

    doc = getdoc(ExitStatus) or ""
    said = _attributes(doc)
    statuses = [
        (str(status.value), status.name.lower().replace("_", " "), said[status.name]) for status in ExitStatus
    ]
    told = {
        name: re.search(r"Exit status:? (.*?)(?:\n\n|\Z)", cleandoc(command.help or ""), re.DOTALL)
        for name, command, _ in _walked("linecheck", cli, None)
    }
    commands = [(f"`{name}`", found[1]) for name, found in told.items() if found]
    return "\n".join(
        (
            "# Exit statuses",
            "",
            _prose(doc),
            "",
            *_table(("status", "name", "what it says"), statuses),
            "",
            "## Command by command",
            "",
            *_table(("command", "exit status"), commands),
            "",
        )
    )


def _metrics() -> str:
    from linecheck.checks import kinds

    lines = [
        "# Check kinds and metrics",
        "",
        "What each kind plays and measures. *Better* says on which side of a mask a reading is good; a nominal metric "
        "has a mask on both sides. A superseded name reads what it always read.",
        "",
    ]
    for kind in kinds().values():
        lines += [f"## {kind.name}", "", _prose(getdoc(type(kind)) or kind.text), ""]
        for title, model in (("stimulus", kind.stimulus_parameters), ("analysis", kind.analysis_parameters)):
            if model.model_fields:
                lines += [f"### {title} of {kind.name}", "", *_fields(model), ""]
        for title, specs in (("metrics", kind.metrics), ("curves", kind.curves)):
            if specs:
                rows = [
                    (f"`{spec.name}`", spec.unit or "–", spec.better, str(spec.superseded_by or spec.text))
                    for spec in specs
                ]
                table = _table(("name", "unit", "better", "what it is"), rows)
                lines += [f"### {title} of {kind.name}", "", *table, ""]
    return "\n".join(lines)


def _limit_file() -> str:
    from linecheck.limits.loading.header import Header

    first = (
        "YAML. [Write a limit file](../how-to/limit-file.md) explains it; `linecheck schema limits` prints it as JSON "
        "Schema for editors; the parameters and metrics of each kind are in [Check kinds and metrics](metrics.md)."
    )
    (_, header), *tables = _tables("", Header)
    return _model_page("Limit file", [first, "", *_fields(header)], tables)


def _station_config() -> str:
    from linecheck.station.config.station import StationConfig

    first = "TOML. [Set up a station](../how-to/stations.md) explains it."
    return _model_page("Station config", [first], _toml_tables(StationConfig))


def _capture_set() -> str:
    from linecheck.captures.capture_set import CaptureSetIndex

    first = "A folder with one audio file for each check (WAV, RF64 or FLAC) and `captures.toml`."
    return _model_page("Capture set", [first], _toml_tables(CaptureSetIndex))


def _model_page(title: str, first: list[str], tables: Iterable[tuple[str, type[BaseModel]]]) -> str:
    lines = [f"# {title}", "", *first, ""]
    for name, model in tables:
        lines += [f"## {name}", "", _prose(getdoc(model) or ""), "", *_fields(model), ""]
    return "\n".join(lines)


def _toml_tables(model: type[BaseModel]) -> Iterator[tuple[str, type[BaseModel]]]:
    return ((f"[{name}]" if name else "top level", each) for name, each in _tables("", model))


def _tables(name: str, model: type[BaseModel]) -> Iterator[tuple[str, type[BaseModel]]]:
    """Yield a model and the tables below it, by their names in the file."""
    yield name, model
    for field, info in model.model_fields.items():
        for nested in _models(info.annotation):
            yield from _tables(f"{name}.{field}".strip("."), nested)


def _models(annotation: Any) -> Iterator[type[BaseModel]]:  # noqa: ANN401 - any annotation
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models(part)


def _fields(model: type[BaseModel]) -> list[str]:
    """Return a table of the keys of a model that are no tables themselves."""
    said = {
        name: text for each in reversed(model.mro()) for name, text in _attributes(each.__doc__ or "").items()
    }
    schema = model.model_json_schema()
    types = {name: _resolved(value, schema.get("$defs", {})) for name, value in schema["properties"].items()}
    rows = [
        (f"`{name}`", _json_type(types[name]), _default(info), info.description or said.get(name, ""))
        for name, info in model.model_fields.items()
        if not list(_models(info.annotation))
    ]
    return _table(("key", "type", "default", "what it is"), rows) if rows else []


def _resolved(value: Mapping[str, Any], definitions: Mapping[str, Any]) -> Mapping[str, Any]:
    name = str(value.get("$ref", "")).rpartition("/")[2]
    return definitions.get(name, value) if name else value


def _default(info: FieldInfo) -> str:
    if info.is_required():
        return "required"
    value = info.default if info.default is not PydanticUndefined else None
    if value is None or value == "" or isinstance(value, BaseModel):
        return "–"
    return f"`{value}`"


def _attributes(doc: str) -> Mapping[str, str]:
    """Return what a numpydoc docstring says of each attribute."""
    _, found, rest = cleandoc(doc).partition("Attributes\n----------\n")
    if not found:
        return {}
    entries: dict[str, list[str]] = {}
    names: list[str] = []
    for line in rest.splitlines():
        if line.startswith(" "):
            for name in names:
                entries[name].append(line.strip())
        elif line:
            names = [name.strip() for name in line.partition(":")[0].split(",")]
            entries.update({name: [] for name in names})
    return {name: " ".join(lines) for name, lines in entries.items()}


def _prose(doc: str) -> str:
    """Return what a docstring says before its sections, as Markdown."""
    return _plain(re.split(r"\n\w+\n-{3,}\n", cleandoc(doc))[0].strip())


def _plain(text: str) -> str:
    """Return a docstring's markup as Markdown."""
    return re.sub(r":\w+:`~?([^`]*)`", r"`\1`", text).replace("``", "`")


def _table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """Return a table as Markdown, a line a row."""
    cells = ((_plain(cell).replace("\n", " ").replace("|", "\\|") for cell in row) for row in rows)
    return [f"| {' | '.join(row)} |" for row in (headings, ["---"] * len(headings), *cells)]


def _result() -> str:
    from linecheck.results.schema import shipped_schema

    lines = [
        "# Result JSON",
        "",
        "What `--json` writes and `result.json` holds; `linecheck schema result` prints its JSON Schema.",
        "",
    ]
    schema = shipped_schema()
    for name, each in (("result", schema), *sorted(schema.get("$defs", {}).items())):
        if not each.get("properties"):
            continue
        required = set(each.get("required", ()))
        rows = [
            (f"`{key}`", _json_type(value), "yes" if key in required else "no", value.get("description", ""))
            for key, value in each["properties"].items()
        ]
        table = _table(("key", "type", "always", "what it is"), rows)
        lines += [f"## {name}", "", *filter(None, [each.get("description", "")]), "", *table, ""]
    return "\n".join(lines)


def _json_type(value: Mapping[str, Any]) -> str:
    """Return what a value may be, in words, from its JSON Schema."""
    if "$ref" in value:
        return str(value["$ref"]).rpartition("/")[2]
    if "const" in value:
        return str(value["const"])
    if "enum" in value:
        return " or ".join(map(str, value["enum"]))
    if "anyOf" in value or "oneOf" in value:
        found = [_json_type(each) for each in value.get("anyOf", value.get("oneOf", ()))]
        return " or ".join(dict.fromkeys(each for each in found if each != "null")) or "null"
    kind = value.get("type", "any")
    if kind == "array":
        entries = value.get("prefixItems")
        return f"list of {_json_type(entries[0] if entries else value.get('items', {}))}"
    text = " or ".join(kind) if isinstance(kind, list) else str(value.get("format", kind))
    limits = [f"{sign} {value[key]:.12g}" for key, sign in _LIMITS.items() if key in value]
    return ", ".join((text, *limits))


#: Limits of a number, by their names in a JSON Schema.
_LIMITS: Final = {"minimum": "≥", "exclusiveMinimum": ">", "maximum": "≤", "exclusiveMaximum": "<"}


def _causes() -> str:
    from linecheck.causes import cause_codes, prior_odds
    from linecheck.causes.registry import causes, symptoms

    lines = [
        "# Causes and symptoms",
        "",
        "[How a cause is named](../explanation/causes.md) explains it. *Beforehand* is its share of all faults before "
        "anything is seen.",
        "",
    ]
    odds, known, rows = prior_odds(), causes(), []
    for code, text in cause_codes().items():
        cause = known.get(code)
        blames = "" if cause is None else ", ".join(cause.blames)
        measure = "" if cause is None else cause.measure.replace("{where}", "")
        rows.append((f"`{code}`", text, f"{100.0 * odds[code]:.1f} %", blames, measure))
    lines += _table(("code", "what is broken", "beforehand", "can be to blame", "measure next"), rows)
    seen = []
    for name, symptom in symptoms().items():
        showing = ", ".join(f"`{cause.name}`" for cause in known.values() if name in cause.shows)
        seen.append((f"`{name}`", symptom.text, showing or "–"))
    lines += ["", "## Symptoms", "", *_table(("symptom", "what is seen", "causes that show it"), seen), ""]
    return "\n".join(lines)


#: By topic: its title, and what makes it.
REFERENCE: Final[Mapping[str, tuple[str, Callable[[], str]]]] = {
    "commands": ("Commands", _commands),
    "exit-statuses": ("Exit statuses", _exit_statuses),
    "limit-file-keys": ("Limit file", _limit_file),
    "metrics": ("Check kinds and metrics", _metrics),
    "station-config": ("Station config", _station_config),
    "capture-set": ("Capture set", _capture_set),
    "result": ("Result JSON", _result),
    "causes-and-symptoms": ("Causes and symptoms", _causes),
}
