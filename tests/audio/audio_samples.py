"""Samples and programs that the tests of audio files share."""

import numpy as np


def integers(frames: int, channels: int, bits: int, seed: int = 1) -> np.ndarray:
    """Left-justified integers of a word length, both extremes among them."""
    generator = np.random.default_rng(seed)
    codes = generator.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (frames, channels))
    codes[0], codes[-1] = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    return (codes << (32 - bits)).astype(np.int32)
