"""Figure of the models: where the scatter comes from."""

from collections.abc import Mapping

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from charscreen.plots.theme import (
    COLOURS,
    INK,
    SOFT,
    bare_rows,
    draw_interval,
    message_figure,
    new_figure,
    themed,
)
from charscreen.report.ranking_view import has_scatter
from charscreen.rounding import fixed, is_number
from charscreen.words import first_upper, level_words, model_words


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
    figure = new_figure(width_in=7.4, height_in=0.7 + 0.19 * sum(heights))
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
