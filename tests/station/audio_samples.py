"""Samples and programs that the tests of audio files share."""

import os
import shutil

import numpy as np
import pytest

__all__ = ["integers", "program"]


def integers(frames: int, channels: int, bits: int, seed: int = 1) -> np.ndarray:
    """Left-justified integers of a word length, both extremes among them."""
    generator = np.random.default_rng(seed)
    codes = generator.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), (frames, channels))
    codes[0], codes[-1] = -(2 ** (bits - 1)), 2 ** (bits - 1) - 1
    return (codes << (32 - bits)).astype(np.int32)


def program(name: str) -> str:
    """The path of a program; without it the test skips and says what it needs, but in CI it fails."""
    found = shutil.which(name)
    if found is None:
        words = f"needs {name} (Debian: apt-get install {name})"
        if os.environ.get("CI") == "true":
            pytest.fail(words)
        pytest.skip(words)
    return found
