"""The README's first command: every kind of check, from the simulated unit to the files."""

import json
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
