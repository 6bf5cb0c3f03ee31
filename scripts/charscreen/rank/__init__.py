"""Candidates, merits and a ranking that says how sure it is."""

from charscreen.rank.joint import residual_correlation
from charscreen.rank.ranking import (
    COLUMNS,
    NOT_TOLD_APART,
    Ranked,
    rank_candidates,
    rank_statistics,
)

__all__ = [
    "COLUMNS",
    "NOT_TOLD_APART",
    "Ranked",
    "rank_candidates",
    "rank_statistics",
    "residual_correlation",
]
