"""How the files in ``files`` were made: by the version of commit aa95b97, the last one before the rooms were rebuilt.

In a checkout of that commit, with ``limits``, ``stations``, ``schema-1.sqlite`` and ``schema-2.sqlite`` in ``files``:
``PYTHONPATH=tests python tests/earlier/make_files.py``. It makes all else there, and ``expected`` beside it. The files
stay as they are: a later version is held against what this one made and read. ``schema-4.sqlite`` is the log that
``make_log`` made at commit ca6f72c, the last one whose curves are plain numbers, ``schema-5.sqlite`` the one of commit
fefdb02, the last one whose runs name no causes; the expectations of each are by its own version.
"""

import hashlib
import json
import os
import platform
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as the command line does, before NumPy is imported

import soundfile
from earlier import observed
from earlier.command_line import inside, linecheck

HERE = Path(__file__).parent
FILES = HERE / "files"


def main():
    platform.node = lambda: "line-2"
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder)
        for name in ("limits", "stations"):
            shutil.copytree(FILES / name, made / name)
        with inside(made):
            make_sets()
            make_baseline_and_comparison()
            make_log()
        for name in ("sets", "archive", "baseline.toml", "comparison.json", "schema-3.sqlite"):
            target = FILES / name
            shutil.rmtree(target) if target.is_dir() else target.unlink(missing_ok=True)
            (shutil.copytree if (made / name).is_dir() else shutil.copy)(made / name, target)
    # Its objects are links to the same files, which a repository does not keep.
    shutil.rmtree(FILES / "archive" / "objects")
    with tempfile.TemporaryDirectory() as folder, inside(observed.copied(FILES, folder)):
        write_expected()


def must(status, *arguments):
    answer = linecheck(*arguments)
    assert answer.status == status, (arguments, answer)
    return answer


def bench(**changes):
    """Write a station like the bench with other texts; return its path."""
    text = Path("stations/bench.toml").read_text(encoding="utf-8")
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    path = Path("changed.toml")
    path.write_text(text, encoding="utf-8")
    return path


def make_sets():
    low = {"rate": ("rate_hz = 176400", "rate_hz = 48000")}
    long = low | {"bits": ("adc_bits = 16", "adc_bits = 24")}
    make_set("wide-band", 0, "stations/bench.toml", "wide-band")
    make_set("audio-band", 0, bench(**low), "audio-band")
    make_set("dropout", 3, bench(**low), "line", "--fault", "dropout")
    make_set("newer", 0, bench(**long), "line", "--fault", "noisy", "--firmware", "1.5.0")
    folder = make_set("by-hand", 0, bench(**long), "line", "--firmware", "1.4.2", plain=("tone",))
    by_hand(folder)


def make_set(name, status, station, limits, *more, plain=()):
    """Keep the captures of a run as FLAC, those of some checks as WAV."""
    out = Path(f"run-{name}")
    arguments = ("--station", station, "--limits", f"limits/{limits}.yaml", "--serial", "PR3-000100")
    must(status, "run", *arguments, "--out", out, *more)
    Path("log.sqlite").unlink()
    (kept,) = out.glob("*/*/captures")
    target = Path("sets") / name
    target.mkdir(parents=True)
    text = (kept / "captures.toml").read_text(encoding="utf-8")
    for file in kept.glob("*.wav"):
        samples, rate_hz = soundfile.read(file, dtype="int32")
        new = target / file.with_suffix(".wav" if file.stem in plain else ".flac").name
        soundfile.write(new, samples, rate_hz, subtype=soundfile.info(file).subtype)
        text = text.replace(file.name, new.name).replace(sha256(file), sha256(new))
    (target / "captures.toml").write_text(text, encoding="utf-8")
    return target


def sha256(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def by_hand(folder):
    """Write an index as people do, who say no more than they must."""
    lines = [
        "format = 1",
        'model = "pellow-r3"',
        'serial = "PR3-000100"',
        'firmware = "1.4.2"',
        "mains_hz = 60",
    ]
    for check, suffix in (("wiring", "flac"), ("tone", "wav"), ("quiet", "flac")):
        lines += [
            "[[capture]]",
            f'check = "{check}"',
            f'file = "{check}.{suffix}"',
            "full_scale_volts = [8.0, 8.0]",
        ]
    (folder / "captures.toml").write_text("\n".join((*lines, "")), encoding="utf-8")


def make_baseline_and_comparison():
    why = ("--by", "A. Engineer", "--reason", "release 1.4.2")
    must(
        0,
        "baseline",
        "accept",
        "sets/by-hand",
        "--limits",
        "limits/line.yaml",
        "--out",
        "baseline.toml",
        *why,
    )
    must(0, "compare", "sets/by-hand", "sets/newer", "--limits", "limits/line.yaml", "--out", ".")


def make_log():
    """Make a log of all that a record can say."""
    line = ("--station", "stations/line.toml")
    both = (*line, "--limits", "limits/line.yaml")
    must(0, "station", "check", *line, "--patched")
    accept = ("--accept", "--by", "Q. Engineer", "--reason", "first reference")
    must(0, "station", "golden", *both, "--serial", "PR3-900001", *accept)
    must(0, "station", "challenge", *both, "--serial", "PR3-900101", "--fault", "hum")
    run_units(both)
    must(3, "station", "check", *line, "--patched", "--fault", "limiter")
    run_at_the_bench()
    sign()
    runs = linecheck("log", "list", "--json", "--log", "log.sqlite").lines()
    assert {run["verdict"] for run in runs} == {"pass", "marginal", "fail", "invalid", "aborted"}
    with closing(sqlite3.connect("log.sqlite")) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")
        connection.execute("VACUUM")
    shutil.copy("log.sqlite", "schema-3.sqlite")


def run_units(both):
    """Run units to every verdict but one, and one of them again and again."""
    lot = ("--lot", "L-45", "--work-order", "W-1180", "--variant", "silver", "--shift", "early")
    said = ("--operator", "A. Operator", "--firmware", "1.4.2", *lot)
    units = (
        (0, "PR3-000001"),
        (0, "PR3-000002", "--fault", "noisy"),
        (1, "PR3-000003", "--fault", "distorting"),
        (3, "PR3-000003", "--reason", "reseated"),
        (0, "PR3-000003", "--reason", "reseated"),
        (3, "PR3-000004", "--fault", "dropout"),
    )
    for status, serial, *more in units:
        must(status, "run", *both, "--serial", serial, *said, *more)
    override = (
        "--override",
        "engineering",
        "--override-by",
        "Q. Engineer",
        "--override-note",
        "for a fault study",
    )
    must(0, "run", *both, "--serial", "PR3-000003", *said, "--reason", "reseated", *override)


def run_at_the_bench():
    """Run a unit that is stopped while it is being set, and one that is judged."""
    stopped = bench(
        rate=("rate_hz = 176400", "rate_hz = 48000"),
        command=("\"printf 'input is {value}'\"", "\"sh -c 'kill -INT $PPID; sleep 5'\""),
    )
    must(3, "run", "--station", stopped, "--limits", "limits/line.yaml", "--serial", "PR3-000020")
    bench_run = ("--station", "stations/bench.toml", "--limits", "limits/one-tone.yaml")
    must(0, "run", *bench_run, "--serial", "PR3-000021")


def sign():
    """Sign the comparison, and countersign it."""
    engineer = ("--by", "Q. Engineer", "--role", "QA engineer", "--reason", "No audible loss.")
    manager = ("--by", "P. Manager", "--role", "product manager", "--reason", "It may ship.")
    end = ("--decision", "accept", "--log", "log.sqlite")
    must(0, "signoff", "comparison.json", *engineer, *end)
    number = linecheck("log", "head", "--log", "log.sqlite").out.partition(":")[0]
    must(0, "countersign", number, *manager, *end)


def write_expected():
    """Write what this version says of the files, each thing to a file of its own."""
    folder = HERE / "expected"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    documents = {
        "environment": observed.environment(),
        **{f"judged-{name}": observed.judged(name) for name in observed.JUDGED},
        **{f"regressed-{name}": observed.regressed(name) for name in observed.REGRESSED},
        **{name: observed.logged(name) for name in observed.LOGS},
        "remeasured": observed.remeasured(),
    }
    for name, document in documents.items():
        (folder / f"{name}.json").write_text(
            json.dumps(document, ensure_ascii=False, separators=(",", ":")) + "\n", encoding="utf-8"
        )


if __name__ == "__main__":
    main()
