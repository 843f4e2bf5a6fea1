"""Capture sets as tests of pytest: every judged metric of every channel is an item.

In: capture sets in a project's folders. Out: items of pytest that pass or fail as their readings do.

pytest starts this in every project of the Python that it is installed in, so nothing heavy is imported here, and
nothing happens in a project without a ``captures.toml``.

=====================  ===============================================================================
:mod:`.settings`       what the project and the command line ask for
:mod:`.collect`        a ``captures.toml`` as a file of tests, its items, and how a failure is told
:mod:`.judgement`      what linecheck says of one set, item by item
:mod:`.once`           each set is measured once, by whichever process of the session comes first
:mod:`.summary`        what stands above and below the tests
=====================  ===============================================================================
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from linecheck.pytest_plugin import settings, summary
from linecheck.pytest_plugin.collect import CaptureSetFile, JudgedItem
from linecheck.pytest_plugin.once import FOLDER, SessionFolder

if TYPE_CHECKING:
    from collections.abc import Generator
    from pathlib import Path

#: The file that makes a folder a capture set.
INDEX_NAME = "captures.toml"

_MARKER = (
    "linecheck(check, metric, channel, model, serial, firmware): on every item of a capture set, to select by; "
    "what does not apply to an item is None"
)


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options."""
    settings.add_options(parser)


def pytest_configure(config: pytest.Config) -> None:
    """Register the marker, and know the folder in which the processes of a session share what they measured."""
    config.addinivalue_line("markers", _MARKER)
    config.stash[FOLDER] = SessionFolder(getattr(config, "workerinput", None))


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:  # noqa: ANN401 - pytest-xdist's own, which need not be installed
    """Tell a worker of pytest-xdist where what was measured is shared."""
    node.config.stash[FOLDER].tell(node.workerinput)


def pytest_unconfigure(config: pytest.Config) -> None:
    """Remove that folder."""
    folder = config.stash.get(FOLDER, None)
    if folder is not None:
        folder.remove()


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> CaptureSetFile | None:
    """Take a capture set as a file of tests."""
    if file_path.name != INDEX_NAME:
        return None
    file: CaptureSetFile = CaptureSetFile.from_parent(parent, path=file_path)
    return file


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Give a report what is told of it below the tests, and an error the words that a failure has by itself."""
    report = yield
    if isinstance(item, JudgedItem):
        if call.excinfo is not None and report.failed:
            report.longrepr = item.repr_failure(call.excinfo)
        summary.tell_of(item, report)
    return report


def pytest_report_header(config: pytest.Config) -> str | None:
    """Say by what sets will be judged, in a project that has said so."""
    return summary.header(config)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Add a line for each set."""
    summary.write(terminalreporter)
