"""What is written of a run for other programs and people, in one format a file (:mod:`linecheck.results.formats`).

In: runs. Out: bytes of result files, what they are written from (the result as plain data, cases and suites, runs at a
glance), and the words in which readings, problems and verdicts are told.
"""
