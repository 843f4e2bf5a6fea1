"""A test station: its config, the interfaces to the unit, how the unit is set, and the runner.

In: a plan and a station config. Out: captures as they were played, judged into a run. ``self_check`` proves the
station's own path.
"""
