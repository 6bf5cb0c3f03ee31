"""Figure of one model's checks: residuals, normal plots of each level, influence."""

from collections.abc import Mapping
from statistics import NormalDist

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from charscreen.plots.theme import (
    COLOURS,
    INK,
    SOFT,
    draw_strokes,
    message_figure,
    new_figure,
    offsets,
    shorten,
    themed,
)
from charscreen.rounding import is_number
from charscreen.words import first_upper, level_words

FAR = 3.0
NAMED_MOST = 4
LEVELS_MOST = 3
"""Normal plots beside that of the residuals: those of the levels with most groups."""
INFLUENCE_MOST = 12
FIRINGS_MOST = 60
"""Firings that carry their name; of more, every second, third and so on."""
RUNNING = 9
"""Residuals in a running median."""
ORDERS = {
    "date": "time",
    "id": "names (dates are not given)",
    "assembled": "the order of assembly, by day",
    "order": "the order of the design (days of assembly are not given)",
}


@themed
def draw_model_checks(
    residuals: pd.DataFrame,
    title: str,
    *,
    groups: pd.DataFrame | None = None,
    influence: pd.DataFrame | None = None,
    record: Mapping | None = None,
) -> Figure:
    """Residuals against fitted values and in the order of time, normal plots, powers, influence.

    Parameters
    ----------
    residuals : DataFrame
        Columns id, firing, fitted, standardised, order (of the firings in time) and run_order
        (of the rows).
    title : str
        Name of the model in words.
    groups : DataFrame, optional
        Columns level, group, standardised: effects of single firings, lots and so on.
    influence : DataFrame, optional
        Columns level, group, cook, changes_top.
    record : mapping, optional
        Of the model: ``order_by``, ``power_profile``, ``scale``.

    Notes
    -----
    Normal scores at (i - 3/8)/(n + 1/4), Blom's places (from memory).
    """
    known = residuals
    if known is not None and not known.empty:
        known = known[known["standardised"].map(is_number) & known["fitted"].map(is_number)]
    if known is None or known.empty:
        return message_figure(f"{first_upper(title)}: no model has been fitted yet.")
    panels = _normal_panels(known, groups)
    shown = _influential(influence)
    record = record or {}
    order_by, profile = record.get("order_by") or {}, record.get("power_profile")
    in_order = order_by.get("rows") and known["run_order"].map(is_number).all()
    second = [f"normal{k}" for k in range(len(panels))]
    third = ["power"] if profile and in_order else []
    second += ["power"] if profile and not in_order else []
    width = max(len(second), 2)
    layout = [
        ["fitted", *["firing"] * (width - 1)],
        second + ["none"] * (width - len(second)),
    ]
    if in_order:
        layout.append(third + ["order"] * (width - len(third)))
    if shown:
        layout.append(["influence"] * width)
    figure = new_figure(width_in=7.4, height_in=2.45 * len(layout))
    axes = figure.subplot_mosaic(layout, empty_sentinel="none")
    figure.suptitle(first_upper(title), fontsize=9.5, fontweight="bold", x=0.01, ha="left")
    points = {"marker": "o", "markersize": 3.4, "linestyle": "", "color": COLOURS[0]}
    points |= {"markerfacecolor": "none", "markeredgewidth": 0.9}
    _against_fitted(axes["fitted"], known, points)
    _by_firing(axes["firing"], known, points, order_by.get("firings", "date"))
    if in_order:
        _in_order(axes["order"], known, points, order_by["rows"])
    if profile:
        _draw_power(axes["power"], profile, record.get("scale", "log"))
    for k, (label, values) in enumerate(panels):
        _against_normal(axes[f"normal{k}"], values, points, label)
    axes["normal0"].set_ylabel("Standardised effect")
    if shown:
        _draw_influence(axes["influence"], shown)
    return figure


def _normal_panels(known: pd.DataFrame, groups: pd.DataFrame | None):
    """Level in words and standardised effects: the levels with most groups, then residuals."""
    panels = []
    if groups is not None and not groups.empty:
        sound = groups[groups["standardised"].map(is_number)]
        counts = sound.groupby("level", sort=False).size()
        counts = counts[counts >= NAMED_MOST].sort_values(ascending=False, kind="stable")
        for level in counts.index[:LEVELS_MOST]:
            values = sound.loc[sound["level"] == level, "standardised"]
            panels.append((first_upper(level_words(level)) + "s", values.to_numpy(float)))
    return [*panels, ("Residuals", known["standardised"].to_numpy(float))]


def _influential(influence: pd.DataFrame | None) -> list[dict]:
    """The firings, lots and cells of the greatest Cook's distances, most influential first."""
    if influence is None or influence.empty:
        return []
    sound = influence[influence["cook"].map(is_number)]
    firings = sound[sound["level"] == "firing"].head(INFLUENCE_MOST // 2)
    others = sound[sound["level"] != "firing"].sort_values("cook", ascending=False, kind="stable")
    others = others.drop_duplicates("group").head(INFLUENCE_MOST - len(firings))
    return [*firings.to_dict("records"), *others.to_dict("records")]


def _draw_influence(axes: Axes, rows: list[dict]) -> None:
    for place, row in enumerate(rows):
        changes = row["changes_top"] == "yes"
        axes.plot([place, place], [0, row["cook"]], color=SOFT, linewidth=1.4)
        axes.plot(
            place,
            row["cook"],
            marker="D" if changes else "o",
            color=COLOURS[1] if changes else COLOURS[0],
            markerfacecolor=COLOURS[1] if changes else "none",
            markersize=5.5,
            linestyle="",
        )
    labels = [f"{level_words(row['level'])} {shorten(row['group'], 14)}" for row in rows]
    axes.set_xticks(
        range(len(rows)), labels, rotation=35, ha="right", rotation_mode="anchor", fontsize=8
    )
    axes.set_ylim(bottom=0)
    axes.grid(axis="x", visible=False)
    axes.set_ylabel("Cook's distance")


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
    axes.set_xlabel("Fitted value")
    axes.set_ylabel("Standardised residual")


def _against_normal(axes: Axes, values: np.ndarray, points: Mapping, label: str) -> None:
    values = np.sort(values)
    n = len(values)
    # Python's own quantile: SciPy's takes as long to import as a figure to draw.
    chances = (np.arange(1, n + 1) - 0.375) / (n + 0.25)
    scores = np.array([NormalDist().inv_cdf(chance) for chance in chances])
    ends = np.array([scores[0], scores[-1]])
    axes.plot(ends, ends, color=SOFT, linewidth=1)
    axes.plot(scores, values, **points)
    axes.set_title(f"{label} (n = {n})", fontsize=8, fontweight="normal")
    axes.set_xlabel("Expected if normal")


def _in_order(axes: Axes, known: pd.DataFrame, points: Mapping, order_by: str) -> None:
    axes.axhline(0, color=SOFT, linewidth=1)
    axes.plot(known["run_order"] + 1, known["standardised"], **points)
    if len(known) >= RUNNING:
        ordered = known.sort_values("run_order", kind="stable")
        middle = ordered[["run_order", "standardised"]].rolling(RUNNING, center=True).median()
        axes.plot(middle["run_order"] + 1, middle["standardised"], color=INK, linewidth=1.6)
    axes.set_xlabel(f"Place in {ORDERS[order_by]} (line: running median of {RUNNING})")
    axes.set_ylabel("Standardised residual")


def _draw_power(axes: Axes, profile: Mapping, scale: str) -> None:
    power, excess = np.array(profile["power"]), np.array(profile["excess"])
    top = 4.0 * profile["limit"]
    axes.axvspan(profile["lo"], profile["hi"], color=SOFT, alpha=0.35, linewidth=0)
    axes.axvline(0.0, color=INK, linewidth=1.0, linestyle=(0, (4, 2)))
    axes.plot(power, excess, color=COLOURS[0], linewidth=1.6)
    seen = power[excess <= top]
    axes.set_xlim(min(seen[0], -0.5), max(seen[-1], 0.5))
    axes.set_ylim(0, top)
    axes.set_xlabel(f"Power of the {'odds' if scale == 'logit' else 'value'} (0: {scale})")
    axes.set_ylabel("Deviance above its least")


def _by_firing(axes: Axes, known: pd.DataFrame, points: Mapping, order_by: str) -> None:
    names = known["firing"].astype(str)
    place_in_time = known.get("order", names)
    firings = list(dict.fromkeys(names.iloc[np.argsort(place_in_time, kind="stable")]))
    axes.axhline(0, color=SOFT, linewidth=1)
    places = known.groupby(names.to_numpy()).indices
    values = [known["standardised"].iloc[places[firing]].sort_values() for firing in firings]
    shifts = [k + np.array(offsets(len(each), width=0.5)) for k, each in enumerate(values)]
    axes.plot(np.concatenate(shifts), np.concatenate(values), **points)
    means, at = np.array([each.mean() for each in values]), np.arange(len(firings))
    draw_strokes(axes, (at - 0.3, means), (at + 0.3, means), color=INK, linewidth=1.6)
    is_long = len(firings) > 8 or max(map(len, firings)) > 6
    step = -(-len(firings) // FIRINGS_MOST)
    axes.set_xticks(
        range(0, len(firings), step),
        [shorten(firing, 14) for firing in firings[::step]],
        rotation=60 if is_long else 0,
        ha="right" if is_long else "center",
        rotation_mode="anchor",
        fontsize=8 if len(firings) <= 30 else 6,
    )
    axes.grid(axis="x", visible=False)
    axes.set_xlabel(f"Firing, in the order of {ORDERS[order_by]} (short line: mean)")
    axes.set_ylabel("Standardised residual")
