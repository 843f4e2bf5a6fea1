"""Whether a log is as it was written: its records, and what stands beside them in no hash.

==========================  ==================================================================
:mod:`~.verify`             every hash computed anew, held against a noted head and a public key
:mod:`~.structure`          tables, indexes and guards against the migrations; the file itself
:mod:`~.listed`             what lists give against what the records are
:mod:`~.begun_runs`         runs that were begun against those that are recorded
==========================  ==================================================================
"""
