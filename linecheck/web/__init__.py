"""The station's screen in a browser, and the log behind it.

In: requests of browsers, states of stations. Out: pages. It holds no rule of the line: what a scan does is decided in
:mod:`linecheck.line`, in the station's own process.
"""
