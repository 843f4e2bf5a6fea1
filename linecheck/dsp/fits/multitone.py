"""The multi-tone: 32 tones between which every product of second and third order falls, with a low crest factor.

The tones lie on a grid of 2 Hz, so that what they make in any circuit repeats every half second and every product of
theirs lies on that grid too. None of second or third order (2a, 3a, a ± b, 2a ± b, a ± b ± c) shares a place with a
tone, also where it folds at half of 44.1 or of 48 kHz: each keeps 2 Hz away from every tone, 2.8 cycles over 1.4 s.
All tones keep 2.9 Hz from the first ten multiples of 50 and of 60 Hz, and 8 Hz from those of 1 kHz (USB frames).

The places were found by simulated annealing around a spacing that is logarithmic but for a shift of 75 Hz, which
spreads the lowest tones: closer together there is no such placing. They are frozen here, as are the phases, which were
optimised by a descent on ever higher norms of the waveform: its peak is 9.71 dB above its rms. Neither depends on a
rate.
"""

from __future__ import annotations

import numpy as np

from linecheck.dsp.arrays import FloatArray

GRID_HZ = 2.0

TONES_HZ: FloatArray = np.array(
    [
        26, 40, 68, 84, 130, 154, 184, 232, 304, 410, 466, 592, 652, 764, 1104, 1178,
        1394, 1624, 2030, 2590, 2654, 3754, 4354, 4706, 5706, 6464, 9106, 9694, 12070, 13530, 15536, 19090,
    ],
    dtype=np.float64,
)  # fmt: skip
TONES_HZ.setflags(write=False)

#: Phases of cosines at the first frame.
TONE_PHASES: FloatArray = np.array(
    [
        1.768, 1.039, 3.144, 3.877, 2.784, 3.787, 4.303, 3.246, 1.612, 5.952, 4.469, 5.178, 0.103, 2.210, 0.142, 2.460,
        2.396, 0.242, 3.154, 0.634, 2.123, 5.841, 5.113, 2.992, 0.084, 5.760, 6.063, 5.847, 2.378, 4.102, 2.179, 5.714,
    ]
)  # fmt: skip
TONE_PHASES.setflags(write=False)

#: Highest value that the waveform reaches, between samples too, where each tone has a peak amplitude of 1.
PEAK_OF_UNIT_TONES = 12.232
#: All tones re one, dB.
ALL_TONES_DB = float(10.0 * np.log10(len(TONES_HZ)))
