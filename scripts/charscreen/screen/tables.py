"""A table as checked rows: cells read as text and parsed by us, never guessed."""

import datetime
import math
import os
from dataclasses import dataclass, field
from pathlib import Path

from charscreen.findings import STOPS, Finding, nearest
from charscreen.screen import parsing
from charscreen.screen.grids import DELIMITERS, BadFile, Fault, Grid, read_grid
from charscreen.screen.parsing import BadCell, show, trim
from charscreen.screen.row_checks import Collector, check_key, check_limits, check_required
from charscreen.screen.schemas import Column, TableSchema

_PARSERS = {
    "id": parsing.parse_id,
    "text": parsing.parse_text,
    "choice": parsing.parse_choice,
    "date": parsing.parse_date,
    "file": parsing.parse_file,
}


@dataclass(frozen=True)
class TableRead:
    """A table as read.

    Parameters
    ----------
    rows : list of dict
        Key ``row`` (spreadsheet row, the header is 1), then every column of the schema: float
        for numbers, text otherwise, None where empty. In the order of the file. Rows that a
        finding leaves out are still among them (see `checks.check_tables`).
    findings : list of Finding
        Where one *stops*, the rows are incomplete and must not be used.
    n_planned : int
        Rows that only name what is planned, with nothing measured yet; not among `rows`.
    """

    rows: list[dict] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    n_planned: int = 0


def read_table(path: str | os.PathLike, schema: TableSchema) -> TableRead:
    """Rows of one CSV file, and everything found in it.

    Parameters
    ----------
    path : path-like
        A .csv file.
    schema : TableSchema
        What the table may hold.
    """
    path = Path(path)
    try:
        grid = read_grid(path, frozenset(schema.columns))
    except BadFile as error:
        return unreadable(error, schema, path.name)
    return rows_of_grid(grid, schema, path.name)


def unreadable(error: BadFile, schema: TableSchema, file: str) -> TableRead:
    """What is read from a file that cannot be read: one finding."""
    found = Collector(schema.name, file)
    found.add(error.row, "", None, STOPS, str(error))
    return TableRead(findings=found.close())


def rows_of_grid(grid: Grid, schema: TableSchema, file: str) -> TableRead:
    """Rows of a table from its raw cells, and everything found in them.

    Parameters
    ----------
    grid : Grid
        Its cells, the header first.
    schema : TableSchema
        What the table may hold.
    file : str
        File named in the findings.
    """
    found = Collector(schema.name, file)
    places = _match_header(grid, schema, found)
    if places is None:
        return TableRead(findings=found.close())
    numbers, body = _body(grid, len(grid.rows[0]), found)
    values, marks = _parse_columns(numbers, body, places, found)
    _check_marks(marks, grid.delimiter, found)
    names = list(schema.columns)
    ordered = [values.get(name, [schema.columns[name].default] * len(numbers)) for name in names]
    names = ["row", *names]
    read = [dict(zip(names, cells, strict=True)) for cells in zip(numbers, *ordered, strict=True)]
    rows = _without_planned(read, schema, found)
    check_required(rows, values, schema, found)
    check_limits(rows, values, schema, found)
    if schema.key:
        check_key(rows, schema, found)
    return TableRead(rows, found.close(), len(read) - len(rows))


def _without_planned(rows: list[dict], schema: TableSchema, found: Collector) -> list[dict]:
    """Rows but those of a form that nobody filled in yet: they only name what is planned."""
    if not schema.planned_by:
        return rows
    measured = [name for name in schema.columns if name not in (*schema.planned_by, "note")]
    troubled = {finding.row for finding in found.findings}
    return [
        row
        for row in rows
        if row["row"] in troubled
        or row[schema.planned_by[0]] is None
        or any(row[name] is not None for name in measured)
    ]


def _match_header(grid: Grid, schema: TableSchema, found: Collector) -> dict[int, Column] | None:
    """Column of each place in the header, or None where the header itself is wrong."""
    header = [_name_in_header(cell) for cell in grid.rows[0]]
    known = schema.columns
    places: dict[int, Column] = {}
    first: dict[str, int] = {}
    before = len(found.findings)
    if not any(cell for cell in header):
        found.add(1, "", None, STOPS, "The first row is empty. The header belongs there.")
        return None
    if len([cell for cell in header if cell]) == 1 and str(header[0]) not in known:
        marks = ", ".join(DELIMITERS.values())
        found.add(
            1,
            "",
            header[0],
            STOPS,
            f"'{show(header[0])}' is no header of this table: no column of it is known. Begin with "
            f"the header, its names parted by {marks}.",
        )
        return None
    for place, cell in enumerate(header):
        if cell is None or cell == "":
            if any(place < len(row) and _filled(row[place]) for row in grid.rows[1:]):
                found.add(
                    1, "", None, STOPS, f"Column {place + 1} has values and no name. Name it."
                )
            continue
        name = show(cell)
        if name in first:
            found.add(
                1,
                name,
                None,
                STOPS,
                f"The column stands twice, in places {first[name]} and {place + 1}. Keep one.",
            )
            continue
        first[name] = place + 1
        if name in known:
            places[place] = known[name]
            continue
        near = nearest(name, known)
        meant = f"Did you mean '{near}'? " if near else ""
        rest = "Rename it" if near else f"Known are {', '.join(known)}. Rename it"
        found.add(1, name, None, STOPS, f"The column is unknown. {meant}{rest}, or delete it.")
    for name, column in known.items():
        pair = bool(column.instead) and all(part in first for part in column.instead)
        if column.required and name not in first and not pair:
            or_else = f" (or {' and '.join(column.instead)})" if column.instead else ""
            found.add(1, name, None, STOPS, f"The required column is missing. Add it{or_else}.")
    return None if len(found.findings) > before and not places else places


def _name_in_header(cell: object) -> object:
    if isinstance(cell, Fault):
        return None
    return trim(cell) if isinstance(cell, str) else cell


def _filled(cell: object) -> bool:
    return cell is not None and (not isinstance(cell, str) or bool(trim(cell)))


def _body(grid: Grid, width: int, found: Collector) -> tuple[list[int], list[list]]:
    """Row numbers and cells of the rows that are not blank, each as wide as the header."""
    numbers, body = [], []
    for number, row in enumerate(grid.rows[1:], start=2):
        if len(row) > width:
            extra = [cell for cell in row[width:] if _filled(cell)]
            if extra:
                hint = (
                    ' A decimal comma in a file parted by commas must be quoted: "1,25".'
                    if grid.delimiter == ","
                    else ""
                )
                found.add(
                    number,
                    "",
                    extra[0],
                    STOPS,
                    f"The row has {len(row)} cells, the header {width}.{hint} "
                    "Bring each value under its column.",
                )
            row = row[:width]
        if not any(map(_filled, row)):
            continue
        if len(row) < width:
            row = row + [None] * (width - len(row))
        numbers.append(number)
        body.append(row)
    return numbers, body


def _parse_columns(
    numbers: list[int],
    body: list[list],
    places: dict[int, Column],
    found: Collector,
) -> tuple[dict[str, list], list[tuple[int, str, str, str]]]:
    """Values of each column that the file has, and (row, column, cell, kind) of decimal marks."""
    values: dict[str, list] = {}
    marks: list[tuple[int, str, str, str]] = []
    for place, column in places.items():
        cells = [row[place] for row in body]
        out: list = []
        for index, cell in enumerate(cells):
            if isinstance(cell, str):
                cell = trim(cell)
            if cell is None or cell == "":
                out.append(column.default)
                continue
            if isinstance(cell, Fault):
                found.add(numbers[index], column.name, cell.shown or None, STOPS, cell.message)
                out.append(None)
                continue
            try:
                value, mark = _parse_cell(cell, column)
            except BadCell as error:
                found.add(numbers[index], column.name, cell, STOPS, str(error))
                value, mark = None, None
            if mark:
                marks.append((numbers[index], column.name, cell, mark))
            out.append(value)
        values[column.name] = out
    return values, sorted(marks, key=lambda mark: mark[0])


def _parse_cell(
    cell: str | float | datetime.date, column: Column
) -> tuple[str | float, str | None]:
    """Value of one cell that is not empty, and its decimal mark where it has one."""
    if isinstance(cell, datetime.date):
        return parsing.take_date(cell, column), None
    if isinstance(cell, float):
        if not math.isfinite(cell):
            raise BadCell(f"The cell is too large for a number. {parsing.advice(column)}")
        if column.is_number:
            if column.type == "integer" and cell != int(cell):
                raise BadCell(f"'{show(cell)}' is not a whole number. {parsing.advice(column)}")
            return cell, None
        cell = str(int(cell)) if cell == int(cell) and abs(cell) < 1e15 else repr(cell)
    if parsing.is_mark_for_empty(cell, column):
        raise BadCell(f"'{show(cell)}' stands for no value. Leave the cell empty instead.")
    if column.is_number:
        return parsing.parse_number(cell, column)
    return _PARSERS[column.type](cell, column), None


def _check_marks(marks: list[tuple[int, str, str, str]], delimiter: str, found: Collector) -> None:
    """One decimal mark in the whole file; the rarer one is at fault, or the later where equal.

    Where nothing says that commas are decimal marks, ``1,250`` may be a thousand and more.
    """
    commas = [entry for entry in marks if entry[3] == parsing.COMMA]
    if not commas:
        return
    if len(commas) == len(marks):
        if delimiter in (";", "\t") or not all(parsing.may_be_thousands(c[2]) for c in commas):
            return
        for row, column, cell, _ in commas:
            shown = show(cell)
            message = (
                f"'{shown}' may mean {shown.replace(',', '')} or {shown.replace(',', '.')}. Write "
                "it without a thousands mark and with a decimal point."
            )
            found.add(row, column, cell, STOPS, message)
        return
    points = len(marks) - len(commas)
    usual = marks[0][3]
    if points != len(commas):
        usual = parsing.POINT if points > len(commas) else parsing.COMMA
    row, column, cell, _ = next(entry for entry in marks if entry[3] == usual)
    for bad_row, bad_column, bad_cell, mark in marks:
        if mark != usual:
            found.add(
                bad_row,
                bad_column,
                bad_cell,
                STOPS,
                f"'{show(bad_cell)}' has a decimal {mark}, but '{show(cell)}' (row {row}, column "
                f"{column}) a decimal {usual}. Use one kind in the whole file, and no thousands "
                "marks.",
            )
