"""Fitting what is deterministic in a recording: tones, harmonics, combs, lines, trends."""
