"""Captures that are kept: in which runs, where, for how long, and what is removed to make room."""

from linecheck.log.archive.entries import Entry, KeptFile
from linecheck.log.archive.store import Archive, Scan

__all__ = ["Archive", "Entry", "KeptFile", "Scan"]
