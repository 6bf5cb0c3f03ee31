"""The sentences of a report that say what came out and how sure it is."""

from collections.abc import Mapping

import pandas as pd

from charscreen.report.feedstock_text import feedstock_sentences
from charscreen.report.ranking_view import has_scatter, is_in_group, is_unmade, of_merit
from charscreen.report.unfilled_view import unfilled_sentences
from charscreen.rounding import fixed, is_number, percent, with_interval
from charscreen.words import (
    candidate_words,
    candidates_in_words,
    count_words,
    feedstock_words,
    first_upper,
    level_words,
    list_ids,
    list_words,
    merit_unit,
    merit_words,
    model_words,
)

# What can be repeated, by the coarsest level that this repeats, and how it is said. A further
# lot takes a further firing, so the two go together.
REPEATS = {
    "cell": "cells",
    "aliquot": "activation",
    "activation_firing": "activation",
    "firing": "firing",
    "lot": "firing",
}
REMEDIES = {
    "cells": ("make more cells from the lots there are", "lies between cells"),
    "activation": ("activate them again from the char there is", "comes from activation"),
    "firing": (
        "fire them again in new firings",
        "comes from firings and lots, where more cells do not help",
    ),
}
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


def answer(inputs: Mapping, config: Mapping) -> list[str]:
    """Three sentences: what is best, what cannot be told from it, what to do next.

    Parameters
    ----------
    inputs : mapping
        See `charscreen.report.page.render_report`.
    config : mapping
        Keys merits, ranking.

    Returns
    -------
    list of str
        Three sentences with numbers; fewer things measured give sentences that say so.
    """
    ranking, names = inputs["ranking"], inputs.get("feedstock_names")
    merit = answering_merit(ranking, config["merits"])
    if merit is None:
        return _nothing_ranked(inputs)
    rows = of_merit(ranking, merit).to_dict("records")
    level = interval_level(inputs, config)
    return [
        _best(rows, merit, level, names, is_first=merit == config["merits"][0], config=config),
        _not_told_apart(rows, _summary_of(inputs, merit), names),
        _next_step(rows, merit, inputs["models"]),
    ]


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


def by_other_merits(inputs: Mapping, config: Mapping) -> list[str]:
    """One sentence for each further merit that is ranked."""
    ranking, names = inputs["ranking"], inputs.get("feedstock_names")
    first = answering_merit(ranking, config["merits"])
    if first is None:
        return []
    sentences = []
    for merit in dict.fromkeys(ranking["merit"]):
        rows = of_merit(ranking, merit).to_dict("records")
        if merit == first or not rows:
            continue
        near = sum(is_in_group(row) for row in rows) - 1
        others = f"{count_words(near, 'other')} cannot be told apart from it"
        sentences.append(
            f"By {merit_words(merit)}, {candidate_words(rows[0], names)}{_unmade(rows[0])} comes "
            f"first with {estimate_words(rows[0], merit)}; chance that it is the best: "
            f"{percent(rows[0]['p_best'])}; {others if near > 0 else 'no other comes near'}."
        )
    return sentences


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


def _summary_of(inputs: Mapping, merit: str) -> Mapping:
    return ((inputs.get("rank_summary") or {}).get("merits") or {}).get(merit) or {}


def _best(rows: list[dict], merit: str, level: str, names, *, is_first: bool, config) -> str:
    best, unit = rows[0], merit_unit(merit, rows[0].get("unit"))
    value, low, high = with_interval(best["estimate"], best["estimate_lo"], best["estimate_hi"])
    what = candidate_words(best, names) + _unmade(best)
    ends = f"{level} interval {low} to {high} {unit}" if low and high else "no interval known"
    number = f"{value} {unit} ({ends})"
    start = ""
    if not is_first:
        start = f"Nothing is ranked by {merit_words(config['merits'][0])} yet; "
    if len(rows) == 1:
        text = f"{what} is the only candidate with {merit_words(merit)}: {number}."
    else:
        text = (
            f"by {merit_words(merit)}, the best of {len(rows)} candidates is {what}, with "
            f"{number}; the chance that it really is the best of them is "
            f"{percent(best['p_best'])}{_likelier(rows, names)}{_best_made(rows, merit, names)}."
        )
    return first_upper(start + text)


def _unmade(row: Mapping) -> str:
    return " (predicted, no lot made there)" if is_unmade(row) else ""


def _best_made(rows: list[dict], merit: str, names) -> str:
    """The best condition at which lots were made, where a predicted one leads."""
    made = [row for row in rows if not is_unmade(row)]
    if not is_unmade(rows[0]) or not made:
        return ""
    return (
        f"; the best at which lots were made is {candidate_words(made[0], names)}, with "
        f"{estimate_words(made[0], merit)}"
    )


def _likelier(rows: list[dict], names) -> str:
    """Another candidate with a higher chance to be the best: a wider interval can do that."""
    other = max(rows, key=lambda row: row["p_best"] if is_number(row["p_best"]) else -1.0)
    if other is rows[0] or percent(other["p_best"]) == percent(rows[0]["p_best"]):
        return ""
    return f" ({candidate_words(other, names)}: {percent(other['p_best'])})"


def _not_told_apart(rows: list[dict], summary: Mapping, names) -> str:
    if len(rows) == 1:
        return "There is nothing to compare it with."
    near = [row for row in rows[1:] if is_in_group(row)]
    if not near:
        return (
            "It can be told apart from all the others; next comes "
            f"{candidate_words(rows[1], names)}, with {estimate_words(rows[1], rows[1]['merit'])}."
        )
    feedstocks = list(dict.fromkeys(row["feedstock"] for row in [rows[0], *near]))
    together = summary.get("p_best_in_group")
    if len(near) <= 3:
        which = list_words([candidate_words(row, names) for row in near])
        text = f"It cannot be told apart from {which}"
    else:
        of = [feedstock_words(feedstock, names) for feedstock in feedstocks]
        text = (
            f"It cannot be told apart from {len(near)} others; "
            f"they are of {count_words(len(of), 'feedstock')} ({list_words(of, most=6)})"
        )
    if is_number(together):
        text += f"; the chance that the best is among these {len(near) + 1} is {percent(together)}"
    return text + "."


def _next_step(rows: list[dict], merit: str, models: Mapping) -> str:
    best = rows[0]
    n_firings = best.get("n_firings")
    basis = ""
    if is_number(n_firings):
        parts = [count_words(int(n_firings), "firing")]
        for name, one in (("n_lots", "lot"), ("n_cells", "cell")):
            if is_number(best.get(name)):
                parts.append(count_words(int(best[name]), one))
        basis = "The first place rests on " + ", ".join(parts[:-1]) + f" and {parts[-1]}"
    near = sum(is_in_group(row) for row in rows[1:])
    if is_unmade(best):
        return (
            "The first place is predicted from lots at other conditions: make it in a new firing, "
            "beside the best that was made, before building on it."
        )
    if near:
        model = {"carbon_g_per_kg_d": "char_yield", "esr_area_ohm_cm2": "esr_area"}.get(
            merit, "capacitance"
        )
        start = f"{basis}; to" if basis else "To"
        remedy = _remedy(best, models.get(model, {}).get("variance"))
        return f"{start} tell the leading candidates apart, {remedy}."
    if is_number(n_firings) and n_firings < 2:
        return f"{basis}, so repeat it in a new firing before building on it."
    return f"{basis or 'The first place stands'}; repeat it at the size it will be made in."


def _remedy(best: Mapping, variance: pd.DataFrame | None) -> str:
    """What to repeat: that which carries most of the scatter left in the first one's mean."""
    plain = "repeat each of them in a new firing"
    if not has_scatter(variance):
        return plain
    counts = {"firing": "n_firings", "activation_firing": "n_firings", "cell": "n_cells"}
    share = dict.fromkeys(REMEDIES, 0.0)
    rows = variance[variance["share_percent"].map(is_number)].to_dict("records")
    for row in rows:
        # A joined level is as fine as its coarsest part: nobody knows how much more would help.
        coarsest = str(row["level"]).split("+")[0]
        n = best.get(counts.get(coarsest, "n_lots"))
        left = row["variance"] / max(n, 1) if is_number(n) else row["variance"]
        share[REPEATS.get(coarsest, "firing")] += left
    total = sum(share.values())
    if not total > 0 or len(rows) < 2:
        return plain
    # A new firing brings new lots and new cells with it, so cells alone must carry more than half.
    rest = {name: share[name] for name in ("firing", "activation")}
    name = "cells" if share["cells"] > 0.5 * total else max(rest, key=rest.get)
    remedy, why = REMEDIES[name]
    joined = [row["level"] for row in rows if str(row["level"]).endswith("+cell")]
    if name == "firing" and joined:
        parts = joined[0].split("+")
        why = "comes from firings, and from lots and cells, which these data cannot tell apart"
        if "firing" in parts:
            why = "comes from firings, lots and cells, which these data cannot tell apart"
    part = share[name] / total
    much = "all the" if part > 1 - 1e-9 else f"{percent(part)} of the"
    return f"{remedy}: {much} scatter left in the mean of the first one {why}"


def _nothing_ranked(inputs: Mapping) -> list[str]:
    yields, cells = inputs["yields"], inputs["cells"]
    n_yields, n_cells = _known(yields, "yield_char_d_percent"), _known(cells, "electrode_F_per_g")
    if not n_yields and not n_cells:
        return [
            "Nothing has been measured yet, so there is no ranking.",
            _planned(inputs.get("counts") or {}),
            "Weigh the lots into config/masses.csv, add cells to config/cells.csv and tests to "
            "config/tests.csv, and run again; every part can be filled in on its own.",
            *unfilled_sentences(inputs),
        ]
    sentences = [
        f"{count_words(n_yields, 'lot has', 'lots have')} a char yield and "
        f"{count_words(n_cells, 'cell has', 'cells have')} a capacitance, but no candidate can "
        "be ranked yet."
    ]
    missing = missing_sentences(inputs, all_notes=False)
    reasons = [
        f"No model of {model_words(name)}: {model['json']['reason'].rstrip('.')}."
        for name, model in inputs["models"].items()
        if not model["json"].get("fitted") and model["json"].get("reason")
    ]
    sentences.append(" ".join(missing + reasons) or "No model could be fitted.")
    need = "config/cells.csv and config/tests.csv" if not n_cells else "config/masses.csv"
    sentences.append(f"Add measurements to {need} and run again.")
    return [*sentences, *unfilled_sentences(inputs)]


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
    if all_notes:
        sentences += summary.get("predicted_sentences") or []
    sentences += summary.get("missing") or []
    if all_notes:
        sentences += feedstock_sentences(summary.get("feedstocks") or [], names)
        sentences += summary.get("assumptions") or []
    return [first_upper(candidates_in_words(str(sentence), names)) for sentence in sentences]


def _known(frame: pd.DataFrame | None, column: str) -> int:
    if frame is None or column not in frame:
        return 0
    return int(frame[column].map(is_number).sum())


def _planned(counts: Mapping) -> str:
    lots, feedstocks = counts.get("design", 0), counts.get("feedstocks", 0)
    if lots:
        return (
            f"The design has {count_words(lots, 'lot')} of "
            f"{count_words(feedstocks, 'feedstock')} to fire."
        )
    if feedstocks:
        return f"{count_words(feedstocks, 'feedstock')} named, no lot in config/design.csv yet."
    return "No feedstock is named in config/feedstocks.csv and no lot in config/design.csv yet."
