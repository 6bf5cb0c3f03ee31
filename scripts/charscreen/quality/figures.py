"""Pictures of a plan's quality: chance against firings, and the same effort split otherwise."""

import pandas as pd
from matplotlib.figure import Figure

from charscreen.palette import COLOURS, INK, SOFT
from charscreen.plots.theme import LINES, MARKERS, new_figure, themed

_TWO_SE = 1.96


@themed
def draw_curve(by_firings: pd.DataFrame, *, delta_percent: float) -> Figure:
    """Chance of finding the best, and one within δ, against the number of char firings.

    Parameters
    ----------
    by_firings : DataFrame
        From `charscreen.quality.curve.probability_by_firings`.
    delta_percent : float
        δ. [%]
    """
    figure = new_figure(width_in=6.8, height_in=2.8)
    axes = figure.subplots()
    for k, (name, label) in enumerate(
        (
            ("p_within_delta", f"within {delta_percent:g} % of the best"),
            ("p_best", "the best itself"),
        )
    ):
        x, y = by_firings["firings"], 100 * by_firings[name]
        axes.errorbar(
            x,
            y,
            yerr=100 * _TWO_SE * by_firings[f"{name}_se"],
            color=COLOURS[k],
            marker=MARKERS[k],
            linestyle=LINES[k],
            linewidth=1.4,
            markersize=4.5,
            capsize=2,
            label=label,
        )
        axes.annotate(
            label,
            (x.iloc[-1], y.iloc[-1]),
            xytext=(8, 0),
            textcoords="offset points",
            va="center",
            color=COLOURS[k],
            annotation_clip=False,
        )
    planned = int(by_firings.loc[by_firings["of_the_plan"] == "yes", "firings"].iloc[0])
    axes.axvline(planned, color=SOFT, linewidth=0.9, zorder=0)
    axes.annotate(
        f"this plan: {planned}",
        (planned, 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(4, -2),
        textcoords="offset points",
        va="top",
        color=INK,
    )
    axes.set_ylim(0, 100)
    axes.set_xlim(0, None)
    axes.set_xticks(by_firings["firings"])
    axes.set_xlabel("char firings")
    axes.set_ylabel("chance [%]")
    return figure


@themed
def draw_split(effort: pd.DataFrame, *, delta_percent: float) -> Figure:
    """Chance of one within δ for the same effort, against lots per firing, by cells per lot.

    Parameters
    ----------
    effort : DataFrame
        From `charscreen.quality.split.split_effort`.
    delta_percent : float
        δ. [%]
    """
    figure = new_figure(width_in=6.8, height_in=2.2)
    axes = figure.subplots()
    for k, (cells, here) in enumerate(effort.groupby("cells_per_lot", sort=True)):
        axes.errorbar(
            # Set a little apart, so that intervals do not hide each other.
            here["lots_per_firing"] * (1 + 0.012 * (k - 1.5)),
            100 * here["p_within_delta"],
            yerr=100 * _TWO_SE * here["p_within_delta_se"],
            color=COLOURS[k % len(COLOURS)],
            marker=MARKERS[k % len(MARKERS)],
            linestyle=LINES[k % len(LINES)],
            linewidth=1.2,
            markersize=4.5,
            capsize=2,
            label=f"{cells} cell{'s' if cells > 1 else ''} per lot",
        )
    axes.set_xticks(sorted(set(effort["lots_per_firing"])))
    axes.set_xlabel("lots per firing")
    axes.set_ylabel(f"chance within {delta_percent:g} % [%]")
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5))
    return figure
