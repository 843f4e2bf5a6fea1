"""What judging runs once more comes to, as JSON.

The document has, in this order: ``format`` (1), ``kind`` (``rejudge``), ``by`` (``stored readings`` or ``captures``),
``log``, ``software``, ``made`` (UTC), ``limit_files`` (path, model, revision, sha256, decision), ``runs`` and
``summary``. Each entry of ``runs`` stands on a line of its own: a run whose verdict changes, or (``after`` null) cannot
be told. Its keys:

- ``record``, ``run``, ``serial``, ``model``, ``attempt``, ``recorded``: which run it is;
- ``before``, ``after``: the verdict that is stored, and what it would be;
- ``newest``: whether it is the last run of its unit;
- ``causes``: what has changed it, each with ``check`` (its whole name), ``metric`` (null: the check as a whole),
  ``channel``, ``before``, ``after`` (null: not judged), ``why``, ``value``, ``unit``, ``limit``, ``side``, ``margin``,
  ``place`` and ``place_unit`` (of a curve's worst point);
- ``otherwise``: by check what was measured differently, in words; ``why``: why its captures could not be judged.

``summary`` counts: ``runs``, ``units``, ``judged``, ``changed``, ``changed_units``, ``cannot_be_told``, ``transitions``
(each with ``before``, ``after``, ``runs`` and ``units``, by their newest runs), ``causes`` (``way``, ``check``,
``metric``, ``runs``), ``measured_otherwise`` (``check``, ``what``, ``runs``), ``yield`` (of ``units`` by their first
valid run and of ``runs``, each ``before`` and ``after``, without those that are ``untold``), ``other_models`` (runs of
models without a limit file here) and ``curves_read``.

Where captures were measured anew, a run is also told whose readings have changed by more than their expanded
uncertainty, in ``readings``: each with ``check``, ``metric``, ``channel``, ``unit``, ``before``, ``after`` (null: not
measured) and ``uncertainty`` (k = 1, the larger of both). The summary then has ``without_captures``,
``captures_not_judged`` (``why``, ``runs``) and ``readings_changed`` (``check``, ``metric``, ``runs``, and ``largest``,
the largest change over its expanded uncertainty).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from linecheck import __version__
from linecheck.files.text import encodable
from linecheck.files.times import utc_text
from linecheck.files.write import GrowingFile
from linecheck.history.rejudge.remeasure import Remeasured
from linecheck.history.rejudge.tally import ChangedRun, Tally, Yield
from linecheck.limits.model import LimitFile

__all__ = ["RejudgedFile", "remeasured_summary", "summary_of"]


class RejudgedFile:
    """The document, written run by run; it takes its name when it is finished.

    Parameters
    ----------
    path : Path
    log : str
        The log, as it was given.
    limits : sequence of LimitFile
    by : str
        ``stored readings`` or ``captures``.

    Raises
    ------
    RecordError
        It cannot be written, here as in every method.
    """

    def __init__(self, path: Path, log: str, limits: Sequence[LimitFile], by: str) -> None:
        self._file = GrowingFile(path)
        self._any = False
        files = [
            {name: getattr(entry, name) for name in ("path", "model", "revision", "sha256", "decision")}
            for entry in limits
        ]
        head: dict[str, Any] = {
            "format": 1,
            "kind": "rejudge",
            "by": by,
            "log": log,
            "software": f"linecheck {__version__}",
            "made": utc_text(datetime.now(UTC)),
            "limit_files": files,
        }
        lines = "".join(f"  {_compact(key)}: {_compact(value)},\n" for key, value in head.items())
        self._file.write(f'{{\n{lines}  "runs": ['.encode())

    def add(self, run: ChangedRun) -> None:
        """Write a run."""
        names = ("serial", "model", "attempt", "recorded", "before", "after", "newest")
        entry = {"record": run.sequence, "run": run.run_id, **{name: getattr(run, name) for name in names}}
        entry |= {"causes": [asdict(cause) for cause in run.causes], "otherwise": dict(run.otherwise)}
        entry |= {"why": run.why, "readings": [asdict(reading) for reading in run.readings]}
        self._file.write(f"{',' if self._any else ''}\n    {_compact(entry)}".encode())
        self._any = True

    def finish(self, summary: Mapping[str, Any]) -> None:
        """Write the summary and keep the file."""
        end = "\n  " if self._any else ""
        self._file.write(f'{end}],\n  "summary": {_compact(summary)}\n}}\n'.encode())
        self._file.finish()

    def abandon(self) -> None:
        """Leave everything as it was before, unless it is finished."""
        self._file.abandon()


def summary_of(tally: Tally) -> dict[str, Any]:
    """Return what it all comes to as plain data."""
    named = sorted(tally.transitions, key=lambda pair: [str(verdict) for verdict in pair])
    return {
        "runs": tally.runs,
        "units": tally.units,
        "judged": tally.judged,
        "changed": tally.changed,
        "changed_units": tally.changed_units,
        "cannot_be_told": tally.untold,
        "transitions": [
            {
                "before": before,
                "after": after,
                "runs": tally.transitions[before, after],
                "units": tally.unit_transitions.get((before, after), 0),
            }
            for before, after in named
        ],
        "causes": [{**cause._asdict(), "runs": count} for cause, count in tally.causes.most_common()],
        "measured_otherwise": [
            {"check": check, "what": what, "runs": count}
            for (check, what), count in sorted(tally.otherwise.items())
        ],
        "yield": {
            name: {when: _yield(entry) for when, entry in zip(("before", "after"), both, strict=True)}
            for name, both in (("units", tally.unit_yield), ("runs", tally.run_yield))
        },
        "other_models": dict(tally.other_models),
        "curves_read": {"curves": tally.curves, "bytes": tally.curve_bytes},
    }


def remeasured_summary(found: Remeasured) -> dict[str, Any]:
    """Return what measuring captures anew comes to as plain data."""
    return {
        **summary_of(found.tally),
        "without_captures": found.without,
        "captures_not_judged": [{"why": why, "runs": runs} for why, runs in found.refused.items()],
        "readings_changed": [
            {
                "check": check,
                "metric": metric,
                "runs": count.runs,
                "largest": None if math.isinf(count.largest) else count.largest,
            }
            for (check, metric), count in found.readings.items()
        ],
    }


def _yield(entry: Yield) -> dict[str, Any]:
    return {**asdict(entry), "share": entry.share}


def _compact(value: object) -> str:
    return json.dumps(_encodable(value), ensure_ascii=False, allow_nan=False)


def _encodable(value: Any) -> Any:  # noqa: ANN401 - any plain data
    if isinstance(value, str):
        return encodable(value)
    if isinstance(value, Mapping):
        return {encodable(str(key)): _encodable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_encodable(item) for item in value]
    return value
