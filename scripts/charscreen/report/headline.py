"""The answer of a report: the best measured candidate, what is as good, what to do next."""

from collections.abc import Mapping

import pandas as pd

from charscreen.basis import is_measured
from charscreen.report.ranking_view import has_scatter, is_unmade, of_merit
from charscreen.report.standing import Standing
from charscreen.report.text import (
    answering_merit,
    estimate_words,
    interval_level,
    missing_sentences,
)
from charscreen.report.unfilled_view import unfilled_sentences
from charscreen.rounding import is_number, percent, significant, with_interval, with_uncertainty
from charscreen.words import (
    candidate_words,
    candidates_in_words,
    count_words,
    feedstock_words,
    first_upper,
    list_words,
    merit_unit,
    merit_words,
    model_words,
    number_text,
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


def answer(inputs: Mapping, config: Mapping) -> list[str]:
    """What is best of what was measured, what is as good or may be better, what to do next.

    Parameters
    ----------
    inputs : mapping
        See `charscreen.report.page.render_report`.
    config : mapping
        Keys merits, ranking.

    Returns
    -------
    list of str
        Three paragraphs with numbers; fewer things measured give sentences that say so.

    Notes
    -----
    The first place of the answer belongs to a candidate that was measured. One that the model
    alone puts ahead of it is named in the second.
    """
    merit = answering_merit(inputs["ranking"], config["merits"])
    if merit is None:
        return _nothing_ranked(inputs)
    rows = of_merit(inputs["ranking"], merit).to_dict("records")
    view = Standing(inputs, merit, rows)
    start = ""
    if merit != config["merits"][0]:
        start = f"Nothing is ranked by {merit_words(config['merits'][0])} yet; "
    return [
        first_upper(start + _best(view, interval_level(inputs, config))),
        _not_told_apart(view),
        _proposed(inputs.get("next"), view) or _next_step(view, inputs["models"]),
    ]


def _best(view: Standing, level: str) -> str:
    best, unit = view.choice, merit_unit(view.merit, view.choice.get("unit"))
    value, low, high = with_interval(best["estimate"], best["estimate_lo"], best["estimate_hi"])
    ends = f"{level} interval {low} to {high} {unit}" if low and high else "no interval known"
    number = f"{value} {unit} ({ends})"
    what = view.words(best) + _basis(best)
    kind = "measured " if view.is_part else ""
    if len(view.pool) == 1:
        return f"{what} is the only {kind}candidate with {merit_words(view.merit)}: {number}."
    likelier = "" if view.is_part else _likelier(view.rows, view.names)
    return (
        f"by {merit_words(view.merit)}, the best of {len(view.pool)} {kind}candidates is {what}, "
        f"with {number}; the chance that it really is the best of them is "
        f"{percent(view.p_best)}{likelier}."
    )


def _basis(row: Mapping) -> str:
    """Said behind the first one where nothing at all was measured at its condition."""
    return "" if is_measured(row) else " (predicted, not measured there)"


def _likelier(rows: list[dict], names) -> str:
    """Another candidate with a higher chance to be the best: a wider interval can do that."""
    other = max(rows, key=lambda row: row["p_best"] if is_number(row["p_best"]) else -1.0)
    if other is rows[0] or percent(other["p_best"]) == percent(rows[0]["p_best"]):
        return ""
    return f" ({candidate_words(other, names)}: {percent(other['p_best'])})"


def by_other_merits(inputs: Mapping, config: Mapping) -> list[str]:
    """One sentence for each further merit that is ranked."""
    ranking = inputs["ranking"]
    first = answering_merit(ranking, config["merits"])
    if first is None:
        return []
    sentences = []
    for merit in dict.fromkeys(ranking["merit"]):
        rows = of_merit(ranking, merit).to_dict("records")
        if merit == first or not rows:
            continue
        view = Standing(inputs, merit, rows)
        best, near = view.choice, len(view.near)
        others = f"{count_words(near, 'other')} cannot be told apart from it"
        ahead = view.ahead
        expected = ""
        if ahead is not None:
            expected = (
                f"; the model expects {estimate_words(ahead, merit)} of {view.words(ahead)}, "
                f"{_unseen(ahead)}"
            )
        sentences.append(
            f"By {merit_words(merit)}, {view.words(best)}{_basis(best)} comes "
            f"first{' of those measured' if view.is_part else ''} with "
            f"{estimate_words(best, merit)}; chance that it is the best: "
            f"{percent(view.p_best)}; {others if near else 'no other comes near'}{expected}."
        )
    return sentences


def _not_told_apart(view: Standing) -> str:
    parts = [_near(view), _expected(view)]
    return " ".join(filter(None, parts))


def _near(view: Standing) -> str:
    if len(view.pool) == 1:
        return "" if view.ahead else "There is nothing to compare it with."
    near, others = view.near, "the others" + (" measured" if view.is_part else "")
    if not near:
        second = view.pool[1]
        return (
            f"It can be told apart from all {others}; next comes "
            f"{view.words(second)}, with {estimate_words(second, view.merit)}."
        )
    feedstocks = list(dict.fromkeys(row["feedstock"] for row in [view.choice, *near]))
    if len(near) <= 3:
        text = f"It cannot be told apart from {list_words([view.words(row) for row in near])}"
    else:
        of = [feedstock_words(feedstock, view.names) for feedstock in feedstocks]
        text = (
            f"It cannot be told apart from {len(near)} others, "
            f"of {count_words(len(of), 'feedstock')} ({list_words(of, most=6)})"
        )
    if is_number(view.together):
        which = f"these {len(near) + 1}"
        text += f"; the chance that the best is among {which} is {percent(view.together)}"
    return text + "."


def _expected(view: Standing) -> str:
    """What the model expects of a condition at which nothing was measured, where it leads."""
    row = view.ahead
    if row is None:
        return ""
    chance = view.told.get("p_predicted_ahead")
    sure = f"; the chance that it is ahead is {percent(chance)}" if is_number(chance) else ""
    more = "less" if row.get("better") == "less" else "more"
    return (
        f"The model expects {more}, {estimate_words(row, view.merit)}, of {view.words(row)}, "
        f"{_unseen(row)}{sure}; fire it to know."
    )


def _unseen(row: Mapping) -> str:
    if is_unmade(row):
        return "a condition not fired yet"
    if row.get("predicted") == "yes":
        return "a condition its firing missed"
    return "of which no cell was measured"


def _proposed(proposal: Mapping | None, view: Standing) -> str:
    """What the plan of the next firing says, where it is about this merit."""
    summary = (proposal or {}).get("summary") or {}
    if summary.get("merit") != view.merit:
        return ""
    if summary.get("status") == "stop":
        said = [s for s in summary["sentences"] if s.startswith(("Stop:", "Everything"))]
        return candidates_in_words(said[0], view.names) if said else ""
    if summary.get("status") != "propose":
        return ""
    design, unit = proposal["design"], summary["unit"]
    if not len(design) or not is_number(summary.get("gain")):
        return ""
    firings = design.drop_duplicates("firing").to_dict("records")
    conditions = [
        f"{number_text(row['peak_temperature_C'])} °C, {number_text(row['hold_min'])} min"
        for row in firings
    ]
    at = list_words(list(dict.fromkeys(conditions)))
    gain = " ± ".join(filter(None, with_uncertainty(summary["gain"], summary.get("gain_se"))))
    return (
        f"To do next: {count_words(len(firings), 'firing')} of "
        f"{count_words(len(design), 'lot')} at {at}, expected to take {gain} {unit} off the "
        f"{significant(summary['loss_now'])} {unit} that choosing now is expected to lose"
        f"{_not_in(design, view)}."
    )


def _not_in(design: pd.DataFrame, view: Standing) -> str:
    """Said where the proposed lots do not hold what the model expects most of."""
    row = view.ahead
    if row is None or not is_unmade(row):
        return ""
    same = design["activation"] == row["activation"]
    for name in ("feedstock", "peak_temperature_C", "hold_min"):
        same &= design[name] == row[name]
    if same.any():
        return "; what the model expects most of is in it"
    return "; what the model expects most of is not in it, so fire that as well to build on it"


def _next_step(view: Standing, models: Mapping) -> str:
    best = view.choice
    n_firings = best.get("n_firings")
    basis = ""
    if is_number(n_firings):
        parts = [count_words(int(n_firings), "firing")]
        for name, one in (("n_lots", "lot"), ("n_cells", "cell")):
            if is_number(best.get(name)):
                parts.append(count_words(int(best[name]), one))
        what = "It" if len(view.rows) == 1 else "The first place"
        basis = f"{what} rests on " + ", ".join(parts[:-1]) + f" and {parts[-1]}"
    if not is_measured(best):
        return (
            "The first place is predicted from lots at other conditions: measure it before "
            "building on it."
        )
    if view.ahead is not None and is_unmade(view.ahead):
        return f"{basis or 'The first place stands'}; to do next: fire what the model expects."
    if view.near:
        model = {"carbon_g_per_kg_d": "char_yield", "esr_area_ohm_cm2": "esr_area"}.get(
            view.merit, "capacitance"
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
