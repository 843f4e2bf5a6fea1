"""What the tests of commands share."""

import sys

import pytest
from played_once import share

from linecheck.cli import main


@pytest.fixture(autouse=True)
def played_once(monkeypatch):
    """Commands are tried on the same few units again and again."""
    share(monkeypatch)


@pytest.fixture
def linecheck(monkeypatch, capsys):
    """Run a command as a user would; return its exit status, standard output and standard error."""

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["linecheck", *map(str, arguments)])
        with pytest.raises(SystemExit) as end:
            main()
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return end.value.code, out, err

    return run
