"""What the tests of the server share."""

import sys

import pytest

from linecheck.cli import main


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
