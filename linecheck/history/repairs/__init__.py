"""What was found at units that did not pass, and how often what was told of them was right.

A repair is a statement in the log's chain beside the run that it refers to; it changes no verdict.

=====================  =====================================================================
:mod:`.statement`      what is stated of a repair, once it can be recorded
:mod:`.runs`           which run a repair refers to, and what a log says of told and found
:mod:`.counts`         told against found, counted
:mod:`.odds`           the odds of a station's causes by its own repairs
=====================  =====================================================================
"""
