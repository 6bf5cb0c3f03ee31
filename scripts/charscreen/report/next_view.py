"""What to run next, for the report: the advice, the lots of the firing, and other moves."""

from collections.abc import Mapping

import pandas as pd

from charscreen.report.blocks import Bullets, Column, Section, Table, Text
from charscreen.rounding import is_number, significant, with_uncertainty
from charscreen.words import (
    activation_words,
    candidates_in_words,
    count_words,
    feedstock_words,
    feedstocks_in_words,
    number_text,
)

TITLE = "What to run next"


def next_section(inputs: Mapping, folder: str) -> Section:
    """The section on the next firing; a sentence where nothing is proposed.

    Parameters
    ----------
    inputs : mapping
        ``next``: a mapping with ``summary`` (dict) and the DataFrames ``design``, ``lots``,
        ``options``; may be absent. ``feedstock_names``.
    folder : str
        Folder of the results.
    """
    proposal, names = inputs.get("next"), inputs.get("feedstock_names")
    if not proposal:
        return Section("next", TITLE, [Text("Nothing was proposed.")])
    summary = proposal["summary"]
    blocks: list = [Text(candidates_in_words(s, names)) for s in summary["sentences"]]
    if summary["cannot_tell"]:
        blocks.append(
            Bullets([feedstocks_in_words(text, names) for text in summary["cannot_tell"]])
        )
    if len(proposal["design"]):
        blocks.append(_lots_table(proposal["design"], proposal["lots"], folder, names))
        blocks.append(_moves_table(proposal["options"], summary["best_of_moves"], folder, names))
        blocks.append(
            Text(
                f"To fire it, print {folder}/next/run_sheet.html and add its rows to "
                "config/design.csv with: sh scripts/with_env.sh python scripts/accept_plan.py "
                "--next (name the folder of the screen behind it, if it is not this one)."
            )
        )
    return Section("next", TITLE, blocks)


def _lots_table(design: pd.DataFrame, lots: pd.DataFrame, folder: str, names) -> Table:
    rows = [
        [
            str(row["run"]),
            str(row["firing"]),
            f"{number_text(row['peak_temperature_C'])} °C, {number_text(row['hold_min'])} min",
            feedstock_words(row["feedstock"], names),
            activation_words(row),
            str(row["role"]),
            significant(row["feed_ar_g"]) if is_number(row["feed_ar_g"]) else "",
            significant(row["expected_char_g"]) if is_number(row["expected_char_g"]) else "",
        ]
        for row in design.merge(lots[["run", "expected_char_g"]], on="run", how="left").to_dict(
            "records"
        )
    ]
    return Table(
        id="table-next-lots",
        caption="Lots of the proposed firing"
        if design["firing"].nunique() == 1
        else "Lots of the proposed firings",
        file=f"{folder}/next/design.csv",
        columns=[
            Column("Run"),
            Column("Firing"),
            Column("Condition"),
            Column("Feedstock"),
            Column("Activation"),
            Column("Role"),
            Column("Feed as received [g]", True),
            Column("Char to expect [g]", True),
        ],
        rows=rows,
        note="A repeat makes a condition once more; the reference lot shows the drift of the kiln.",
    )


def _moves_table(options: pd.DataFrame, best: list[str], folder: str, names) -> Table:
    """The proposed firing, and of each kind of move that of the highest gain for its cost."""
    rows = options.set_index("option", drop=False)
    proposed = rows[rows["proposed"] == "yes"]
    shown = pd.concat([proposed, rows.loc[best]]).drop_duplicates("option")
    unit = options["unit"].iloc[0]
    in_work = (options["cost_unit"] == "costs").all()
    cost_unit = "units of costs" if in_work else str(options["cost_unit"].iloc[0])
    rows = []
    for row in shown.to_dict("records"):
        gain, error = with_uncertainty(row["expected_gain"], row["gain_se"])
        rows.append(
            [
                _move(row) + (" (proposed)" if row["proposed"] == "yes" else ""),
                feedstocks_in_words(str(row["lots"]), names),
                f"{gain} ± {error}" if error else gain,
                significant(row["cost"]),
                significant(row["kiln_h"]),
                significant(100 * row["gain_per_cost"]),
            ]
        )
    return Table(
        id="table-next-moves",
        caption="Moves compared",
        file=f"{folder}/next/options.csv",
        columns=[
            Column("Move"),
            Column("What is made", is_wide=True),
            Column(f"Expected gain [{unit}]", True),
            Column(f"Cost [{cost_unit}]", True),
            Column("Kiln [h]", True),
            Column("Gain per 100 of cost", True),
        ],
        rows=rows,
        note="The gain is the expected drop in the loss of the final choice, ± the error of its "
        "simulation. Costs count every cell, and the activation firing that KOH lots need.",
    )


def _move(row: Mapping) -> str:
    if row["move"] == "cells":
        return f"{count_words(int(row['n_cells']), 'more cell')} of lots at hand"
    lots = count_words(int(row["n_lots"]), "lot")
    return f"{count_words(int(row['n_firings']), 'firing')} of {lots}"
