"""Recordings of test programmes are cut where they should be, whatever the source does to them."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from recorded_programme import Played, recorded, short_limits, short_programme

from linecheck.audio.file import write_audio, write_audio_blocks
from linecheck.audio.sample_bytes import SampleForm
from linecheck.audio.stream import open_audio
from linecheck.captures.capture_set import load_capture_set
from linecheck.captures.programme.cutting import SetFacts, survey, write_pieces
from linecheck.dsp.locating.marks import BIT_SECONDS, MARK_SECONDS, PAYLOAD_AT_SECONDS, SYNC_AT_SECONDS
from linecheck.errors import FileError

LIMITS = short_limits()
PROGRAMME = short_programme()
NAMES = [segment.name for segment in PROGRAMME.segments]
ALL = [Played(0), Played(1), Played(2)]
SWAPPED = ((0.0, 0.5), (0.5, 0.0))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("recordings")


def surveyed(folder, recording, limits=LIMITS, without=frozenset()):
    path = folder / "recording.wav"
    write_audio(path, recording.samples, recording.rate_hz, None)
    with open_audio(path) as stream:
        return survey(stream, limits, without)


def assert_found(found, recording, played):
    """Each whole segment's first place is found, cut around its stimulus and never into a mark."""
    first = {}
    for entry, seconds in zip(played, recording.seconds, strict=True):
        if entry.lost_seconds == 0.0 and seconds - MARK_SECONDS - 0.12 > 0.0:
            first.setdefault(NAMES[entry.number], seconds)
    assert {piece.segment.name for piece in found.pieces} == set(first)
    assert set(found.missing) == (set(NAMES) - set(first) if first else set(NAMES))
    for piece in found.pieces:
        begins = first[piece.segment.name]
        ends = begins + piece.segment.seconds
        assert piece.seconds == pytest.approx(begins, abs=0.002)
        assert begins - 0.063 < piece.start / recording.rate_hz < begins - 0.057
        stop = piece.stop / recording.rate_hz
        following = min(
            (at - MARK_SECONDS - 0.12 for at in recording.seconds if at > begins + 0.1), default=np.inf
        )
        assert min(ends - 0.003, following) <= stop <= min(ends + 0.16, following)


@settings(max_examples=8)
@given(
    played=st.lists(
        st.builds(Played, st.integers(0, 2), st.sampled_from([0.0, 0.03, 0.6, 3.0])), min_size=1, max_size=5
    ),
    ppm=st.floats(-1000.0, 1000.0),
    rate_hz=st.sampled_from([22_050, 44_100, 48_000]),
    gains=st.tuples(st.sampled_from([0.5, -0.5]), st.sampled_from([0.5, -0.4]), st.booleans()),
    noise_dbfs=st.sampled_from([-100.0, -50.0]),
    lost=st.sampled_from([0.0, 0.4]),
)
def test_segments_are_found_in_any_order_and_condition(folder, played, ppm, rate_hz, gains, noise_dbfs, lost):
    left, right, swap = gains
    table = ((0.0, right), (left, 0.0)) if swap else ((left, 0.0), (0.0, right))
    played = [Played(played[0].number, 0.6), *played[1:]]
    recording = recorded(
        PROGRAMME, played, rate_hz=rate_hz, ppm=ppm, gains=table, noise_dbfs=noise_dbfs, lost=lost
    )
    found = surveyed(folder, recording)
    assert_found(found, recording, played)
    order = sorted(piece.seconds for piece in found.pieces)
    assert [piece.seconds for piece in found.pieces] == order
    assert len(found.pieces) + len(found.spare) == len(played)
    swapped = [note for note in found.notes if "swapped" in note]
    inverted = {note.split()[1] for note in found.notes if "is inverted" in note}
    assert len(swapped) == (2 if swap else 0)
    expected = (right, left) if swap else (left, right)
    assert inverted == {name for name, gain in zip(LIMITS.channels, expected, strict=True) if gain < 0.0}


@pytest.mark.parametrize(
    ("gains", "words"),
    [
        (((0.5, 0.0), (0.0, 0.0)), ["channel right carries no mark: it is dead, or not connected"]),
        (((0.0005, 0.0), (0.0, 0.5)), ["channel left carries no mark: it is dead, or not connected"]),
        (((0.5, 0.001), (0.0004, 0.0)), ["channel right carries no mark: it is dead, or not connected"]),
        (
            ((0.5, 0.0), (0.5, 0.0)),
            ["channel right carries the marks of channel left: swapped, or wired to both"],
        ),
        (
            ((0.25, 0.25), (0.25, 0.25)),
            [
                f"channel {name} carries the marks of several channels at once: mono, or a short between them"
                for name in LIMITS.channels
            ],
        ),
        (((0.5, 0.0), (0.0, 0.5)), []),
        (((-0.5, 0.0), (0.0, 0.5)), ["channel left is inverted"]),
    ],
)
def test_what_is_odd_about_the_channels_is_said_and_nothing_is_lost_by_it(folder, gains, words):
    recording = recorded(PROGRAMME, ALL, gains=gains)
    found = surveyed(folder, recording)
    assert_found(found, recording, ALL)
    assert list(found.notes) == words


def test_the_first_whole_segment_is_taken_and_the_others_are_named(folder):
    played = [
        Played(1, lost_seconds=0.2),
        Played(0, gap_seconds=0.0),
        Played(1),
        Played(0),
        Played(1),
        Played(2, lost_seconds=0.1),
        Played(0, gap_seconds=0.0),
    ]
    recording = recorded(PROGRAMME, played)
    found = surveyed(folder, recording)
    assert [piece.segment.number for piece in found.pieces] == [0, 1]
    assert found.missing == (NAMES[2],)
    assert [(piece.segment.number, piece.whole) for piece in found.spare] == [
        (1, False),
        (0, True),
        (1, True),
        (2, False),
        (0, True),
    ]
    assert found.pieces[1].seconds == pytest.approx(recording.seconds[2], abs=0.001)


def test_a_segment_that_the_recording_ends_in_is_missing(folder):
    recording = recorded(PROGRAMME, ALL)
    whole = round((recording.seconds[2] + PROGRAMME.segments[2].seconds) * recording.rate_hz)
    for stop, missing in ((whole, ()), (whole - round(0.02 * recording.rate_hz), (NAMES[2],))):
        short = type(recording)(recording.samples[:stop], recording.rate_hz, recording.seconds)
        assert surveyed(folder, short).missing == missing


def test_a_mark_that_cannot_be_read_is_named_with_its_time(folder):
    recording = recorded(PROGRAMME, ALL)
    mark = recording.seconds[1] - 0.12 - MARK_SECONDS
    begins = round((mark + PAYLOAD_AT_SECONDS + 40 * BIT_SECONDS) * recording.rate_hz)
    bit = slice(begins, begins + round(BIT_SECONDS * recording.rate_hz))
    # Backwards a rising chirp falls: a wrong bit in each channel, which a checksum always finds, alone as it is.
    recording.samples[bit] = recording.samples[bit][::-1].copy()
    found = surveyed(folder, recording)
    (note,) = found.notes
    assert note == f"a mark that cannot be read, at {mark + SYNC_AT_SECONDS:.1f} s"
    assert found.missing == (NAMES[1],)


def test_the_recording_of_another_programme_is_refused_by_name(folder):
    other = short_limits(bits=24)
    changed = short_programme(bits=24)
    changed = type(changed)(**{**vars(changed), "ident": changed.ident ^ 1})
    recording = recorded(changed, ALL)
    with pytest.raises(
        FileError, match=r"of a different test programme.*programme [0-9a-f]{6} \(44100 Hz, 24 bits"
    ) as error:
        surveyed(folder, recording)
    assert f"the limit file's is {short_programme(bits=24).ident:06x}" in str(error.value)
    # With the word length changed it is the same limit file's, and is known as such.
    found = surveyed(folder, recorded(short_programme(bits=24), ALL))
    assert found.programme is not None
    assert (found.programme.bits, found.missing) == (24, ())
    assert found.programme.ident == short_programme(bits=24).ident != PROGRAMME.ident
    assert len(other.checks) == len(found.pieces)


def test_segments_of_another_programme_among_the_own_ones_are_named(folder):
    own = recorded(PROGRAMME, ALL)
    changed = type(PROGRAMME)(**{**vars(PROGRAMME), "ident": PROGRAMME.ident ^ 1})
    other = recorded(changed, [Played(1)])
    both = type(own)(np.concatenate((own.samples, other.samples)), own.rate_hz, own.seconds)
    found = surveyed(folder, both)
    assert_found(found, own, ALL)
    assert [note.split(",")[0] for note in found.notes] == ["a segment of another test programme"]


@pytest.mark.parametrize(
    ("played_hz", "words"), [(48_000, "1.088 times"), (88_200, "2 times"), (40_516, "0.9188 times")]
)
def test_a_programme_at_a_wrong_speed_is_told_as_such(folder, played_hz, words):
    recording = recorded(PROGRAMME, ALL, ppm=(played_hz / 44_100 - 1.0) * 1e6)
    with pytest.raises(FileError, match=f"{words} its speed"):
        surveyed(folder, recording)


def musical(seconds, rate_hz):
    """Return notes with partials that come, fall and glide, and low noise with hits: nothing of a mark."""
    generator = np.random.default_rng(7)
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    total = np.cumsum(generator.standard_normal(len(time))) * 1e-4
    total[500:-500] -= (np.cumsum(total)[1000:] - np.cumsum(total)[:-1000]) / 1000
    for _ in range(int(12 * seconds)):
        start, pitch = generator.uniform(0, seconds), 55.0 * 2.0 ** generator.uniform(0, 6)
        inside = slice(int(start * rate_hz), int((start + 0.6) * rate_hz))
        local = time[inside] - start
        glide = generator.choice([0.0, 0.0, 3.0, -2.0, 20.0])
        for partial in range(1, 6):
            phase = 2.0 * np.pi * partial * pitch * (local + 0.5 * glide * local**2)
            total[inside] += 0.1 / partial * np.exp(-6.0 * local) * np.sin(phase)
        if generator.random() < 0.4:
            total[inside] += 0.3 * generator.standard_normal(len(local)) * np.exp(-40.0 * local)
    return 0.9 * total / np.max(np.abs(total))


def test_music_and_noise_hold_no_marks(folder):
    rate_hz = 48_000
    notes = musical(12.0, rate_hz)
    table = np.stack([notes, notes[::-1]], axis=1)
    path = folder / "music.wav"
    write_audio(path, table.astype(np.float32), rate_hz, None)
    with open_audio(path) as stream:
        found = survey(stream, LIMITS)
    assert found.programme is None
    assert (found.pieces, found.notes) == ((), ())
    assert found.missing == ("quiet", "tone", "wiring")


def test_what_is_no_number_in_a_recording_stays_in_it_and_hides_nothing_else(folder, tmp_path):
    recording = recorded(PROGRAMME, ALL)
    at = round((recording.seconds[0] + 0.1) * recording.rate_hz)
    recording.samples[at, 0] = np.nan
    path = folder / "nan.wav"
    write_audio(path, recording.samples, recording.rate_hz, None)
    with open_audio(path) as stream:
        found = survey(stream, LIMITS)
        write_pieces(stream, found, tmp_path / "set", SetFacts(serial="PR3-000001"))
    assert found.missing == ()
    capture = load_capture_set(tmp_path / "set").read(NAMES[0])
    assert np.sum(~np.isfinite(capture.samples)) == 1


def test_captures_are_the_recordings_own_samples(folder, tmp_path):
    recording = recorded(PROGRAMME, ALL, rate_hz=96_000)
    codes = (np.round(recording.samples * 2**23).astype(np.int32)) << 8
    path = folder / "codes.wav"
    write_audio(path, codes, 96_000, 24)
    with open_audio(path) as stream:
        found = survey(stream, LIMITS)
        facts = SetFacts("PR3-000001", "1.2", "bench", 50.0, (4.24, 4.25))
        write_pieces(stream, found, tmp_path / "set", facts)
    loaded = load_capture_set(tmp_path / "set")
    index = loaded.index
    assert (index.serial, index.firmware, index.station, index.mains_hz) == (
        "PR3-000001",
        "1.2",
        "bench",
        50.0,
    )
    for piece in found.pieces:
        capture = loaded.read(piece.segment.name)
        np.testing.assert_array_equal(capture.samples, codes[piece.start : piece.stop])
        assert (capture.rate_hz, capture.bits, capture.full_scale_volts) == (96_000, 24, (4.24, 4.25))
        entry = loaded.entries[piece.segment.name]
        assert entry.stimulus_sha256 == piece.segment.planned.stimulus_sha256
        assert entry.stimulus.changes == {}


@pytest.mark.parametrize(
    ("samples", "rate_hz", "words"),
    [
        (np.zeros((9000, 3)), 48_000, "has 3 channels, the limit file 2"),
        (np.zeros((9000, 2)), 8_000, "marks need 16000 Hz"),
    ],
)
def test_a_recording_that_cannot_hold_a_programme_is_refused(folder, samples, rate_hz, words):
    path = folder / "wrong.wav"
    write_audio(path, samples.astype(np.float32), rate_hz, None)
    with open_audio(path) as stream, pytest.raises(FileError, match=words):
        survey(stream, LIMITS)


@pytest.mark.parametrize(
    ("lost", "missing"), [(0.75, ()), (0.9, NAMES[:1]), (1.5, NAMES[:1]), (3.5, NAMES[:2])]
)
def test_a_start_that_is_lost_costs_only_what_it_takes(folder, lost, missing):
    found = surveyed(folder, recorded(PROGRAMME, ALL, lost=lost))
    assert sorted(found.missing) == sorted(missing)
    assert len(found.pieces) == 3 - len(missing)


def test_a_short_recording_is_read_to_its_very_end_and_a_long_one_across_blocks(folder):
    # A block of the search is 8.2 s long here: the 13 segments lie in several, and across their ends.
    played = [Played(number % 3, gap) for number, gap in enumerate(np.linspace(0.1, 1.3, 13))]
    recording = recorded(PROGRAMME, played)
    found = surveyed(folder, recording)
    times = sorted(piece.seconds for piece in (*found.pieces, *found.spare))
    np.testing.assert_allclose(times, recording.seconds, atol=5e-4)


@pytest.mark.usefixtures("usual_collection")
def test_a_long_recording_is_cut_in_bounded_memory(folder, tmp_path):
    recording = recorded(PROGRAMME, ALL)
    frames = 120 * recording.rate_hz
    path = folder / "long.wav"

    def tiles():
        left = frames
        while left:
            block = recording.samples[:left]
            left -= len(block)
            yield block

    write_audio_blocks(path, tiles(), SampleForm(recording.rate_hz, 2, frames, None, np.dtype(np.float32)))
    tracemalloc.start()
    try:
        with open_audio(path) as stream:
            found = survey(stream, LIMITS)
            write_pieces(stream, found, tmp_path / "set", SetFacts())
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert found.missing == ()
    assert len(found.spare) > 30
    # The file's samples alone take 46 MB; a block of the search at this rate 3 MB.
    assert path.stat().st_size > 46e6
    assert peak < 23e6


def test_a_recording_full_of_marks_is_refused_before_they_are_read(folder, monkeypatch):
    monkeypatch.setattr("linecheck.captures.programme.marks.MAX_SYNCS", 5)
    with pytest.raises(FileError, match="more than 5 marks"):
        surveyed(folder, recorded(PROGRAMME, ALL))
