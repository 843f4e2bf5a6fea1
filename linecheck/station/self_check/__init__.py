"""The station's self-check: its output patched to its own input, it proves that the path can be trusted."""
