"""Result tables as one workbook: a sheet each, and a first sheet that explains every column."""

import datetime
import io
import math
from collections.abc import Mapping

import numpy as np
import pandas as pd
import xlsxwriter

from charscreen.report.column_words import column_words, sheet_words, unit_of
from charscreen.rounding import decimals_for, is_number
from charscreen.words import model_words

_EPOCH = datetime.datetime(2000, 1, 1)  # fixed, so that the same tables give the same bytes
_LONGEST = 32_000  # characters of a cell; the file format takes 32,767
_HEAD_ROWS = 2  # units, then names; the filter stands on the names
_MOST_DECIMALS = 8
_FORMATS = {
    "title": {"bold": True, "font_size": 14},
    "words": {"text_wrap": True, "valign": "top"},
    "mark": {"bold": True},
    "unit": {"italic": True, "font_color": "#444444"},
    "header": {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"},
    "text": {"num_format": "@"},
}


def render_workbook(
    tables: Mapping[str, pd.DataFrame], *, title: str, data_are_invented: bool = False
) -> bytes:
    """All tables as the bytes of an XLSX file; the same tables give the same bytes.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Sheet to table, in order; tables without rows keep their header.
    title : str
        Title of the screen.
    data_are_invented : bool
        Marks every sheet "Invented data".

    Notes
    -----
    Numbers keep all their digits; what is shown ends where the standard error beside it does, or
    after four digits. Text is always written as text, whatever sign it begins with.
    """
    buffer = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    book = xlsxwriter.Workbook(buffer, options)
    book.set_properties({"title": title[:255], "author": "charscreen", "created": _EPOCH})
    formats = {name: book.add_format(facts) for name, facts in _FORMATS.items()}
    said = not data_are_invented or "invented" in title.casefold()
    heading = title if said else f"{title} (invented data)"
    about = book.add_worksheet("columns")
    numbers: dict[str, object] = {}
    for name, table in tables.items():
        sheet = book.add_worksheet(name)
        _set_page(sheet, heading)
        units = [column_words(str(column), name).unit for column in table.columns]
        _write_table(sheet, table, units, formats, lambda code: _number_format(book, numbers, code))
    _write_columns(about, tables, heading, data_are_invented, formats)
    about.activate()
    book.close()
    return buffer.getvalue()


def _number_format(book, made: dict, code: str):
    if code not in made:
        made[code] = book.add_format({"num_format": code})
    return made[code]


def _set_page(sheet, heading: str) -> None:
    sheet.set_landscape()
    sheet.set_paper(9)  # A4
    sheet.fit_to_pages(1, 0)
    sheet.set_header(f"&L{heading.replace('&', '&&')[:120]}&R&A, page &P of &N")


def _write_columns(
    sheet,
    tables: Mapping[str, pd.DataFrame],
    heading: str,
    data_are_invented: bool,
    formats: Mapping,
) -> None:
    """The first sheet: what each sheet and each of its columns holds."""
    _set_page(sheet, heading)
    sheet.write_string(0, 0, heading, formats["title"])
    lines = [
        "One sheet for each result table. Above each column's name stands its unit; 1 is a plain "
        "number. An empty cell was not measured or cannot be reckoned.",
        "Numbers keep all their digits; shown are those their standard error supports. Raw data "
        "stand in config/ and are not changed here: change them there and run again.",
    ]
    if data_are_invented:
        lines.insert(0, "Invented data: nothing in this workbook was measured.")
    for number, line in enumerate(lines, start=1):
        sheet.merge_range(number, 0, number, 3, "", formats["words"])
        sheet.write_string(number, 0, line, formats["mark" if "Invented" in line else "words"])
        sheet.set_row(number, 15 * (1 + len(line) // 120))
    top = len(lines) + 2
    for place, name in enumerate(("sheet", "column", "unit", "meaning")):
        sheet.write_string(top, place, name, formats["header"])
    row = top
    for name, table in tables.items():
        row += 1
        facts = (name, "", "", f"{sheet_words(name)} {len(table)} rows.".strip())
        for place, text in enumerate(facts):
            sheet.write_string(row, place, text, formats["mark"])
        for column in table.columns:
            row += 1
            words = column_words(str(column), name)
            for place, text in enumerate((name, str(column), words.unit, words.meaning)):
                sheet.write_string(row, place, text, formats["words"])
    for place, width in enumerate((14, 34, 18, 90)):
        sheet.set_column(place, place, width)
    sheet.freeze_panes(top + 1, 0)
    sheet.autofilter(top, 0, row, 3)
    sheet.repeat_rows(top)


def _write_table(
    sheet, table: pd.DataFrame, units: list[str], formats: Mapping, number_format
) -> None:
    last = _HEAD_ROWS - 1 + max(1, len(table))
    for place, name in enumerate(map(str, table.columns)):
        values = table[name]
        is_numeric = pd.api.types.is_numeric_dtype(values) and values.dtype != bool
        sheet.write_string(0, place, units[place], formats["unit"])
        sheet.write_string(1, place, name, formats["header"])
        kind = number_format(_code(table, name)) if is_numeric else formats["text"]
        longest = 8
        for row, value in enumerate(values.tolist(), start=_HEAD_ROWS):
            longest = max(longest, _write_cell(sheet, row, place, value, kind))
        sheet.set_column(place, place, min(max(longest, 0.6 * len(name)) + 2, 42))
    sheet.set_row(1, 30)
    sheet.freeze_panes(_HEAD_ROWS, 1)
    sheet.repeat_rows(0, 1)
    if len(table.columns):
        sheet.autofilter(1, 0, last, len(table.columns) - 1)


def _write_cell(sheet, row: int, place: int, value: object, kind) -> int:
    """Write one value by its own type; gives the room it takes, in characters."""
    if isinstance(value, (bool, np.bool_)):
        sheet.write_boolean(row, place, bool(value))
        return 5
    if isinstance(value, (int, float)):
        if math.isnan(value):
            return 0
        if math.isinf(value):
            sheet.write_string(row, place, "infinite" if value > 0 else "-infinite")
            return 9
        sheet.write_number(row, place, value, kind)
        return 9
    if value is None:
        return 0
    text = str(value)
    if len(text) > _LONGEST:
        text = f"{text[:_LONGEST]} ... (cut here)"
    sheet.write_string(row, place, text, kind)
    return len(text)


def _code(table: pd.DataFrame, name: str) -> str:
    """Number format of a column: decimals by its standard error, else four digits of it."""
    values = table[name].to_numpy(float)
    sizes = np.abs(values[np.isfinite(values) & (values != 0)])
    if not len(sizes) or bool(np.all(sizes == np.round(sizes))):
        return "0"
    size = float(np.median(sizes))
    if size < 1e-5 or size >= 1e7:
        return "0.000E+00"
    error = table[f"{name}_se"] if f"{name}_se" in table.columns else None
    if error is not None and pd.api.types.is_numeric_dtype(error) and is_number(error.median()):
        middle = float(error.median())
        decimals = decimals_for(middle) if middle > 0 else 3
    else:
        decimals = 3 - math.floor(math.log10(size))
    decimals = min(max(decimals, 0), _MOST_DECIMALS)
    return "0" if decimals == 0 else f"0.{'0' * decimals}"


def join_models(models: Mapping[str, Mapping], table: str) -> pd.DataFrame:
    """One table of all models; the model, and of means their unit, in the first columns.

    Parameters
    ----------
    models : mapping
        From `charscreen.result_set.read_models`.
    table : str
        One of `charscreen.graph.MODEL_TABLES`.
    """
    first = ["model", "unit"] if table == "means" else ["model"]
    rows, columns = [], dict.fromkeys(first)
    for name, model in models.items():
        columns |= dict.fromkeys(model[table].columns)
        response = str(model["json"].get("response", ""))
        facts = {"model": model_words(name), "unit": unit_of(response)}
        rows += [facts | row for row in model[table].to_dict("records")]
    return pd.DataFrame(rows, columns=list(columns))
