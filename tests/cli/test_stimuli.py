"""``linecheck stimuli``: what a run plays, as files."""

import numpy as np
import pytest
import soundfile
from small_run import LIMITS, call, write_small_files

from linecheck.limits.loading.load import load_limits
from linecheck.run.plan import make_plan

pytestmark = pytest.mark.every_python


@pytest.fixture
def stimuli(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    write_small_files(tmp_path)
    return lambda *arguments: call(monkeypatch, capsys, "stimuli", "--limits", "limits.yaml", *arguments)


@pytest.mark.parametrize(
    ("bits", "subtype"), [(16, "PCM_16"), (20, "PCM_24"), (24, "PCM_24"), (32, "PCM_32")]
)
def test_every_check_has_a_file_of_exactly_what_a_run_plays(stimuli, tmp_path, bits, subtype):
    write_small_files(tmp_path, limits=LIMITS.replace("{seconds: 0.25}", f"{{seconds: 0.25, bits: {bits}}}"))
    status, out, err = stimuli("--out", "a/b")
    assert status == 0
    assert "tweeters" in err
    plan = make_plan(load_limits(tmp_path / "limits.yaml"))
    assert {path.name for path in (tmp_path / "a/b").iterdir()} == {"quiet.wav", "tone.wav", "wiring.wav"}
    for planned in plan.checks:
        path = tmp_path / "a/b" / f"{planned.check.name}.wav"
        assert soundfile.info(path).subtype == subtype
        samples, rate = soundfile.read(path, dtype="int32", always_2d=True)
        np.testing.assert_array_equal(samples, planned.stimulus.samples)
        assert rate == planned.stimulus.rate_hz == 44_100
        assert path.name in out


def test_the_files_are_the_same_to_the_byte_every_time(stimuli, tmp_path):
    stimuli("--out", "a")
    stimuli("--out", "b")
    stimuli("--out", "a")
    for path in (tmp_path / "a").iterdir():
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [(["--out", "limits.yaml/x"], "cannot be made a folder"), ([], "Missing option '--out'")],
)
def test_a_folder_that_cannot_be_is_refused(stimuli, arguments, words):
    status, out, err = stimuli(*arguments)
    assert (status, out) == (2, "")
    assert words in err
