"""The page that lays the rankings of several screens beside each other."""

from collections.abc import Sequence

from markupsafe import Markup

from charscreen.cautions import FOOTER
from charscreen.compare.ratios import SideBySide
from charscreen.compare.screens import RankedScreen
from charscreen.plots.side_by_side import draw_side_by_side
from charscreen.plots.theme import as_svg
from charscreen.report.blocks import Bullets, Column, Picture, Section, Table, Text
from charscreen.report.page import render_page
from charscreen.report.svg import svg_for_page
from charscreen.report.tables import interval_text
from charscreen.rounding import fixed, percent
from charscreen.words import (
    candidate_words,
    candidates_in_words,
    first_upper,
    merit_unit,
    merit_words,
)

SHOWN = 40


def compare_page(
    screens: Sequence[RankedScreen],
    found: SideBySide,
    merit: str,
    *,
    file: str,
    interval_percent: float,
) -> str:
    """The comparison as one HTML page.

    Parameters
    ----------
    screens : sequence of RankedScreen
        As they were compared.
    found : SideBySide
        From `charscreen.compare.put_side_by_side`.
    merit : str
        The merit compared by.
    file : str
        Name of the table beside the page.
    interval_percent : float
        Level of the intervals. [%]
    """
    value = "ratio" if found.reference else "estimate"
    less = (found.table["better"] == "less").any()
    rows = found.table.sort_values([value, "screen", "candidate"], ascending=[less, True, True])
    names = {name: words for screen in screens for name, words in screen.names.items()}
    rows = rows.assign(label=[_label(row, names) for row in rows.to_dict("records")])
    unit = merit_unit(merit, rows["unit"].iloc[0])
    axis = f"{first_upper(merit_words(merit))} [{unit}]"
    if found.reference:
        reference = names.get(found.reference, found.reference)
        axis = f"{first_upper(merit_words(merit))}, multiples of {reference} in the same screen"
    shown = rows.head(SHOWN)
    figure = as_svg(draw_side_by_side(shown, value=value, axis=axis, one=bool(found.reference)))
    caption = (
        f"{'All' if len(shown) == len(rows) else f'The best {len(shown)} of {len(rows)}'} "
        f"candidates; points are medians of the posterior draws, bars {interval_percent:g} % "
        "intervals; colour and marker name the screen."
    )
    picture = Picture(
        name="side_by_side",
        svg=Markup(svg_for_page(figure, prefix="side_by_side", label=caption)),
        caption=caption,
        file=file,
    )
    scale = candidates_in_words(found.reference_words, names)
    if found.reference:
        scale = scale.replace(f"{found.reference} ", f"{reference} ")
    sections = [
        Section(
            "answer",
            "Side by side",
            [Text(_answer(screens, found, rows), "lead"), Text(scale), picture],
        ),
        Section("table", "All candidates", [_table(rows, found, unit, file)]),
        Section(
            "screens",
            "The screens",
            [Bullets([f"{screen.label}: {screen.title}" for screen in screens])],
        ),
        Section("cautions", "Cautions", [Text(FOOTER)]),
    ]
    return render_page(
        title=" and ".join(screen.label for screen in screens),
        question=f"How do these screens compare by {merit_words(merit)}?",
        data_are_invented=any(screen.data_are_invented for screen in screens),
        sections=sections,
    )


def _answer(screens, found: SideBySide, rows) -> str:
    if not found.reference:
        best = [rows[rows["screen"] == screen.label].iloc[0] for screen in screens]
        parts = [
            f"{row['label']} leads {row['screen']} with {_with_ends(row, 'estimate')} {row['unit']}"
            for row in best
        ]
        return ". ".join(parts) + ". Which of them is better cannot be told from these screens."
    top = rows.loc[rows["p_best"].idxmax()]
    return (
        f"{top['label']} of {top['screen']} is most likely the best of all "
        f"{len(rows)} candidates ({percent(top['p_best'])}), at {_with_ends(top, 'ratio')} times "
        "the reference."
    )


def _label(row, names) -> str:
    return candidate_words(row, names) + (", predicted" if row["predicted"] == "yes" else "")


def _with_ends(row, value: str) -> str:
    middle, ends = interval_text(row, value, f"{value}_lo", f"{value}_hi")
    return f"{middle} ({ends})" if ends else middle


def _table(rows, found: SideBySide, unit: str, file: str) -> Table:
    cells = []
    for row in rows.to_dict("records"):
        estimate, ends = interval_text(row, "estimate", "estimate_lo", "estimate_hi")
        line = [row["screen"], row["label"], estimate, ends]
        if found.reference:
            ratio, ratio_ends = interval_text(row, "ratio", "ratio_lo", "ratio_hi")
            line += [ratio, ratio_ends, fixed(row["expected_rank"], 1), percent(row["p_best"])]
        cells.append(line)
    columns = [
        Column("Screen"),
        Column("Candidate", is_wide=True),
        Column(f"Estimate [{unit}]", True),
        Column("Interval", True),
    ]
    if found.reference:
        columns += [
            Column("Times the reference", True),
            Column("Interval", True),
            Column("Rank", True),
            Column("Chance best", True),
        ]
    return Table(
        id="table-side-by-side",
        caption="All candidates of all screens",
        file=file,
        columns=columns,
        rows=cells,
        note="Ranks and chances are over all screens, on the scale of the reference."
        if found.reference
        else "",
    )
