"""How the chance of finding the best grows with the number of firings."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from charscreen.quality.planned import Planned, plan_analysis
from charscreen.quality.probability import Chances, chances_of_finding
from charscreen.quality.scatter import Scatter

COLUMNS = (
    *("firings", "lots", "p_best", "p_best_se", "p_within_delta", "p_within_delta_se"),
    *("loss_percent", "of_the_plan"),
)
POINTS = 9
SUBSETS = 4
PER_SUBSET = 1_500


def probability_by_firings(
    whole: Planned,
    candidates: pd.DataFrame,
    scatter: Scatter,
    *,
    delta_percent: float,
    seed: int,
    of_plan: Chances,
    progress: Callable[[str], None] = lambda text: None,
) -> pd.DataFrame:
    """Chance of finding the best, and one within δ, against the number of char firings.

    Parameters
    ----------
    whole : Planned
        Analysis of the plan.
    candidates : DataFrame
        From `charscreen.quality.planned.candidates_of`; the same for every number of firings.
    scatter : Scatter
    delta_percent : float
        δ. [%]
    seed : int
        Of subsets and screens.
    of_plan : Chances
        Those of the plan itself.
    progress : callable
        Told what is being done.

    Returns
    -------
    DataFrame
        `COLUMNS`, up to twice the firings of the plan; standard errors from the spread between
        subsets and the finite number of screens.

    Notes
    -----
    Fewer firings: subsets of those of the plan, drawn at random; what they do not measure cannot
    be chosen but may be the best. More: the plan once and a subset of it again. Activation firings
    go with their lots, those of the second round being further ones.
    """
    firings = sorted(set(whole.lots["firing"]))
    rows = []
    for number in _numbers(len(firings)):
        progress(f"{number} firings")
        rng = np.random.default_rng([seed, number])
        found = []
        # The plan twice is one arrangement: all screens go into it.
        subsets = 1 if number % len(firings) == 0 else SUBSETS
        for _ in range(subsets):
            if number == len(firings):
                found.append(of_plan)
                continue
            part = _part(whole, firings, number, rng)
            found.append(
                chances_of_finding(
                    whole,
                    candidates,
                    scatter,
                    delta_percent=delta_percent,
                    rng=rng,
                    part=part,
                    simulations=PER_SUBSET * SUBSETS // subsets,
                )
            )
        total = sum(chances.simulations for chances in found)
        best = np.array([chances.best for chances in found])
        within = np.array([chances.within for chances in found])
        rows.append(
            {
                "firings": number,
                "lots": round(len(whole.lots) * number / len(firings)),
                "p_best": best.mean(),
                "p_best_se": _se(best, total),
                "p_within_delta": within.mean(),
                "p_within_delta_se": _se(within, total),
                "loss_percent": 100.0 * float(np.mean([chances.loss for chances in found])),
                "of_the_plan": "yes" if number == len(firings) else "no",
            }
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _numbers(firings: int) -> list[int]:
    """Numbers of firings to look at, the plan's own and twice that among them."""
    shares = np.linspace(0, 2, POINTS)[1:]
    return sorted({max(1, round(firings * share)) for share in shares} | {firings, 2 * firings})


def _part(whole: Planned, firings: list[str], number: int, rng: np.random.Generator) -> Planned:
    """Analysis of so many firings, chosen at random or repeated."""
    rounds, rest = divmod(number, len(firings))
    lots = whole.lots
    parts = [_again(lots, k) for k in range(rounds)]
    if rest:
        chosen = set(rng.permutation(firings)[:rest].tolist())
        parts.append(_again(lots[lots["firing"].isin(chosen)], rounds))
    return plan_analysis(pd.concat(parts, ignore_index=True), cells_per_lot=whole.cells_per_lot)


def _again(lots: pd.DataFrame, k: int) -> pd.DataFrame:
    """Lots of a further round, with names of their own."""
    if k == 0:
        return lots
    named = {}
    for name in ("id", "aliquot", "lot", "firing", "activation_firing"):
        named[name] = [None if v is None or v != v else f"{v}+{k}" for v in lots[name]]
    return lots.assign(**{name: pd.Series(v, lots.index, object) for name, v in named.items()})


def _se(shares: np.ndarray, total: int) -> float:
    """Standard error of the mean of shares, each from as many screens."""
    if len(shares) > 1:
        return float(shares.std(ddof=1) / np.sqrt(len(shares)))
    return float(np.sqrt(shares[0] * (1 - shares[0]) / total))
