"""Tables of the ranking: places with all that says how sure they are, and the leading group."""

from collections.abc import Mapping

import pandas as pd

from charscreen.basis import is_measured
from charscreen.report.blocks import Column, Strip, Strips, Table
from charscreen.report.ranking_view import (
    best_measured,
    is_in_group,
    is_unmade,
    less_is_better,
    of_merit,
)
from charscreen.report.tables import Names, count_text, interval_text
from charscreen.rounding import fixed, is_number, percent, significant
from charscreen.words import candidate_words, feedstock_words, merit_unit, merit_words

RANKING_TOP = 15
SURE = 0.9
"""Chance to meet the limits from which on it needs no column of its own."""


def ranking_table(
    ranking: pd.DataFrame, merit: str, *, level: str, rule: str, file: str, names: Names, top: int
) -> Table:
    """The best candidates of one merit with all that says how sure their place is.

    Parameters
    ----------
    ranking : DataFrame
        All merits.
    merit : str
        Which to show.
    level : str
        Level of the intervals.
    rule : str
        When a candidate counts as told apart, a sentence.
    file : str
        Where the numbers stand.
    names : mapping or None
        Feedstock id to name.
    top : int
        Rows to show.
    """
    all_rows = of_merit(ranking, merit)
    unit = merit_unit(merit, all_rows["unit"].iloc[0] if len(all_rows) else None)
    if len(all_rows) == 1:
        return _lone_table(all_rows.iloc[0], merit, unit=unit, level=level, file=file, names=names)
    shown_rows = all_rows.head(top).to_dict("records")
    rows = []
    chances = [row["p_meets"] for row in shown_rows if is_number(row.get("p_meets"))]
    choice = best_measured(all_rows)
    limited = bool(chances) and min(chances) < SURE
    for place, row in enumerate(shown_rows, start=1):
        estimate, ends = interval_text(row, "estimate", "estimate_lo", "estimate_hi")
        ranks = ""
        if is_number(row["rank_lo"]) and is_number(row["rank_hi"]):
            ranks = f"({count_text(row['rank_lo'])} to {count_text(row['rank_hi'])})"
        rows.append(
            [
                str(place),
                candidate_words(row, names)
                + basis_words(row)
                + (" (best measured)" if row["candidate"] == choice else ""),
                estimate,
                ends,
                " ".join(filter(None, [fixed(row["expected_rank"], 1), ranks])),
                percent(row["p_best"]),
                percent(row["p_top3"]),
                ", ".join(count_text(row[n]) or "–" for n in ("n_firings", "n_lots", "n_cells")),
                *([percent(row["p_meets"]) or "–"] if limited else []),
                _group_words(row, place),
            ]
        )
    sure = len(chances) == len(rows) > 0 and not limited
    best_end = "; less is better" if less_is_better(all_rows) else ""
    shown = f"the best {len(rows)} of {len(all_rows)}" if len(all_rows) > len(rows) else "all"
    return Table(
        id=f"table-ranking-{merit}",
        caption=f"Ranking by {merit_words(merit)}, {shown} candidates{best_end}; intervals of "
        f"{level}",
        note=f"{rule}{_set_note(all_rows)} Rank: mean over the draws, and its interval."
        + _basis_note(shown_rows)
        + (f" Each meets the limits with a chance over {percent(SURE)}." if sure else ""),
        file=file,
        columns=[
            Column("Place", True),
            Column("Candidate", is_wide=True),
            Column(f"Estimate [{unit}]", True),
            Column("Interval", True),
            Column("Rank", True),
            Column("Chance best", True),
            Column("Chance top 3", True),
            Column("Firings, lots, cells", True),
            *([Column("Meets the limits", True)] if limited else []),
            Column("Told apart"),
        ],
        rows=rows,
    )


def _lone_table(row: Mapping, merit: str, *, unit: str, level: str, file: str, names) -> Table:
    """One candidate has no place and no chance to be the best, only its figure."""
    estimate, ends = interval_text(row, "estimate", "estimate_lo", "estimate_hi")
    counts = [count_text(row[name]) or "–" for name in ("n_firings", "n_lots", "n_cells")]
    return Table(
        id=f"table-ranking-{merit}",
        caption=f"The only candidate with {merit_words(merit)}; interval of {level}",
        file=file,
        columns=[
            Column("Candidate", is_wide=True),
            Column(f"Estimate [{unit}]", True),
            Column("Interval", True),
            *[Column(name, True) for name in ("Firings", "Lots", "Cells")],
        ],
        rows=[[candidate_words(row, names) + basis_words(row), estimate, ends, *counts]],
        note="There is nothing to rank before a second feedstock or condition is measured.",
    )


def _set_note(all_rows: pd.DataFrame) -> str:
    """Said where the table counts more candidates than the answer on top of the page."""
    rows = all_rows.to_dict("records")
    n_measured = sum(is_measured(row) for row in rows)
    if n_measured in (0, len(rows)):
        return ""
    return (
        f" Places, chances and the best are those of all {len(rows)} candidates here; the answer "
        f"on top compares the {n_measured} measured ones alone."
    )


def _group_words(row: Mapping, place: int) -> str:
    if place == 1:
        return "(first)"
    return "≈ no" if is_in_group(row) else "yes"


def _basis_note(rows: list[dict]) -> str:
    if not any(basis_words(row) for row in rows):
        return ""
    return " In brackets: what was not measured at that condition, but carried over by the model."


def basis_words(row: Mapping) -> str:
    """What stands behind a candidate's name where its very condition was not measured."""
    basis = row.get("basis") if isinstance(row.get("basis"), str) else ""
    if basis == "fired off plan":
        return " (predicted, its firing missed the plan)"
    if is_unmade(row):
        return " (predicted, no lot made)"
    words = {"measured": "", "other conditions": "not measured here"}.get(basis, basis)
    return f" ({words})" if words else ""


def group_table(
    near: list[dict], merit: str, *, kind: str, file: str, names: Names, most: int = 8
) -> Table:
    """Candidates not told apart from the best, gathered by feedstock.

    Parameters
    ----------
    near : list of dict
        Their rows of the ranking, best first.
    merit : str
        By which.
    kind : str
        What they were taken from: ``candidates``, ``measured candidates``.
    file, names
        For the table.
    most : int
        Conditions of one feedstock to name.
    """
    cells = []
    for feedstock in dict.fromkeys(row["feedstock"] for row in near):
        mine = [row for row in near if row["feedstock"] == feedstock]
        conditions = [candidate_words(row).split(", ", 1)[1] for row in mine]
        more = len(conditions) - most
        text = "; ".join(conditions[:most]) + (f"; and {more} more" if more > 0 else "")
        best = interval_text(mine[0], "estimate", "estimate_lo", "estimate_hi")
        cells.append([feedstock_words(feedstock, names), text, *best])
    unit = merit_unit(merit, near[0].get("unit"))
    return Table(
        id=f"table-group-{merit}",
        caption=f"Not told apart from the best of the {kind} by {merit_words(merit)}",
        file=file,
        columns=[
            Column("Feedstock"),
            Column("Conditions, best first", is_wide=True),
            Column(f"Estimate of the first [{unit}]", True),
            Column("Interval", True),
        ],
        rows=cells,
    )


def ranking_strips(ranking: pd.DataFrame, merit: str, *, names: Names, top: int) -> Strips | None:
    """The figure of the ranking redrawn for a phone; None without candidates.

    Parameters
    ----------
    ranking, merit, names, top
        As for `ranking_table`.
    """
    rows = of_merit(ranking, merit)
    if not len(rows):
        return None
    unit = merit_unit(merit, rows["unit"].iloc[0])
    shown = rows.head(top).to_dict("records")
    known = [row[name] for row in shown for name in _PLACES if is_number(row[name])]
    start, end = min(known), max(known)
    span = (end - start) or 1.0

    def place(value: float) -> float | None:
        return round(100 * (value - start) / span, 2) if is_number(value) else None

    strips = []
    for number, row in enumerate(shown, start=1):
        estimate, ends = interval_text(row, *_PLACES)
        near = is_in_group(row)
        chance = percent(row["p_best"]) if len(rows) > 1 else ""
        parts = [f"{estimate} {unit}" + (f" ({ends})" if ends else "")]
        parts += [f"chance to be best {chance}"] if chance else []
        parts += ["≈ not told apart"] if near and number > 1 else []
        strips.append(
            Strip(
                label=f"{number}. {candidate_words(row, names)}{basis_words(row)}",
                value="; ".join(parts),
                point=place(row["estimate"]),
                low=place(row["estimate_lo"]),
                high=place(row["estimate_hi"]),
                is_marked=near,
            )
        )
    which = f"the best {len(shown)} of {len(rows)} candidates, " if len(rows) > len(shown) else ""
    return Strips(
        rows=strips,
        ends=(significant(start), f"{significant(end)} {unit}"),
        note=f"Shown for a narrow screen: {which}estimate and interval, without single lots; the "
        "full figure is in the file named below.",
    )


_PLACES = ("estimate", "estimate_lo", "estimate_hi")
