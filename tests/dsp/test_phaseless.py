"""A level that changes without phase, against filters of SciPy's, whose phase is exact."""

import numpy as np
import pytest
from scipy import signal

from linecheck.dsp.responses.sweeps import Transfer, phaseless_dip

FREQUENCIES = np.geomspace(5.3, 22_000.0, 400)


def found(gains, noise=0.0):
    return phaseless_dip(Transfer(gains, np.full(len(gains), noise)), FREQUENCIES, 20_000.0)


def bell(hertz, quality, gain_db):
    """A second-order bell (s² + sA/Q + 1) / (s² + s/(AQ) + 1), evaluated by scipy.signal.freqs."""
    rad, a = 2.0 * np.pi * hertz, 10.0 ** (gain_db / 40.0)
    top, bottom = [1.0, rad * a / quality, rad**2], [1.0, rad / (a * quality), rad**2]
    return signal.freqs(top, bottom, worN=2.0 * np.pi * FREQUENCIES)[1]


@pytest.mark.parametrize("hertz", [100.0, 1000.0, 9000.0])
@pytest.mark.parametrize("quality", [0.7, 2.0, 8.0])
@pytest.mark.parametrize("gain_db", [-12.0, -1.0, 1.0, 6.0])
def test_a_filters_bell_is_none_and_its_level_alone_is(hertz, quality, gain_db):
    gains = bell(hertz, quality, gain_db)
    assert found(gains) is None
    if quality > 1.0:
        place = found(np.abs(gains).astype(np.complex128))
        assert place is not None
        assert FREQUENCIES[place] == pytest.approx(hertz, rel=0.1)


def test_filters_that_only_fall_and_noise_are_no_dip():
    order = signal.bessel(4, 2.0 * np.pi * 9000.0, analog=True)
    falling = signal.freqs(*order, worN=2.0 * np.pi * FREQUENCIES)[1]
    assert found(falling) is None
    assert found(np.abs(falling).astype(np.complex128)) is None
    noise = np.random.default_rng(3).standard_normal((2, 400)) @ np.eye(400) * 0.02
    assert found(1.0 + noise[0] + 1j * noise[1], 2.0 * 0.02**2) is None
