"""What a log holds as tables for other programs: CSV, JSON Lines, Parquet.

======================================  ===========================================================
:mod:`linecheck.records.export.tables`  which tables there are, and what each of their columns says
:mod:`linecheck.records.export.rows`    their rows, read from the log a page at a time
:mod:`linecheck.records.export.csv`     rows as CSV
:mod:`linecheck.records.export.jsonl`   rows as JSON Lines
:mod:`linecheck.records.export.parquet` rows as Parquet, which needs the extra ``parquet``
======================================  ===========================================================
"""
