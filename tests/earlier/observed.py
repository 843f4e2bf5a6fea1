"""What the command line says of the earlier files, as plain data: made once beside them, made again by the test."""

import hashlib
import json
import os
import platform
import shutil
import struct
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path

from earlier.command_line import linecheck

#: Capture set, and the limit file that it is judged by.
JUDGED = {
    "audio-band": ("audio-band", "audio-band"),
    "wide-band": ("wide-band", "wide-band"),
    "by-hand": ("by-hand", "line"),
    "newer": ("newer", "line"),
    "dropout": ("dropout", "line"),
    "guarded": ("by-hand", "line-tight"),
    "incomplete": ("dropout", "audio-band"),
}
REGRESSED = ("by-hand", "newer")
LOGS = ("schema-1", "schema-2", "schema-3", "schema-4", "schema-5")
TABLES = ("runs", "readings", "curves", "problems", "assets")
#: Of what is judged anew: when, by what, and in which words.
_ANEW = frozenset(
    (
        "run",
        "run_id",
        "record",
        "started",
        "finished",
        "recorded",
        "created",
        "made",
        "duration_seconds",
        "software",
    )
)
_WORDS = frozenset(("message", "text", "note", "notes", "why", "words"))
#: What the export says of its run in every row.
_OF_THE_RUN = (
    *("run", "serial", "model", "attempt", "purpose", "run_verdict"),
    *("finished", "station", "nest", "lot", "firmware"),
)
#: Metrics and curves that kinds have had since: more may be said.
_ADDED = frozenset(
    (
        *("peak_outside", "noise_ccir_rms", "flatness", "passband_ripple"),
        *("dynamic_range_unweighted", "dynamic_range_a_weighted", "dynamic_range_ccir_rms"),
        *("separation", "separation_over_frequency"),
        *(f"response_{khz}k" for khz in (10, 15, 17, 18, 19, 20)),
        *("worst_wideband", "worst_wideband_at", "thd_n_wideband"),
    )
)
#: The same where another kind has had one of that name before.
_HARMONICS = tuple(f"harmonic_{order}" for order in range(2, 6))
_ADDED_TO = frozenset(
    (
        ("jitter", "both_sides"),
        *(("distortion_sweep", name) for name in _HARMONICS),
        *(("linearity", name) for name in ("thd_n", *_HARMONICS)),
    )
)
#: A curve is known by a digest of all its points, and where the machine is another by so many of them.
_SAMPLED = 9


def environment():
    """Return what the last bit of a reading depends on."""
    with open("/proc/cpuinfo", encoding="utf-8") as stream:
        models = [line.partition(":")[2].strip() for line in stream if line.startswith("model name")]
    libc = " ".join(platform.libc_ver())
    return {"cpu": models[0], "libc": libc, "numpy": version("numpy"), "scipy": version("scipy")}


def copied(files, folder):
    """Copy the files to a folder, and link the objects of the archive, which a repository does not keep; return it."""
    shutil.copytree(files, folder, dirs_exist_ok=True)
    archive = Path(folder) / "archive"
    for file in archive.glob("runs/*/*/*.flac"):
        name = hashlib.sha256(file.read_bytes()).hexdigest()
        target = archive / "objects" / name[:2] / f"{name}.flac"
        target.parent.mkdir(parents=True, exist_ok=True)
        os.link(file, target)
    return folder


@contextmanager
def stated(*names):
    """State that the volts of sets are exact, as earlier versions took a calibration of which nothing was said."""
    indexes = [Path(f"sets/{name}/captures.toml") for name in names]
    texts = [index.read_bytes() for index in indexes]
    for index, text in zip(indexes, texts, strict=True):
        index.write_bytes(text + b"[calibration]\nuncertainty_percent = 0.0\n")
    try:
        yield
    finally:
        for index, text in zip(indexes, texts, strict=True):
            index.write_bytes(text)


def judged(name):
    """Judge a set; return its result, with its curves in full, as the log has them."""
    captures, limits = JUDGED[name]
    log, result = f"{name}.sqlite", Path(f"{name}.json")
    with stated(*[captures] if name == "guarded" else []):
        answer = linecheck(
            "judge", f"sets/{captures}", "--limits", f"limits/{limits}.yaml", "--json", result, "--log", log
        )
    document = json.loads(result.read_text(encoding="utf-8"))
    document["readings"] = without_added(document["readings"])
    document["curves"] = without_added(exported(log)["curves"])
    document["problems"] = list(explaining(document["problems"]))
    return {"status": answer.status, "result": as_tables(without(document, _ANEW | _WORDS))}


def regressed(name):
    """Hold a set against the baseline."""
    result = Path(f"regressed-{name}.json")
    against = ("--baseline", "baseline.toml", "--limits", "limits/line.yaml")
    answer = linecheck("regress", f"sets/{name}", *against, "--json", result)
    document = json.loads(result.read_text(encoding="utf-8"))
    said = {name: document[name] for name in ("verdict", "regression", "comparisons")}
    return {"status": answer.status} | without(said, _WORDS)


def compared():
    """Compare both sets anew, as the stored comparison did."""
    with stated("by-hand", "newer"):
        answer = linecheck(
            "compare", "sets/by-hand", "sets/newer", "--limits", "limits/line.yaml", "--out", "compared"
        )
    assert answer.status == 0, answer.err
    return comparison("compared/comparison.json")


def without_added(rows):
    """Leave out the readings and curves that a kind did not have then."""
    return [
        row
        for row in rows
        if row["metric"] not in _ADDED and (row.get("kind"), row["metric"]) not in _ADDED_TO
    ]


def explaining(problems):
    """Yield problems as they name what a kind had then; those that explain nothing else are left out."""
    for problem in problems:
        kept = [metric for metric in problem["metrics"] if metric not in _ADDED]
        if kept or not problem["metrics"]:
            yield problem | {"metrics": kept}


def comparison(path):
    """Return what a comparison holds but for its words."""
    document = json.loads(Path(path).read_text(encoding="utf-8"))
    document["values"] = without_added(document["values"])
    document["curves"] = without_added(document["curves"])
    return without(document, _ANEW | _WORDS | {"digest"})


def logged(name):
    """Read all that a log holds, in the ways that there are."""
    log = ("--log", f"{name}.sqlite")
    head = linecheck("log", "head", *log).out.strip()
    assets = linecheck("log", "assets", "--json", *log).lines()
    tables = exported(log[1])
    return {
        "head": head,
        "verify": linecheck("log", "verify", "--head", head, *log).status,
        "list": linecheck("log", "list", "--purpose", "all", "--json", *log).lines(),
        "assets": assets,
        "used": [
            linecheck("log", "used", asset["asset"], "--format", "jsonl", *log).lines() for asset in assets
        ],
        "exports": as_tables(tables),
        "files": restored(log, tables),
        "rejudged": {limits: rejudged(log, limits) for limits in ("line", "line-tight")},
    }


def exported(log):
    """Return the rows of a log's tables, curves shortened; what every row says of its run stands in the first alone."""
    tables = {name: [_shortened(row) for row in _exported(log, name)] for name in TABLES}
    runs = {run["record"]: run | {"run_verdict": run["verdict"]} for run in tables["runs"]}
    for name in TABLES[1:]:
        for row in tables[name]:
            for fact in _OF_THE_RUN:
                assert row.pop(fact) == runs[row["record"]][fact]
    return tables


def _exported(log, table):
    target = Path(f"{log}.{table}.jsonl")
    answer = linecheck("log", "export", "--log", log, "--what", table, "--purpose", "all", "--to", target)
    assert answer.status == 0, answer.err
    return map(json.loads, target.read_text(encoding="utf-8").splitlines())


def restored(log, tables):
    """Write the result of every run anew; its readings are those of the export, return by run what else it says."""
    folder = Path(f"{log[1]}.files")
    answer = linecheck("log", "files", "--missing", "--out", folder, *log)
    assert answer.status == 0, answer.err
    results = [
        json.loads(path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*/*/result.json"))
    ]
    found = {result["run"]: result for result in results}
    assert len(found) == len(tables["runs"])
    for run in tables["runs"]:
        result = found[run["run"]]
        stored = [row for row in tables["readings"] if row["record"] == run["record"]]
        assert readings(result.pop("readings")) == readings(stored)
        result["curves"] = [_shortened(row) for row in result["curves"]]
    return {run: as_tables(result) for run, result in found.items()}


def readings(rows):
    """Return what was read, and what came of it, of rows of a result or of a log."""
    names = ("metric", "channel", "value", "unit", "uncertainty", "verdict", "margin")
    return [{name: row[name] for name in names} for row in rows]


def rejudged(log, limits, *more):
    """Judge what a log holds by a limit file."""
    target = Path(f"{log[1]}.{limits}.rejudged.json")
    answer = linecheck("log", "rejudge", *log, "--limits", f"limits/{limits}.yaml", "--json", target, *more)
    assert answer.status in (0, 1, 3), answer.err
    document = json.loads(target.read_text(encoding="utf-8"))
    return {"status": answer.status} | without(document, _WORDS | {"made", "software"})


def remeasured():
    """Measure what the archive keeps anew."""
    more = ("--purpose", "all", "--remeasure", "--archive", "archive", "--workers", "1")
    return rejudged(("--log", "schema-3.sqlite"), "line", *more)


def archived():
    """Return the ids of the runs whose captures are kept."""
    return [folder.name.partition("Z-")[2] for folder in Path("archive").glob("runs/*/*")]


def as_tables(document):
    """Return a document with its lists of rows as columns and rows, which takes half the room."""
    return {key: _table(value) if key in TABLES else value for key, value in document.items()}


def _table(rows):
    columns = list(rows[0]) if rows else []
    return {"columns": columns, "rows": [list(row.values()) for row in rows]}


def _shortened(row):
    return {key: _short(value) for key, value in row.items()}


def _short(value):
    """Return a digest of a list of numbers and a few of these; anything else as it is."""
    if (
        not isinstance(value, list)
        or len(value) <= _SAMPLED
        or not all(isinstance(each, float) for each in value)
    ):
        return value
    digest = hashlib.sha256(struct.pack(f"<{len(value)}d", *value)).hexdigest()
    step = (len(value) - 1) / (_SAMPLED - 1)
    return {
        "count": len(value),
        "digest": digest,
        "some": [value[round(at * step)] for at in range(_SAMPLED)],
    }


def without(value, names):
    """Return plain data without what stands under these names."""
    if isinstance(value, dict):
        return {key: without(item, names) for key, item in value.items() if key not in names}
    return [without(item, names) for item in value] if isinstance(value, list) else value
