"""Filters of known truth: whatever is read of them, or found between two of them, is so.

The units are two that no one here wrote (qualities of soxr, from 48 to 192 kHz) and the simulated unit with two of its
filters. What they truly do is computed from their impulse responses by a Fourier transform alone.
"""

from functools import cache

import numpy as np
import pytest
import resampled_unit as unit
from ideal_unit import ideal_unit

from linecheck.captures.capture_set import write_capture_set
from linecheck.cli.options import LogPlace
from linecheck.cli.sources import view_of
from linecheck.history.comparison.differences import compare_sides
from linecheck.history.comparison.sides import pick
from linecheck.limits.loading.load import load_limits
from linecheck.run.plan import make_plan
from linecheck.station.interfaces.simulated.filters import reconstruction_taps
from linecheck.station.interfaces.simulated.interface import SimulatedInterface

CAPTURE_HZ = 192_000
#: In 20 Hz to 20 kHz re a full-scale sine, that of a good unit.
NOISE_DBFS = -115.0
LIMITS = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
checks:
  tone: {kind: tone, stimulus: {rate_hz: RATE, level_dbfs: -1, seconds: 0.5}}
  response: {kind: response, stimulus: {rate_hz: RATE}, masks: {flatness: {pass: {max: 1}}}}
  reconstruction: {kind: reconstruction, stimulus: {rate_hz: RATE}}
  distortion_sweep: {kind: distortion_sweep, stimulus: {rate_hz: RATE, points: 5}}
"""
READ_AT_KHZ = (10, 15, 17, 18, 19, 20)

#: Within so much of the truth every metric is read where noise is no matter: as the tests of the check kinds say. The
#: top of a lobe of the stop band lies between two lines, which are 50 Hz apart.
ACCURACY = {
    **{f"response_{khz}k": 0.001 for khz in READ_AT_KHZ},
    "corner_3db": 0.3,
    "corner_6db": 0.3,
    "corner_high": 0.3,
    "stopband_attenuation": 1.2,
    "stopband_from": 60.0,
    "image_rejection": 0.5,
    "pre_ringing": 0.02,
    "latency": 0.004,
    "flatness": 0.001,
    "passband_ripple": 0.001,
    "worst": 0.3,
    "worst_wideband": 0.3,
}


def write_limits(folder, rate_hz):
    path = folder / f"limits-{rate_hz}.yaml"
    path.write_text(LIMITS.replace("RATE", str(rate_hz)), encoding="utf-8")
    return path


def distortion(truth, rate_hz, to_hz):
    """THD+N in dB at the loudest of the tones that are played: noise of a known level, and images."""
    tones = np.geomspace(20.0, 20_000.0, 5)
    level = truth.level(tones)
    noise = 10 ** ((NOISE_DBFS + 1.0 - level) / 10) * (to_hz - 20.0) / 19_980.0
    images = np.zeros(len(tones))
    for place in (rate_hz - tones, rate_hz + tones, 2 * rate_hz - tones):
        power = 10 ** ((truth.level(np.minimum(place, to_hz)) - level) / 10)
        images += np.where(place <= to_hz, power, 0.0)
    return float(10 * np.log10(np.max(noise + images)))


def truths(truth, rate_hz):
    """What a filter does, by metric."""
    depth, begins = truth.stop_band(CAPTURE_HZ)
    ahead, delay = truth.impulse(unit.EDGE * CAPTURE_HZ)
    band = truth.level(np.geomspace(20.0, 20_000.0, 400))
    return {
        **{f"response_{khz}k": float(truth.level(1e3 * khz)[0]) for khz in READ_AT_KHZ},
        "corner_3db": truth.corner(-3.0),
        "corner_6db": truth.corner(-6.0),
        "corner_high": truth.corner(-3.0),
        "stopband_attenuation": depth,
        "stopband_from": begins,
        "image_rejection": truth.image_rejection(rate_hz),
        "pre_ringing": ahead,
        "latency": delay,
        "flatness": float(np.ptp(band)),
        "passband_ripple": float(np.ptp(truth.level(np.geomspace(100.0, 18_000.0, 400)))),
        "worst": distortion(truth, rate_hz, 20_000.0),
        "worst_wideband": distortion(truth, rate_hz, 80_000.0),
    }


class Bench:
    """Capture sets with the truth about each."""

    def __init__(self, folder):
        self.folder, self.truths, self.limits = folder, {}, {}

    def _write(self, name, rate_hz, truth, play):
        path = write_limits(self.folder, rate_hz)
        limits = load_limits(path)
        captures = {entry.check.name: play(entry) for entry in make_plan(limits).checks}
        about = {"model": limits.model, "serial": "PR3-000001", "firmware": name}
        write_capture_set(self.folder / name, captures, **about)
        self.truths[name], self.limits[name] = truths(truth, rate_hz), str(path)

    def soxr(self, name, quality, seed):
        """Write a set through a quality of soxr."""
        truth = unit.soxr_truth(quality, CAPTURE_HZ, 48_000)

        def play(entry):
            return unit.soxr_capture(entry.stimulus, quality, noise_dbfs=NOISE_DBFS, seed=seed)

        self._write(name, 48_000, truth, play)

    def simulated(self, name, filter_name, seed):
        """Write a set of the simulated unit that has noise and another clock than the capture, and no other fault."""
        made = ideal_unit(seed=seed, filter=filter_name, noise_db=NOISE_DBFS, clock_ppm=12.0, adc_bits=24)
        interface = SimulatedInterface(made, capture_rate_hz=CAPTURE_HZ)
        taps, _ = reconstruction_taps(filter_name, 8)
        truth = unit.FilterTruth(taps, 1.0 / (8 * 44_100))
        self._write(name, 44_100, truth, lambda entry: interface.play(entry.check.name, entry.stimulus))

    def view(self, name):
        """Return what is measured of a set."""
        return view_of(str(self.folder / name), LogPlace(), (self.limits[name],))


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    made = Bench(tmp_path_factory.mktemp("filters"))
    made.soxr("soxr-HQ", "HQ", 1)
    made.soxr("soxr-HQ again", "HQ", 2)
    made.soxr("soxr-LQ", "LQ", 3)
    made.soxr("soxr-MQ", "MQ", 6)
    made.simulated("sim-sharp", "sharp", 4)
    made.simulated("sim-slow", "slow", 5)
    return made


NAMES = ("soxr-HQ", "soxr-LQ", "sim-sharp", "sim-slow")


@pytest.mark.parametrize("name", NAMES)
def test_every_reading_is_within_its_accuracy_of_the_truth(bench, name):
    truth, seen = bench.truths[name], set()
    for check in bench.view(name).checks:
        for judged in check.judged.readings:
            reading = judged.reading
            if reading.metric not in truth or reading.value is None:
                continue
            seen.add(reading.metric)
            off, allowed = reading.value - truth[reading.metric], 4 * reading.uncertainty
            if reading.is_bound:
                assert off < allowed, (reading.metric, off)
            else:
                assert abs(off) < allowed + ACCURACY[reading.metric], (reading.metric, off)
    assert set(truth) - seen <= {"stopband_from"}


PAIRS = (
    ("soxr-HQ", "soxr-LQ"),
    ("soxr-LQ", "soxr-HQ"),
    ("soxr-HQ", "soxr-MQ"),
    ("sim-sharp", "sim-slow"),
    ("sim-slow", "sim-sharp"),
)
#: What is found by another metric that says the same.
SAME = {"corner_high": "corner_3db", "flatness": "response_20k", "passband_ripple": "response_20k"}


@pytest.fixture(scope="module")
def compared(bench):
    """The comparison of one set with another, as the command does it."""

    @cache
    def view(name):
        return bench.view(name)

    def compare(first, second):
        return compare_sides([pick(name, view(name), {}) for name in (first, second)])

    return compare


@pytest.mark.parametrize(("first", "second"), PAIRS)
def test_what_is_found_is_so_and_what_is_so_is_found(bench, compared, first, second):
    """A number is within four uncertainties and the accuracy of both; past a bound it is no more than is true."""
    comparison = compared(first, second)
    before, after = bench.truths[first], bench.truths[second]
    found = {finding.metric: finding for finding in comparison.findings}
    bounds = {value.metric for value in comparison.values if any(r and r.is_bound for r in value.readings)}
    for metric, finding in found.items():
        true, off = after[metric] - before[metric], 4 * finding.uncertainty + 2 * ACCURACY[metric]
        assert finding.difference * true > 0.0, finding.text
        if metric in bounds:
            assert abs(finding.difference) < abs(true) + off, finding.text
        else:
            assert finding.difference == pytest.approx(true, abs=off), finding.text
    for metric in before:
        named = SAME.get(metric, metric)
        if metric not in bounds and abs(after[metric] - before[metric]) > 3 * ACCURACY[metric]:
            known = any(
                value.metric == metric and all(r is not None and r.value is not None for r in value.readings)
                for value in comparison.values
            )
            assert named in found or not known, metric
    assert "stopband_attenuation" in found or "stopband_attenuation" not in bounds


def test_nothing_is_found_between_captures_of_one_unit(compared):
    comparison = compared("soxr-HQ", "soxr-HQ again")
    assert comparison.findings == ()
    assert comparison.comparisons > 100


def test_what_a_qa_engineer_reads(compared):
    """The filter loses 2.636 dB at 18 kHz, as its coefficients say."""
    texts = [finding.text for finding in compared("sim-sharp", "sim-slow").findings]
    assert "sim-slow: loses 2.64 dB at 18 kHz against sim-sharp" in texts
    assert texts[0].startswith("sim-slow: images of 19 to 20 kHz at −4.5 dB")
