"""The workbook of results: every column explained, text inert, numbers whole, the same bytes."""

import csv
import io
import zipfile

import numpy as np
import pandas as pd
import pytest
from charscreen.capacitance.result_columns import TEST_RESULT_COLUMNS
from charscreen.firing_log.firings import FIRING_COLUMNS
from charscreen.gather import LEFT_OUT_COLUMNS
from charscreen.graph import WORKBOOK_MODEL_TABLES
from charscreen.models.tables import TABLES
from charscreen.rank.ranking import COLUMNS as RANKING_COLUMNS
from charscreen.report.column_words import column_words, sheet_words, unit_of
from charscreen.report.workbook import join_models, render_workbook
from plan_case import ROOT
from python_calamine import CalamineWorkbook

HOSTILE = [
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-2",
    "@SUM(A1)",
    "<script>alert(1)</script>",
    "https://example.org",
    "بذور",
    "🌱",
    "x" * 300,
]
DEMO = {
    "yields": "collect/yields",
    "cells": "collect/cells",
    "findings": "collect/findings",
    "feedstocks": "rank/feedstocks",
    "comparison": "rank/groups",
    "front": "rank/front",
    "desirability": "rank/desirability",
    "sensitivity": "rank/sensitivity",
    "options": "next/options",
}


def sheets_of(data: bytes) -> dict[str, list[list]]:
    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    return {
        name: book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        for name in book.sheet_names
    }


def columns_of_results() -> list[tuple[str, str]]:
    """Sheet and column of every table of the workbook."""
    found = {
        "ranking": RANKING_COLUMNS,
        "tests": TEST_RESULT_COLUMNS,
        "firings": FIRING_COLUMNS,
        "left_out": LEFT_OUT_COLUMNS,
    }
    found |= {table: ["model", *TABLES[table]] for table in WORKBOOK_MODEL_TABLES}
    for sheet, file in DEMO.items():
        with (ROOT / f"results_demo/{file}.csv").open(encoding="utf-8", newline="") as stream:
            found[sheet] = next(csv.reader(stream))
    return [(sheet, column) for sheet, columns in found.items() for column in columns]


@pytest.mark.parametrize(("sheet", "column"), columns_of_results())
def test_every_column_is_explained(sheet, column):
    words = column_words(column, sheet)
    assert len(words.meaning) > 10
    assert words.meaning.endswith((".", "?"))
    assert sheet_words(sheet)
    # A name that ends in a unit says it in the sheet as well.
    if unit_of(column):
        assert words.unit


def test_units_and_derived_columns():
    assert column_words("electrode_F_per_g_se").unit == "F/g"
    assert column_words("electrode_F_per_g_se").meaning == "Standard error of electrode_F_per_g."
    assert column_words("share_hi").meaning == "Upper end of the interval of share_percent."
    assert column_words("n_lots").unit == "1"
    assert column_words("no_such_thing").meaning == ""
    assert unit_of("carbon_g_per_kg_d") == "g per kg dry feed"
    assert column_words("lo", "variance").unit == "% of the value"


def test_text_that_looks_like_a_formula_stays_text():
    table = pd.DataFrame({"run": HOSTILE, "note": HOSTILE})
    data = render_workbook({"yields": table}, title=HOSTILE[0])
    rows = sheets_of(data)["yields"]
    assert [row[0] for row in rows[2:]] == HOSTILE
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        xml = {name: parts.read(name).decode("utf-8") for name in parts.namelist()}
    assert not any("<f>" in text for name, text in xml.items() if "worksheets/" in name)
    assert not any("hyperlink" in text for text in xml.values())


def test_numbers_keep_their_digits_and_show_what_their_error_supports():
    table = pd.DataFrame(
        {
            "capacitance_F": [0.123456789, np.nan, 0.2],
            "capacitance_F_se": [0.0123, np.nan, 0.0131],
            "n_tests": [1, 2, 3],
            "p_best": [0.43, np.inf, 0.0],
            "quality": [None, "bent", ""],
        }
    )
    data = render_workbook({"tests": table}, title="x")
    rows = sheets_of(data)["tests"]
    assert rows[0][:4] == ["F", "F", "1", "probability"]
    assert rows[1] == list(table.columns)
    assert rows[2][0] == 0.123456789
    assert rows[3][0] == ""
    assert rows[3][3] == "infinite"
    assert [row[2] for row in rows[2:]] == [1, 2, 3]
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        styles = parts.read("xl/styles.xml").decode()
        sheet = parts.read("xl/worksheets/sheet2.xml").decode()
    # 0.0127 leaves two digits of the error: three decimals (JCGM 100, 7.2.6).
    assert 'formatCode="0.000"' in styles
    assert '<pane xSplit="1" ySplit="2"' in sheet
    assert '<autoFilter ref="A2:E5"/>' in sheet


def test_the_first_sheet_names_every_column_and_the_mark():
    tables = {"yields": pd.DataFrame({"run": ["R1"]}), "cells": pd.DataFrame({"cell": []})}
    rows = sheets_of(render_workbook(tables, title="Trial", data_are_invented=True))["columns"]
    text = [[str(cell) for cell in row] for row in rows]
    assert text[0][0] == "Trial (invented data)"
    assert text[1][0].startswith("Invented data")
    assert ["yields", "run", "", "Short name of the lot."] in text
    assert any(row[:2] == ["cells", "cell"] for row in text)
    head = next(k for k, row in enumerate(text) if row[0] == "sheet")
    assert len(text) == head + 1 + 2 + 2


def test_the_same_tables_give_the_same_bytes():
    table = pd.DataFrame({"run": ["R1"], "feed_dry_g": [1.5]})
    assert render_workbook({"yields": table}, title="x") == render_workbook(
        {"yields": table.copy()}, title="x"
    )


def test_models_stand_in_one_table_with_their_units():
    def model(response, rows):
        return {"json": {"response": response}, "means": pd.DataFrame(rows, columns=["estimate"])}

    models = {
        "capacitance": model("electrode_F_per_g", [[120.0], [140.0]]),
        "retention": {"json": {"fitted": False}, "means": pd.DataFrame(columns=["estimate"])},
    }
    joined = join_models(models, "means")
    assert list(joined.columns) == ["model", "unit", "estimate"]
    assert joined["unit"].tolist() == ["F/g", "F/g"]
    none = join_models({"retention": models["retention"]}, "means")
    assert list(none.columns) == ["model", "unit", "estimate"]
    assert len(none) == 0


def test_a_cell_too_long_for_the_format_is_cut_and_says_so():
    table = pd.DataFrame({"note": ["y" * 40_000]})
    cell = sheets_of(render_workbook({"yields": table}, title="x"))["yields"][2][0]
    assert cell.endswith("(cut here)")
    assert len(cell) < 32_767
