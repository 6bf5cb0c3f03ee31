"""Which lots go into which firings, and the sheets to carry to the kiln."""

from charscreen.plan.make import DESIGN_COLUMNS, LOT_COLUMNS, NOTHING_YET, PlanError, make_plan

__all__ = ["DESIGN_COLUMNS", "LOT_COLUMNS", "NOTHING_YET", "PlanError", "make_plan"]
