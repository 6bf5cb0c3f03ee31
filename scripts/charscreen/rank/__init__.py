"""Candidates, merits and a ranking that says how sure it is."""

from charscreen.rank.ranking import (
    COLUMNS,
    NOT_TOLD_APART,
    Ranked,
    rank_candidates,
    rank_statistics,
    residual_correlation,
)

__all__ = [
    "COLUMNS",
    "NOT_TOLD_APART",
    "Ranked",
    "rank_candidates",
    "rank_statistics",
    "residual_correlation",
]
