"""The README's first command: every kind of check, from the simulated unit to the files."""

import json
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

pytestmark = pytest.mark.every_python

ROOT = Path(__file__).parents[2]


def test_the_demo_judges_every_kind_into_both_files(tmp_path):
    arguments = [
        *("--station", str(ROOT / "station_configs" / "demo.toml")),
        *("--limits", str(ROOT / "limits" / "pellow-r3.yaml")),
        *("--serial", "PR3-000001", "--json", "r.json", "--junit", "j.xml", "--summary", "s.md"),
    ]
    done = subprocess.run(
        [sys.executable, "-m", "linecheck", "run", *arguments], cwd=tmp_path, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    result = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    assert result["verdict"] == "pass"
    assert len({check["kind"] for check in result["checks"]}) == 13
    assert any(reading["is_bound"] for reading in result["readings"])
    assert len(list(ET.parse(tmp_path / "j.xml").iter("testcase"))) > 60
    assert (tmp_path / "s.md").exists()
    # A page goes by mail, and ten thousand runs of a line into a log that a station copies: each stays small.
    for command in ("report PR3-000001 --out page.html", "log status"):
        done = subprocess.run(
            [sys.executable, "-m", "linecheck", *command.split()],
            cwd=tmp_path,
            capture_output=True,
            text=True,
        )
        assert done.returncode == 0, done.stderr
    assert (tmp_path / "page.html").stat().st_size < 600_000
    assert float(re.search(r"a run takes ([0-9.]+) kB", done.stdout)[1]) <= 120.0
