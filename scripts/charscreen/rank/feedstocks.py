"""Feedstocks ranked as such: averaged over the tested conditions, and at their best."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.rank.candidates import CONDITION, condition_keys
from charscreen.rank.merits import MeritDraws, MeritSource
from charscreen.rank.predicted import unmeasured

AVERAGE, BEST = "average over tested conditions", "at its best"
_COUNTS = ("n_firings", "n_lots", "n_cells")


def rank_feedstocks(
    found: Mapping[str, MeritDraws],
    candidates: pd.DataFrame,
    source_of: Callable[[pd.DataFrame, str], MeritSource],
    table_of: Callable[[pd.DataFrame, str, MeritDraws], pd.DataFrame],
    *,
    chosen_apart: bool,
) -> pd.DataFrame:
    """The ranking of feedstocks, in two views.

    Parameters
    ----------
    found : mapping of str to MeritDraws
        Draws of each merit over `candidates`.
    candidates : DataFrame
        Tested and predicted candidates.
    source_of : callable
        Candidates and part of the draws to a `MeritSource`.
    table_of : callable
        Candidates, merit and its draws to rows of a ranking.
    chosen_apart : bool
        Whether `found` leaves out the draws by which conditions are chosen.

    Returns
    -------
    DataFrame
        ``view`` and the columns of the ranking. ``average over tested conditions``: mean over
        the conditions tested under that activation in the whole screen, the same for all
        feedstocks, so that none gains by where it happened to be fired; columns of conditions
        are empty and limits are not asked. ``at its best``: the candidate of the best posterior
        mean among those that stay within the limits.
    """
    tables = []
    tested = candidates[candidates["predicted"] != "yes"].reset_index(drop=True)
    part = "rest" if chosen_apart else "all"
    chooser = source_of(candidates, "choice" if chosen_apart else "all")
    for activation in sorted(set(tested["activation"]), key=lambda name: (name != "none", name)):
        crossed = _crossed(tested, activation)
        source = source_of(pd.concat([tested, crossed], ignore_index=True), part)
        for name in found:
            rows, drawn = _averaged(tested, crossed, source.draws_of(name), activation)
            if len(rows):
                tables.append(table_of(rows, name, drawn).assign(view=AVERAGE))
    for name, drawn in found.items():
        rows, best = _at_best(candidates, drawn, chooser.draws_of(name))
        if len(rows):
            tables.append(table_of(rows, name, best).assign(view=BEST))
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame()


def feedstock_summary(table: pd.DataFrame, *, top: int = 3) -> list[dict]:
    """The leading feedstocks of each merit and view.

    Parameters
    ----------
    table : DataFrame
        From `rank_feedstocks`.
    top : int
        How many of each.

    Returns
    -------
    list of dict
        merit, view, activation (None at its best), n, and ``leading``: feedstock and p_best,
        the best estimate first.
    """
    if table.empty:
        return []
    table = table.assign(_of=table["activation"].where(table["view"] == AVERAGE, ""))
    found = []
    for (merit, view, activation), rows in table.groupby(["merit", "view", "_of"], sort=False):
        leading = rows.head(top)[["feedstock", "p_best"]].to_dict("records")
        found.append(
            {
                "merit": merit,
                "view": view,
                "activation": activation or None,
                "n": len(rows),
                "leading": leading,
            }
        )
    return found


def _crossed(tested: pd.DataFrame, activation: str) -> pd.DataFrame:
    """Each feedstock measured under an activation, at each condition tested under it."""
    like = tested[tested["activation"] == activation]
    conditions = like[CONDITION].drop_duplicates(CONDITION[1:])
    return pd.concat(
        [unmeasured(conditions, feedstock) for feedstock in sorted(set(like["feedstock"]))],
        ignore_index=True,
    )


def _averaged(
    tested: pd.DataFrame, crossed: pd.DataFrame, drawn: MeritDraws, activation: str
) -> tuple[pd.DataFrame, MeritDraws]:
    """Means over the conditions at which every feedstock that has any can be asked."""
    ranked = drawn.ranked[len(tested) :]
    place = np.full(len(drawn.ranked), -1)
    place[drawn.ranked] = np.arange(drawn.ranked.sum())
    place = place[len(tested) :]
    names = sorted(set(crossed.loc[ranked, "feedstock"]))
    keys = pd.Series(condition_keys(crossed))
    of = {name: set(keys[ranked & (crossed["feedstock"] == name).to_numpy()]) for name in names}
    shared = set.intersection(*of.values()) if of else set()
    rows, values = [], []
    for name in names if shared else []:
        use = ranked & (crossed["feedstock"] == name).to_numpy() & keys.isin(shared).to_numpy()
        values.append(drawn.values[:, place[use]].mean(axis=1))
        mine = tested[(tested["feedstock"] == name) & (tested["activation"] == activation)]
        row = dict.fromkeys(CONDITION, np.nan) | {"feedstock": name, "activation": activation}
        row |= {"candidate": name, "predicted": "no", "off_plan": False}
        rows.append(row | {count: int(mine[count].sum()) for count in _COUNTS})
    return pd.DataFrame(rows), _only(drawn, values, ["mean of conditions"] * len(rows))


def _at_best(
    candidates: pd.DataFrame, drawn: MeritDraws, choice: MeritDraws
) -> tuple[pd.DataFrame, MeritDraws]:
    """The candidate of each feedstock with the best mean of the draws that choose."""
    mean = np.full(len(candidates), -np.inf)
    mean[choice.ranked] = choice.oriented.mean(axis=0)
    mean[~drawn.ranked] = -np.inf
    place = np.cumsum(drawn.ranked) - 1
    rows, values, basis = [], [], []
    for name in sorted(set(candidates.loc[drawn.ranked, "feedstock"])):
        mine = np.where((candidates["feedstock"] == name).to_numpy(), mean, -np.inf)
        best = int(np.argmax(mine))
        if np.isfinite(mine[best]):
            rows.append(candidates.iloc[best].to_dict())
            values.append(drawn.values[:, place[best]])
            basis.append(drawn.basis[place[best]])
    return pd.DataFrame(rows), _only(drawn, values, basis)


def _only(drawn: MeritDraws, values: Sequence[np.ndarray], basis: list[str]) -> MeritDraws:
    """Draws of rows of their own, with the words of a merit."""
    block = np.column_stack(values) if values else np.empty((len(drawn.values), 0))
    kept = {name: getattr(drawn, name) for name in ("words", "unit", "better", "models")}
    return MeritDraws(block, np.ones(block.shape[1], dtype=bool), basis, [], **kept)
