"""Intermodulation products and tones beside far stronger lines, against what was put in."""

import numpy as np
import pytest

from linecheck.dsp.fits.tones import fit_tapered, fit_tones, taper
from linecheck.dsp.spectra.products import fit_products

FRAMES = 7200
TONES = np.array([60.0, 7000.0]) / 24_000
PRODUCTS = np.array([6880.0, 6940.0, 7060.0, 7120.0]) / 24_000
AROUND = 30.0 / 24_000


def record(amplitudes, noise=0.0, seed=0, extra=()):
    time = np.arange(FRAMES)
    values = noise * np.random.default_rng(seed).standard_normal(FRAMES)
    known = zip(
        [*TONES, *PRODUCTS, *(place for place, _ in extra)],
        [*amplitudes, *(a for _, a in extra)],
        strict=True,
    )
    for place, amplitude in known:
        values += amplitude * np.cos(2.0 * np.pi * place * time + 17.0 * place)
    return values


def test_amplitudes_come_out_as_they_went_in():
    made = [0.8, 0.2, 1e-4, 2e-5, 3e-5, 1e-6]
    found = fit_products(record(made), TONES, PRODUCTS, [], AROUND)
    assert found.tones == pytest.approx([0.8, 0.2], rel=1e-9)
    assert np.sqrt(2.0 * found.powers) == pytest.approx(made[2:], rel=1e-6)


def test_noise_alone_has_no_product_on_average_and_spreads_as_stated():
    powers, variances, shares = [], [], []
    for seed in range(150):
        found = fit_products(record([0.8, 0.2, 0, 0, 0, 0], 1e-3, seed), TONES, PRODUCTS, [], AROUND)
        powers.append(found.powers)
        variances.append(found.variance())
        shares.append(found.shares)
    share = 1.1 * 2e-6 / FRAMES
    assert np.mean(shares) == pytest.approx(share, rel=0.04)
    assert abs(np.mean(powers)) < 0.15 * share
    assert np.var(powers) == pytest.approx(np.mean(variances), rel=0.3)


def test_a_line_between_products_is_neither_noise_nor_product():
    made = [0.8, 0.2, 1e-5, 1e-5, 1e-5, 1e-5]
    quiet = fit_products(record(made, 1e-5), TONES, PRODUCTS, [], AROUND)
    beside = fit_products(record(made, 1e-5, extra=[(7100.3 / 24_000, 1e-4)]), TONES, PRODUCTS, [], AROUND)
    assert beside.powers == pytest.approx(quiet.powers, rel=0.05)
    assert beside.shares == pytest.approx(quiet.shares, rel=0.5)


def test_strong_hum_does_not_leak_through_the_taper():
    hum = [(50.02 / 24_000, 0.5), (3.0 / 24_000, 0.5)]
    values = record([0.0, 1e-4, 0, 0, 0, 0], extra=hum)
    plain = fit_tones(values, TONES[1:]).amplitudes[0]
    amplitudes, _, share = fit_tapered(values, TONES[1:])
    assert abs(abs(plain) - 1e-4) > 1e-5
    assert abs(amplitudes[0]) == pytest.approx(1e-4, rel=0.01)
    assert share * FRAMES == pytest.approx(1.1, abs=0.02)


def test_the_taper_is_flat_and_symmetric():
    weights = taper(1000)
    assert np.array_equal(weights, weights[::-1])
    assert np.all(weights[125:875] == 1.0)
    assert np.all(np.diff(weights[:126]) > 0.0)
    assert 0.0 < weights[0] < 1e-3
