"""Frequency and impulse responses, sweeps, images."""
