"""What a log holds as tables for other programs: CSV, JSON Lines, Parquet.

======================================  ===========================================================
:mod:`linecheck.log.export.tables`  which tables there are, and what each of their columns says
:mod:`linecheck.log.export.rows`    their rows, read from the log a page at a time
:mod:`linecheck.log.export.csv`     rows as CSV
:mod:`linecheck.log.export.jsonl`   rows as JSON Lines
:mod:`linecheck.log.export.parquet` rows as Parquet, which needs the extra ``parquet``
======================================  ===========================================================
"""
