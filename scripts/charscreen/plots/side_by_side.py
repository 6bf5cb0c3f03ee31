"""The figure of a comparison: candidates of several screens on one axis."""

import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from charscreen.plots.theme import (
    COLOURS,
    MARKERS,
    SOFT,
    bare_rows,
    draw_interval,
    message_figure,
    new_figure,
    shorten,
    themed,
)
from charscreen.rounding import is_number


@themed
def draw_side_by_side(rows: pd.DataFrame, *, value: str, axis: str, one: bool) -> Figure:
    """Estimates with intervals, one row per candidate, a colour and marker per screen.

    Parameters
    ----------
    rows : DataFrame
        label, screen and the columns `value`, `value`_lo, `value`_hi; in the order to draw.
    value : str
        Column to draw.
    axis : str
        Quantity and unit.
    one : bool
        Mark 1, where the shared reference stands.
    """
    if rows.empty:
        return message_figure("There is no candidate to compare.")
    figure = new_figure(width_in=7.4, height_in=1.2 + 0.27 * len(rows))
    axes = figure.subplots()
    screens = list(dict.fromkeys(rows["screen"]))
    looks = {
        name: (COLOURS[k % len(COLOURS)], MARKERS[k % len(MARKERS)])
        for k, name in enumerate(screens)
    }
    for place, row in enumerate(rows.to_dict("records")):
        colour, marker = looks[row["screen"]]
        draw_interval(axes, place, row[f"{value}_lo"], row[f"{value}_hi"], colour)
        if is_number(row[value]):
            axes.plot(row[value], place, marker, color=colour, markersize=6, zorder=4)
    bare_rows(axes, [shorten(label, 52) for label in rows["label"]], size=8)
    if one:
        axes.axvline(1.0, color=SOFT, linestyle="--", linewidth=0.9, zorder=1)
    axes.set_xlabel(axis)
    handles = [
        Line2D([], [], color=c, marker=m, label=shorten(name, 40)) for name, (c, m) in looks.items()
    ]
    figure.legend(handles=handles, loc="outside upper left", ncols=min(len(handles), 3))
    return figure
