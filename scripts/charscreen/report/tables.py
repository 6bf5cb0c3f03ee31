"""Result tables as a page shows them: words for ids, digits by uncertainty, the file named."""

import re
from collections.abc import Iterable, Mapping, Sequence

import pandas as pd

from charscreen.findings import LEAVES_OUT, QUESTIONS
from charscreen.report.blocks import Column, Table
from charscreen.report.ranking_view import is_in_group, of_merit
from charscreen.rounding import (
    decimals_for,
    fixed,
    is_number,
    p_value,
    percent,
    significant,
    with_interval,
    with_uncertainty,
)
from charscreen.words import (
    activation_words,
    candidate_words,
    feedstock_words,
    first_upper,
    level_words,
    merit_unit,
    merit_words,
    number_text,
)

Names = Mapping[str, str] | None
RANKING_TOP = 15


def interval_text(row: Mapping, value: str, low: str, high: str) -> tuple[str, str]:
    """Estimate and `low to high`, rounded together; the second is empty where unknown."""
    estimate, lo, hi = with_interval(row.get(value), row.get(low), row.get(high))
    return estimate, f"{lo} to {hi}" if lo and hi else ""


def count_text(value: object) -> str:
    """A count without decimals; empty where missing."""
    return str(int(value)) if is_number(value) else ""


def ranking_table(
    ranking: pd.DataFrame, merit: str, *, level: str, file: str, names: Names, top: int
) -> Table:
    """The best candidates of one merit with all that says how sure their place is."""
    all_rows = of_merit(ranking, merit)
    unit = merit_unit(merit, all_rows["unit"].iloc[0] if len(all_rows) else None)
    shown_rows = all_rows.head(top).to_dict("records")
    bases = [_basis_words(row) for row in shown_rows]
    has_basis = set(bases) - {"yes", ""}
    rows = []
    for place, row in enumerate(shown_rows, start=1):
        estimate, ends = interval_text(row, "estimate", "estimate_lo", "estimate_hi")
        ranks = ""
        if is_number(row["rank_lo"]) and is_number(row["rank_hi"]):
            ranks = f"{count_text(row['rank_lo'])} to {count_text(row['rank_hi'])}"
        rows.append(
            [
                str(place),
                candidate_words(row, names),
                estimate,
                ends,
                fixed(row["expected_rank"], 1),
                ranks,
                percent(row["p_best"]),
                percent(row["p_top3"]),
                " / ".join(count_text(row[n]) or "–" for n in ("n_firings", "n_lots", "n_cells")),
                _group_words(row, place),
                *([bases[place - 1]] if has_basis else []),
            ]
        )
    shown = f"the best {len(rows)} of {len(all_rows)}" if len(all_rows) > len(rows) else "all"
    return Table(
        id=f"table-ranking-{merit}",
        caption=f"Ranking by {merit_words(merit)}, {shown} candidates; intervals of {level}; "
        "told apart: from the best",
        file=file,
        columns=[
            Column("Place", True),
            Column("Candidate", is_wide=True),
            Column(f"Estimate [{unit}]", True),
            Column("Interval", True),
            Column("Expected rank", True),
            Column("Rank interval", True),
            Column("Chance best", True),
            Column("Chance top 3", True),
            Column("Firings / lots / cells", True),
            Column("Told apart"),
            *([Column("Measured here")] if has_basis else []),
        ],
        rows=rows,
    )


def _group_words(row: Mapping, place: int) -> str:
    if place == 1:
        return "(best)"
    return "≈ no" if is_in_group(row) else "yes"


def _basis_words(row: Mapping) -> str:
    """Whether the very condition was measured, or is carried over from others by the model."""
    basis = row.get("basis") if isinstance(row.get("basis"), str) else ""
    words = {"measured": "yes", "other conditions": "no"}.get(basis, basis)
    return "no lot made" if row.get("predicted") == "yes" else words


def group_table(
    ranking: pd.DataFrame, merit: str, *, file: str, names: Names, most: int = 8
) -> Table:
    """Candidates not told apart from the best, gathered by feedstock."""
    rows = of_merit(ranking, merit)
    near = rows[rows.apply(is_in_group, axis=1)] if len(rows) else rows
    cells = []
    for feedstock in dict.fromkeys(near["feedstock"]):
        mine = near[near["feedstock"] == feedstock]
        conditions = [candidate_words(row).split(", ", 1)[1] for row in mine.to_dict("records")]
        more = len(conditions) - most
        text = "; ".join(conditions[:most]) + (f"; and {more} more" if more > 0 else "")
        chance = mine["p_best"].sum() if mine["p_best"].map(is_number).all() else None
        cells.append([feedstock_words(feedstock, names), text, percent(chance)])
    return Table(
        id=f"table-group-{merit}",
        caption=f"Not told apart from the best by {merit_words(merit)}",
        file=file,
        columns=[
            Column("Feedstock"),
            Column("Conditions, best first", is_wide=True),
            Column("Chance that one of these is the best", True),
        ],
        rows=cells,
    )


def means_table(
    means: pd.DataFrame, *, id: str, caption: str, unit: str, file: str, names: Names
) -> Table:
    """Estimated means of a model, highest first."""
    has_activation = bool(means["activation"].map(lambda v: isinstance(v, str)).any())
    rows = []
    for row in means.sort_values("estimate", ascending=False, kind="stable").to_dict("records"):
        estimate, ends = interval_text(row, "estimate", "lo", "hi")
        cells = [feedstock_words(row["feedstock"], names)]
        if has_activation:
            cells.append(activation_words(row))
        rows.append(
            [*cells, estimate, ends, count_text(row["n_lots"]), count_text(row["n_firings"])]
        )
    columns = [Column("Feedstock")] + ([Column("Activation")] if has_activation else [])
    columns += [Column(f"Estimated mean [{unit}]", True), Column("Interval", True)]
    columns += [Column("Lots", True), Column("Firings", True)]
    return Table(id=id, caption=caption, file=file, columns=columns, rows=rows)


def spread_table(
    frame: pd.DataFrame,
    column: str,
    *,
    by: Sequence[str] = ("feedstock", "activation"),
    id: str,
    caption: str,
    unit: str,
    file: str,
    names: Names,
) -> Table:
    """Mean, least and greatest value, where no model was fitted.

    Parameters
    ----------
    frame : DataFrame
        Columns feedstock, activation, koh_ratio and `column`.
    column : str
        What to describe.
    by : sequence of str
        ``feedstock``, and ``activation`` where the value hangs on it.
    id, caption, unit, file, names
        For the table.
    """
    known = frame[frame[column].map(is_number)].copy()
    records = known.to_dict("records")
    known["activation"] = [activation_words(row) for row in records]
    known["feedstock"] = [feedstock_words(row["feedstock"], names) for row in records]
    grouped = known.groupby(list(by), sort=False)[column]
    table = grouped.agg(["mean", "min", "max", "size"]).sort_values("mean", ascending=False)
    rows = []
    for key, row in table.iterrows():
        span = row["max"] - row["min"]
        places = decimals_for(span) if span > 0 else None
        texts = [
            fixed(row[name], places) if places is not None else significant(row[name])
            for name in ("mean", "min", "max")
        ]
        rows.append(
            [
                *(key if isinstance(key, tuple) else (key,)),
                texts[0],
                f"{texts[1]} to {texts[2]}" if row["size"] > 1 else "",
                count_text(row["size"]),
            ]
        )
    return Table(
        id=id,
        caption=caption,
        file=file,
        columns=[
            *(Column(first_upper(name)) for name in by),
            Column(f"Mean [{unit}]", True),
            Column("Least to greatest", True),
            Column("Values", True),
        ],
        rows=rows,
    )


def scatter_table(tables: Mapping[str, tuple[str, pd.DataFrame]], *, level: str) -> Table:
    """The scatter budget of all models, one row per level.

    Parameters
    ----------
    tables : mapping of str to (str, DataFrame)
        Model in words to the file of its table and the table.
    level : str
        Level of the intervals.
    """
    rows = []
    for words, (_, table) in tables.items():
        for row in table.to_dict("records"):
            sd, ends = interval_text(row, "sd_percent", "lo", "hi")
            share = fixed(row["share_percent"], 0)
            rows.append(
                [
                    first_upper(words),
                    first_upper(level_words(row["level"])),
                    sd,
                    ends,
                    count_text(row["n_levels"]),
                    share,
                ]
            )
    return Table(
        id="table-scatter",
        caption=f"Scatter budget; intervals of {level}",
        file=", ".join(file for file, _ in tables.values()),
        columns=[
            Column("Model"),
            Column("Level"),
            Column("Standard deviation [% of the value]", True),
            Column("Interval", True),
            Column("Number", True),
            Column("Share of the scatter [%]", True),
        ],
        rows=rows,
    )


def effects_table(
    effects: pd.DataFrame, *, id: str, caption: str, file: str, names: Names
) -> Table:
    """Fixed effects of one model on its own scale."""
    rows = []
    for row in effects.to_dict("records"):
        estimate, se = with_uncertainty(row["estimate"], row["se"])
        places = decimals_for(row["se"]) if is_number(row["se"]) and row["se"] > 0 else 3
        ends = [fixed(row[name], places) for name in ("lo", "hi")]
        rows.append(
            [
                _term_words(str(row["term"]), names),
                estimate,
                se,
                fixed(row["df"], 1),
                f"{ends[0]} to {ends[1]}" if all(ends) else "",
                # Whether the middle of the screen lies at zero on a log scale asks nothing.
                "" if str(row["term"]).endswith("centre of the screen") else p_value(row["p"]),
            ]
        )
    return Table(
        id=id,
        caption=caption,
        file=file,
        columns=[
            Column("Term"),
            Column("Estimate", True),
            Column("Standard error", True),
            Column("Degrees of freedom", True),
            Column("Interval", True),
            Column("p", True),
        ],
        rows=rows,
    )


def _term_words(term: str, names: Names) -> str:
    """A term with feedstock ids turned into names."""
    if " against " not in term and not term.endswith("centre of the screen"):
        return term
    return re.sub(r"[A-Za-z0-9][\w-]*", lambda m: feedstock_words(m[0], names), term)


def findings_tables(findings: pd.DataFrame, *, file: str) -> list[Table]:
    """Findings in three tables: left out, open questions, questions answered by the user."""
    if findings is None or findings.empty:
        return []
    accepted = findings["accepted"].map(lambda value: isinstance(value, str) and bool(value))
    groups = [
        ("left-out", "Impossible or missing: left out", findings["severity"] == LEAVES_OUT),
        ("open", "Doubtful: used, please look", (findings["severity"] == QUESTIONS) & ~accepted),
        ("accepted", "Doubtful, accepted with a reason", accepted),
    ]
    tables = []
    for name, title, chosen in groups:
        rows = findings[chosen]
        if rows.empty:
            continue
        columns = [Column("Table"), Column("Row", True), Column("Column"), Column("Value")]
        columns.append(Column("What was found, what to do", is_wide=True))
        if name == "accepted":
            columns.append(Column("Reason for accepting"))
        tables.append(
            Table(
                id=f"table-findings-{name}",
                caption=f"{title} ({len(rows)})",
                file=file,
                columns=columns,
                rows=[
                    [
                        _text(row["table"]),
                        count_text(row["row"]),
                        _text(row["column"]),
                        _value(row["value"]),
                        first_upper(_text(row["message"])),
                        *([_text(row["accepted"])] if name == "accepted" else []),
                    ]
                    for row in rows.to_dict("records")
                ],
            )
        )
    return tables


def left_out_table(left_out: pd.DataFrame, *, file: str) -> Table:
    """Rows that no result rests on, with the reason."""
    return Table(
        id="table-left-out",
        caption=f"Rows left out ({len(left_out)})",
        file=file,
        columns=[
            Column("Table"),
            Column("Row", True),
            Column("Id"),
            Column("Reason", is_wide=True),
        ],
        rows=[
            [_text(row["table"]), count_text(row["row"]), _value(row["id"]), _text(row["reason"])]
            for row in left_out.to_dict("records")
        ],
    )


def pairs_table(
    pairs: Iterable[tuple[str, str]], *, id: str, caption: str, headings: tuple[str, str], **kinds
) -> Table:
    """Two columns of text; ``numbers=True`` sets the second to the right."""
    return Table(
        id=id,
        caption=caption,
        file=kinds.get("file", ""),
        columns=[Column(headings[0]), Column(headings[1], kinds.get("numbers", False))],
        rows=[[str(name), str(value)] for name, value in pairs],
    )


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _value(value: object) -> str:
    return number_text(value) if is_number(value) else _text(value)
