"""Random levels of a model: which of firing, lot, aliquot and feedstock the design can tell."""

from dataclasses import dataclass, field

import pandas as pd

from charscreen.models.covariates import SAME_TEMPERATURE_C, is_activated
from charscreen.models.terms import Terms, levels_of

FEW_FIRINGS = 5
"""Below so many firings their scatter is known so badly that the report says so."""


@dataclass
class Levels:
    """Random terms chosen, and what was dropped.

    Parameters
    ----------
    random : list of str
        Levels of the experiment, for both views: firing, lot, aliquot, activation_firing.
    pooled : list of str
        Further terms of the decision view: feedstock, ``feedstock|temperature``,
        ``feedstock:activation``.
    dropped : list of dict
        ``term`` and ``reason``.
    forbids, flags : list of str
        Sentences.
    """

    random: list[str] = field(default_factory=list)
    pooled: list[str] = field(default_factory=list)
    dropped: list[dict] = field(default_factory=list)
    forbids: list[str] = field(default_factory=list)
    flags: list[str] = field(default_factory=list)

    def drop(self, term: str, reason: str, forbids: str = "") -> None:
        """Note that a level is not in the model."""
        self.dropped.append({"term": term, "reason": reason})
        if forbids:
            self.forbids.append(forbids)


def choose_levels(rows: pd.DataFrame, terms: Terms, *, unit: str) -> Levels:
    """The random levels that this design supports.

    Parameters
    ----------
    rows : DataFrame
        One row per observation: feedstock, activation, firing, lot, aliquot,
        activation_firing, peak_temperature_C.
    terms : Terms
        Fixed terms chosen.
    unit : str
        What one observation is, in words: ``cell``, ``lot`` or ``run`` (a lot or an aliquot).

    Returns
    -------
    Levels

    Notes
    -----
    A level is fitted only where it is told apart from the one below: firings need two that
    hold two lots, lots (where the observation is a cell) three with two cells, aliquots three
    lots with several, activation firings three with two lots, as do batches of assembly and of
    feed where these are given. Where two levels coincide they are one figure and the claims that
    this forbids are noted. Feedstock needs two levels, its slope three feedstocks at two
    temperatures each, feedstock by activation three feedstocks measured both ways with more lots
    than combinations (common practice, no source).
    """
    levels = Levels()
    if rows.empty:
        return levels
    _firing(rows, levels)
    if unit == "cell":
        _lot(rows, levels)
    elif (rows.groupby("lot")["aliquot"].nunique() >= 2).sum() >= 3:
        levels.random.append("lot")
    _activation_firing(rows, levels)
    if unit == "cell":
        _batch(rows, levels, "assembly_batch", "cells assembled together", "lot")
    _batch(rows, levels, "feed_batch", "batches of feed", "lot")
    _pooled(rows, terms, levels)
    return levels


def _shared(rows: pd.DataFrame, outer: str, inner: str) -> int:
    """How many groups of the outer level hold at least two of the inner."""
    known = rows[rows[outer].notna()]
    return int((known.groupby(outer)[inner].nunique() >= 2).sum())


def _firing(rows: pd.DataFrame, levels: Levels) -> None:
    n = rows["firing"].nunique()
    shared = (rows.groupby("feedstock")["firing"].nunique() >= 2).sum()
    if n > 1 and shared < 2 and rows["feedstock"].nunique() > 1:
        levels.forbids.append(
            "Differences between feedstocks cannot be told from differences between firings: "
            f"{'only one feedstock' if shared else 'no feedstock'} was in more than one firing."
        )
    if n == 1:
        levels.drop(
            "firing",
            "one firing only",
            "How much another firing would differ is not known: all rests on one firing, and "
            "every interval leaves the scatter between firings out.",
        )
    elif _shared(rows, "firing", "lot") < 2:
        levels.drop(
            "firing",
            "nearly every firing holds one lot",
            "The scatter of firings cannot be told from that of lots: nearly every firing holds "
            "one lot, so the two are one figure.",
        )
    else:
        levels.random.append("firing")
        if n < FEW_FIRINGS:
            levels.flags.append(
                f"The scatter between firings rests on only {n} firings and is known badly."
            )


def _lot(rows: pd.DataFrame, levels: Levels) -> None:
    by_lot = rows.groupby("lot")
    n_aliquots = by_lot["aliquot"].nunique()
    if (by_lot.size() >= 2).sum() < 3 or rows["lot"].nunique() < 4:
        levels.drop(
            "lot",
            "fewer than three lots have two cells",
            "The scatter of lots cannot be told from that of cells: too few lots have a second "
            "cell, so the two are one figure.",
        )
        return
    repeats = rows.groupby("aliquot").size()
    if (n_aliquots >= 2).sum() >= 3 and (repeats >= 2).sum() >= 3:
        levels.random += ["lot", "aliquot"]
    elif (n_aliquots >= 2).any() and (repeats >= 2).sum() >= 3:
        # Cells of one aliquot share its faults, those of one lot mostly come from one aliquot.
        levels.random.append("aliquot")
        levels.drop(
            "lot",
            "fewer than three lots were divided into aliquots",
            "The scatter of char lots cannot be told from that of their aliquots.",
        )
    else:
        levels.random.append("lot")


def _activation_firing(rows: pd.DataFrame, levels: Levels) -> None:
    activated = rows[is_activated(rows["activation"])]
    if activated.empty:
        return
    known = activated[activated["activation_firing"].notna()]
    n = known["activation_firing"].nunique()
    if n == 0:
        levels.drop(
            "activation_firing",
            "the activation firing is not given",
            "The scatter between activation firings is not known: they are not given.",
        )
    elif (known.groupby("activation_firing")["firing"].nunique() <= 1).all() and (
        known.groupby("firing")["activation_firing"].nunique() <= 1
    ).all():
        levels.drop(
            "activation_firing",
            "each char firing had an activation firing of its own",
            "The scatter of activation firings cannot be told from that of char firings.",
        )
    elif n < 3 or _shared(known, "activation_firing", "aliquot") < 3:
        which = "one activation firing" if n == 1 else f"{n} activation firings"
        reason = f"only {which}" if n < 3 else "fewer than three hold two lots"
        levels.drop(
            "activation_firing",
            reason,
            "How much another activation firing would differ is not known "
            f"({reason}); intervals of activated lots leave that scatter out.",
        )
    else:
        levels.random.append("activation_firing")


def _batch(rows: pd.DataFrame, levels: Levels, name: str, words: str, inner: str) -> None:
    """A level that is offered where its column is filled in."""
    if name not in rows or rows[name].isna().all():
        return
    known = rows[rows[name].notna()]
    n = known[name].nunique()
    if n < 3 or _shared(rows, name, inner) < 3:
        reason = f"only {n} of them" if n < 3 else "fewer than three hold two lots"
        levels.drop(name, f"{words}: {reason}", f"The scatter between {words} is not known.")
        return
    for other in ("lot", "firing", "feedstock"):
        if (known.groupby(name)[other].nunique() <= 1).all() and (
            known.groupby(other)[name].nunique() <= 1
        ).all():
            levels.drop(
                name,
                f"{words}: each belongs to one {other} and holds all of it",
                f"The scatter between {words} cannot be told from that of {other}s.",
            )
            return
    levels.random.append(name)


def _pooled(rows: pd.DataFrame, terms: Terms, levels: Levels) -> None:
    n = rows["feedstock"].nunique()
    if n < 2:
        levels.drop(
            "feedstock",
            "one feedstock only",
            "Nothing can be said about differences between feedstocks: one is measured.",
        )
        return
    levels.pooled.append("feedstock")
    if n < 4:
        levels.flags.append(
            f"How much feedstocks differ in general rests on only {n} of them; pulling their "
            "values together is little help here."
        )
    if "temperature" in terms.names:
        level = levels_of(rows["peak_temperature_C"].to_numpy(float), SAME_TEMPERATURE_C)
        spans = pd.Series(level).groupby(rows["feedstock"].to_numpy()).nunique()
        if (spans >= 2).sum() >= 3:
            levels.pooled.append("feedstock|temperature")
        else:
            levels.drop(
                "feedstock|temperature",
                "fewer than three feedstocks at two peak temperatures",
                "Whether feedstocks differ in how they answer to peak temperature is not known.",
            )
    if "activated" in terms.names:
        activated = pd.Series(is_activated(rows["activation"]), index=rows.index)
        both = activated.groupby(rows["feedstock"]).nunique()
        combinations = rows.groupby(["feedstock", activated.to_numpy()])["aliquot"].nunique()
        if (both == 2).sum() >= 3 and (combinations >= 2).sum() >= 3:
            levels.pooled.append("feedstock:activation")
        else:
            levels.drop(
                "feedstock:activation",
                "fewer than three feedstocks measured with and without activation, or no "
                "second lot of any combination",
                "Whether activation gains more on one feedstock than on another is not known.",
            )
