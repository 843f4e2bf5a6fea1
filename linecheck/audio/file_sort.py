"""Naming files that are no WAV and no FLAC, so that whoever has one knows what to do.

:func:`described_sort` looks at the first bytes alone.
"""

from __future__ import annotations

_CONVERT = "convert it to WAV or FLAC at its own rate and word length"
_LOSSY = "its coding changes what is to be measured; record it anew as WAV or FLAC"
_ONE_BIT = "one-bit recordings are not read; record the analogue output as WAV or FLAC"
_UNPACK = "unpack it first"

#: Signature, where it stands, what has it, what to do. The longer of two signatures comes first.
_SORTS = (
    (b"OpusHead", 28, "an Opus file", _LOSSY),
    (b"\x01vorbis", 28, "a Vorbis file", _LOSSY),
    (b"\x7fFLAC", 28, "FLAC in an Ogg file", _CONVERT),
    (b"OggS", 0, "an Ogg file", _CONVERT),
    (b"AIFF", 8, "an AIFF file", _CONVERT),
    (b"AIFC", 8, "an AIFF-C file", _CONVERT),
    (bytes.fromhex("726966662e91cf11a5d628db04c10000"), 0, "a Wave64 file", _CONVERT),
    (b"caff", 0, "a Core Audio file", _CONVERT),
    (b".snd", 0, "an AU file", _CONVERT),
    (b"wvpk", 0, "a WavPack file", _CONVERT),
    (b"MAC ", 0, "a Monkey's Audio file", _CONVERT),
    (b"DSD ", 0, "a DSF file", _ONE_BIT),
    (b"FRM8", 0, "a DSDIFF file", _ONE_BIT),
    (b"ftyp", 4, "an MP4 file", _LOSSY),
    (bytes.fromhex("3026b2758e66cf11"), 0, "a Windows Media file", _LOSSY),
    (bytes.fromhex("1a45dfa3"), 0, "a Matroska or WebM file", _LOSSY),
    (b"ID3", 0, "a file with an ID3 tag before its audio, as MP3 files have", _LOSSY),
    (b"PK\x03\x04", 0, "a ZIP archive", _UNPACK),
    (b"\x1f\x8b", 0, "a gzip archive", _UNPACK),
    (bytes.fromhex("fd377a585a00"), 0, "an xz archive", _UNPACK),
    (bytes.fromhex("28b52ffd"), 0, "a Zstandard archive", _UNPACK),
)


def described_sort(start: bytes) -> str:
    """Return what is wrong with a file that is no WAV and no FLAC, and what to do about it.

    Parameters
    ----------
    start : bytes
        Its first bytes, a hundred or so.
    """
    if not start:
        return "is empty"
    for signature, place, name, advice in _SORTS:
        if start[place : place + len(signature)] == signature:
            return f"is {name} and neither WAV nor FLAC; {advice}"
    if start[0] == 0xFF and len(start) > 1 and start[1] & 0xE0 == 0xE0:
        # ISO/IEC 11172-3, 2.4.1.3, and 13818-7, 6.2.1: layer 00 is that of AAC in ADTS
        name = "an AAC file" if start[1] & 0xF6 == 0xF0 else "an MP3 file"
        return f"seems to be {name} and is neither WAV nor FLAC; {_LOSSY}"
    return "is neither WAV nor FLAC"
