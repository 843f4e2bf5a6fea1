"""linecheck: regression tests for production lines that make audio devices; DEVELOPERS.md says which room does what."""

__version__ = "0.1.0"
