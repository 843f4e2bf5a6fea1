"""The summary in Markdown, as an independent parser of GitHub's dialect reads it (markdown-it-py, tables on)."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_causes import hostile_fact, made_causes, unknown_causes, unreadable_facts, with_causes
from made_runs import runs_of_every_verdict
from markdown_it import MarkdownIt

from linecheck.captures.many_sets import JudgedSet
from linecheck.checks.base import Problem
from linecheck.files.text import visible
from linecheck.limits.verdict import Verdict
from linecheck.results.formats.markdown import MAX_BYTES, MAX_ROWS_OF_PASSES, summary_bytes
from linecheck.results.overview import Brief, brief, counted, worst_first

pytestmark = pytest.mark.every_python

PARSER = MarkdownIt("commonmark").enable("table").enable("strikethrough")
#: GitHub Docs, "Workflow commands", job summaries: "limited to a maximum size of 1MiB" per step.
GITHUB_BYTES = 1024 * 1024
ODD = st.text(
    st.characters() | st.sampled_from("|`<>&*_~[]()!#@:$\\\"'\n\t\x00\x1d\u202e"), min_size=1, max_size=30
)


class Cells(HTMLParser):
    """The texts of a table's cells, and every element there is."""

    def __init__(self):
        super().__init__()
        self.cells, self.elements = [], set()

    def handle_starttag(self, tag, attributes):
        self.elements.add(tag)
        if tag in ("td", "th"):
            self.cells.append("")

    def handle_data(self, data):
        if self.cells and self.lasttag != "p":
            self.cells[-1] += data


def table(content):
    """Return the table's rows of cells, without its head, and the names of all elements of the page."""
    reader = Cells()
    reader.feed(PARSER.render(content.decode("utf-8")))
    cells = [cell.strip("\n") for cell in reader.cells]
    rows = [cells[at : at + 6] for at in range(0, len(cells), 6)]
    return rows[1:], reader.elements


def briefs_of_every_verdict():
    return [brief(JudgedSet(f"sets/{name}", run)) for name, run in runs_of_every_verdict().items()]


def on_a_line(text):
    return " ".join(visible(text).split())


def test_the_worst_comes_first_with_its_worst_finding():
    rows, _ = table(summary_bytes(briefs_of_every_verdict()))
    assert [row[0] for row in rows] == ["fail", "invalid", "aborted", "marginal", "pass"]
    fail = rows[0]
    assert fail[1:5] == ["PR3-004711", "pellow-r3", "1.4.2", "sets/fail"]
    assert fail[5].startswith("tone sinad left fails: 105.3 dB, below the pass limit of 112 dB")
    assert fail[5].endswith("(and 1 more)")
    assert rows[-1][5] == ""


def test_the_head_says_what_all_together_came_to_and_how_many_did():
    text = summary_bytes(briefs_of_every_verdict()[:3]).decode()
    assert text.startswith("### linecheck: fail\n\n3 sets: 1 fails, 1 is marginal, 1 passes\n")
    assert counted([]) == "0 sets: nothing was judged"


@given(st.lists(ODD, min_size=5, max_size=5))
@settings(max_examples=40)
def test_whatever_a_text_holds_is_shown_as_text(texts):
    serial, model, firmware, path, finding = texts
    entry = Brief(path, Verdict.FAIL, serial, model, firmware, (finding,), 1)
    ((*_, shown_finding),), elements = table(summary_bytes([entry]))
    (row,), _ = table(summary_bytes([entry]))
    assert [" ".join(cell.split()) for cell in row[1:]] == [
        on_a_line(text) for text in (serial, model, firmware, path, finding)
    ]
    assert " ".join(shown_finding.split()) == on_a_line(finding)
    assert elements <= {"h3", "p", "table", "thead", "tbody", "tr", "th", "td", "strong"}


@pytest.mark.parametrize(
    "text",
    ["<script>alert(1)</script>", "`code`", "[a](http://192.0.2.1)", "![a](b)", "https://192.0.2.1/x",
     "www.example.com", "@someone", "a|b", "**a**", "~~a~~", "&lt;", "<!-- -->", "\\|"],
)  # fmt: skip
def test_no_serial_number_becomes_markup_or_a_link(text):
    content = summary_bytes([Brief("set", Verdict.PASS, text)])
    row = content.decode().splitlines()[-1]
    assert row.count("|") == 7
    assert not re.search(r"<|://|www\.|`|(?<!&)#|@", row)
    ((_, serial, *_),), _ = table(content)
    assert serial == text


@pytest.mark.parametrize("number", [0, 1, 500, 5000])
@pytest.mark.parametrize("verdict", [Verdict.FAIL, Verdict.PASS])
def test_no_number_of_sets_makes_it_too_long(number, verdict):
    finding = "|<`" * 200
    entries = [
        Brief(f"sets/{'é' * 200}{n}", verdict, f"PR3-{n:06}", "pellow-r3", "1.4.2", (finding,), 3)
        for n in range(number)
    ]
    content = summary_bytes(entries)
    assert len(content) <= MAX_BYTES < GITHUB_BYTES
    rows = content.decode().count("\n| ") - 2 if number else 0
    shown = content.decode()
    if verdict is Verdict.PASS:
        assert rows == min(number, MAX_ROWS_OF_PASSES)
    if rows < number:
        assert f"\nand {number - rows} more set" in shown
    else:
        assert "more set" not in shown


def test_all_that_do_not_pass_are_shown_before_any_that_does():
    passing = [Brief(f"p{n}", Verdict.PASS) for n in range(500)]
    failing = [Brief(f"f{n}", Verdict.FAIL, findings=("a finding",), found=n) for n in range(100)]
    rows, _ = table(summary_bytes(passing + failing))
    assert [row[4] for row in rows] == [f"f{n}" for n in reversed(range(100))]
    assert "and 500 more sets: 500 pass" in summary_bytes(passing + failing).decode()


def test_a_set_that_was_not_judged_is_told_by_its_problem():
    problem = Problem("set_refused", "sets/x: is not a capture set")
    (row,), _ = table(summary_bytes([brief(JudgedSet("sets/x", problem=problem))]))
    assert row == ["invalid", "", "", "", "sets/x", "is not a capture set"]


def test_those_that_are_equally_bad_keep_their_order():
    entries = [Brief(str(n), Verdict.INVALID, findings=("a",), found=1) for n in range(5)]
    assert worst_first(entries) == entries


def test_a_cause_comes_before_the_worst_finding():
    run = with_causes(runs_of_every_verdict()[Verdict.FAIL])
    ((*_, cell),), _ = table(summary_bytes([brief(JudgedSet("sets/1", run))]))
    assert cell.startswith(f"{made_causes().sentence} tone sinad left fails: ")
    unknown = brief(JudgedSet("sets/1", with_causes(run, unknown_causes())))
    assert unknown.worst == unknown.findings[0]


@pytest.mark.parametrize("fact", [hostile_fact(), *unreadable_facts()])
def test_a_cause_of_a_tampered_log_is_text_and_nothing_else(fact):
    run = replace(runs_of_every_verdict()[Verdict.FAIL], causes=fact)
    rows, elements = table(summary_bytes([brief(JudgedSet("sets/1", run))]))
    assert len(rows) == 1
    assert not elements & {"script", "a", "code", "del", "h1"}
