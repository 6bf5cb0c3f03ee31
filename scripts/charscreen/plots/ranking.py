"""Figures of the ranking: estimates with intervals, and their response to temperature."""

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from charscreen.plots.theme import (
    COLOURS,
    LINES,
    SOFT,
    bare_rows,
    draw_interval,
    draw_strokes,
    looks,
    message_figure,
    new_figure,
    shorten,
    themed,
)
from charscreen.report.ranking_view import (
    GRID_MOST,
    TOP,
    best_measured,
    is_in_group,
    is_unmade,
    leading,
    less_is_better,
    lots_of,
    of_merit,
)
from charscreen.rounding import is_number, percent
from charscreen.words import (
    activation_words,
    candidate_words,
    count_words,
    feedstock_words,
    first_upper,
    merit_unit,
    merit_words,
    number_text,
)


@themed
def draw_ranking(
    ranking: pd.DataFrame,
    raw: pd.DataFrame | None,
    merit: str,
    *,
    names: Mapping[str, str] | None = None,
    top: int = TOP,
) -> Figure:
    """The best candidates of one merit with their intervals, best on top.

    Parameters
    ----------
    ranking : DataFrame
        Columns candidate, feedstock, its conditions, merit, unit, estimate, estimate_lo,
        estimate_hi, p_best, group, predicted.
    raw : DataFrame or None
        Lots as from `raw_lots`, drawn under the candidate of the same conditions.
    merit : str
        Merit to draw.
    names : mapping, optional
        Feedstock id to name.
    top : int
        Rows to draw; the rest is counted below.
    """
    rows, rest = leading(ranking, merit, top)
    if rows.empty:
        return message_figure(f"No candidate has a {merit_words(merit)} yet.")
    figure = new_figure(width_in=7.4, height_in=1.25 + 0.27 * len(rows))
    axes = figure.add_subplot()
    bare_rows(axes, [_row_label(row, names) for row in rows.to_dict("records")])
    choice = best_measured(rows)
    for label, row in zip(axes.get_yticklabels(), rows.to_dict("records"), strict=True):
        if row["candidate"] == (choice or rows["candidate"].iloc[0]):
            label.set_fontweight("bold")
    n_lots = 0
    kinds = set()
    # One candidate alone is the best for certain, which says nothing.
    is_alone = len(rows) + rest == 1
    n_near = int(of_merit(ranking, merit).apply(is_in_group, axis=1).sum())
    for place, row in enumerate(rows.to_dict("records")):
        for value in lots_of(raw, row):
            axes.plot(value, place + 0.22, "|", color=COLOURS[1], markersize=6, zorder=2)
            n_lots += 1
        is_near = is_in_group(row)
        is_predicted = row.get("predicted") == "yes"
        kinds.add((is_near, is_predicted))
        draw_interval(axes, place, row["estimate_lo"], row["estimate_hi"], _row_colour(is_near))
        axes.plot(row["estimate"], place, **_row_marker(is_near, is_predicted))
        if is_alone:
            continue
        note = percent(row.get("p_best")) + ("  ≈" if is_near and n_near > 1 else "")
        axes.annotate(
            note,
            (1.01, place),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=8.5,
            fontweight="bold" if is_near else "normal",
        )
    if not is_alone:
        axes.annotate(
            "chance to\nbe the best",
            (1.01, 1.0),
            xycoords="axes fraction",
            xytext=(0, 3),
            textcoords="offset points",
            va="bottom",
            fontsize=8,
        )
    axes.xaxis.set_major_locator(MaxNLocator(6))
    label = f"{first_upper(merit_words(merit))} [{merit_unit(merit, rows['unit'].iloc[0])}]"
    notes = ["less is better"] if less_is_better(rows) else []
    notes += [f"{count_words(rest, 'more candidate')} below"] if rest else []
    axes.set_xlabel(label + (f"\n({'; '.join(notes)})" if notes else ""))
    handles = [
        Line2D(
            [],
            [],
            linestyle="",
            label=_kind_words(near, predicted, n_near),
            **_legend(near, predicted),
        )
        for near, predicted in sorted(kinds, reverse=True)
    ]
    if is_alone:
        look = _legend(is_in_group(rows.iloc[0]), rows.iloc[0].get("predicted") == "yes")
        handles = [Line2D([], [], linestyle="", label="estimate", **look)]
    if n_lots:
        handles.append(
            Line2D([], [], linestyle="", marker="|", color=COLOURS[1], label="one lot, measured")
        )
    figure.legend(handles=handles, loc="outside lower center", ncols=2)
    return figure


def _row_label(row: Mapping, names: Mapping[str, str] | None) -> str:
    """Candidate in words; a long feedstock name is cut, its condition never."""
    feedstock = row.get("feedstock")
    words = candidate_words(row, {feedstock: shorten(feedstock_words(feedstock, names), 24)})
    return words + (" (predicted)" if row.get("predicted") == "yes" else "")


def _row_colour(is_near: bool) -> str:
    return COLOURS[0] if is_near else SOFT


def _row_marker(is_near: bool, is_predicted: bool) -> dict:
    colour = _row_colour(is_near)
    return {
        "marker": "^" if is_predicted else "D" if is_near else "o",
        "markersize": 5.5 if is_near else 5,
        "color": colour,
        "markerfacecolor": "white" if is_predicted else colour,
        "markeredgewidth": 1.2,
        "zorder": 4,
    }


def _legend(is_near: bool, is_predicted: bool) -> dict:
    style = _row_marker(is_near, is_predicted)
    style.pop("zorder")
    return style


def _kind_words(is_near: bool, is_predicted: bool, n_near: int) -> str:
    words = "≈ not told apart from the best" if is_near else "further down"
    if is_near and n_near == 1:
        words = "best, told apart from all others"
    return words + (", predicted" if is_predicted else "")


@themed
def draw_response(
    ranking: pd.DataFrame,
    raw: pd.DataFrame | None,
    merit: str,
    *,
    names: Mapping[str, str] | None = None,
    most: int = GRID_MOST,
) -> Figure:
    """Estimates of one merit against peak temperature, one small panel per feedstock.

    Parameters
    ----------
    ranking, raw, merit, names
        As for `draw_ranking`.
    most : int
        Panels to draw, feedstocks with the best estimates first.
    """
    rows = of_merit(ranking, merit)
    if not rows.empty:
        rows = rows[rows["peak_temperature_C"].map(is_number) & ~rows.apply(is_unmade, axis=1)]
    if rows.empty:
        return message_figure(f"No candidate has a {merit_words(merit)} yet.")
    feedstocks = list(dict.fromkeys(rows["feedstock"]))[:most]
    activations = looks(rows["activation"])
    holds = sorted(value for value in rows["hold_min"].unique() if is_number(value))
    n_columns = min(3, len(feedstocks))
    n_rows = -(-len(feedstocks) // n_columns)
    figure = new_figure(width_in=7.4, height_in=1.1 + 1.55 * n_rows)
    grid = figure.subplots(n_rows, n_columns, sharex=True, sharey=True, squeeze=False)
    series = _series(activations, holds)
    spread = _spread(rows["peak_temperature_C"], len(series))
    for axes, feedstock in zip(grid.flat, feedstocks, strict=False):
        axes.set_title(shorten(feedstock_words(feedstock, names), 28), fontsize=8.5)
        for shift, (key, style) in zip(spread, series.items(), strict=True):
            _draw_series(axes, rows, raw, feedstock=feedstock, key=key, style=style, shift=shift)
        axes.set_xticks(sorted(rows["peak_temperature_C"].unique())[:6])
    for axes in list(grid.flat)[len(feedstocks) :]:
        axes.remove()
    for axes in list(grid.flat)[max(len(feedstocks) - n_columns, 0) : len(feedstocks)]:
        axes.tick_params(labelbottom=True)
        axes.set_xlabel("Peak temperature [°C]")
    unit = merit_unit(merit, rows["unit"].iloc[0])
    figure.supylabel(f"{first_upper(merit_words(merit))} [{unit}]", fontsize=9)
    handles = [
        Line2D(
            [], [], label=f"{activation_words({'activation': a})}, {number_text(h)} min", **style
        )
        for (a, h), style in series.items()
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=min(len(handles), 4))
    return figure


def _series(activations: Mapping, holds: list) -> dict:
    series = {}
    for activation, (colour, marker) in activations.items():
        for number, hold in enumerate(holds or [None]):
            series[activation, hold] = {
                "color": colour,
                "marker": marker,
                "linestyle": LINES[number % len(LINES)],
                "markerfacecolor": colour if number == 0 else "white",
                "markersize": 4.5,
                "linewidth": 1.1,
            }
    return series


def _spread(temperatures: pd.Series, n: int) -> list[float]:
    known = sorted(temperatures.unique())
    gaps = [b - a for a, b in pairwise(known)]
    step = min(gaps) / 14 if gaps else 1.0
    return [(i - (n - 1) / 2) * step for i in range(n)]


def _draw_series(
    axes: Axes, rows: pd.DataFrame, raw: pd.DataFrame | None, *, feedstock, key, style, shift
) -> None:
    activation, hold = key
    mine = rows[(rows["feedstock"] == feedstock) & (rows["activation"] == activation)]
    if hold is not None:
        mine = mine[mine["hold_min"] == hold]
    mine = mine.sort_values("peak_temperature_C")
    x = mine["peak_temperature_C"].to_numpy(dtype=float) + shift
    axes.plot(x, mine["estimate"].to_numpy(dtype=float), zorder=3, **style)
    low, high = (mine[end].to_numpy(dtype=float) for end in ("estimate_lo", "estimate_hi"))
    draw_strokes(axes, (x, low), (x, high), color=style["color"], linewidth=0.9, zorder=2)
    found = [lots_of(raw, row) for row in mine.to_dict("records")]
    places = np.repeat(x, [len(values) for values in found])
    look = {"color": style["color"], "markersize": 6, "alpha": 0.9, "zorder": 1}
    axes.plot(places, [value for values in found for value in values], "_", **look)
