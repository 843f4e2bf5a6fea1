"""What stands above the tests, by what sets are judged, and below them, a line for each set.

In a session of many processes only the reports come back to the one that writes, so that each report carries what is
told of its set.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from linecheck.pytest_plugin.collect import JudgedItem
from linecheck.pytest_plugin.settings import Settings, shown_path

_ATTRIBUTE = "linecheck"
_COLOURS = {"pass": "green", "marginal": "yellow"}


def header(config: pytest.Config) -> str | None:
    """Return the line above the tests; None in a project that names no limit file."""
    settings = Settings.of(config)
    if not settings.limits:
        return None
    parts = [f"limits {_listed(settings.limits)}"]
    if settings.baselines:
        parts.append(f"baseline {_listed(settings.baselines)}")
    if settings.strict:
        parts.append("strict")
    return f"linecheck: {'; '.join(parts)}"


def tell_of(item: JudgedItem, report: pytest.TestReport) -> None:
    """Attach to a report what is told of its item and its set."""
    found = item.file.findings
    if report.when == "teardown" or found is None:
        return
    finding = found.items[item.name]
    said = [finding.text] if finding.verdict == "marginal" else []
    if finding.verdict == "pass":
        said += finding.notes
    told = {
        "set": str(shown_path(item.path.parent)),
        "unit": item.file.unit,
        "verdict": str(found.verdict),
        "worst": found.worst,
        "cause": "" if found.cause is None else found.cause.brief,
        "items": len(found.items),
        "said": said if report.passed else [],
    }
    setattr(report, _ATTRIBUTE, told)


def write(reporter: pytest.TerminalReporter) -> None:
    """Write the lines below the tests, if there was a set."""
    sets: dict[str, list[dict[str, Any]]] = {}
    for category, reports in reporter.stats.items():
        # Without a name: what passed but was no call.
        for told in (getattr(report, _ATTRIBUTE, None) for report in reports if category):
            if told is not None:
                sets.setdefault(told["set"], []).append(told)
    if not sets:
        return
    reporter.write_sep("=", "linecheck")
    for path, items in sorted(sets.items()):
        first = items[0]
        told = first["cause"] or first["worst"]
        worst = f": {told}" if told else ""
        some = "" if len(items) == first["items"] else f" ({len(items)} of its {first['items']} items run)"
        word, rest = first["verdict"].upper(), f" {path}, {first['unit']}{some}{worst}"
        reporter.write(word, **{_COLOURS.get(first["verdict"], "red"): True})
        reporter.write_line(rest)
        for line in dict.fromkeys(line for item in items for line in item["said"]):
            if line not in first["worst"]:
                reporter.write_line(f"  {line}")


def _listed(paths: Iterable[Path]) -> str:
    return ", ".join(str(shown_path(path)) for path in paths)
