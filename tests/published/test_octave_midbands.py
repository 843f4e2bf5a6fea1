"""Exact midband frequencies of third-octave bands."""

import pytest

from linecheck.dsp.spectra.octaves import midband_hz, third_octaves

# IEC 61672-1:2013, table 3: its nominal frequencies beside 1000 · 10^(n/10), which are the exact midband frequencies
# of IEC 61260-1 with G = 10^(3/10) (the latter's clause 5 from memory).
EXACT_HZ = {
    -17: (20, 19.953), -16: (25, 25.119), -15: (31.5, 31.623), -14: (40, 39.811), -13: (50, 50.119),
    -12: (63, 63.096), -11: (80, 79.433), -10: (100, 100.000), -9: (125, 125.893), -8: (160, 158.489),
    -7: (200, 199.526), -6: (250, 251.189), -5: (315, 316.228), -4: (400, 398.107), -3: (500, 501.187),
    -2: (630, 630.957), -1: (800, 794.328), 0: (1000, 1000.000), 1: (1250, 1258.925), 2: (1600, 1584.893),
    3: (2000, 1995.262), 4: (2500, 2511.886), 5: (3150, 3162.278), 6: (4000, 3981.072), 7: (5000, 5011.872),
    8: (6300, 6309.573), 9: (8000, 7943.282), 10: (10000, 10000.000), 11: (12500, 12589.254),
    12: (16000, 15848.932), 13: (20000, 19952.623),
}  # fmt: skip


@pytest.mark.parametrize("index", sorted(EXACT_HZ))
def test_exact_midband_frequencies(index):
    nominal, exact = EXACT_HZ[index]
    assert midband_hz(index) == pytest.approx(exact, abs=0.00051)
    assert midband_hz(index) == pytest.approx(nominal, rel=0.013)


def test_bands_from_20_hz_are_those_of_the_table_and_go_on():
    bands = third_octaves(20.0, 96_000.0)
    assert bands.midband_hz[: len(EXACT_HZ)] == pytest.approx(
        [exact for _, exact in EXACT_HZ.values()], abs=6e-4
    )
    # 10^1.4 · 1000, 10^1.5 · 1000 … to the band that ends below 96 kHz.
    assert bands.midband_hz[len(EXACT_HZ) :] == pytest.approx(
        [25_118.864, 31_622.777, 39_810.717, 50_118.723, 63_095.734, 79_432.823], abs=5e-4
    )


def test_edges_are_a_sixth_of_an_octave_away():
    # IEC 61260-1: f1 = fm · G^(−1/6), f2 = fm · G^(1/6) (from memory); for 1 kHz 891.25 and 1122.02 Hz.
    bands = third_octaves(900.0, 1_200.0)
    assert list(bands.midband_hz) == [1_000.0]
    assert (bands.lower_hz[0], bands.upper_hz[0]) == pytest.approx((891.2509, 1_122.0185), abs=1e-4)
