"""Pages to look at, to file and to print: each a single HTML file that needs nothing else.

In: runs and comparisons. Out: pages (HTML, PDF) and figures (SVG, PNG), each figure with its numbers as a table.
"""
