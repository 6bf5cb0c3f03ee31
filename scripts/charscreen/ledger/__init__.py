"""From weighings to yields, and from wanted carbon back to feed."""

from charscreen.ledger.chain import COLUMNS, QUANTITIES, WEIGHINGS, compute_yields, size_feed

__all__ = ["COLUMNS", "QUANTITIES", "WEIGHINGS", "compute_yields", "size_feed"]
