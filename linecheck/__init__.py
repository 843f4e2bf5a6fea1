"""linecheck: regression tests for production lines that make audio devices.

The rooms, each importing only those before it:
``errors``, ``dsp``, ``checks``, ``limits``, ``station``, ``records``, ``cli``.
"""

__version__ = "0.1.0"
