"""Whether the station may judge units: what it has shown, how long ago, and whether that still holds.

In: a log and a station config. Out: whether units may be judged, why not, and statements for the log.

==============================  ====================================================================
:mod:`.gates`                   whether each gate is met, from its results and the time alone
:mod:`.lock`                    whether units in a row fail as only a station makes them fail
:mod:`.golden`                  a golden unit against its own history: moved, or drifting
:mod:`.margins`                 by how much it may differ
:mod:`.challenge`               whether a unit that is known to be bad was found out, and why
:mod:`.known_units`             judging the station by a run of such a unit, stated before it is shown
:mod:`.statements`              what is stated of all that in the log
:mod:`.log_queries`             what the log knows of it, found quickly in a log of any length
:class:`.gatekeeper.Gatekeeper` all of it before a unit is tested
==============================  ====================================================================

A gate is met by a statement in the log that says so, for as long as the station config allows and nothing changes that
it rests on. There is no other state: whoever has the log can see why a unit was let in.
"""
