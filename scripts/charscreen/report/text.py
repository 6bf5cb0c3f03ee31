"""The sentences of a report that say what came out and how sure it is."""

from collections.abc import Mapping

import pandas as pd

from charscreen.report.feedstock_text import feedstock_sentences
from charscreen.report.ranking_view import has_scatter, of_merit
from charscreen.rounding import fixed, is_number, with_interval
from charscreen.words import (
    candidates_in_words,
    first_upper,
    level_words,
    list_ids,
    merit_unit,
    model_words,
)

BETWEEN = {
    "firing": "char firings",
    "activation_firing": "activation firings",
    "lot": "lots of one firing",
    "aliquot": "aliquots of one lot",
    "cell": "cells of one lot",
    "run": "lots and aliquots of one firing",
    "reading": "readings of one cell",
    "assembly_batch": "assembly batches",
    "feed_batch": "batches of feed",
}
MANY = {
    "firing": "char firings",
    "lot": "lots",
    "aliquot": "aliquots",
    "run": "lots and aliquots",
    "cell": "cells",
}


def answering_merit(ranking: pd.DataFrame, merits: list[str]) -> str | None:
    """The first merit of the config that ranks anything, else any that does, else None."""
    if ranking is None or ranking.empty:
        return None
    for merit in [*merits, *dict.fromkeys(ranking["merit"])]:
        if len(of_merit(ranking, merit)):
            return merit
    return None


def interval_level(inputs: Mapping, config: Mapping) -> str:
    """Level of the ranking's intervals, for example ``90 %``."""
    level = (inputs.get("rank_summary") or {}).get("interval_percent")
    if not is_number(level):
        level = config["ranking"]["interval_percent"]
    return f"{level:g} %"


def estimate_words(row: Mapping, merit: str) -> str:
    """`168 F/g (145 to 196 F/g)`."""
    value, low, high = with_interval(row["estimate"], row["estimate_lo"], row["estimate_hi"])
    unit = merit_unit(merit, row.get("unit"))
    return f"{value} {unit} ({low} to {high} {unit})" if low and high else f"{value} {unit}"


def scatter_sentences(models: Mapping) -> list[str]:
    """For each fitted model, where most of its scatter lies."""
    sentences = []
    for name, model in models.items():
        table = model.get("variance")
        if not has_scatter(table):
            continue
        rows = table[table["sd_percent"].map(is_number) & table["share_percent"].map(is_number)]
        if rows.empty:
            continue
        if len(rows) == 1:
            sentences.append(
                f"{first_upper(model_words(name))}: the scatter cannot be divided; all of it "
                f"stands under one level, {level_words(rows['level'].iloc[0])}."
            )
            continue
        top = rows.sort_values("share_percent", ascending=False, kind="stable").iloc[0]
        value, low, high = with_interval(top["sd_percent"], top["lo"], top["hi"])
        ends = f", {low} to {high} %" if low and high else ""
        sentences.append(
            f"{first_upper(model_words(name))}: {fixed(top['share_percent'], 0)} % of the "
            f"scatter (as variance) lies between {_between(str(top['level']))}; "
            f"standard deviation {value} %{ends}."
        )
    return sentences


def _between(level: str) -> str:
    """What differs at a level; levels that the model could not tell apart go together."""
    parts = level.split("+")
    if len(parts) == 1:
        return BETWEEN.get(level, level_words(level))
    many = [MANY.get(part, part) for part in parts]
    return f"{list_ids(many)} together, which these data cannot tell apart"


def group_rule(inputs: Mapping, config: Mapping) -> str:
    """When a candidate counts as told apart, and why places and groups need not agree."""
    share = (inputs.get("rank_summary") or {}).get("group_probability")
    if not is_number(share):
        share = config["ranking"]["group_probability"]
    return (
        "A candidate is told apart from the best where the best is ahead of it in "
        f"{100 * share:g} % of the draws or more, each pair by itself. So one with a lower place "
        "can still be in the group: its interval is wider, or it moves together less with the "
        "best."
    )


def missing_sentences(inputs: Mapping, *, all_notes: bool = True) -> list[str]:
    """Why candidates have no place, with candidates in words.

    Parameters
    ----------
    inputs : mapping
        See `charscreen.report.page.render_report`.
    all_notes : bool
        Whether to say too which conditions are predicted and what costs and energies count.
    """
    names = inputs.get("feedstock_names")
    summary = inputs.get("rank_summary") or {}
    sentences = [*((summary.get("limits") or {}).get("sentences") or [])]
    if all_notes and len(inputs["ranking"]) > 1:
        sentences += summary.get("predicted_sentences") or []
    sentences += summary.get("missing") or []
    if all_notes:
        sentences += feedstock_sentences(summary.get("feedstocks") or [], names)
        sentences += summary.get("assumptions") or []
    return [first_upper(candidates_in_words(str(sentence), names)) for sentence in sentences]
