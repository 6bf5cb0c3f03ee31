"""What stands below each figure, and what is read out in its place."""

from collections.abc import Mapping

import pandas as pd

from charscreen.report.model_view import without_interval
from charscreen.report.ranking_view import (
    GRID_MOST,
    TOP,
    has_scatter,
    is_in_group,
    less_is_better,
    of_merit,
    raw_lots,
)
from charscreen.report.text import estimate_words, interval_level
from charscreen.rounding import fixed, is_number, percent
from charscreen.words import (
    candidate_words,
    count_words,
    feedstock_words,
    first_upper,
    level_words,
    list_words,
    merit_unit,
    merit_words,
    model_words,
    n_words,
)


def captions(inputs: Mapping, config: Mapping) -> dict[str, tuple[str, str]]:
    """Caption and read-out text of each figure that has something to show.

    Parameters
    ----------
    inputs : mapping
        See `charscreen.report.page.render_report`.
    config : mapping
        Keys merits, ranking.

    Returns
    -------
    dict of str to tuple of str
        Name of the figure, as in `charscreen.plots.figures.draw_figures`, to caption and read-out
        text; a figure without data is not in it.
    """
    found = {}
    ranking = inputs["ranking"]
    for merit in config["merits"]:
        rows = of_merit(ranking, merit)
        if len(rows):
            found[f"ranking_{merit}"] = _ranking(rows, merit, inputs, config)
    if any(_count(inputs["yields"], name) for name in _YIELDS):
        found["yields"] = _yields(inputs)
    if _count(inputs["cells"], "electrode_F_per_g"):
        found["capacitances"] = _capacitances(inputs)
    first = of_merit(ranking, config["merits"][0])
    if len(first):
        found["response"] = _response(first, config["merits"][0], inputs, config)
    tables = {name: model.get("variance") for name, model in inputs["models"].items()}
    tables = {name: table for name, table in tables.items() if has_scatter(table)}
    if tables:
        found["scatter"] = _scatter(tables, inputs)
    for name, model in inputs["models"].items():
        residuals = model.get("residuals")
        if _count(residuals, "standardised"):
            found[f"checks_{name}"] = _checks(name, residuals)
    return found


_YIELD_MODELS = ("char_yield", "activation_yield")
_YIELDS = ("yield_char_d_percent", "yield_activated_percent")


def _count(frame: pd.DataFrame | None, column: str) -> int:
    if frame is None or frame.empty or column not in frame:
        return 0
    return int(frame[column].map(is_number).sum())


def model_level(model: Mapping) -> str:
    """Level of a model's intervals, for example ``95 %``; `stated` where it is not given."""
    level = (model.get("json") or {}).get("interval_percent")
    return f"{level:g} %" if is_number(level) else "stated"


def _ranking(rows: pd.DataFrame, merit: str, inputs, config) -> tuple[str, str]:
    shown = rows.head(TOP)
    lots = raw_lots(inputs["cells"], inputs["yields"], merit)
    near = int(rows.apply(is_in_group, axis=1).sum())
    level = interval_level(inputs, config)
    which = f"the best {len(shown)} of {len(rows)}" if len(rows) > len(shown) else "all"
    caption = (
        f"{first_upper(merit_words(merit))} of {which} candidates, best first"
        f"{' (less is better)' if less_is_better(rows) else ''}. Large marker: "
        f"estimate for a new lot in a new firing; line: {level} interval. "
    )
    if len(rows) > 1:
        counted = ", predicted ones counted too" if (rows["predicted"] == "yes").any() else ""
        caption += (
            f"Diamond and ≈: not told apart from the best of all{counted} "
            f"({count_words(near, 'candidate')}, the best included). "
            if near > 1
            else f"The first is told apart from all others{counted}. "
        )
    if (shown["predicted"] == "yes").any():
        caption += (
            "Open triangle: predicted, no lot of it was fired near that condition; bold name: "
            f"best measured. Chances count predicted ones too{_alone(inputs, merit)}. "
        )
    if len(lots):
        caption += (
            "Small upright strokes: lots as measured, mean of their cells "
            f"({n_words(len(lots), 'lot')} in all). "
        )
    caption += (
        "Estimates are drawn towards each other by what all feedstocks have in common, so a lot "
        "that came out high or low can lie outside the interval. Unit of replication: the firing "
        "for temperature and hold, the lot for feedstock and activation."
    )
    best = shown.iloc[0]
    names = inputs.get("feedstock_names")
    alt = (
        f"Dot plot of {merit_words(merit)} with intervals for "
        f"{count_words(len(shown), 'candidate')}. First: "
        f"{candidate_words(best, names)}, {estimate_words(best, merit)}. "
        + (f"{near} of {len(rows)} are not told apart from the best." if len(rows) > 1 else "")
    )
    return caption, alt


def _alone(inputs: Mapping, merit: str) -> str:
    """The chance of the best measured one among the measured ones."""
    found = ((inputs.get("rank_summary") or {}).get("merits") or {}).get(merit) or {}
    chance = (found.get("measured") or {}).get("p_best")
    return f"; among the measured alone, its chance is {percent(chance)}" if chance else ""


def _yields(inputs: Mapping) -> tuple[str, str]:
    yields = inputs["yields"]
    n_char = _count(yields.drop_duplicates("lot"), "yield_char_d_percent")
    n_activated = _count(yields, "yield_activated_percent")
    feedstocks = yields["feedstock"].nunique()
    caption = (
        "Open markers: single lots, shape and colour by planned peak temperature (char yield: "
        + n_words(n_char, "lot")
        + (f"; activation yield: {n_words(n_activated, 'lot')}" if n_activated else "")
        + "). "
    )
    levels = []
    for name in _YIELD_MODELS:
        model = inputs["models"].get(name, {})
        means = model.get("means")
        if means is not None and len(means):
            levels.append(model_level(model))
    if levels:
        caption += (
            f"Diamond and line: estimated mean of the feedstock and its {levels[0]} interval, "
            "firings taken as random. "
        )
    caption += _not_marked([inputs["models"].get(m, {}) for m in _YIELD_MODELS], inputs)
    caption += "Unit of replication: the lot for feedstock, the firing for temperature."
    alt = (
        f"Dot plot of char yield by feedstock: {count_words(n_char, 'lot')} of "
        f"{count_words(feedstocks, 'feedstock')}, from "
        f"{_range(yields, 'yield_char_d_percent')} % on dry basis."
    )
    return caption, alt


def _capacitances(inputs: Mapping) -> tuple[str, str]:
    cells = inputs["cells"]
    n = _count(cells, "electrode_F_per_g")
    model = inputs["models"].get("capacitance", {})
    lots = cells.loc[cells["electrode_F_per_g"].map(is_number), "run"].nunique()
    firings = cells.loc[cells["electrode_F_per_g"].map(is_number), "firing"].nunique()
    caption = (
        f"Open markers: single cells ({n_words(n, 'cell')} of {count_words(lots, 'lot')} from "
        f"{count_words(firings, 'firing')}), shape and colour by activation. "
    )
    means = model.get("means")
    if means is not None and len(means):
        caption += f"Filled marker and line: estimated mean and its {model_level(model)} interval. "
    caption += _not_marked([model], inputs)
    caption += (
        "Electrode figure: per gram of carbon of one electrode; a whole cell has a quarter of "
        "it. Cells of one lot repeat the lot; they are not replicates of its firing."
    )
    alt = (
        f"Dot plot of electrode capacitance by feedstock: {count_words(n, 'cell')} of "
        f"{count_words(lots, 'lot')}, from "
        f"{_range(cells, 'electrode_F_per_g')} F/g."
    )
    return caption, alt


def _response(rows: pd.DataFrame, merit: str, inputs, config) -> tuple[str, str]:
    feedstocks = list(dict.fromkeys(rows["feedstock"]))
    shown = feedstocks[:GRID_MOST]
    more = len(feedstocks) - len(shown)
    names = inputs.get("feedstock_names")
    caption = (
        f"{first_upper(merit_words(merit))} against planned peak temperature, one panel per "
        f"feedstock, best feedstock first"
        + (f" ({count_words(more, 'feedstock')} not shown)" if more else "")
        + f". Marker: estimate; upright line: {interval_level(inputs, config)} interval; short "
        "level strokes: lots as measured. Lines join tested conditions only. Markers of one "
        "temperature stand side by side for legibility. Unit of replication: the firing."
    )
    alt = (
        f"Small panels of {merit_words(merit)} [{merit_unit(merit)}] against peak temperature "
        f"for {count_words(len(shown), 'feedstock')}, first "
        f"{feedstock_words(shown[0], names)}."
    )
    return caption, alt


def _scatter(tables: Mapping[str, pd.DataFrame], inputs: Mapping) -> tuple[str, str]:
    levels = [model_level(inputs["models"][name]) for name in tables]
    caption = (
        f"Standard deviation of each level relative to the value; line: {levels[0]} interval; "
        "squares: differences between feedstocks, which are no scatter. Right: share of the "
        "scatter of that model, as variance. Numbers: "
        + "; ".join(
            f"{model_words(name)}: {_level_counts(table)}" for name, table in tables.items()
        )
        + "."
    )
    parts = [
        f"{model_words(name)}, {level_words(row['level'])} {fixed(row['sd_percent'], 1)} %"
        for name, table in tables.items()
        for row in table.to_dict("records")
        if is_number(row["sd_percent"])
    ]
    return caption, "Relative standard deviation by level: " + "; ".join(parts) + "."


def _level_counts(table: pd.DataFrame) -> str:
    return ", ".join(
        f"{level_words(row['level'])} n = {int(row['n_levels'])}"
        for row in table.to_dict("records")
        if is_number(row.get("n_levels"))
    )


def _checks(name: str, residuals: pd.DataFrame) -> tuple[str, str]:
    known = residuals[residuals["standardised"].map(is_number)]
    far = int((known["standardised"].abs() > 3).sum())
    caption = (
        f"Checks of the model of {model_words(name)}, {n_words(len(known), 'observation')}. "
        "Top left "
        "(fitted on the scale of the model): a fan or a bend would speak against that scale; those "
        "beyond 3 standard deviations are named, at most four. Top right: a firing that lies off "
        "as a whole was not like its plan, a slope would be a drift. Second row: effects of each "
        "level against the normal distribution; points far from the line at its ends are outliers. "
        "Powers of the value or its odds in the grey band (90 % interval) suit nearly as well as "
        "the best; the dashed line is the scale of the model. Where the order of assembly or of "
        "the design is known, residuals stand in that order too: a slope would be a drift. "
        "Below: what would change most if it were left out; a filled diamond: without it another "
        "feedstock leads."
    )
    alt = (
        f"Residual plots of the model of {model_words(name)}: "
        f"{count_words(len(known), 'observation')}, {far} beyond 3 standard deviations."
    )
    return caption, alt


def _not_marked(models: list[Mapping], inputs: Mapping) -> str:
    """A sentence on means that are not drawn, or nothing."""
    names = inputs.get("feedstock_names")
    found = dict.fromkeys(name for m in models for name in without_interval(m.get("means")))
    if not found:
        return ""
    which = list_words([feedstock_words(name, names) for name in found], most=6)
    return f"A mean without an interval is not drawn, for there are too few firings: {which}. "


def _range(frame: pd.DataFrame, column: str) -> str:
    known = pd.to_numeric(frame[column], errors="coerce").dropna()
    if known.empty:
        return "none"
    return f"{known.min():.3g} to {known.max():.3g}"
