"""Tones for two channels at once, in octave steps, told apart by their frequencies; and octave steps for one at a time.

No harmonic and no intermodulation product up to third order of one channel's tones comes closer than 4 Hz (5.6 cycles
over 1.4 s) to a tone of the other's, so that what a channel holds at the other's frequencies came from there. All keep
4 Hz from the first ten multiples of 50 and of 60 Hz and 10 Hz from those of 1 kHz (USB frames). The places were found
by simulated annealing around octave steps, the phases by a descent on ever higher norms of the waveform, for a low
peak; both are frozen here and depend on no rate.
"""

from __future__ import annotations

import numpy as np

from linecheck.dsp.arrays import FloatArray

#: Of the first and of the second channel, where both sound at once.
PAIR_TONES_HZ: tuple[FloatArray, FloatArray] = (
    np.array([20, 42, 72, 156, 276, 615, 1224, 2483, 4820, 9671, 19422], dtype=np.float64),
    np.array([26, 56, 88, 172, 343, 662, 1321, 2646, 5288, 10469, 19947], dtype=np.float64),
)
#: Phases of cosines at the first frame.
PAIR_PHASES: tuple[FloatArray, FloatArray] = (
    np.array([1.167, 2.093, 5.416, 0.145, 3.118, 4.879, 0.452, 6.195, 2.822, 3.098, 3.533]),
    np.array([1.482, 2.614, 5.345, 1.041, 3.835, 5.078, 1.912, 1.320, 1.552, 3.854, 2.838]),
)
#: AES17-2015, 6.5.2: 20, 40 … 10240 Hz and 20 kHz.
OCTAVE_TONES_HZ: FloatArray = np.array([*(20.0 * 2.0**step for step in range(10)), 20000.0])
OCTAVE_PHASES: FloatArray = np.array(
    [1.225, 0.058, 5.927, 3.376, 0.664, 5.786, 3.907, 6.140, 4.341, 0.792, 3.269]
)
#: Highest value that any of the three waveforms reaches, between samples too, where each tone has an amplitude of 1.
PEAK_OF_UNIT_TONES = 8.06

for _table in (*PAIR_TONES_HZ, *PAIR_PHASES, OCTAVE_TONES_HZ, OCTAVE_PHASES):
    _table.setflags(write=False)
