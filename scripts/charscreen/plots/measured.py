"""Figures of what was measured: yields and capacitances with their estimated means."""

from collections.abc import Mapping

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from charscreen.plots.theme import (
    INK,
    SOFT,
    bare_rows,
    draw_interval,
    looks,
    message_figure,
    new_figure,
    offsets,
    shorten,
    themed,
)
from charscreen.rounding import is_number
from charscreen.words import activation_words, feedstock_words, number_text

NOT_DRAWN = "mean not known: too few firings"


@themed
def draw_yields(
    yields: pd.DataFrame,
    means: pd.DataFrame | None,
    activation_means: pd.DataFrame | None = None,
    *,
    names: Mapping[str, str] | None = None,
) -> Figure:
    """Char yield of every lot, and activation yield of every aliquot, by feedstock.

    Parameters
    ----------
    yields : DataFrame
        Columns lot, feedstock, peak_temperature_C [°C], yield_char_d_percent [% of dry feed],
        yield_activated_percent [% of char taken].
    means, activation_means : DataFrame or None
        Estimated means: feedstock, estimate, lo, hi [%]; one without interval is not marked.
    names : mapping, optional
        Feedstock id to name.
    """
    panels = [
        ("yield_char_d_percent", "Char yield, dry basis [%]", means),
        ("yield_activated_percent", "Activation yield [% of char]", activation_means),
    ]
    panels = [
        panel
        for panel in panels
        if yields is not None and panel[0] in yields and yields[panel[0]].map(is_number).any()
    ]
    if not panels:
        return message_figure("No lot has a yield yet.")
    value = panels[0][0]
    known = yields[yields[[panel[0] for panel in panels]].map(is_number).any(axis=1)]
    order = _order(known, value, panels[0][2])
    groups = looks(known["peak_temperature_C"])
    figure = new_figure(width_in=7.4, height_in=1.3 + 0.3 * len(order))
    all_axes = figure.subplots(1, len(panels), sharey=True, squeeze=False)[0]
    for axes, (column, label, table) in zip(all_axes, panels, strict=True):
        bare_rows(axes, [shorten(feedstock_words(name, names), 30) for name in order])
        # Aliquots of one char repeat its char yield: it is one lot.
        shown = known.drop_duplicates("lot") if column == "yield_char_d_percent" else known
        _draw_rows(axes, shown, column, order, "peak_temperature_C", groups)
        _draw_means(axes, table, order, {None: (INK, "D")})
        axes.set_xlabel(label)
    words = {value: f"{number_text(value)} °C" for value in groups}
    handles = _point_handles(groups, words)
    if any(_is_drawn(table).any() for _, _, table in panels):
        handles.append(_mean_handle(INK, "D", "estimated mean"))
    figure.legend(handles=handles, loc="outside lower center", ncols=min(len(handles), 4))
    return figure


@themed
def draw_capacitances(
    cells: pd.DataFrame,
    means: pd.DataFrame | None,
    *,
    names: Mapping[str, str] | None = None,
) -> Figure:
    """Electrode capacitance of every cell by feedstock and activation, with estimated means.

    Parameters
    ----------
    cells : DataFrame
        Columns feedstock, activation, run, electrode_F_per_g [F/g].
    means : DataFrame or None
        Estimated means: feedstock, activation, estimate, lo, hi [F/g]; one without interval is
        not marked.
    names : mapping, optional
        Feedstock id to name.
    """
    column = "electrode_F_per_g"
    if cells is None or column not in cells or not cells[column].map(is_number).any():
        return message_figure("No cell has a capacitance yet.")
    known = cells[cells[column].map(is_number)]
    order = _order(known, column, means)
    groups = looks(known["activation"])
    figure = new_figure(width_in=7.4, height_in=1.3 + 0.34 * len(order))
    axes = figure.add_subplot()
    bare_rows(axes, [shorten(feedstock_words(name, names), 36) for name in order])
    _draw_rows(axes, known, column, order, "activation", groups)
    _draw_means(axes, means, order, groups)
    axes.set_xlabel("Electrode capacitance [F/g]")
    axes.set_xlim(left=0)
    words = {value: activation_words({"activation": value}) for value in groups}
    handles = _point_handles(groups, {value: f"one cell, {words[value]}" for value in groups})
    drawn = means[_is_drawn(means)]["activation"].tolist() if _is_drawn(means).any() else []
    handles += [
        _mean_handle(*style, f"estimated mean, {words[value]}")
        for value, style in groups.items()
        if value in drawn
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=2)
    return figure


def _order(known: pd.DataFrame, column: str, means: pd.DataFrame | None) -> list[str]:
    """Feedstocks by estimated mean where there is one, else by the mean of the points."""
    if means is not None and not means.empty:
        level = means.groupby("feedstock")["estimate"].max()
    else:
        level = pd.Series(dtype=float)
    level = level.reindex(known["feedstock"].unique())
    level = level.fillna(known.groupby("feedstock")[column].mean())
    return list(level.sort_values(ascending=False, kind="stable", na_position="last").index)


def _draw_rows(
    axes: Axes, known: pd.DataFrame, column: str, order: list[str], by: str, groups: Mapping
) -> None:
    known = known[known[column].map(is_number)]
    rows = {
        name: mine.sort_values(column, kind="stable") for name, mine in known.groupby("feedstock")
    }
    found = [(place, rows[name]) for place, name in enumerate(order) if name in rows]
    marks: dict[tuple, list] = {}
    for place, mine in found:
        shifts = offsets(len(mine), width=0.4)
        for shift, value, group in zip(shifts, mine[column], mine[by], strict=True):
            look = groups.get(group, (SOFT, "o"))
            marks.setdefault(look, []).append((value, place + 0.08 + shift / 2))
    for (colour, marker), points in marks.items():
        axes.plot(
            *zip(*points, strict=True),
            marker=marker,
            color=colour,
            markersize=4,
            markerfacecolor="none",
            markeredgewidth=0.9,
            linestyle="",
            zorder=2,
        )


def _is_drawn(means: pd.DataFrame | None) -> pd.Series:
    """Which means are marked: those whose interval is known."""
    if means is None or means.empty:
        return pd.Series(dtype=bool)
    return means[["estimate", "lo", "hi"]].map(is_number).all(axis=1)


def _draw_means(axes: Axes, means: pd.DataFrame | None, order: list[str], styles: Mapping) -> None:
    if means is None or means.empty:
        return
    places = {feedstock: place for place, feedstock in enumerate(order)}
    missing = set()
    for row, is_drawn in zip(means.to_dict("records"), _is_drawn(means), strict=True):
        style = styles.get(row.get("activation"), styles.get(None))
        if row["feedstock"] not in places or not is_number(row["estimate"]) or style is None:
            continue
        place = places[row["feedstock"]] - 0.3
        if not is_drawn:
            missing.add(place)
            continue
        draw_interval(axes, place, row["lo"], row["hi"], style[0])
        axes.plot(row["estimate"], place, marker=style[1], color=style[0], markersize=5, zorder=4)
    for place in sorted(missing):
        _note_missing(axes, place)


def _note_missing(axes: Axes, place: float) -> None:
    """In place of a mean whose interval is not known: a mark would look surer than it is."""
    axes.annotate(
        NOT_DRAWN,
        (0.995, place),
        xycoords=("axes fraction", "data"),
        ha="right",
        va="center",
        fontsize=7,
        color=INK,
        zorder=1,
    )


def _point_handles(groups: Mapping, words: Mapping) -> list[Line2D]:
    if len(set(groups.values())) < len(groups):
        colour, marker = next(iter(groups.values()))
        look = {"marker": marker, "color": colour, "markerfacecolor": "none"}
        return [Line2D([], [], linestyle="", label="one measurement", **look)]
    return [
        Line2D([], [], linestyle="", marker=m, color=c, markerfacecolor="none", label=words[value])
        for value, (c, m) in groups.items()
    ]


def _mean_handle(colour: str, marker: str, label: str) -> Line2D:
    return Line2D([], [], color=colour, marker=marker, markersize=5, linewidth=1.8, label=label)
