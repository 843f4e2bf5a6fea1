"""What is written of a run for other programs and people: JSON, JUnit XML, Markdown.

In: runs. Out: bytes of result files, and the words in which readings, problems and verdicts are told.
"""
