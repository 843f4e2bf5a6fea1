"""Pages as a user makes them, of real runs, made ones and a set; each is made once however many processes test."""

import contextlib
import fcntl
import json
import shutil
from html import escape
from pathlib import Path

from click.testing import CliRunner
from made_causes import hostile_fact, with_causes
from made_runs import made_check, made_curve, made_reading, made_run, runs_of_every_verdict
from small_run import simulated, write_small_files

from linecheck.captures.capture_set import write_capture_set
from linecheck.checks.base import Problem
from linecheck.cli import cli
from linecheck.cli.options import LogPlace
from linecheck.cli.sources import view_of
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.report.figures.curves import figures_of_check
from linecheck.report.figures.drawing.draw import svg
from linecheck.report.figures.table import table_of
from linecheck.run.plan import make_plan

ROOT = Path(__file__).parents[2]
DEMO = ["--station", ROOT / "station_configs" / "demo.toml", "--limits", ROOT / "limits" / "pellow-r3.yaml"]

#: The page of everything that the demonstration model has.
FULL = "fail"
#: All pages and their verdicts. "hostile" is of a run whose every text would be markup, if it could.
VERDICTS = {
    "pass": Verdict.PASS,
    "fail": Verdict.FAIL,
    "marginal": Verdict.MARGINAL,
    "invalid": Verdict.INVALID,
    "aborted": Verdict.ABORTED,
    "set": Verdict.MARGINAL,
    "hostile": Verdict.FAIL,
    "among_others": Verdict.PASS,
}
ALL = (*VERDICTS, "comparison", "five_filters")

HOSTILE = {
    "serial": "<script>document.title='taken'</script>",
    "operator": "\"><img src=x onerror=alert(1)> O'Neil & Söhne",
    "firmware": "{{ 7 * 7 }}{% raw %}</title>",
    "station": "line-" + "x" * 120,
}


class Pages:
    """Where the pages are; each is made when it is first asked for, and by one process only."""

    def __init__(self, folder):
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    def __getitem__(self, name):
        """Return the path of a page."""
        page = self.folder / f"{name}.html"
        with self._alone(name):
            if not page.exists():
                getattr(self, f"_make_{name}", self._make_of_made_run)(page)
        return page

    def whole_run(self):
        """Return the result of a whole run of a simulated unit that is broken."""
        result = self.folder / "whole_run.json"
        with self._alone("whole_run"):
            if not result.exists():
                unit = ["--serial", "PR3-000002", "--firmware", "1.4.2", "--fault", "distorting"]
                shutil.copytree(ROOT / "limits", self.folder / "limits")
                limits = self.folder / "limits" / "short.yaml"
                limits.write_text(SHORT, encoding="utf-8")
                with contextlib.chdir(self.folder):
                    call("run", *DEMO[:2], "--limits", limits, *unit, "--json", result)
        return result

    @contextlib.contextmanager
    def _alone(self, name):
        with open(self.folder / f"{name}.lock", "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            yield

    @property
    def log(self):
        """The log that whole runs are in."""
        return self.folder / "results" / "linecheck.sqlite"

    def _make_fail(self, page):
        call("report", self.whole_run(), "--log", self.log, "--out", page)

    def _make_whole_pass(self, page):
        """Make the page of a whole run that passes."""
        folder = page.parent / "whole_pass"
        folder.mkdir()
        with contextlib.chdir(folder):
            call("run", *DEMO, "--serial", "PR3-000006", "--json", "run.json")
            call("report", "run.json", "--out", page)

    def _make_comparison(self, page):
        """Make the page of a unit's two filters, signed and countersigned."""
        folder = page.parent / "comparison"
        folder.mkdir()
        (folder / "limits.yaml").write_text(TWO_FILTERS, encoding="utf-8")
        with contextlib.chdir(folder):
            call("run", *DEMO[:2], "--limits", "limits.yaml", "--serial", "PR3-000004", "--json", "run.json")
            sides = [f"PR3-000004@filter={name}" for name in ("sharp", "slow")]
            call("compare", *sides, *DEMO[:2], "--out", "made")
            who = ["--by", "Q. Auditor", "--role", "QA engineer", "--reason", "as it was designed"]
            call("signoff", "made", *DEMO[:2], *who, "--decision", "accept")
            call(
                "countersign", 3, *DEMO[:2], "--by", "S. Second", "--role", "head of QA", "--reason", "agreed"
            )
            call("report", "made", *DEMO[:2], "--out", page)

    def _make_five_filters(self, page):
        """Make the page of five settings of a unit side by side."""
        folder = page.parent / "five_filters"
        folder.mkdir()
        names = ("sharp", "slow", "minimum_phase", "none")
        setups = [f"filter={name},input=usb" for name in names] + ["filter=slow,input=spdif"]
        listed = ", ".join(f"{{{setup.replace('=', ': ').replace(',', ', ')}}}" for setup in setups)
        text = TWO_FILTERS.replace("{filter: sharp}, {filter: slow}", listed)
        (folder / "limits.yaml").write_text(text, encoding="utf-8")
        with contextlib.chdir(folder):
            call("run", *DEMO[:2], "--limits", "limits.yaml", "--serial", "PR3-000005", "--json", "run.json")
            call("compare", *(f"PR3-000005@{setup}" for setup in setups), *DEMO[:2], "--out", "made")
            call("report", "made", *DEMO[:2], "--out", page)

    def _make_two_runs(self, page):
        """Make the page of two whole runs that differ in nearly all."""
        folder = page.parent / "two_runs"
        folder.mkdir()
        with contextlib.chdir(folder):
            call("run", *DEMO, "--serial", "PR3-000001")
            call(
                "run",
                *DEMO,
                "--serial",
                "PR3-000002",
                "--fault",
                "hum",
                "--fault",
                "distorting",
                "--fault",
                "treble_droop",
            )
            call("compare", "PR3-000001", "PR3-000002", *DEMO[:2], "--out", "made")
            call("report", "made", *DEMO[:2], "--out", page)

    def _make_of_made_run(self, page):
        log = self.folder / f"{page.stem}.sqlite"
        with Log(log) as opened:
            stored = opened.append(made_runs()[page.stem])
        call("report", stored.sequence, "--log", log, "--out", page)

    def _make_referred(self, page):
        """Make the page of the run of :data:`FULL` with a reference's curves beside its own."""
        call("report", self.whole_run(), "--log", self.log, "--out", page, "--reference", self.whole_run())

    def _make_interactive(self, page):
        """Make the interactive page of the run of :data:`FULL`."""
        call("report", self.whole_run(), "--log", self.log, "--out", page, "--interactive")

    def _make_interactive_hostile(self, page):
        """Make that of the run whose every text would be markup, beside itself."""
        self["hostile"]
        beside = ["--reference", "1", "--interactive"]
        call("report", "1", "--log", self.folder / "hostile.sqlite", "--out", page, *beside)

    def _make_interactive_comparison(self, page):
        self["comparison"]
        with contextlib.chdir(page.parent / "comparison"):
            call("report", "made", *DEMO[:2], "--out", page, "--interactive")

    def _make_figures(self, page):
        """Make a page of some of the failing run's figures alone, each with its title over its table."""
        record = view_of(str(self.whole_run()), LogPlace(str(self.log)))
        checks = [record.check(name) for name in ("tone", "jitter", "reconstruction")]
        figures = [figure for check in checks for figure in figures_of_check(record, check)]
        shown = [with_its_table(figure, f"figure-{number}") for number, figure in enumerate(figures)]
        page.write_text(PAGE.format("".join(shown)), encoding="utf-8")

    def _make_set(self, page):
        folder = page.parent / "set"
        folder.mkdir()
        text = LIMITS.replace("SINAD", "{pass: {min: 118}, fail: {min: 90}}")
        write_small_files(folder, limits=text)
        limits = load_limits(folder / "limits.yaml")
        interface = simulated()
        taken = {
            entry.check.name: interface.play(entry.check.name, entry.stimulus)
            for entry in make_plan(limits).checks
        }
        write_capture_set(
            folder / "captures", taken, model=limits.model, serial="PR3-000003", firmware="1.4.2"
        )
        call("report", folder / "captures", "--limits", folder / "limits.yaml", "--out", page)

    def _make_among_others(self, page):
        folder = page.parent / "among_others"
        folder.mkdir()
        files = write_small_files(folder, limits=LIMITS.replace("SINAD", "{pass: {min: 100}}"))
        with contextlib.chdir(folder):
            for number in range(1, 7):
                call("run", *files, "--serial", f"PR3-{number:06}", "--json", f"{number}.json")
            first = json.loads((folder / "1.json").read_bytes())["run"]
            others = ["--against", "results/linecheck.sqlite", "--reference", first]
            call("report", "PR3-000006", *others, "--out", page)


#: All that the demonstration model has, of the shortest stimuli.
SHORT = """format: 1
model: pellow-r3
revision: 1
based_on: pellow-r3.yaml
checks:
  tone: {stimulus: {seconds: 0.3}}
  treble_tone: {stimulus: {seconds: 0.3}}
  low_level_tone: {stimulus: {seconds: 0.3}}
  quiet: {stimulus: {seconds: 0.3}}
  multitone: {stimulus: {seconds: 1.0}}
  linearity: {stimulus: {lowest_dbfs: -80}}
  jitter: {stimulus: {seconds: 1.0}}
  intermodulation: {stimulus: {lowest_dbfs: -30}}
  distortion_sweep: {stimulus: {points: 5}}
  crosstalk: {stimulus: {seconds: 1.0}}
  ultrasonic: {stimulus: {seconds: 0.5}}
"""

LIMITS = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
setup: {filter: sharp}
checks:
  tone:
    kind: tone
    stimulus: {seconds: 0.25}
    masks:
      sinad: SINAD
      level: {pass: {min: 3.5, max: 4.5}}
      spectrum: {pass: {max: [[20, -60], [20000, -60]]}}
  wiring:
    kind: wiring
    stimulus: {seconds: 0.25}
    masks:
      order: {pass: {min: 1}}
"""


TWO_FILTERS = """format: 1
model: pellow-r3
revision: 4
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
  reconstruction:
    kind: reconstruction
    setups: [{filter: sharp}, {filter: slow}]
  wiring:
    kind: wiring
    masks: {order: {pass: {min: 1}}}
    setups: [{filter: sharp}, {filter: slow}]
"""

PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Figures</title>
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'"></head>
<body><main><h1>Figures</h1>{}</main></body></html>"""


def with_its_table(figure, prefix):
    """Return a figure over its table, in a page's words."""
    table = table_of(figure)
    head = "".join(f"<th scope='col'>{escape(heading)}</th>" for heading in table.headings)
    cells = [["" if value is None else repr(value) for value in row] for row in table.rows]
    body = "".join("<tr><td>" + "</td><td>".join(row) + "</td></tr>" for row in cells)
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
    drawn = svg(figure, prefix=prefix)
    return f"<figure>{drawn}<details><summary>Numbers</summary>{table}</details></figure>"


def call(*arguments):
    """Run a command of linecheck in this process."""
    done = CliRunner().invoke(cli, [str(argument) for argument in arguments], catch_exceptions=False)
    assert done.exit_code in (0, 1, 3), done.output


def made_runs():
    """Return the runs that are made up, by the names of their pages."""
    by_verdict = {verdict.value: run for verdict, run in runs_of_every_verdict().items()}
    odd = Problem("dropout", "</p><b>the sound broke off</b> & {{ more }}", "left")
    checks = (made_check(made_reading(Verdict.FAIL, 105.3), made_curve(), problems=(odd,)),)
    hostile = made_run(*checks, **HOSTILE, causes=hostile_fact())
    return by_verdict | {"marginal": with_causes(by_verdict["marginal"]), "hostile": hostile}
