"""Records signed by a key of the station: what whoever has the file cannot make."""

import os
import re
import shutil
import sqlite3
import subprocess
from contextlib import closing

import pytest
from made_runs import made_run
from needed import program
from station_keys import made_keys, other_keys

from linecheck.errors import FileError, UsageError
from linecheck.log import Log, LogReader
from linecheck.log.chain import statement_hash
from linecheck.log.station_key import SignedBy, StationKey
from linecheck.log.stored import Head


@pytest.fixture(scope="module")
def keys(tmp_path_factory):
    return made_keys(tmp_path_factory.mktemp("keys"))


@pytest.fixture(scope="module")
def signed(tmp_path_factory, keys):
    """Return a log of a run, a statement and two more runs, all signed."""
    path = tmp_path_factory.mktemp("signed") / "log.sqlite"
    with Log(path, key=StationKey(keys[0])) as log:
        log.append(made_run())
        log.state("self_check", "line-2-nest-a", {"found": "nothing"})
        log.append(made_run())
        log.append(made_run())
    return path


@pytest.fixture
def copy(signed, tmp_path):
    path = tmp_path / "log.sqlite"
    shutil.copy(signed, path)
    return path


def verified(path, keys, first=1):
    with LogReader(path) as log:
        return log.verify(signed_by=SignedBy.files([keys[1]], first))


def change(path, *commands):
    """Change a log with its guards taken away, and put them back."""
    with closing(sqlite3.connect(path)) as connection, connection:
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        for command, *values in commands:
            connection.execute(command, values)
        for _, guard in guards:
            connection.execute(guard)


def test_every_record_is_signed_and_verifies(signed, keys, tmp_path):
    found = verified(signed, keys)
    assert found.intact
    assert (found.records, found.signed) == (4, 4)
    assert "record 1 is signed by none of the public keys" in verified(signed, other_keys(tmp_path)).fault


def test_one_of_several_keys_is_enough(signed, keys, tmp_path):
    with LogReader(signed) as log:
        assert log.verify(signed_by=SignedBy.files([other_keys(tmp_path)[1], keys[1]])).intact


def test_a_signature_is_what_openssl_says_it_is(signed, keys, tmp_path):
    openssl = program("openssl")
    with closing(sqlite3.connect(signed)) as connection:
        rows = connection.execute("SELECT sequence, record_hash, station_signature FROM run").fetchall()
    for sequence, record_hash, signature in rows:
        (tmp_path / "message").write_text(f"linecheck record {sequence}:{record_hash}")
        (tmp_path / "signature").write_bytes(bytes.fromhex(signature))
        command = [openssl, "pkeyutl", "-verify", "-pubin", "-inkey", keys[1], "-rawin"]
        command += ["-in", tmp_path / "message", "-sigfile", tmp_path / "signature"]
        assert "Verified Successfully" in subprocess.run(command, capture_output=True, text=True).stdout


def test_a_whole_chain_that_was_computed_anew_is_found_by_the_key_alone(copy, keys):
    """Whoever has the file changes the statement and computes its hash, and all after it, anew."""
    with closing(sqlite3.connect(copy)) as connection:
        connection.row_factory = sqlite3.Row
        row = dict(connection.execute("SELECT * FROM statement").fetchone())
    row["content"] = row["content"].replace("nothing", "all well")
    change(
        copy,
        ("DELETE FROM run WHERE sequence > 2",),
        *(
            (f"DELETE FROM {table} WHERE sequence > 2",)
            for table in ("run_check", "reading", "packed_curve", "curve_points", "problem")
        ),
        ("UPDATE statement SET content = ?, record_hash = ?", row["content"], statement_hash(row)),
    )
    with LogReader(copy) as log:
        assert log.verify().intact
    assert verified(copy, keys).fault == "record 2 is signed by none of the public keys that were given"
    change(copy, ("UPDATE statement SET station_signature = NULL",))
    assert verified(copy, keys).fault.startswith("record 2 is not signed")
    assert verified(copy, keys, first=2).sequence == 2


def test_a_signature_of_another_record_is_none_of_this(copy, keys):
    change(
        copy,
        (
            "UPDATE run SET station_signature = (SELECT station_signature FROM run WHERE sequence = 4) "
            "WHERE sequence = 3",
        ),
    )
    assert verified(copy, keys).sequence == 3


@pytest.mark.parametrize("signature", ["", "ab" * 63, "AB" * 64, "xy" * 64])
def test_what_is_no_signature_is_found_without_a_key(copy, signature):
    change(copy, ("UPDATE run SET station_signature = ? WHERE sequence = 3", signature))
    with LogReader(copy) as log:
        assert log.verify().sequence == 3


def test_signing_may_begin_later(tmp_path, keys):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        log.append(made_run())
    with Log(path, key=StationKey(keys[0])) as log:
        log.append(made_run())
    assert verified(path, keys).fault.startswith("record 1 is not signed")
    assert verified(path, keys, first=2).intact
    # Signatures that are said to begin after the end are none.
    assert (
        verified(path, keys, first=3).fault
        == "the log ends with record 2, and signing is said to begin with 3"
    )


def test_nothing_unsigned_is_added_to_signed_records(copy, keys):
    with pytest.raises(FileError, match=r"\[sign\] key signs"):
        Log(copy)
    with Log(copy, key=StationKey(keys[0])) as log:
        log.append(made_run())
    assert verified(copy, keys).records == 5


def test_an_empty_log_is_signed_by_nobody(tmp_path, keys):
    with Log(tmp_path / "log.sqlite"):
        pass
    assert not verified(tmp_path / "log.sqlite", keys).intact


def test_keys_that_are_none_are_said_in_words(tmp_path, keys):
    private, public = keys
    with pytest.raises(FileError, match="cannot be read: No such file"):
        StationKey(tmp_path / "missing.pem")
    with pytest.raises(FileError, match="is no private key in PEM"):
        StationKey(public_as_private := with_mode(tmp_path / "a.pem", public.read_bytes()))
    assert public_as_private.exists()
    with pytest.raises(FileError, match="is no public key in PEM"):
        SignedBy.files([private])
    with pytest.raises(FileError, match="openssl genpkey"):
        StationKey(with_mode(tmp_path / "b.pem", b"\0" * 100))
    with pytest.raises(FileError, match="openssl genpkey"):
        StationKey(with_mode(tmp_path / "c.pem", encrypted(private)))
    with pytest.raises(FileError, match="is no Ed25519 key"):
        StationKey(with_mode(tmp_path / "d.pem", another_sort()))


@pytest.mark.skipif(os.name != "posix", reason="modes of files are of POSIX")
def test_a_private_key_that_others_may_read_is_refused(tmp_path, keys):
    with pytest.raises(FileError, match="chmod 600"):
        StationKey(with_mode(tmp_path / "open.pem", keys[0].read_bytes(), 0o644))


def test_a_missing_library_is_said_with_how_to_get_it(keys, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "cryptography", None)
    with pytest.raises(UsageError, match=re.escape("pip install 'linecheck[sign]'")):
        StationKey(keys[0])


def test_the_signature_of_a_head_depends_on_number_and_hash(keys):
    key, proof = StationKey(keys[0]), SignedBy.files([keys[1]])
    head = Head(7, "ab" * 32)
    signature = key.sign(head)
    assert proof.fault(head, signature) is None
    assert proof.fault(head._replace(sequence=8), signature) is not None
    assert proof.fault(head._replace(record_hash="ac" * 32), signature) is not None


def with_mode(path, content, mode=0o600):
    path.write_bytes(content)
    os.chmod(path, mode)
    return path


def encrypted(private):
    from cryptography.hazmat.primitives import serialization

    key = serialization.load_pem_private_key(private.read_bytes(), None)
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.BestAvailableEncryption(b"word"),
    )


def another_sort():
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed448 import Ed448PrivateKey

    return Ed448PrivateKey.generate().private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
