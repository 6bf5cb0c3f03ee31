"""For which weights and prices the choice changes."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.rank.desirability import overall_of_logs, wishes_of
from charscreen.rank.front import common_draws
from charscreen.words import list_ids

COLUMNS = ["what", "quantity", "unit", "now", "from", "to", "candidate", "has_now"]
PRICE, FEED_PRICE = "price", "feed price"
_SHARES = np.arange(0, 101)  # of the weight, in percent
_FACTORS = np.round(np.geomspace(0.1, 10, 81), 4)  # times the price now
_SHARES_OF_TOP = np.r_[0.0, np.geomspace(0.001, 1, 121)]  # steps as wide as those of the factors
_JUST = 1 - 1e-9  # so that rounding leaves no candidate out that may be the best
_MOST_DRAWS = 1000  # medians of many draws at many weights; enough for the order of the best


def weight_sensitivity(
    draws: pd.DataFrame,
    weights: Mapping[str, float],
    better: Mapping[str, str],
    *,
    wishes: Mapping[str, Mapping] | None = None,
) -> pd.DataFrame:
    """Which candidate is chosen as the weight of each merit goes from nothing to all.

    Parameters
    ----------
    draws : DataFrame
        One column ``<merit>|<candidate>`` each.
    weights : mapping of str to float
        Weight of each merit now; two or more.
    better : mapping of str to str
        ``more`` or ``less`` by merit.
    wishes : mapping, optional
        Low, high, target and exponent of each merit; without them the merits themselves are
        multiplied, each to the power of its weight (one of which less is better divides).

    Returns
    -------
    DataFrame
        Columns `COLUMNS`: what is ``weight``, quantity the merit, from and to its share of all
        weights [%] in which the candidate is chosen, the others keeping their proportion;
        has_now ``yes`` where the share of now lies there. Empty with fewer than two merits, or
        where a merit has values that are not above zero and there are no wishes.

    Notes
    -----
    The choice at a weight is the candidate of the highest median over the draws, in steps of 1 %.
    """
    merits = list(weights)
    if len(merits) < 2:
        return pd.DataFrame(columns=COLUMNS)
    candidates, values = common_draws(draws[:: thinning(len(draws))], merits, better)
    if not candidates or not len(values):
        return pd.DataFrame(columns=COLUMNS)
    if wishes:
        parts = wishes_of(values, {name: wishes[name] for name in merits}, better)
    else:
        sign = np.array([1.0 if better[name] == "more" else -1.0 for name in merits])
        if not (values * sign > 0).all():
            return pd.DataFrame(columns=COLUMNS)
        parts = (values * sign) ** sign
    with np.errstate(divide="ignore"):
        logs = np.log(parts)
    whole = sum(weights.values())
    low, high = median_bounds(logs)
    tables = []
    for k, name in enumerate(merits):
        rest = np.array([0.0 if j == k else weights[m] for j, m in enumerate(merits)])
        if rest.sum() == 0:
            rest = np.array([0.0 if j == k else 1.0 for j in range(len(merits))])

        def score(share: float, k: int = k, rest: np.ndarray = rest) -> np.ndarray:
            at = rest / rest.sum() * (1 - share / 100)
            at[k] = share / 100
            able = overall_of_logs(high, at) >= _JUST * overall_of_logs(low, at).max()
            medians = np.full(len(candidates), -np.inf)
            medians[able] = np.median(overall_of_logs(logs[:, able], at), axis=0)
            return medians

        now = 100 * weights[name] / whole
        tables.append(_stretches(score, _SHARES, candidates, ("weight", name, "%"), now))
    return pd.concat(tables, ignore_index=True)


def price_sensitivity(
    score: Callable[[float], np.ndarray],
    candidates: Sequence[str],
    *,
    price: str,
    now: float,
    unit: str,
    top: float | None = None,
) -> pd.DataFrame:
    """Which candidate is chosen as a price is varied.

    Parameters
    ----------
    score : callable
        Takes a price and gives the median (n_candidates,) of the merit, more being better.
    candidates : sequence of str
        Their names.
    price, unit : str
        Key of the price, or the feedstock whose feed it is of, and its unit.
    now : float
        The price now. [unit]
    top : float, optional
        Of feed, which may cost nothing: the highest price tried. [unit]

    Returns
    -------
    DataFrame
        Columns `COLUMNS`: what is ``price``, tried from a tenth to ten times of what it is now, or
        ``feed price``, tried from nothing to `top`; from and to in the unit of the price.
    """
    grid = now * _FACTORS if top is None else top * _SHARES_OF_TOP
    what = PRICE if top is None else FEED_PRICE
    return _stretches(score, grid, list(candidates), (what, price, unit), now)


def sensitivity_sentences(
    table: pd.DataFrame, words: Callable[[str], str], candidate_words: Callable[[str], str]
) -> list[str]:
    """In plain words where the choice changes, one sentence for each weight and price.

    Parameters
    ----------
    table : DataFrame
        Columns `COLUMNS`.
    words : callable
        Name of a merit or price to words.
    candidate_words : callable
        The same for a candidate.
    """
    sentences = []
    unmoved: dict[tuple, list[str]] = {}
    for (what, name), part in table.groupby(["what", "quantity"], sort=False):
        rows = part.to_dict("records")
        only, unit = candidate_words(rows[0]["candidate"]), rows[0]["unit"]
        if what == "weight":
            subject, span = f"the weight of {words(name)}", "whatever weight it has"
        else:
            subject = f"the price {words(name)}"
            span = f"from {rows[0]['from']:.3g} to {rows[-1]['to']:.3g} {unit}"
        if what == FEED_PRICE:
            subject = f"the price of feed of {name}"
            if len(rows) == 1:
                unmoved.setdefault((only, span), []).append(name)
                continue
        if len(rows) == 1:
            sentences.append(f"The choice does not hang on {subject}: it is {only} {span}.")
            continue
        here = next((k for k, row in enumerate(rows) if row["has_now"] == "yes"), 0)
        parts = []
        for step, joint in ((-1, "below"), (1, "above")):
            if 0 <= here + step < len(rows):
                end = rows[here]["from"] if step < 0 else rows[here]["to"]
                other = candidate_words(rows[here + step]["candidate"])
                parts.append(f"{joint} {end:.3g} {unit} it is {other}")
        sentences.append(
            f"By {subject} (now {rows[0]['now']:.3g} {unit}): now the choice is "
            f"{candidate_words(rows[here]['candidate'])}; {'; '.join(parts)}."
        )
    for (only, span), feeds in unmoved.items():
        each = "" if len(feeds) == 1 else ", each by itself"
        sentences.append(
            f"The choice does not hang on the price of feed of {list_ids(feeds)}: it is {only} "
            f"{span}{each}."
        )
    return sentences


def median_bounds(parts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Bounds (n_candidates, n_parts) by part; the median of a weighted sum lies between theirs.

    Parameters
    ----------
    parts : (n_draws, n_candidates, n_parts) array
        Draws of what is added up, with weights not below zero.

    Notes
    -----
    Of m parts each lies above its bound in under a share 1/(2m) of the draws, so in under half of
    them any does: in more than half the sum does not exceed that of the bounds. Below likewise.
    """
    n_draws, _, m = parts.shape
    spare = (n_draws - 1) // (2 * m)
    ordered = np.partition(parts, [spare, n_draws - 1 - spare], axis=0)
    return ordered[spare], ordered[n_draws - 1 - spare]


def _stretches(
    score: Callable[[float], np.ndarray],
    grid: np.ndarray,
    candidates: list[str],
    head: tuple[str, str, str],
    now: float,
) -> pd.DataFrame:
    """Stretches of a grid over which one candidate is chosen; the first of equals wins."""
    chosen = [int(np.argmax(np.nan_to_num(score(float(x)), nan=-np.inf))) for x in grid]
    rows, start = [], 0
    for k in range(1, len(grid) + 1):
        if k < len(grid) and chosen[k] == chosen[start]:
            continue
        # A change lies half-way between the last point of one and the first of the next.
        low = grid[0] if start == 0 else 0.5 * (grid[start - 1] + grid[start])
        high = grid[-1] if k == len(grid) else 0.5 * (grid[k - 1] + grid[k])
        rows.append([*head, float(now), float(low), float(high), candidates[chosen[start]]])
        start = k
    table = pd.DataFrame(rows, columns=COLUMNS[:-1])
    inside = (table["from"] <= now) & (now <= table["to"])
    first = inside.to_numpy().argmax() if inside.any() else -1
    table["has_now"] = ["yes" if k == first else "no" for k in range(len(table))]
    return table


def thinning(n_draws: int) -> int:
    """Of how many draws one is taken, so that they are enough for the order of the best."""
    return max(1, -(-n_draws // _MOST_DRAWS))
