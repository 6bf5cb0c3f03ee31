"""Figures of the models: where the scatter comes from, and how well the models hold."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy.special import ndtri

from charscreen.plots.theme import (
    COLOURS,
    INK,
    SOFT,
    bare_rows,
    draw_interval,
    message_figure,
    new_figure,
    offsets,
    shorten,
    themed,
)
from charscreen.report.ranking_view import has_scatter
from charscreen.rounding import fixed, is_number
from charscreen.words import first_upper, level_words, model_words

FAR = 3.0
NAMED_MOST = 4


@themed
def draw_variance(variance: Mapping[str, pd.DataFrame]) -> Figure:
    """Scatter budget: relative standard deviation of each level, one panel per model.

    Parameters
    ----------
    variance : mapping of str to DataFrame
        Model name to its table: level, sd_percent [%], lo, hi [%], n_levels, share_percent.
        Models without a row are left out.
    """
    tables = {name: table for name, table in variance.items() if has_scatter(table)}
    if not tables:
        return message_figure("No model has been fitted yet, so the scatter cannot be divided.")
    heights = [len(table) + 1.2 for table in tables.values()]
    figure = new_figure(width_in=7.4, height_in=0.7 + 0.36 * sum(heights))
    all_axes = figure.subplots(
        len(tables), 1, sharex=True, squeeze=False, gridspec_kw={"height_ratios": heights}
    )[:, 0]
    for axes, (name, table) in zip(all_axes, tables.items(), strict=True):
        rows = table.to_dict("records")
        bare_rows(axes, [f"{first_upper(level_words(row['level']))}" for row in rows])
        axes.set_title(first_upper(model_words(name)))
        for place, row in enumerate(rows):
            _draw_level(axes, place, row)
    all_axes[-1].set_xlim(left=0)
    all_axes[-1].set_xlabel("Standard deviation, relative to the value [%]")
    return figure


def _draw_level(axes: Axes, place: int, row: Mapping) -> None:
    # Differences between feedstocks are what is looked for; they have no share of the scatter.
    is_scatter = is_number(row["share_percent"])
    colour = COLOURS[0] if is_scatter else SOFT
    draw_interval(axes, place, row["lo"], row["hi"], colour)
    axes.plot(
        row["sd_percent"],
        place,
        marker="o" if is_scatter else "s",
        color=colour,
        markerfacecolor=colour if is_scatter else "white",
        markersize=5.5,
        clip_on=False,
        zorder=4,
    )
    note = "not counted as scatter"
    if is_scatter:
        note = f"{fixed(row['share_percent'], 0)} % of the scatter"
    where = {"xycoords": ("axes fraction", "data"), "va": "center", "fontsize": 8.5}
    axes.annotate(note, (1.01, place), color=INK, **where)


@themed
def draw_model_checks(residuals: pd.DataFrame, title: str) -> Figure:
    """Residuals of one model: against fitted values, against the normal, by firing.

    Parameters
    ----------
    residuals : DataFrame
        Columns id, firing, fitted, standardised.
    title : str
        Name of the model in words.

    Notes
    -----
    Normal scores at (i - 3/8)/(n + 1/4), Blom's places (from memory).
    """
    known = residuals
    if known is not None and not known.empty:
        known = known[known["standardised"].map(is_number) & known["fitted"].map(is_number)]
    if known is None or known.empty:
        return message_figure(f"{first_upper(title)}: no model has been fitted yet.")
    figure = new_figure(width_in=7.4, height_in=4.9)
    layout = figure.subplot_mosaic([["fitted", "normal"], ["firing", "firing"]])
    figure.suptitle(first_upper(title), fontsize=9.5, fontweight="bold", x=0.01, ha="left")
    points = {"marker": "o", "markersize": 3.8, "linestyle": "", "color": COLOURS[0]}
    points |= {"markerfacecolor": "none", "markeredgewidth": 0.9}
    _against_fitted(layout["fitted"], known, points)
    _against_normal(layout["normal"], known, points)
    _by_firing(layout["firing"], known, points)
    return figure


def _against_fitted(axes: Axes, known: pd.DataFrame, points: Mapping) -> None:
    axes.axhline(0, color=SOFT, linewidth=1)
    axes.plot(known["fitted"], known["standardised"], **points)
    far = known[known["standardised"].abs() > FAR]
    far = far.reindex(far["standardised"].abs().sort_values(ascending=False).index)
    for row in far.head(NAMED_MOST).to_dict("records"):
        axes.annotate(
            shorten(row["id"], 16),
            (row["fitted"], row["standardised"]),
            xytext=(4, 2),
            textcoords="offset points",
            fontsize=8,
        )
    axes.set_xlabel("Fitted value, scale of the model")
    axes.set_ylabel("Standardised residual")


def _against_normal(axes: Axes, known: pd.DataFrame, points: Mapping) -> None:
    values = np.sort(known["standardised"].to_numpy(dtype=float))
    n = len(values)
    scores = ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))
    ends = np.array([scores[0], scores[-1]])
    axes.plot(ends, ends, color=SOFT, linewidth=1)
    axes.plot(scores, values, **points)
    axes.set_xlabel("Expected of a normal distribution")
    axes.set_ylabel("Standardised residual")


def _by_firing(axes: Axes, known: pd.DataFrame, points: Mapping) -> None:
    firings = sorted({str(value) for value in known["firing"]})
    axes.axhline(0, color=SOFT, linewidth=1)
    for place, firing in enumerate(firings):
        values = known.loc[known["firing"].astype(str) == firing, "standardised"].sort_values()
        shifts = np.array(offsets(len(values), width=0.5))
        axes.plot(place + shifts, values, **points)
        axes.plot([place - 0.3, place + 0.3], [values.mean()] * 2, color=INK, linewidth=1.6)
    is_long = len(firings) > 8 or max(map(len, firings)) > 6
    axes.set_xticks(
        range(len(firings)),
        [shorten(firing, 14) for firing in firings],
        rotation=60 if is_long else 0,
        ha="right" if is_long else "center",
        rotation_mode="anchor",
        fontsize=8 if len(firings) <= 30 else 6,
    )
    axes.grid(axis="x", visible=False)
    axes.set_xlabel("Firing (short line: mean of its residuals)")
    axes.set_ylabel("Standardised residual")
