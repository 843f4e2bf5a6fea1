"""The tables that a log is exported as: their columns, in order, with type and meaning.

A column is added at a table's end; none changes its name, type or meaning.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Final, Literal, get_args

from linecheck.run.facts import COLUMN_KINDS, FACTS, Fact

#: ``json`` is a text in CSV and Parquet, and what it says in JSON Lines; ``list`` are numbers.
Kind = Literal["text", "integer", "real", "boolean", "time", "json", "list"]
Source = Literal["run", "check", "part"]
TableName = Literal["runs", "readings", "curves", "problems", "assets"]


@dataclass(frozen=True)
class Column:
    """A column; ``source`` is where it is found: of the run, of its check, or of the row itself, and as what there."""

    name: str
    kind: Kind
    text: str
    source: tuple[Source, str]


@dataclass(frozen=True)
class Table:
    """A table; ``part`` names the rows of a record that it is made of, None where it has one for each run."""

    name: TableName
    text: str
    part: Literal["readings", "curves", "problems", "assets"] | None
    columns: tuple[Column, ...]


def _column(source: Source, name: str, kind: Kind, text: str, stored: str = "") -> Column:
    return Column(name, kind, text, (source, stored or name))


_of_run, _of_check, _of_part = (partial(_column, source) for source in get_args(Source))

_WHICH: Final = (
    _of_run("record", "integer", "the record's number in the log", "sequence"),
    _of_run("run", "text", "the run's id", "run_id"),
    _of_run("serial", "text", "serial number"),
    _of_run("model", "text", "model"),
    _of_run("attempt", "integer", "which run of the unit it is, from 1"),
    _of_run("purpose", "text", "unit, golden, challenge or study"),
)


def _of_fact(fact: Fact) -> Column:
    kinds: dict[str, Kind] = {"data": "json", "flag": "boolean"}
    return _of_run(fact.name, kinds.get(fact.kind, "text"), fact.meaning)


#: The facts that have a column of their own; the packages, which many runs share, are left to the record itself.
_FACTS: Final = {fact.name: _of_fact(fact) for fact in FACTS if fact.kind in COLUMN_KINDS}

_RELEASED_RUNS: Final = (
    *_WHICH,
    _of_run("verdict", "text", "pass, marginal, invalid, fail or aborted"),
    _of_run("recorded", "time", "when it was recorded, UTC"),
    _of_run("started", "time", "when it began, UTC"),
    _of_run("finished", "time", "when it ended, UTC"),
    _of_run("duration_seconds", "real", "how long it took, by a clock that is never set"),
    *(
        _FACTS[name]
        for name in ("station", "nest", "operator", "shift", "lot", "work_order", "variant", "scanned")
    ),
    *(_FACTS[name] for name in ("firmware", "reason", "override")),
    _of_run("station_failed", "boolean", "whether the station failed"),
    _of_run("limit_file", "text", "path of the limit file", "limit_path"),
    _of_run("limit_revision", "integer", "its revision"),
    _of_run("limit_sha256", "text", "hash of its bytes and of all that it builds on"),
    *(
        _FACTS[name]
        for name in ("station_config_sha256", "plan_sha256", "software", "source_commit", "identity")
    ),
    *(_FACTS[name] for name in ("conditions", "host", "clock", "gates", "calibration", "interface")),
    _of_run("settings", "json", "how the unit was set, in order"),
    _FACTS["captures_why"],
    _of_run("previous_hash", "text", "hash of the record before"),
    _of_run("record_hash", "text", "hash of this record"),
)

#: What was released keeps its place; a fact that came later stands at the end.
_PLACED: Final = {column.name for column in _RELEASED_RUNS}
_RUNS: Final = (*_RELEASED_RUNS, *(column for name, column in _FACTS.items() if name not in _PLACED))

_CONTEXT: Final = (
    *_WHICH,
    _of_run("run_verdict", "text", "the whole run's verdict", "verdict"),
    _of_run("finished", "time", "when the run ended, UTC"),
    _of_run("station", "text", "station"),
    _of_run("nest", "text", "nest"),
    _of_run("lot", "text", "lot"),
    _of_run("firmware", "text", "the unit's firmware"),
)

_CHECK: Final = (
    _of_check("check", "text", "the check's whole name", "name"),
    _of_check("kind", "text", "its kind"),
    _of_check("setup", "json", "how the unit was set"),
)

_JUDGED: Final = (
    _of_part("verdict", "text", "pass, marginal, fail or invalid; empty where no mask judges"),
    _of_part(
        "margin",
        "real",
        "distance to the pass mask, in the value's unit (in dB of dBFS), negative outside it",
    ),
    _of_part("pass_limit", "real", "the limit that the margin is taken from"),
    _of_part("fail_limit", "real", "the fail mask's limit on that side"),
    _of_part("side", "text", "min or max: which side of the mask is meant"),
)

_READINGS: Final = (
    *_CONTEXT,
    *_CHECK,
    _of_part("metric", "text", "metric"),
    _of_part("channel", "text", "channel; empty for a metric of the pair"),
    _of_part("value", "real", "what was measured; empty where nothing could be"),
    _of_part("unit", "text", "the value's unit"),
    _of_part("uncertainty", "real", "standard uncertainty (k = 1), in that unit"),
    _of_part("is_bound", "boolean", "whether the truth is the value or better"),
    *_JUDGED,
)

_CURVES: Final = (
    *_CONTEXT,
    *_CHECK,
    _of_part("metric", "text", "the curve's name"),
    _of_part("channel", "text", "channel; empty for a curve of the pair"),
    _of_part("x_unit", "text", "unit of x"),
    _of_part("unit", "text", "unit of y"),
    _of_part("resolution_hz", "real", "bandwidth that levels are stated at"),
    *_JUDGED,
    _of_part("worst_x", "real", "where the curve comes worst off"),
    _of_part("worst_y", "real", "its value there"),
    _of_part("x", "list", "the axis; in CSV each point has a row"),
    _of_part("y", "list", "the curve"),
    _of_part("uncertainty", "list", "standard uncertainty (k = 1) of y; empty where it is not stated"),
)

_PROBLEMS: Final = (
    *_CONTEXT,
    _of_part("check", "text", "the check's whole name; empty for the run as a whole", "check_name"),
    _of_part("channel", "text", "channel"),
    _of_part("code", "text", "what sort of problem it is"),
    _of_part("message", "text", "what is wrong, in words"),
    _of_part("blocks", "boolean", "whether it makes readings void"),
    _of_part("metrics", "json", "the metrics that it concerns; empty for all"),
)

_ASSETS: Final = (
    *_CONTEXT,
    _of_run("recorded", "time", "when the run was recorded, UTC"),
    _of_part("role", "text", "what the asset does at the station"),
    _of_part("asset", "text", "what is written on it"),
    _of_part("facts", "json", "the rest that was recorded of it: when it is due, its certificate"),
)

TABLES: Final[dict[TableName, Table]] = {
    "runs": Table("runs", "a row for each run", None, _RUNS),
    "readings": Table("readings", "a row for each value that a run measured", "readings", _READINGS),
    "curves": Table(
        "curves", "a row for each curve that a run measured; in CSV for each point of it", "curves", _CURVES
    ),
    "problems": Table("problems", "a row for each thing that went wrong", "problems", _PROBLEMS),
    "assets": Table("assets", "a row for each thing that a run rests on", "assets", _ASSETS),
}
