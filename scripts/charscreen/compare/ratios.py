"""Candidates of several screens on one scale: each over the reference of its own screen."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.compare.screens import RankedScreen
from charscreen.rank.ranking import rank_statistics

CONDITION = [
    "activation",
    "koh_ratio",
    "peak_temperature_C",
    "hold_min",
    "activation_temperature_C",
    "activation_hold_min",
]
COLUMNS = [
    "screen",
    "candidate",
    "feedstock",
    *CONDITION,
    "merit",
    "unit",
    "better",
    "estimate",
    "estimate_lo",
    "estimate_hi",
    "ratio",
    "ratio_lo",
    "ratio_hi",
    "expected_rank",
    "rank_lo",
    "rank_hi",
    "p_best",
    "n_lots",
    "n_cells",
    "predicted",
]


@dataclass(frozen=True)
class SideBySide:
    """The rankings of several screens by one merit.

    Parameters
    ----------
    table : DataFrame
        Columns `COLUMNS`; one row per screen and candidate. Ratio, ranks and p_best are empty
        where there is no shared reference.
    reference : str or None
        Feedstock that stands for 1 in each screen.
    reference_words : str
        How the reference was taken, or why there is none.
    """

    table: pd.DataFrame
    reference: str | None
    reference_words: str


def put_side_by_side(
    screens: Sequence[RankedScreen],
    merit: str,
    *,
    reference: str | None = None,
    interval_percent: float = 90.0,
    seed: int = 1,
) -> SideBySide:
    """Candidates of all screens, with their ratio to the shared reference.

    Parameters
    ----------
    screens : sequence of RankedScreen
        Two or more.
    merit : str
        Merit by which all of them ranked.
    reference : str, optional
        Feedstock to stand for 1; by default the first that all screens fired as a reference.
    interval_percent : float
        Level of the intervals. [%]
    seed : int
        Pairs the draws of different screens.

    Raises
    ------
    ValueError
        A reference that a screen has no candidate of.

    Notes
    -----
    Two screens differ by kiln, hands and instruments, which no single screen can tell. A feedstock
    fired in both carries that difference: the ratio of a candidate to it, draw by draw, is free
    of whatever multiplies all lots of a screen alike. Screens are drawn independently, so the
    reference's own uncertainty counts in each. Common practice, no source.
    """
    tables = [s.ranking[s.ranking["merit"] == merit] for s in screens]
    reference, words = _shared(screens, tables, reference)
    scaled, labels = [], []
    rng = np.random.default_rng(seed)
    n = min(len(screen.draws) for screen in screens)
    chosen, how = _at_condition(tables, reference) if reference else ([], "")
    for k, (screen, rows) in enumerate(zip(screens, tables, strict=True)):
        draws = screen.draws_of(merit)
        part = rows.assign(screen=screen.label)
        labels.append(part[part["candidate"].isin(draws.columns)])
        if reference:
            values = draws[labels[-1]["candidate"]].to_numpy(float)
            over = np.exp(np.log(draws[chosen[k]].to_numpy(float)).mean(axis=1))
            scaled.append((values / over[:, None])[rng.permutation(len(values))[:n]])
    table = pd.concat(labels, ignore_index=True)
    words = f"{words} {how}".strip()
    if reference:
        ratios = np.concatenate(scaled, axis=1)
        found = _statistics(table["better"].iloc[0], ratios, interval_percent)
        table = pd.concat([table.drop(columns=list(found), errors="ignore"), found], axis=1)
    else:
        table = table.drop(columns=["expected_rank", "rank_lo", "rank_hi", "p_best"])
    return SideBySide(table.reindex(columns=COLUMNS), reference, words)


def _shared(screens, tables, wanted) -> tuple[str | None, str]:
    common = set.intersection(*(set(rows["feedstock"]) for rows in tables))
    if wanted is not None:
        if wanted not in common:
            raise ValueError(wanted)
        return wanted, f"{wanted} stands for 1 in each screen, as asked for."
    fired = set.intersection(*(set(screen.references) for screen in screens)) & common
    if fired:
        return sorted(fired)[0], f"{sorted(fired)[0]} is a reference lot of every screen."
    if common:
        some = ", ".join(sorted(common)[:5])
        return None, (
            "The screens share no reference lot, so their figures stand beside each other without "
            "a common scale: a difference may be one of kilns, hands or instruments. Fired in all "
            f"of them: {some}; name one with --reference to take it as the scale."
        )
    return None, (
        "The screens share no feedstock, so their figures stand beside each other without a common "
        "scale: a difference may be one of kilns, hands or instruments. Fire one feedstock in each."
    )


def _at_condition(tables, reference) -> tuple[list[list[str]], str]:
    """Candidates of the reference in each screen, at one condition where all share one."""
    own = [rows[(rows["feedstock"] == reference) & (rows["predicted"] != "yes")] for rows in tables]
    own = [
        found if len(found) else rows[rows["feedstock"] == reference]
        for found, rows in zip(own, tables, strict=True)
    ]
    keys = [
        {
            tuple(str(row[c]) for c in CONDITION): (row["n_lots"], row["candidate"])
            for row in found.to_dict("records")
        }
        for found in own
    ]
    shared = set.intersection(*(set(k) for k in keys))
    if shared:
        best = max(sorted(shared), key=lambda key: min(k[key][0] for k in keys))
        names = [[k[best][1]] for k in keys]
        return names, f"Its lots at one condition, {names[0][0]}, give the scale."
    return (
        [list(found["candidate"]) for found in own],
        "It was fired at no condition that all screens share; the scale is the geometric mean over "
        "its conditions in each, which compares them less fairly.",
    )


def _statistics(better: str, ratios: np.ndarray, interval_percent: float) -> pd.DataFrame:
    towards = -ratios if better == "less" else ratios
    ranked = rank_statistics(towards, interval_percent=interval_percent)
    tail = (100 - interval_percent) / 200
    lo, middle, hi = np.quantile(ratios, [tail, 0.5, 1 - tail], axis=0)
    kept = ranked[["expected_rank", "rank_lo", "rank_hi", "p_best"]].reset_index(drop=True)
    return kept.assign(ratio=middle, ratio_lo=lo, ratio_hi=hi)
