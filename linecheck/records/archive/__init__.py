"""Captures that are kept: in which runs, where, for how long, and what is removed to make room."""

from linecheck.records.archive.entries import Entry, KeptFile
from linecheck.records.archive.store import Archive, Scan

__all__ = ["Archive", "Entry", "KeptFile", "Scan"]
