"""Forms to fill in: what stands in them, what they refuse, and the way back."""

import re
import zipfile
from io import BytesIO
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest
from charscreen.plan import DESIGN_COLUMNS, LOT_COLUMNS
from charscreen.plan.form_rules import column_rule, doubt_formula, note_text
from charscreen.plan.forms import planned_rows, render_forms
from charscreen.screen import open_screen, render_check
from charscreen.screen.folder import read_tables
from charscreen.screen.schemas import TABLE_NAMES, table_schemas
from charscreen.screen.workbooks import open_workbook
from tiny_screen import write_screen

SCHEMAS = table_schemas()
NAMES = {"feedstock": ["husk", "peel"], "balance": ["bench", "fine"], "trace_map": ["plain"]}
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def design_table(**changes):
    """Three lots, the second activated, their order of work not that of their names."""
    rows = pd.DataFrame(
        {
            "run": ["R1", "R2", "R3"],
            "role": ["reference", "screen", "screen"],
            "feedstock": ["husk", "peel", "husk"],
            "firing": ["F1", "F1", "F2"],
            "crucible": [1, 2, 1],
            "peak_temperature_C": [600.0, 600.0, 700.0],
            "hold_min": [60.0, 60.0, 60.0],
            "activation": ["none", "KOH", "none"],
            "koh_ratio": [np.nan, 3.0, np.nan],
            "activation_firing": [None, "A1", None],
            "activation_temperature_C": [np.nan, 750.0, np.nan],
            "activation_hold_min": [np.nan, 60.0, np.nan],
            "order": [2, 3, 1],
        }
        | changes
    )
    return rows.reindex(columns=[*DESIGN_COLUMNS])


def lot_table():
    lots = pd.DataFrame(
        {
            "run": ["R1", "R2", "R3"],
            "feed_ar_g": [41.5, 130.2, 41.5],
            "koh_g": [np.nan, 15.1, np.nan],
        }
    )
    return lots.reindex(columns=[*LOT_COLUMNS])


def cell_table(each=2):
    """Cells of the lots in the order of assembly: the last lot's first cells come first."""
    cells = [(f"{run}-{k}", run) for k in range(1, each + 1) for run in ("R3", "R1", "R2")]
    table = pd.DataFrame(cells, columns=["cell", "run"])
    # By lot in the file, as the plan writes it.
    return table.assign(assembly_order=range(1, len(table) + 1)).sort_values("cell")


def forms(design=None, title="Two wastes", **settings):
    design = design_table() if design is None else design
    return render_forms(design, lot_table(), cell_table(), names=NAMES, title=title, **settings)


def part(data, table):
    """XML of a table's sheet; the sheet about comes first."""
    number = TABLE_NAMES.index(table) + 2
    with zipfile.ZipFile(BytesIO(data)) as archive:
        return archive.read(f"xl/worksheets/sheet{number}.xml").decode()


def fill_in(data, **tables):
    """Bytes of the forms with values typed into them: table=[(row, column, value), ...]."""
    out = BytesIO()
    with zipfile.ZipFile(BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        names = {f"xl/worksheets/sheet{TABLE_NAMES.index(t) + 2}.xml": t for t in tables}
        for name in old.namelist():
            content = old.read(name)
            if name in names:
                content = _typed(content, SCHEMAS[names[name]], tables[names[name]])
            new.writestr(name, content)
    return out.getvalue()


def _typed(content, schema, values):
    root = ElementTree.fromstring(content)
    body = root.find(f"{MAIN}sheetData")
    rows = {int(row.get("r")): row for row in body}
    for number, column, value in values:
        if number not in rows:
            rows[number] = ElementTree.SubElement(body, f"{MAIN}row", r=str(number))
        place = list(schema.columns).index(column)
        letters = (chr(64 + place // 26) if place >= 26 else "") + chr(65 + place % 26)
        is_text = isinstance(value, str)
        cell = ElementTree.SubElement(
            rows[number], f"{MAIN}c", r=f"{letters}{number}", **({"t": "str"} if is_text else {})
        )
        ElementTree.SubElement(cell, f"{MAIN}v").text = str(value)
    return ElementTree.tostring(root)


def read_back(tmp_path, data):
    (tmp_path / "forms.xlsx").write_bytes(data)
    return read_tables(tmp_path)


def test_same_plan_same_bytes():
    assert forms() == forms()
    assert forms() != forms(title="Others")


def test_one_sheet_per_table_with_every_column(tmp_path):
    (tmp_path / "f.xlsx").write_bytes(forms())
    book = open_workbook(tmp_path / "f.xlsx")
    assert book.sheets == ["about", *TABLE_NAMES]
    assert book.hidden == ["lists"]
    for name, schema in SCHEMAS.items():
        assert book.read(name).rows[0] == list(schema.columns)


def test_planned_rows_come_back_as_they_were(tmp_path):
    read = read_back(tmp_path, forms())
    assert read.findings == []
    wanted = design_table().sort_values("order")
    for row, plan in zip(read.tables["design"], wanted.to_dict("records"), strict=True):
        for name in ("run", "role", "feedstock", "firing", "activation"):
            assert row[name] == plan[name]
        assert row["crucible"] == str(plan["crucible"])
        for name in ("peak_temperature_C", "koh_ratio", "activation_hold_min", "order"):
            assert row[name] == (None if pd.isna(plan[name]) else plan[name])
    kinds = [(row["firing"], row["kind"]) for row in read.tables["firings"]]
    assert kinds == [("F2", "carbonise"), ("F1", "carbonise"), ("A1", "activate")]
    # Named and not measured: no rows yet.
    assert read.tables["masses"] == read.tables["cells"] == []
    assert read.notes == [
        "forms.xlsx, sheet masses: 3 rows name what is planned and not measured yet; not counted.",
        "forms.xlsx, sheet cells: 6 rows name what is planned and not measured yet; not counted.",
    ]


def test_masses_and_cells_stand_in_the_order_of_work():
    rows = planned_rows(design_table(), cell_table())
    assert [row["run"] for row in rows["masses"]] == ["R3", "R1", "R2"]
    cells = ["R3-1", "R1-1", "R2-1", "R3-2", "R1-2", "R2-2"]
    assert [row["cell"] for row in rows["cells"]] == cells
    assert len(planned_rows(design_table(), cell_table(3))["cells"]) == 9


def test_filled_forms_make_a_screen(tmp_path):
    folder = write_screen(tmp_path, **dict.fromkeys(set(TABLE_NAMES) - {"feedstocks"}))
    masses = [(2, "feed_ar_g", 50), (2, "feed_dry_g", 45.1), (2, "char_g", 14.2)]
    masses += [(4, "feed_ar_g", 120), (4, "moisture_ar_percent", 79), (4, "char_g", "7,4")]
    masses += [(4, "char_taken_g", 5), (4, "koh_g", 15.1), (4, "activated_g", 1.4)]
    cells = [(2, "electrode_1_mg", 6.2), (2, "electrode_2_mg", 6.1), (2, "binder_percent", 10)]
    cells += [(2, "additive_percent", 10), (2, "electrolyte", "6 mol/L KOH")]
    cells += [(2, "upper_voltage_V", 0.9)]
    tests = [(2, "test", "T1"), (2, "cell", "R3-1"), (2, "method", "direct")]
    tests += [(2, "capacitance_F", 0.31)]
    data = fill_in(forms(), masses=masses, cells=cells, tests=tests)
    (folder / "config" / "forms.xlsx").write_bytes(data)
    screen = open_screen(folder)
    assert screen.findings == []
    assert {row["run"]: row["char_g"] for row in screen.tables["masses"]} == {"R3": 14.2, "R2": 7.4}
    assert [row["cell"] for row in screen.tables["cells"]] == ["R3-1"]
    assert screen.tables["tests"][0]["capacitance_F"] == 0.31
    assert len(screen.tables["design"]) == 3
    assert "forms.xlsx, sheet masses: 1 row names what is planned" in render_check(screen)


@pytest.mark.parametrize("text", ["=1+1", "+cmd|x", "-3", "@SUM(A1)", "'quoted", "a\tb"])
def test_text_stays_text(tmp_path, text):
    data = forms(design_table(note=[text, None, None]), title=text)
    assert "<f>" not in part(data, "design") + part(data, "masses")
    (row,) = [row for row in read_back(tmp_path, data).tables["design"] if row["run"] == "R1"]
    assert row["note"] == text


def rules_of(data, table):
    """Data validations of a sheet: first cell to (type, formulas, prompt)."""
    found = {}
    for rule in ElementTree.fromstring(part(data, table)).iter(f"{MAIN}dataValidation"):
        first, _, last = rule.get("sqref").partition(":")
        texts = tuple(child.text for child in rule)
        found[first] = (rule.get("type"), texts, rule.get("prompt"), last)
    return found


def test_drop_downs_and_limits():
    data = forms()
    design = rules_of(data, "design")
    assert design["B2"][:2] == ("list", ('"screen,reference,repeat"',))
    assert design["C2"][:2] == ("list", ("lists!$A$2:$A$3",))
    assert design["C2"][3] == "C3001"
    masses = rules_of(data, "masses")
    ids = "OFFSET(design!$A$2,0,0,MAX(1,COUNTA(design!$A$2:$A$3001)),1)"
    assert masses["A2"][:2] == ("list", (ids,))
    # The planned feed shows where it is to be typed, in the order of work.
    assert [masses[cell][2] for cell in ("B2", "B3", "B4")] == [
        "Planned: 41.5 g as received.",
        "Planned: 41.5 g as received.",
        "Planned: 130.2 g as received.",
    ]
    assert masses["B5"][2:] == (None, "B3001")
    for table, schema in SCHEMAS.items():
        rules = rules_of(data, table)
        for place, column in enumerate(schema.columns.values()):
            letters = (chr(64 + place // 26) if place >= 26 else "") + chr(65 + place % 26)
            limited = (column.minimum, column.above, column.maximum, column.below)
            wanted = column.choices or column.refers_to or column.type == "date"
            if wanted or any(limit is not None for limit in limited):
                assert f"{letters}2" in rules, (table, column.name)


def test_rules_are_the_limits_of_the_schema():
    def of(table, name):
        return column_rule(SCHEMAS[table].columns[name], table, NAMES, room=100)

    assert of("design", "koh_ratio").options(1, 2)["value"] == ("=AND(ISNUMBER(C2),C2>0,C2<=20)")
    assert of("masses", "feed_ar_g").facts == {"criteria": ">", "value": 0}
    between = of("feedstocks", "volatile_d_percent")
    assert between.facts == {"criteria": "between", "minimum": 0, "maximum": 100}
    assert of("tests", "date").kind == "date"
    assert of("tests", "step") is None
    assert of("design", "note") is None
    assert not of("masses", "balance").strict
    long = column_rule(
        SCHEMAS["masses"].columns["balance"],
        "masses",
        {"balance": [f"balance_{n}" for n in range(90)]},
        room=100,
    )
    assert len(long.options(1, 1)["error_message"]) <= 255
    assert doubt_formula(SCHEMAS["design"].columns["koh_ratio"], 1) == (
        "=AND(ISNUMBER(B2),OR(B2<1,B2>6))"
    )
    assert doubt_formula(SCHEMAS["masses"].columns["note"], 1) == ""


def test_notes_on_the_headers_carry_unit_and_meaning():
    with zipfile.ZipFile(BytesIO(forms())) as archive:
        notes = "".join(
            archive.read(name).decode() for name in archive.namelist() if "comments" in name
        )
    for schema in SCHEMAS.values():
        for column in schema.columns.values():
            text = note_text(column)
            if column.unit:
                assert text.startswith(f"Unit: {column.unit}\n")
            assert column.description.replace("`", "") in text
    assert notes.count("<comment ") == sum(len(schema.columns) for schema in SCHEMAS.values())
    assert "Needed in each row, or electrode_1_gross_mg and electrode_1_collector_mg." in notes


def test_header_is_frozen_and_printed_on_each_page():
    sheet = part(forms(), "masses")
    assert re.search(r'<pane [^>]*ySplit="1"[^>]*state="frozen"', sheet)
    with zipfile.ZipFile(BytesIO(forms())) as archive:
        assert "masses!$1:$1" in archive.read("xl/workbook.xml").decode()


def test_invented_data_are_said_once(tmp_path):
    for title in ("Two wastes", "Two wastes (invented data)"):
        (tmp_path / "f.xlsx").write_bytes(forms(title=title, data_are_invented=True))
        lines = [row[0] for row in open_workbook(tmp_path / "f.xlsx").read("about").rows if row]
        assert lines[0] == "Two wastes (invented data)"
        assert any(line and line.startswith("Invented data:") for line in lines)
    (tmp_path / "f.xlsx").write_bytes(forms())
    lines = [row[0] for row in open_workbook(tmp_path / "f.xlsx").read("about").rows if row]
    assert not any(line and "nvented" in line for line in lines)


def test_nothing_planned_gives_empty_forms(tmp_path):
    data = render_forms(
        design_table().iloc[:0],
        lot_table().iloc[:0],
        cell_table().iloc[:0],
        names={},
        title="Nothing & none",
    )
    read = read_back(tmp_path, data)
    assert (read.findings, read.notes) == ([], [])
    assert all(rows == [] for rows in read.tables.values())
