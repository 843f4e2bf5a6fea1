"""A figure as data, drawn: axes, lines, labels and strips, as SVG and PNG."""
