"""Closed forms of what stands behind a converter: the held sample's droop, the disc's de-emphasis."""

import filtered_unit as unit
import numpy as np
import pytest
from known_truth import readings
from scipy import signal as scipy_signal

from linecheck.checks.base import Context
from linecheck.checks.reconstruction import KIND as RECONSTRUCTION
from linecheck.checks.response import KIND as RESPONSE
from linecheck.dsp.responses.responses import Response, level_at

CHANNELS = ("left", "right")

#: 20 lg(sin(πf/rate)/(πf/rate)), worked out by hand from the formula.
HELD_AT_20K = {44_100: -3.1678, 48_000: -2.6399}

#: Time constants of 50 and 15 µs (IEC 60908, from memory): level re low frequencies, worked out from the formula.
DE_EMPHASIS = {
    997.0: -0.3683,
    1000.0: -0.3704,
    5000.0: -4.5291,
    10_000.0: -7.6015,
    16_000.0: -9.0432,
    20_000.0: -9.4892,
}


def measured(kind, capture, **stimulus):
    given = kind.stimulus_parameters(**stimulus)
    location = kind.locate(capture, given, CHANNELS)
    assert location.problems == ()
    return kind.measure(capture, location, given, kind.analysis_parameters(), Context(CHANNELS))


def captured(kind, response, **stimulus):
    rate = stimulus.get("rate_hz", 44_100)
    played = kind.stimulus(kind.stimulus_parameters(**stimulus), 2, 0.01)
    return unit.through(played, 4 * rate, response, clock_ppm=-120.0, noise=1e-7)[0]


@pytest.mark.parametrize("rate_hz", sorted(HELD_AT_20K))
def test_droop_of_a_held_sample(rate_hz):
    result = measured(
        RECONSTRUCTION,
        captured(RECONSTRUCTION, unit.zero_order_hold(rate_hz), rate_hz=rate_hz),
        rate_hz=rate_hz,
    )
    values = readings(result)
    at_1k = 20 * np.log10(np.sinc(1000 / rate_hz))
    assert values["response_20k"].value == pytest.approx(HELD_AT_20K[rate_hz] - at_1k, abs=0.0002)
    # At half the rate it is 2/π, -3.9224 dB; the image of a tone at f is f / (rate - f) below it.
    curve = next(part for part in result.curves if part.metric == "response")
    levels = Response(curve.x, curve.y, np.zeros(len(curve.x)))
    assert level_at(levels, rate_hz / 2).value == pytest.approx(20 * np.log10(2 / np.pi) - at_1k, abs=0.0002)
    tones = np.arange(25.0, 20_000.0, 50.0)
    tones = tones[tones >= 19_000.0]
    if rate_hz == 44_100:
        worst = 20 * np.log10((rate_hz - tones[-1]) / tones[-1])
        assert values["image_rejection"].value == pytest.approx(worst, abs=0.0005)


@pytest.mark.parametrize("signal", ["multisine", "sweep"])
def test_de_emphasis(signal):
    result = measured(RESPONSE, captured(RESPONSE, unit.de_emphasis, signal=signal), signal=signal)
    curve = result.curves[0]
    levels = Response(curve.x, curve.y, np.zeros(len(curve.x)))
    for hertz, level in DE_EMPHASIS.items():
        found = level_at(levels, hertz).value
        assert found == pytest.approx(level - DE_EMPHASIS[1000.0], abs=0.0005), hertz
    values = readings(result)
    at_20 = 20 * np.log10(np.abs(unit.de_emphasis(np.array([20.0]))))[0]
    assert values["flatness"].value == pytest.approx(at_20 - DE_EMPHASIS[20_000.0], abs=0.0005)


#: Chebyshev filters of the first kind: equal ripple in the pass band, by their definition.
RIPPLES_DB = (0.01, 0.1, 0.5)


@pytest.mark.parametrize("signal", ["multisine", "sweep"])
@pytest.mark.parametrize("ripple_db", RIPPLES_DB)
def test_the_ripple_of_a_chebyshev_filter_without_the_fall_at_the_edges(ripple_db, signal):
    # Seventh order, pass band to 17 kHz: between 100 Hz and 16 kHz the response goes up and down by the whole ripple
    # three times, at 20 kHz it has fallen. A coupling capacitor (2 Hz) takes 0.04 dB at 20 Hz, 0.002 dB at 100 Hz.
    low_pass = scipy_signal.cheby1(7, ripple_db, 2.0 * np.pi * 17_000.0, analog=True)

    def response(hertz):
        hertz = np.maximum(np.asarray(hertz, dtype=float), 1e-9)
        return scipy_signal.freqs(*low_pass, 2.0 * np.pi * hertz)[1] * (1j * hertz / (1j * hertz + 2.0))

    def level(hertz):
        return 20.0 * np.log10(np.abs(response(np.asarray(hertz))))

    given = RESPONSE.stimulus_parameters(signal=signal)
    capture = captured(RESPONSE, response, signal=signal)
    location = RESPONSE.locate(capture, given, CHANNELS)
    found = {}
    for inner in ((100.0, 16_000.0), None):
        analysis = RESPONSE.analysis_parameters(inner_hz=inner)
        found[inner] = readings(RESPONSE.measure(capture, location, given, analysis, Context(CHANNELS)))
    declared, by_default = (found[inner]["passband_ripple"].value for inner in ((100.0, 16_000.0), None))
    assert declared == pytest.approx(ripple_db, abs=0.003)
    # By default the inner part goes to 18 kHz, where this filter has begun to fall.
    inside = level(np.geomspace(100.0, 18_000.0, 4001))
    assert by_default == pytest.approx(np.ptp(inside), abs=0.01)
    whole = level(np.geomspace(20.0, 20_000.0, 4001))
    for values in found.values():
        assert values["flatness"].value == pytest.approx(np.ptp(whole), abs=0.01)
        assert values["flatness"].value > values["passband_ripple"].value + 0.9


def test_the_inner_part_by_default_and_where_it_is_beyond_the_stimulus():
    analysis = RESPONSE.analysis_parameters
    assert analysis().inner_band_hz == (100.0, 18_000.0)
    assert analysis(band_hz=(10.0, 40_000.0)).inner_band_hz == (50.0, 36_000.0)
    given = RESPONSE.stimulus_parameters()
    beyond = RESPONSE.never_measured(given, analysis(inner_hz=(100.0, 30_000.0)), 2, has_reference=False)
    assert set(beyond) == {"passband_ripple"}
    upside_down = RESPONSE.never_measured(given, analysis(inner_hz=(2000.0, 100.0)), 2, has_reference=False)
    assert set(upside_down) == {"passband_ripple"}
