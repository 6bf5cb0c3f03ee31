"""Forms to fill in: a workbook with a sheet for each table, the planned rows written in."""

import datetime
import io
import math
from collections.abc import Mapping, Sequence

import pandas as pd
import xlsxwriter

from charscreen import cautions
from charscreen.plan.form_rules import Rule, column_rule, doubt_formula, note_text
from charscreen.plan.run_sheets import firings_of
from charscreen.screen.schemas import Column, TableSchema, table_schemas

ROOM = 3000  # rows below the header that have drop-downs and limits
_EPOCH = datetime.datetime(2000, 1, 1)  # fixed, so that the same plan gives the same bytes
_TEXT_TYPES = ("id", "text", "file", "choice")
_FORMATS = {
    "header": {"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"},
    "header_optional": {"bottom": 1, "text_wrap": True, "valign": "top"},
    "text": {"num_format": "@"},
    "date": {"num_format": "yyyy-mm-dd"},
    "number": {},
    "planned_text": {"num_format": "@", "bg_color": "#EDEDED"},
    "planned_date": {"num_format": "yyyy-mm-dd", "bg_color": "#EDEDED"},
    "planned_number": {"bg_color": "#EDEDED"},
    "doubt": {"italic": True, "bold": True, "bg_color": "#FFE0A3"},
    "title": {"bold": True, "font_size": 14},
    "words": {"text_wrap": True, "valign": "top"},
}


def render_forms(
    design: pd.DataFrame,
    lots: pd.DataFrame,
    cells: pd.DataFrame,
    *,
    names: Mapping[str, Sequence[str]],
    title: str,
    data_are_invented: bool = False,
) -> bytes:
    """A workbook to fill in, as the bytes of an XLSX file; the same plan gives the same bytes.

    Parameters
    ----------
    design, lots, cells : DataFrame
        Tables of a plan; of `lots` ``run``, ``feed_ar_g`` and ``koh_g`` [g] are read, of `cells`
        ``cell``, ``run`` and ``assembly_order``.
    names : mapping
        Column name to the names known for it: ``feedstock``, ``balance``, ``trace_map`` and so on.
    title : str
        Title of the screen.
    data_are_invented : bool
        Marks every sheet "Invented data".

    Notes
    -----
    A sheet's header is the table's; unit, meaning and limits stand in the header's note. Hard
    limits refuse a value on typing, an unusual one is marked and kept. Rows stand in the order of
    work. Text is always written as text, whatever sign it begins with.
    """
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True})
    book.set_properties({"title": _safe(title), "author": "charscreen", "created": _EPOCH})
    formats = {name: book.add_format(facts) for name, facts in _FORMATS.items()}
    rows = planned_rows(design, cells)
    hints = _hints(lots)
    listed = {name: list(words) for name, words in names.items() if words}
    said = not data_are_invented or "invented" in title.casefold()
    heading = title if said else f"{title} (invented data)"
    sheets = {"about": book.add_worksheet("about")}
    for table in table_schemas():
        sheets[table] = book.add_worksheet(table)
    sheets["lists"] = book.add_worksheet("lists")
    _write_about(sheets["about"], heading, data_are_invented, formats)
    for table, schema in table_schemas().items():
        sheet = sheets[table]
        _set_page(sheet, heading)
        _write_header(sheet, schema, formats)
        for number, row in enumerate(rows[table], start=1):
            _write_row(sheet, number, row, schema, formats)
        _add_rules(sheet, schema, listed, rows[table], hints if table == "masses" else {})
        _mark_doubts(sheet, schema, formats["doubt"])
    _write_lists(sheets["lists"], listed, formats)
    sheets["masses" if rows["masses"] else "about"].activate()
    book.close()
    return buffer.getvalue()


def planned_rows(design: pd.DataFrame, cells: pd.DataFrame) -> dict[str, list[dict]]:
    """Rows of each table that are known before anything is measured, in the order of work.

    Parameters
    ----------
    design : DataFrame
        Design of a plan; where it has ``order``, that is the order of work.
    cells : DataFrame
        Cells of the plan: ``cell``, ``run``, ``assembly_order``.

    Returns
    -------
    dict of str to list of dict
        Table to rows; only the columns that are known.
    """
    rows: dict[str, list[dict]] = {table: [] for table in table_schemas()}
    if not len(design):
        return rows
    if "order" in design.columns:
        design = design.sort_values("order", kind="stable", na_position="last")
    rows["design"] = design.to_dict("records")
    rows["firings"] = [{"firing": firing, "kind": kind} for firing, kind in firings_of(design)]
    runs = [str(run) for run in design["run"]]
    rows["masses"] = [{"run": run} for run in runs]
    cells = cells.sort_values("assembly_order", kind="stable")
    rows["cells"] = cells[["cell", "run"]].to_dict("records")
    return rows


def _hints(lots: pd.DataFrame) -> dict[tuple[str, str], str]:
    """(run, column of masses) to what the plan says about it."""
    hints = {}
    for lot in lots.to_dict("records"):
        if _number(lot.get("feed_ar_g")) is not None:
            hints[str(lot["run"]), "feed_ar_g"] = f"Planned: {lot['feed_ar_g']:.4g} g as received."
        if _number(lot.get("koh_g")) is not None:
            hints[str(lot["run"]), "koh_g"] = (
                f"Planned: about {lot['koh_g']:.3g} g for the char expected. Weigh it by the char "
                "really taken, times the ratio in design."
            )
    return hints


def _safe(title: str) -> str:
    """A title as the properties of a workbook take it: of 255 signs at most."""
    return title[:255]


def _number(value: object) -> float | None:
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return float(value) if is_number and math.isfinite(value) else None


def _set_page(sheet, heading: str) -> None:
    sheet.freeze_panes(1, 1)
    sheet.set_landscape()
    sheet.set_paper(9)  # A4
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.hide_gridlines(0)
    sheet.set_header(f"&L{heading.replace('&', '&&')[:120]}&R&A, page &P of &N")


def _write_header(sheet, schema: TableSchema, formats: Mapping) -> None:
    """Names, widths and notes; gross and empty weighings are folded away beside their net."""
    folded = False
    for place, (name, column) in enumerate(schema.columns.items()):
        sheet.write_string(0, place, name, formats["header" + "_optional" * (not column.required)])
        text = note_text(column)
        lines = sum(1 + len(line) // 44 for line in text.split("\n"))
        sheet.write_comment(
            0, place, text, {"author": "charscreen", "width": 300, "height": 20 + 17 * lines}
        )
        kind = formats[_kind(column)]
        width = 28 if column.type == "text" else min(max(len(name) * 0.75, 11), 20)
        fold = {"level": 1, "hidden": True} if column.net else {"collapsed": folded}
        folded = bool(column.net)
        sheet.set_column(place, place, width, kind, fold)
    sheet.set_row(0, 45)


def _kind(column: Column) -> str:
    if column.type == "date":
        return "date"
    return "text" if column.type in _TEXT_TYPES else "number"


def _write_row(sheet, number: int, row: Mapping, schema: TableSchema, formats: Mapping) -> None:
    for place, (name, column) in enumerate(schema.columns.items()):
        value = row.get(name)
        kind = formats[f"planned_{_kind(column)}"]
        known = _number(value)
        if column.is_number:
            if known is not None:
                sheet.write_number(number, place, known, kind)
        elif known is not None:
            sheet.write_string(number, place, f"{known:g}", kind)
        elif isinstance(value, str) and value and column.type == "date":
            sheet.write_datetime(number, place, datetime.datetime.fromisoformat(value), kind)
        elif isinstance(value, str) and value:
            sheet.write_string(number, place, value, kind)


def _add_rules(
    sheet, schema: TableSchema, listed: Mapping, rows: list[dict], hints: Mapping
) -> None:
    """Drop-downs and limits of each column; a planned mass is shown when its cell is chosen."""
    for place, (name, column) in enumerate(schema.columns.items()):
        names = {} if name == schema.key else listed
        rule = column_rule(column, schema.name, names, room=ROOM)
        first = 1
        if any(key[1] == name for key in hints):
            for number, row in enumerate(rows, start=1):
                hint = hints.get((row["run"], name))
                _validate(sheet, (number, number), place, rule, hint)
            first = len(rows) + 1
        _validate(sheet, (first, ROOM), place, rule, None)


def _validate(sheet, span: tuple[int, int], place: int, rule: Rule | None, hint: str | None):
    options = {} if rule is None else dict(rule.options(span[0], place))
    if hint:
        options = {"validate": "any"} | options | {"input_title": "Plan", "input_message": hint}
    if options:
        sheet.data_validation(span[0], place, span[1], place, options)


def _mark_doubts(sheet, schema: TableSchema, mark) -> None:
    for place, column in enumerate(schema.columns.values()):
        formula = doubt_formula(column, place)
        if formula:
            sheet.conditional_format(
                1, place, ROOM, place, {"type": "formula", "criteria": formula, "format": mark}
            )


def _write_about(sheet, heading: str, data_are_invented: bool, formats: Mapping) -> None:
    lines = [
        "One sheet for each table of the screen. Point at a column's name to read what it means, "
        "its unit and its limits. Names in bold are needed in each row you fill in.",
        "Shaded cells are the plan's. Rows stand in the order of work. The planned feed and KOH "
        "show when the cell is chosen.",
        "Feedstocks stay in the table they are in; fill that sheet only where there is none.",
        "Drop-downs offer the names already used in the other sheets. A value beyond its limits is "
        "refused; an unusual one turns bold on a coloured ground and is kept.",
        "Weighed with the vessel? Open the columns for gross and tare (or collector) with the + "
        "above the sheet, and leave the net mass empty.",
        "Empty means not measured yet. Do not write NA, - or ?. Rows that nobody fills in are "
        "passed over.",
        "Fill in a copy: the next plan writes the file in results anew. Put the copy as forms.xlsx "
        "into the folder config of the screen and run snakemake check. The sheets about and lists "
        "are not read.",
        "Nothing here says that a step is safe: the run sheets carry the cautions.",
        cautions.FOOTER,
    ]
    if data_are_invented:
        lines.insert(0, "Invented data: the feedstocks and what is known of them are made up.")
    sheet.set_column(0, 0, 100, formats["words"])
    sheet.write_string(0, 0, heading, formats["title"])
    for number, line in enumerate(lines, start=2):
        sheet.write_string(number, 0, line, formats["words"])
        sheet.set_row(number, 15 * (1 + len(line) // 105))
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)


def _write_lists(sheet, listed: Mapping[str, list[str]], formats: Mapping) -> None:
    for place, (name, words) in enumerate(listed.items()):
        sheet.write_string(0, place, name, formats["header"])
        for number, word in enumerate(words, start=1):
            sheet.write_string(number, place, word, formats["text"])
    sheet.hide()
