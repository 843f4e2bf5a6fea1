"""What every export format keeps to: those that there are, and one that is added by its file alone."""

import importlib
import io
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from added_members import added_modules
from made_runs import runs_of_every_verdict
from small_run import call

from linecheck.errors import ContractError, UsageError
from linecheck.log import Log, LogReader, RunFilter
from linecheck.log.export import export_formats
from linecheck.log.export.rows import pages
from linecheck.log.export.tables import TABLES
from linecheck.run.facts import Asset

pytestmark = pytest.mark.every_python

SKELETON = (Path(__file__).parent / "skeleton_export.py").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """A log with a run of every verdict."""
    path = tmp_path_factory.mktemp("export") / "log.sqlite"
    with Log(path) as log:
        for made in runs_of_every_verdict().values():
            log.append(replace(made, assets=(Asset("cable", "CB-12"),)))
    return path


@pytest.fixture
def added(tmp_path):
    """The skeleton among the formats."""
    folder = tmp_path / "formats"
    folder.mkdir()
    commands = [importlib.import_module(f"linecheck.cli.log{name}") for name in (".export", ".assets", "")]
    with added_modules(folder, "linecheck.log.export", export_formats, skeleton=SKELETON):
        for module in commands:
            importlib.reload(module)
        yield export_formats()["tsv"]
    for module in commands:
        importlib.reload(module)


@pytest.fixture(params=[*export_formats(), "tsv"])
def form(request):
    """Every format, and one that is added."""
    return request.getfixturevalue("added") if request.param == "tsv" else export_formats()[request.param]


def written(form, table, given):
    sink = io.BytesIO()
    form.write(sink, table, given)
    return sink.getvalue()


@pytest.mark.parametrize("what", TABLES)
def test_every_table_is_written_the_same_each_time(form, what, path):
    form.check()
    with LogReader(path) as log:
        contents = [written(form, TABLES[what], pages(log, TABLES[what], RunFilter())) for _ in range(2)]
    assert contents[0] == contents[1]
    assert len(contents[0]) > len(written(form, TABLES[what], []))
    if form.is_text:
        contents[0].decode("utf-8")


def test_a_file_is_written_by_its_name_and_by_its_option(form, path, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    by_name, by_option = f"by_name.{form.name.upper()}", "by_option"
    for target, option in ((by_name, ()), (by_option, ("--format", form.name))):
        status, _, err = call(monkeypatch, capsys, "log", "export", "--log", path, "--to", target, *option)
        assert status == 0, err
    assert Path(by_name).read_bytes() == Path(by_option).read_bytes()


def test_what_it_needs_and_lacks_is_said_with_what_to_install(form, monkeypatch):
    if not form.module:
        assert form.extra == ""
        return
    library = form.module.partition(".")[0]
    monkeypatch.setitem(sys.modules, library, None)
    with pytest.raises(UsageError, match=rf"{form.text} needs {library}, .* 'linecheck\[{form.extra}\]'"):
        form.check()


def test_an_added_format_is_offered(added, path, monkeypatch, capsys):
    status, out, _ = call(monkeypatch, capsys, "log", "export", "--help")
    assert (status, f"[{'|'.join(export_formats())}]" in out) == (0, True)
    assert "tsv" in export_formats()
    status, out, _ = call(monkeypatch, capsys, "log", "used", "--help")
    assert (status, "|tsv" in out) == (0, True)
    status, _, err = call(monkeypatch, capsys, "log", "export", "--log", path, "--to", "runs.xls")
    assert (status, f"say how it is to be written: {', '.join(export_formats())}" in err) == (2, True)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('= "tsv"', '= "csv"', "This is a fault in the export format 'csv': .* both have this name"),
        ("= TsvFormat()", "= TsvFormat", "is no ExportFormat"),
    ],
)
def test_a_format_that_says_what_cannot_be_is_refused(old, new, words, tmp_path):
    with (
        added_modules(tmp_path, "linecheck.log.export", export_formats, tsv=SKELETON.replace(old, new)),
        pytest.raises(ContractError, match=words),
    ):
        export_formats()
