"""``linecheck serve``: what is refused before anything is served."""

import socket

import pytest
from small_run import STATION, write_small_files

#: Of documentation, no computer's own (RFC 5737).
ELSEWHERE = "192.0.2.1"


def test_no_station_answers_to_every_name(linecheck):
    status, _, err = linecheck("serve", "--station", "a.toml", "--limits", "b.yaml", "--host", "0.0.0.0")
    assert (status, "give the one address" in err) == (2, True)


def test_another_address_needs_a_token_that_nobody_else_can_read(tmp_path, linecheck):
    arguments = ["--station", "station.toml", "--limits", "limits.yaml"]
    status, _, err = linecheck("serve", *arguments, "--host", ELSEWHERE)
    assert (status, "--token-file" in err) == (2, True)
    token = tmp_path / "token"
    for text, mode, why in (
        ("short", 0o600, "at least 16"),
        ("a" * 20, 0o644, "others may read"),
        ("b" * 20 + "!", 0o600, "letters"),
    ):
        token.write_text(text)
        token.chmod(mode)
        status, _, err = linecheck("serve", *arguments, "--host", ELSEWHERE, "--token-file", token)
        assert (status, why in err) == (2, True)


def test_an_address_that_is_taken_is_told(tmp_path, linecheck, monkeypatch):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        write_small_files(tmp_path)
        monkeypatch.chdir(tmp_path)
        port = str(taken.getsockname()[1])
        status, _, err = linecheck(
            "serve", "--station", "station.toml", "--limits", "limits.yaml", "--port", port
        )
    assert (status, "another --port" in err) == (3, True)


def test_the_line_for_a_kiosk_is_printed(tmp_path, linecheck, monkeypatch):
    monkeypatch.chdir(tmp_path)
    status, out, _ = linecheck("serve", "--station", "x.toml", "--limits", "y.yaml", "--kiosk")
    assert status == 0
    assert out.startswith("chromium --kiosk")
    assert "http://127.0.0.1:8460/" in out


def test_what_is_wrong_is_told_before_an_address_is(linecheck, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    arguments = write_small_files(tmp_path)
    for wrong, why in (
        (["--station", "none.toml", "--limits", "limits.yaml"], "there is no such file"),
        (["--station", "station.toml", "--limits", "none.yaml"], "there is no such file"),
        ([*arguments, "--station", "station.toml"], "a nest bench already"),
        ([*arguments, "--fault", "nonsense"], "there is no fault named"),
    ):
        status, out, err = linecheck("serve", *wrong)
        assert (status, out, why in err) == (2, "", True), err


@pytest.mark.parametrize(
    "proof",
    [
        '[loop]\nkind = "analogue"\n',
        '[golden]\nserials = ["PR3-900001"]\n',
        '[challenge.units.hum]\nserial = "PR3-900101"\nmust_fail = ["tone.hum"]\n',
    ],
)
@pytest.mark.parametrize("is_first", [True, False])
def test_what_proves_one_nest_proves_no_other_of_the_same_station(
    linecheck, tmp_path, monkeypatch, proof, is_first
):
    monkeypatch.chdir(tmp_path)
    first, second = (proof, "") if is_first else ("", proof)
    arguments = write_small_files(tmp_path, station=f'nest = "a"\n{STATION}{first}')
    (tmp_path / "b.toml").write_text(f'nest = "b"\n{STATION}{second}')
    status, out, err = linecheck("serve", *arguments, "--station", "b.toml")
    assert (status, out) == (2, "")
    assert "nests a and b are both of station bench" in err
    assert 'station = "bench-b"' in err
