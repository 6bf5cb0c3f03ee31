"""Colours of every figure, without the cost of a plotting library."""

INK = "#20272b"
SOFT = "#8b959b"
FAINT = "#d5dadd"
# Dark to light as well as blue to orange, so that they differ in print and for every eye;
# a marker shape goes with each.
COLOURS = ("#1b4b7a", "#c2611c", "#4a9a8c", "#8d4a86", "#9b8a2e", "#5d6870")
