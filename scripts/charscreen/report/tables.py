"""Result tables as a page shows them: words for ids, digits by uncertainty, the file named."""

import re
from collections.abc import Iterable, Mapping, Sequence

import pandas as pd

from charscreen.findings import LEAVES_OUT, QUESTIONS
from charscreen.report.blocks import Column, Table
from charscreen.report.model_view import NOT_KNOWN, why_not_known
from charscreen.rounding import (
    decimals_for,
    fixed,
    is_number,
    p_value,
    significant,
    with_interval,
    with_uncertainty,
)
from charscreen.words import (
    activation_words,
    feedstock_words,
    first_upper,
    level_words,
    number_text,
)

Names = Mapping[str, str] | None


def interval_text(row: Mapping, value: str, low: str, high: str) -> tuple[str, str]:
    """Estimate and `low to high`, rounded together; the second is empty where unknown."""
    estimate, lo, hi = with_interval(row.get(value), row.get(low), row.get(high))
    return estimate, f"{lo} to {hi}" if lo and hi else ""


def count_text(value: object) -> str:
    """A count without decimals; empty where missing."""
    return str(int(value)) if is_number(value) else ""


def means_table(
    means: pd.DataFrame, *, id: str, caption: str, unit: str, file: str, names: Names
) -> Table:
    """Estimated means of a model, highest first; ends that are NaN are said to be not known."""
    has_activation = bool(means["activation"].map(lambda v: isinstance(v, str)).any())
    rows = []
    for row in means.sort_values("estimate", ascending=False, kind="stable").to_dict("records"):
        estimate, ends = interval_text(row, "estimate", "lo", "hi")
        cells = [feedstock_words(row["feedstock"], names)]
        if has_activation:
            cells.append(activation_words(row))
        counts = [count_text(row["n_lots"]), count_text(row["n_firings"])]
        rows.append([*cells, estimate, ends or NOT_KNOWN, *counts])
    columns = [Column("Feedstock")] + ([Column("Activation")] if has_activation else [])
    columns += [Column(f"Estimated mean [{unit}]", True), Column("Interval", True)]
    columns += [Column("Lots", True), Column("Firings", True)]
    note = _note(rows, effects=False)
    return Table(id=id, caption=caption, file=file, columns=columns, rows=rows, note=note)


def _note(rows: list[list[str]], *, effects: bool) -> str:
    return why_not_known(effects=effects) if any(NOT_KNOWN in row for row in rows) else ""


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
    """Fixed effects of one model on its own scale; ends that are NaN are not known."""
    rows = []
    for row in effects.to_dict("records"):
        term = str(row["term"])
        estimate, se = with_uncertainty(row["estimate"], row["se"])
        places = decimals_for(row["se"]) if is_number(row["se"]) and row["se"] > 0 else 3
        ends = [fixed(row[name], places) for name in ("lo", "hi")]
        rows.append(
            [
                _term_words(term, names),
                estimate,
                se,
                fixed(row["df"], 1),
                f"{ends[0]} to {ends[1]}" if all(ends) else NOT_KNOWN,
                # Whether the middle of the screen lies at zero on a log scale asks nothing.
                "" if term.endswith("centre of the screen") else p_value(row["p"]) or NOT_KNOWN,
            ]
        )
    return Table(
        id=id,
        caption=caption,
        file=file,
        columns=[
            Column("Term", is_wide=True),
            Column("Estimate", True),
            Column("Standard error", True),
            Column("Degrees of freedom", True),
            Column("Interval", True),
            Column("p", True),
        ],
        rows=rows,
        note=_note(rows, effects=True),
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
