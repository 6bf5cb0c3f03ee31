"""Rankings of two or more screens laid beside each other."""

from charscreen.compare.page import compare_page
from charscreen.compare.ratios import put_side_by_side
from charscreen.compare.screens import RankedScreen, read_ranked_screen

__all__ = ["RankedScreen", "compare_page", "put_side_by_side", "read_ranked_screen"]
