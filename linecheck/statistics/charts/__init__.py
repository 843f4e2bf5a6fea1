"""Control charts: what units show in order of time, against limits from a stated phase-1 set.

=============================  ==================================================================
:mod:`~.charts.constants`      d2, d3, c4 and what follows from them, by integration
:mod:`~.charts.individuals`    the level and spread of a phase-1 set, from its moving ranges
:mod:`~.charts.ewma`           the exponentially weighted moving average
:mod:`~.charts.cusum`          the cumulative sums, of both sides
:mod:`~.charts.rules`          runs rules, off unless they are asked for
:mod:`~.charts.run_length`     average run lengths of all of them, and the limits that give one
:mod:`~.charts.chart`          a chart as it is stated, its running state, one value at a time
=============================  ==================================================================
"""
