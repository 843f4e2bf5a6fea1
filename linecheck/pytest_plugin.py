"""Capture sets as tests of pytest."""
