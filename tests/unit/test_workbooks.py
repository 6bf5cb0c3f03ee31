"""Tables in workbooks: merged cells, formulas, hidden sheets, dates, forms, open files."""

import datetime
import shutil
import time
import zipfile

import pytest
import xlsxwriter
from charscreen.findings import QUESTIONS, STOPS
from charscreen.screen import ScreenError, open_screen, render_check, workbooks
from charscreen.screen.folder import read_tables
from charscreen.screen.grids import BadFile
from charscreen.screen.schemas import TABLE_NAMES
from charscreen.screen.workbooks import cell_name
from tiny_screen import TABLES, spoil, write_screen

DAY = datetime.date(2026, 3, 14)


def write_book(path, sheets, *, hidden=(), change=None):
    """A workbook of sheets, each a list of rows; `change` may do more to book and sheets."""
    book = xlsxwriter.Workbook(path)
    dates = book.add_format({"num_format": "yyyy-mm-dd"})
    made = {}
    for name, rows in sheets.items():
        sheet = made[name] = book.add_worksheet(name)
        for number, row in enumerate(rows):
            for place, cell in enumerate(row):
                if isinstance(cell, datetime.date):
                    sheet.write_datetime(number, place, cell, dates)
                elif isinstance(cell, str):
                    sheet.write_string(number, place, cell)
                elif cell is not None:
                    sheet.write(number, place, cell)
        if name in hidden:
            sheet.hide()
    if change:
        change(book, made)
    book.close()
    return path


def text_rows(table):
    """A table of the small screen as rows; what looks like a number is one."""

    def cell(text):
        try:
            return float(text)
        except ValueError:
            return text or None

    return [[cell(text) for text in line.split(",")] for line in TABLES[table].splitlines()]


def found_in(folder):
    return {(f.table, f.row, f.column): f.message for f in read_tables(folder).findings}


def test_a_workbook_reads_like_a_text_file(tmp_path):
    rows = [["firing", "kind", "date", "hold_min", "note"], ["F1", "carbonise", DAY, 60, 12]]
    rows += [[], [7, "activate", "2026-03-15", "1,5", "text"], [None, None, None, None, None]]
    write_book(tmp_path / "firings.xlsx", {"s1": rows})
    read = read_tables(tmp_path)
    (finding,) = read.findings
    assert finding.message == (
        "1.5 min is unusual (expected between 5 and 600 min). Write minutes, not hours."
    )
    assert (finding.file_name, finding.row, finding.severity) == ("firings.xlsx", 4, QUESTIONS)
    wanted = ("row", "firing", "date", "hold_min", "note")
    assert [tuple(row[name] for name in wanted) for row in read.tables["firings"]] == [
        (2, "F1", "2026-03-14", 60.0, "12"),
        (4, "7", "2026-03-15", 1.5, "text"),
    ]


def test_dates_where_numbers_belong_and_numbers_where_dates_belong(tmp_path):
    rows = [["firing", "kind", "date", "hold_min"], ["F1", "carbonise", 46095, DAY]]
    rows += [[DAY, "carbonise", 12, 60]]
    write_book(tmp_path / "firings.xlsx", {"s1": rows})
    assert found_in(tmp_path) == {
        ("firings", 2, "date"): "'46095' is not a date but a spreadsheet's number of a day, maybe "
        "2026-03-14. Format the column as date, or write the day so.",
        ("firings", 2, "hold_min"): "The spreadsheet has made a date of this number (2026-03-14). "
        "Format the column as a number and type it again.",
        ("firings", 3, "firing"): "The spreadsheet has made a date of this name (2026-03-14). "
        "Format the column as text and type it again.",
        ("firings", 3, "date"): "'12' is not a date. Write year-month-day, for example 2026-03-14.",
    }


def test_formulas(tmp_path):
    def formulas(book, made):
        sheet = made["masses"]
        sheet.write_formula("B2", "=40+2", value=42)
        sheet.write_formula("B3", "=40+2", value="")
        sheet.write_formula("B4", "=1/0", value="#DIV/0!")
        sheet.write_formula("C4", '=IF(B4="","","x")', value=" ")

    rows = [["run", "feed_ar_g", "note"], ["R1"], ["R2"], ["R3"]]
    write_book(tmp_path / "masses.xlsx", {"masses": rows}, change=formulas)
    read = read_tables(tmp_path)
    assert read.tables["masses"][0]["feed_ar_g"] == 42
    assert {(f.row, f.column, f.value, f.severity): f.message for f in read.findings} == {
        (
            3,
            "feed_ar_g",
            "",
            STOPS,
        ): "The cell holds a formula whose result was not saved. Open the "
        "workbook in a spreadsheet program and save it there, or write the value in its place.",
        (
            4,
            "feed_ar_g",
            "#DIV/0!",
            STOPS,
        ): "The formula gives #DIV/0!. Mend it, or write the value in its place.",
    }


def test_merged_cells(tmp_path):
    def merge(book, made):
        made["masses"].merge_range("A2:A3", "R1")
        made["masses"].merge_range("E2:F3", "beside the table")

    rows = [["run", "feed_ar_g"], [None, 50], [None, 51], ["R3", 52]]
    write_book(tmp_path / "masses.xlsx", {"masses": rows}, change=merge)
    messages = found_in(tmp_path)
    assert messages["masses", 3, "run"] == (
        "The cell is merged with others (A2 to A3), so its own value is not known. Unmerge them "
        "and write the value into each."
    )
    assert ("masses", 2, "run") not in messages


def test_which_sheet_is_read(tmp_path):
    good, other = [["run", "char_g"], ["R1", 1.5]], [["anything"], ["else"]]
    path = tmp_path / "masses.xlsx"
    write_book(path, {"old": other, "masses": good, "empty": []})
    assert found_in(tmp_path) == {}
    assert len(read_tables(tmp_path).tables["masses"]) == 1
    write_book(path, {"first": good, "second": other, "empty": []})
    assert found_in(tmp_path) == {
        (
            "masses",
            None,
            "",
        ): "Only the first sheet, 'first', is read, not 'second'. Name the "
        "sheet to be read masses, or take the others away."
    }
    write_book(path, {"seen": good, "masses": other}, hidden=["masses"])
    assert found_in(tmp_path) == {
        ("masses", None, ""): "The sheet 'masses' is hidden and is not read. Show it, or delete it."
    }


def test_damaged_and_empty_workbooks(tmp_path):
    path = write_book(tmp_path / "masses.xlsx", {"masses": [["run", "char_g"], ["R1", 1]]})
    whole = path.read_bytes()
    for share in (0.1, 0.5, 0.9, 0.99):
        path.write_bytes(whole[: int(share * len(whole))])
        (message,) = found_in(tmp_path).values()
        assert "It may be damaged or half written: close it where it is open" in message
    write_book(path, {"masses": []})
    assert "The sheet is empty" in found_in(tmp_path)["masses", None, ""]
    path.write_bytes(b"run,char_g\n")
    assert "no XLSX workbook" in found_in(tmp_path)["masses", None, ""]
    path.write_bytes(b"\xd0\xcf\x11\xe0 protected")
    assert "it has a password" in found_in(tmp_path)["masses", None, ""]
    path.write_bytes(b"")
    assert "The file is empty" in found_in(tmp_path)["masses", None, ""]
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("notes.txt", "no workbook at all")
    assert "cannot be read" in found_in(tmp_path)["masses", None, ""]


def test_a_hundred_thousand_rows(tmp_path):
    rows = [["run", "feed_ar_g", "feed_dry_g", "char_g"]]
    rows += [[f"R{n}", 50.1, 45.2, 14.3] for n in range(100_000)]
    write_book(
        tmp_path / "masses.xlsx",
        {"masses": rows},
        change=lambda book, made: made["masses"].write_formula("D5", "=10+4", value=14),
    )
    began = time.perf_counter()
    read = read_tables(tmp_path)
    print(f"100,000 rows of a workbook read in {time.perf_counter() - began:.1f} s")
    assert (len(read.tables["masses"]), read.findings) == (100_000, [])


def test_tables_of_a_folder(tmp_path):
    (tmp_path / "masses.csv").write_text("run,char_g\nR1,1\n", encoding="utf-8")
    (tmp_path / "masses.xlsx").write_bytes(b"")
    strays = ("mass.csv", "Cells.csv", "tests.xls", "readings (1).csv", "forms (1).xlsx")
    for name in (*strays, "prices.csv", "README.md"):
        (tmp_path / name).write_text("x\n", encoding="utf-8")
    (tmp_path / "feedstocks.csv").write_text("feedstock,name\nhusk,Oat husk\n", encoding="utf-8")
    read = read_tables(tmp_path)
    assert set(read.tables) == set(TABLE_NAMES)
    assert [row["feedstock"] for row in read.tables["feedstocks"]] == ["husk"]
    assert read.tables["masses"] == []
    assert {name: path.name for name, path in read.files.items()} == {
        "feedstocks": "feedstocks.csv"
    }
    (stop,) = [f for f in read.findings if f.severity == STOPS]
    assert stop.message == (
        "There is also masses.xlsx: which of them holds is unknown. Move one away."
    )
    messages = {f.file: f.message for f in read.findings if f.severity == QUESTIONS}
    assert set(messages) == set(strays)
    assert messages["Cells.csv"] == (
        "The file is not read. If it is the table cells, name it cells.csv or cells.xlsx."
    )
    assert messages["forms (1).xlsx"] == (
        "The file is not read. If it is the workbook of filled-in forms, name it forms.xlsx."
    )


@pytest.fixture
def with_forms(tmp_path):
    """Function from replaced sheets (None leaves one away) to a screen with forms and no CSV."""

    def of(csv=None, hidden=(), **sheets):
        write_screen(tmp_path, **(dict.fromkeys(TABLE_NAMES) | (csv or {})))
        book = {name: text_rows(name) for name in TABLE_NAMES} | sheets
        book = {name: rows for name, rows in book.items() if rows is not None}
        write_book(tmp_path / "config" / "forms.xlsx", book, hidden=hidden)
        return tmp_path

    return of


def test_a_workbook_of_all_tables_is_a_screen(with_forms, tmp_path_factory):
    screen = open_screen(with_forms(about=[["how to"]], lists=[["x"]], hidden=["lists"]))
    plain = open_screen(write_screen(tmp_path_factory.mktemp("plain")))
    assert screen.tables == plain.tables
    assert (screen.findings, screen.notes) == ([], [])
    assert screen.files == ["config/config.yaml", "config/forms.xlsx"]


def test_findings_name_the_sheet(with_forms):
    rows = text_rows("masses")
    rows[1][4] = 142.0
    (finding,) = open_screen(with_forms(masses=rows)).findings
    assert (finding.file_name, finding.row, finding.column) == (
        "forms.xlsx, sheet masses",
        2,
        "char_g",
    )
    rows[1][0] = "R1"
    with pytest.raises(ScreenError) as trouble:
        open_screen(with_forms(masses=rows))
    assert str(trouble.value).startswith("1 problem in config/forms.xlsx, sheet masses\n  row 2, ")
    assert "Did you mean 'R01'?" in str(trouble.value)


def test_a_wrong_word_in_a_sheet_makes_no_other_sheet_wrong(with_forms):
    rows = text_rows("tests")
    rows[1][rows[0].index("method")] = "throgh_resistor"
    headers = {name: TABLES[name].split("\n")[0] + "\n" for name in ("tests", "readings")}
    with pytest.raises(ScreenError) as trouble:
        open_screen(with_forms(csv=headers, tests=rows))
    assert str(trouble.value).startswith("1 problem in config/forms.xlsx, sheet tests\n  row 2, ")
    assert "Did you mean 'through_resistor'?" in str(trouble.value)
    assert "problem in config/forms.xlsx, sheet readings" not in str(trouble.value)


def test_a_table_given_twice(with_forms):
    alike = open_screen(with_forms(csv={"masses": TABLES["masses"], "cells": TABLES["cells"]}))
    assert alike.findings == []
    assert "config/masses.csv" in alike.files
    # A header alone holds nothing, on either side.
    header = TABLES["masses"].split("\n", 1)[0] + "\n"
    assert len(open_screen(with_forms(csv={"masses": header})).tables["masses"]) == 4
    empty = with_forms(csv={"masses": TABLES["masses"]}, masses=text_rows("masses")[:1])
    assert len(open_screen(empty).tables["masses"]) == 4
    # Rows that the file holds as well ask nothing; rows that it lacks do.
    part = with_forms(csv={"masses": TABLES["masses"]}, masses=text_rows("masses")[:3])
    assert len(open_screen(part).tables["masses"]) == 4
    with pytest.raises(ScreenError) as trouble:
        open_screen(with_forms(csv=spoil("masses", "14.2", "14.3")))
    assert str(trouble.value) == (
        "1 problem in config/forms.xlsx, sheet masses\n"
        "  row 2: The sheet and masses.csv both have rows, and they differ: which holds is "
        "unknown. Row 2 of the sheet stands otherwise, or not at all, in masses.csv. Bring all "
        "rows into one of them and delete those of the other, its header left."
    )


def test_sheets_that_are_not_read_are_asked_about(with_forms):
    folder = with_forms(cell=[["x"], [1]], blank=[], masses=[["run"]], hidden=["masses"])
    messages = [f.message for f in open_screen(folder).findings]
    assert messages == [
        "The sheet 'cell' is no table and is not read. If it is the table cells, name it so. Else "
        "leave it.",
        "The sheet 'masses' is hidden and is not read. Show it, or delete it.",
    ]


def test_damaged_forms_are_said_once(with_forms):
    folder = with_forms(csv={"cells": TABLES["cells"]})
    path = folder / "config" / "forms.xlsx"
    path.write_bytes(path.read_bytes()[:500])
    with pytest.raises(ScreenError) as trouble:
        open_screen(folder)
    (finding,) = trouble.value.findings
    assert finding.file_name == "forms.xlsx"
    assert "half written" in finding.message


def test_rows_not_filled_in_and_files_open_elsewhere_are_noted(tmp_path):
    folder = write_screen(tmp_path, masses=TABLES["masses"] + "R03b,,,,,,,,,\n")
    (folder / "config" / "~$masses.xlsx").write_bytes(b"\x05user")
    (folder / "config" / ".~lock.cells.csv#").write_text(",user,host,2026-03-14 10:00;")
    shutil.copy(folder / "config" / "cells.csv", folder / "config" / "~$odd.csv")
    screen = open_screen(folder)
    assert screen.findings == []
    assert screen.notes == [
        "cells.csv seems to be open in a spreadsheet program (.~lock.cells.csv#): what is not "
        "saved there is not read.",
        "masses.xlsx seems to be open in a spreadsheet program (~$masses.xlsx): what is not saved "
        "there is not read.",
        "odd.csv seems to be open in a spreadsheet program (~$odd.csv): what is not saved there is "
        "not read.",
        "masses.csv: 1 row names what is planned and not measured yet; not counted.",
    ]
    assert render_check(screen).endswith("\n".join(screen.notes))
    (folder / "config" / "cells.csv").write_text(TABLES["cells"][:-30])
    with pytest.raises(ScreenError) as trouble:
        open_screen(folder)
    assert "The file breaks off in this row" in str(trouble.value)
    assert "cells.csv seems to be open" in str(trouble.value)


def test_cell_names():
    assert [cell_name(0, 0), cell_name(9, 25), cell_name(1, 26), cell_name(0, 701)] == [
        *("A1", "Z10", "AA2", "ZZ1")
    ]


@pytest.mark.parametrize(
    ("cell", "expected"),
    [
        (None, None), ("", None), (True, "TRUE"), (False, "FALSE"), (3, 3.0),
        (datetime.datetime(2026, 3, 2, 9, 30), datetime.date(2026, 3, 2)),
        (datetime.date(2026, 3, 2), datetime.date(2026, 3, 2)),
    ],
)  # fmt: skip
def test_cells_are_text_number_or_date(cell, expected):
    assert workbooks._plain(cell) == expected


def test_a_workbook_beyond_the_bound_is_refused(tmp_path, monkeypatch):
    (tmp_path / "masses.xlsx").write_bytes(b"PK\x03\x04" + bytes(100))
    monkeypatch.setattr(workbooks, "MOST_BYTES", 50)
    with pytest.raises(BadFile, match="larger than 0 MB"):
        workbooks.open_workbook(tmp_path / "masses.xlsx")


def test_an_interruption_is_no_damage():
    with pytest.raises(KeyboardInterrupt):
        workbooks._damaged(KeyboardInterrupt())
