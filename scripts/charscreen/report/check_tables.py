"""Checks, alternatives and best effort of the models, as a page shows them."""

from collections.abc import Mapping

import pandas as pd

from charscreen.report.blocks import Column, Table
from charscreen.rounding import fixed, is_number, p_value, significant, with_interval
from charscreen.words import count_words, first_upper, model_words

LOOK = "look at this"
"""How the verdict of a check begins that found something."""


def is_trouble(checks: pd.DataFrame) -> pd.Series:
    """Which checks found something."""
    return checks["verdict"].astype(str).str.startswith(LOOK)


def trouble_rows(checks: pd.DataFrame) -> pd.DataFrame:
    """The checks that found something."""
    return checks[is_trouble(checks)]


def verdict_sentence(checks: pd.DataFrame | None) -> str:
    """What the checks of one model come to, in one sentence.

    Parameters
    ----------
    checks : DataFrame or None
        Column verdict; None or no rows where none was made.
    """
    if checks is None or checks.empty:
        return "The fit converged; no further check was made."
    n = len(checks)
    n_unknown = int(checks["verdict"].astype(str).str.startswith("not known").sum())
    n_trouble = int(is_trouble(checks).sum())
    made = count_words(n - n_unknown, "check")
    if n_trouble:
        found = f"{n_trouble} of {made} found something to look at"
    else:
        found = f"none of {made} found a sign of trouble" if n > n_unknown else "no check was made"
    rest = ""
    if n_unknown:
        rest = f"; {count_words(n_unknown, 'further one')} could not be made with so few data"
    return first_upper(found + rest) + "."


def checks_table(checks: pd.DataFrame, *, id: str, caption: str, file: str) -> Table:
    """What was looked at and what was found."""
    rows = []
    for row in checks.to_dict("records"):
        value, lo, hi = with_interval(row["estimate"], row["lo"], row["hi"])
        if value and lo and hi:
            value = f"{value} ({lo} to {hi})"
        elif is_number(row["estimate"]):
            value = significant(row["estimate"], 2)
        rows.append([first_upper(str(row["words"])), value, p_value(row["p"]), str(row["verdict"])])
    columns = [Column("Check", is_wide=True), Column("Value", True), Column("p", True)]
    return Table(id, caption, file, [*columns, Column("Found", is_wide=True)], rows)


def alternatives_table(table: pd.DataFrame, *, id: str, caption: str, file: str) -> Table:
    """Other models of the same values, the chosen one first."""
    rows = [
        [
            first_upper(str(row["words"])),
            str(int(row["n_parameters"])),
            fixed(row["delta_aicc"], 1),
            fixed(row["error_percent"], 1),
        ]
        for row in table.to_dict("records")
    ]
    return Table(
        id,
        caption,
        file,
        [
            Column("Model", is_wide=True),
            Column("Parameters", True),
            Column("AICc above the least", True),
            Column("Error of firings left out [%]", True),
        ],
        rows,
    )


def effort_sentences(models: Mapping) -> list[str]:
    """Per model, the number of cells and lots that answers cheapest at the costs of the config."""
    sentences = []
    for name, model in models.items():
        table = model.get("effort")
        if table is None or table.empty:
            continue
        for question, rows in table.groupby("question", sort=False):
            best = rows[rows["best"] == "yes"].iloc[0]
            near = rows[rows["relative_cost"] < 1.1]
            parts, spans = [], []
            for column, one in (("cells_per_lot", "cell"), ("lots_per_firing", "lot")):
                if rows[column].nunique() < 2:
                    continue
                per = {"cell": "per lot", "lot": "per firing"}[one]
                parts.append(f"{count_words(int(best[column]), one)} {per}")
                if near.empty:
                    continue
                low, high = int(near[column].min()), int(near[column].max())
                if low < high:
                    spans.append(f"{low} to {high} {one}s {per}")
            sentences.append(
                f"{first_upper(model_words(name))}, to compare {question}: cheapest with "
                f"{' and '.join(parts)} at the costs in the config."
                + (f" Within a tenth of that lie {' and '.join(spans)}." if spans else "")
            )
    return sentences


def dropped_sentence(record: Mapping) -> list[str]:
    """What is not in a model, and why, in one sentence."""
    dropped = record.get("dropped") or []
    if not dropped:
        return []
    parts = [f"{entry['term'].replace('_', ' ')} ({entry['reason']})" for entry in dropped]
    return [f"Not in the model: {'; '.join(dict.fromkeys(parts))}."]
