"""Recorded captures: sets, judged as runs are, many of them by processes or a cluster.

In: folders with ``captures.toml`` and their audio files. Out: runs, or why a set could not be judged. ``programme``
has the test programmes for players that are not controlled, and cuts recordings of them into sets.
"""
