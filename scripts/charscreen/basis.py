"""What a value of the ranking rests on.

Apart from `charscreen.rank`, since pages and figures ask only this of it and would else import
optimisers and statistics.
"""

from collections.abc import Mapping

MEASURED, MODELLED, YIELD_ONLY = "measured", "other conditions", "yield only"
OFF_PLAN = "fired off plan"


def is_measured(row: Mapping) -> bool:
    """Whether a row of the ranking stands for a condition at which its merit was measured.

    Parameters
    ----------
    row : mapping or Series
        ``predicted`` and ``basis``; where they are absent it counts as measured.
    """
    return row.get("predicted") != "yes" and row.get("basis") not in (MODELLED, OFF_PLAN)
