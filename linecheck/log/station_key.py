"""Signatures of records by a key of the station: what whoever has the log's file, and not the key, cannot make.

===========================  ==================================================================
:class:`StationKey`          signs the hash of each record as it is added
:class:`SignedBy`            verifies these signatures, given the public keys
===========================  ==================================================================

A key is Ed25519 (RFC 8032) in a PEM file without a passphrase. What is signed is the ASCII text
``linecheck record SEQUENCE:HASH``; the signature stands beside the hash as 128 hexadecimal digits. As the hash covers
that of the record before, a signature vouches for all records up to its own.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from linecheck.errors import FileError, UsageError
from linecheck.files.text import visible
from linecheck.log.stored import Head

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

#: A signature as it is stored: 64 bytes (RFC 8032, 5.1.6).
SIGNATURE: Final = re.compile("[0-9a-f]{128}")

#: A PEM file of one key has some hundred bytes.
_MAX_BYTES: Final = 10_000
_MAKE_KEY: Final = "openssl genpkey -algorithm ed25519 -out FILE makes one"
_MAKE_PUBLIC: Final = "openssl pkey -in KEY -pubout -out FILE makes it of the private one"


class StationKey:
    """The private key of a station.

    Parameters
    ----------
    path : str or Path
        A PEM file that nobody but its owner may read.

    Raises
    ------
    FileError
        It is none, or others may read it.
    UsageError
        The library for it is missing.
    """

    def __init__(self, path: str | Path) -> None:
        self._key = _private_key(Path(path))

    def sign(self, head: Head) -> str:
        """Return the signature of a record, given its number and hash."""
        return self._key.sign(_message(head)).hex()


def hash_columns(head: Head, key: StationKey | None) -> dict[str, str | None]:
    """Return the columns of a record that say something of its hash."""
    return {
        "record_hash": head.record_hash,
        "station_signature": None if key is None else key.sign(head),
    }


@dataclass(frozen=True)
class SignedBy:
    """Whose signatures records must have.

    Attributes
    ----------
    keys : sequence of Ed25519PublicKey
        One of these.
    first : int
        The record that signing began with; the signature of that record vouches for those before it.
    """

    keys: Sequence[Ed25519PublicKey]
    first: int = 1

    @classmethod
    def files(cls, paths: Sequence[str | Path], first: int = 1) -> SignedBy:
        """Read public keys from PEM files.

        Raises
        ------
        FileError
            One of them is none.
        UsageError
            The library for it is missing.
        """
        return cls(tuple(_public_key(Path(path)) for path in paths), first)

    def fault(self, head: Head, signature: Any) -> str | None:  # noqa: ANN401 - whatever the log says
        """Return what is wrong with a record's signature; None where nothing is."""
        from cryptography.exceptions import InvalidSignature

        if head.sequence < self.first:
            return None
        if signature is None:
            return (
                f"record {head.sequence} is not signed: it was put in without the station's key, or its signature was "
                "removed; where signing began later, --signed-from says with which record"
            )
        for key in self.keys:
            try:
                key.verify(bytes.fromhex(signature), _message(head))
            except (InvalidSignature, ValueError, TypeError):
                continue
            return None
        return f"record {head.sequence} is signed by none of the public keys that were given"


def _message(head: Head) -> bytes:
    return f"linecheck record {head}".encode("ascii")


def _private_key(path: Path) -> Ed25519PrivateKey:
    _refuse_without_library()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    content = _content(path)
    if os.name == "posix" and stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise FileError(visible(str(path)), "others may read this private key: chmod 600 it")
    with _refused(path, f"is no private key in PEM without a passphrase: {_MAKE_KEY}"):
        key = load_pem_private_key(content, password=None)
    if not isinstance(key, Ed25519PrivateKey):
        raise FileError(visible(str(path)), f"is no Ed25519 key: {_MAKE_KEY}")
    return key


def _public_key(path: Path) -> Ed25519PublicKey:
    _refuse_without_library()
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    from cryptography.hazmat.primitives.serialization import load_pem_public_key

    with _refused(path, f"is no public key in PEM: {_MAKE_PUBLIC}"):
        key = load_pem_public_key(_content(path))
    if not isinstance(key, Ed25519PublicKey):
        raise FileError(visible(str(path)), f"is no Ed25519 key: {_MAKE_PUBLIC}")
    return key


@contextmanager
def _refused(path: Path, message: str) -> Iterator[None]:
    """Say what a file is not, where the library cannot read it as a key."""
    from cryptography.exceptions import UnsupportedAlgorithm

    try:
        yield
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        raise FileError(visible(str(path)), message) from error


def _content(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(_MAX_BYTES)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(visible(str(path)), f"the key cannot be read: {reason}") from error


def _refuse_without_library() -> None:
    try:
        import cryptography  # noqa: F401
    except ImportError as error:
        raise UsageError(
            "signing needs a library: install linecheck with the extra it is in, pip install 'linecheck[sign]'"
        ) from error
