"""Stored runs judged once more: by another limit file from what the log has of them, or from their captures.

Nothing in the log or in the captures is changed.

===================  =========================================================================================
:mod:`.select`       which runs of a log are meant
:mod:`.basis`        what of a limit file can be judged from what a run has measured
:mod:`.layouts`      which row of a run is which reading, and what a run lacks
:mod:`.read`         rows of many runs at once, as arrays
:mod:`.judge`        the verdicts of many runs at once
:mod:`.causes`       what has changed the verdict of a run
:mod:`.what_if`      all runs that are meant, batch by batch
:mod:`.tally`        what it all comes to: verdicts, yield, causes
:mod:`.remeasure`    the captures of runs, measured and judged anew
:mod:`.file`         all of it as JSON
===================  =========================================================================================
"""
