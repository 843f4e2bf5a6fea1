"""linecheck: regression tests for production lines that make audio devices."""

__version__ = "0.1.0"
