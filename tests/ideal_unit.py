"""A simulated unit without imperfections: what a check reads of it follows from what is changed alone."""

from linecheck.station.interfaces.simulated.unit import NOTHING_DB, SimulatedUnit


def ideal_unit(**changes):
    """Return a unit with no imperfection but its filter's, captured to 32 bits; ``changes`` override."""
    perfect = {
        "channel_gain_db": (0.0,),
        "clock_ppm": 0.0,
        "harmonics_db": (),
        "noise_db": NOTHING_DB,
        "hum_db": (),
        "jitter_random_ps": 0.0,
        "jitter_sine_ps": 0.0,
        "dc_offset_mv": (0.0,),
        "crosstalk_db": NOTHING_DB,
        "adc_noise_db": NOTHING_DB,
        "adc_bits": 32,
    }
    return SimulatedUnit(**{**perfect, **changes})
