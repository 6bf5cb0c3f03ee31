"""The scatter budget: which level scatters how much, and where effort is best spent."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.models.reading import Reading
from charscreen.models.tables import BUDGET_COLUMNS, EFFORT_COLUMNS

MOST_CELLS = 6
MOST_LOTS = 12


def level_draws(
    draws: pd.DataFrame, levels: Sequence[str], unit: str, reading: Reading
) -> dict[str, np.ndarray]:
    """Draws of the variances of the experiment, the residual split into its own and the reading.

    Parameters
    ----------
    draws : DataFrame
        ``v[level]`` per variance.
    levels : sequence of str
        Levels of the experiment (not feedstocks).
    unit : str
        ``cell`` or ``lot``.
    reading : Reading

    Returns
    -------
    dict of str to (n_draws,) array
        The levels, `unit`, and ``reading`` where it is known.
    """
    found = {level: draws[f"v[{level}]"].to_numpy(float) for level in levels}
    residual = draws["v[residual]"].to_numpy(float)
    if reading.variance is None:
        return found | {unit: residual}
    own = residual if reading.weighted else np.maximum(residual - reading.variance, 0.0)
    # Where the stated error of the readings exceeds what is seen, it cannot be more than that.
    read = np.full(len(own), reading.variance)
    if not reading.weighted:
        read = np.minimum(read, residual)
    return found | {unit: own, "reading": read}


def budget_table(parts: Mapping[str, np.ndarray], interval_percent: float) -> pd.DataFrame:
    """Share of each level in the scatter of the experiment.

    Parameters
    ----------
    parts : mapping of str to (n_draws,) array
        From `level_draws`.
    interval_percent : float
        Level of the intervals. [%]

    Returns
    -------
    DataFrame
        Columns `BUDGET_COLUMNS`: median share of the variance with its interval [%], and the
        posterior chance that this level scatters most.
    """
    stack = np.array(list(parts.values()))
    share = 100.0 * stack / stack.sum(axis=0)
    tail = (100 - interval_percent) / 200
    lo, middle, hi = np.quantile(share, [tail, 0.5, 1 - tail], axis=1)
    largest = np.bincount(share.argmax(axis=0), minlength=len(parts)) / share.shape[1]
    return pd.DataFrame(
        dict(zip(BUDGET_COLUMNS, [list(parts), middle, lo, hi, largest], strict=True))
    )


def effort_table(
    parts: Mapping[str, np.ndarray],
    *,
    unit: str,
    costs: Mapping[str, float],
    crucibles: int,
    interval_percent: float,
) -> pd.DataFrame:
    """Cells per lot and lots per firing: what the same precision costs with each.

    Parameters
    ----------
    parts : mapping of str to (n_draws,) array
        From `level_draws`.
    unit : str
        ``cell``, or ``lot`` or ``run``, which are weighed once: no choice of cells.
    costs : mapping
        firing, lot, cell: cost of one more, in any one unit.
    crucibles : int
        Lots that one firing can take.
    interval_percent : float
        Level of the intervals. [%]

    Returns
    -------
    DataFrame
        Columns `EFFORT_COLUMNS`, cost relative to the cheapest arrangement at the median draw
        (median and interval over the draws of cost over the cheapest of each draw).

    Notes
    -----
    A question costs its variance times its cost for one unit of replication. Feedstocks
    share firings, so their differences have variance lot + cell / n for each lot, at a cost of
    firing / L + lot + n cell: a full kiln is best and only n is chosen. Temperature and hold
    belong to the firing: variance firing + (lot + cell / n) / L for each firing, at a cost of
    firing + L (lot + n cell). Reading belongs to the cell (or the lot weighed); activated
    aliquots and activation firings count as lots and firings (the classic allocation of Cochran
    1977, Sampling Techniques, ch. 10; from memory).
    """
    zero = np.zeros(len(next(iter(parts.values()))))
    lowest = parts.get(unit, zero) + parts.get("reading", zero)
    above = [name for name in ("lot", "aliquot") if name != unit]
    middle = sum((parts.get(name, zero) for name in above), zero)
    if unit != "cell":
        middle, lowest = middle + lowest, zero
    top = parts.get("firing", zero)
    cells = range(1, MOST_CELLS + 1) if unit == "cell" else [1]
    cell_cost = costs["cell"] if unit == "cell" else 0.0
    questions = {"feedstocks": [], "temperature and hold": []}
    for n in cells:
        per_lot = middle + lowest / n
        price = costs["lot"] + n * cell_cost
        whole = costs["firing"] / crucibles + price
        questions["feedstocks"].append((n, crucibles, per_lot * whole))
        for lots in range(1, min(crucibles, MOST_LOTS) + 1):
            variance = top + per_lot / lots
            questions["temperature and hold"].append(
                (n, lots, variance * (costs["firing"] + lots * price))
            )
    tail = (100 - interval_percent) / 200
    rows = []
    for question, options in questions.items():
        if len(options) == 1:
            continue
        stack = np.array([cost for *_, cost in options])
        relative = stack / stack.min(axis=0)
        lo, mid, hi = np.quantile(relative, [tail, 0.5, 1 - tail], axis=1)
        chance = np.bincount(stack.argmin(axis=0), minlength=len(options)) / stack.shape[1]
        best = int(mid.argmin())
        for k, (n, lots, _) in enumerate(options):
            values = [question, n, lots, mid[k], lo[k], hi[k], chance[k]]
            values.append("yes" if k == best else "no")
            rows.append(dict(zip(EFFORT_COLUMNS, values, strict=True)))
    return pd.DataFrame(rows, columns=EFFORT_COLUMNS)
