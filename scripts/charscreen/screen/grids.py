"""Rows of raw cells from a CSV or XLSX file, numbered as a spreadsheet numbers them."""

import csv
import datetime
from dataclasses import dataclass
from pathlib import Path

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_WORKBOOK = b"PK\x03\x04"
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
csv.field_size_limit(1_000_000)


class BadFile(ValueError):
    """A file that cannot be read as a table; `row` where it is known, the text is the message."""

    def __init__(self, message: str, row: int | None = None):
        super().__init__(message)
        self.row = row


@dataclass(frozen=True)
class Grid:
    """Raw cells of a file.

    Parameters
    ----------
    rows : list of list
        Row 0 is the header. Cells are text, float (a number of a workbook) or None.
    delimiter : str
        What parts the cells; empty for a workbook.
    """

    rows: list[list]
    delimiter: str = ""


def read_grid(path: Path, columns: frozenset[str]) -> Grid:
    """All cells of a file, untouched.

    Parameters
    ----------
    path : Path
        A file ending in .csv or .xlsx.
    columns : frozenset of str
        Known column names; the delimiter that finds most of them in the header is taken.

    Raises
    ------
    BadFile
        Where the file is empty, in another encoding, damaged or no table.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BadFile(f"The file cannot be opened ({error.strerror or error}).") from None
    if path.suffix == ".xlsx":
        return _read_workbook(path, data)
    return _read_delimited(data, columns)


def _read_delimited(data: bytes, columns: frozenset[str]) -> Grid:
    if data.startswith(_WORKBOOK) or data.startswith(_OLD_WORKBOOK):
        raise BadFile("The file is a workbook under the name of a CSV file. Save it as CSV UTF-8.")
    if data.startswith(_UTF16):
        raise BadFile("The file is in UTF-16, which is not read. Save it as CSV UTF-8.")
    data = data.removeprefix(b"\xef\xbb\xbf")
    zero = data.find(b"\0")
    if zero >= 0:
        raise BadFile(
            "The file holds zero bytes: it is in UTF-16, damaged or no text. Save it as CSV UTF-8.",
            row=data.count(b"\n", 0, zero) + 1,
        )
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BadFile(
            f"The byte 0x{data[error.start]:02x} is not UTF-8: the file is in another encoding "
            "(Latin-1 or similar). Save it as CSV UTF-8.",
            row=data.count(b"\n", 0, error.start) + 1,
        ) from None
    if not text.strip():
        raise BadFile("The file is empty. Write at least the header, or delete the file.")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    delimiter = _find_delimiter(text, columns)
    rows: list[list] = []
    reader = csv.reader(_lines(text), delimiter=delimiter, strict=True)
    try:
        rows.extend(reader)
    except csv.Error as error:
        what = (
            "a quotation mark is opened and never closed"
            if "unexpected end" in str(error)
            else "the quotation marks do not pair up, or a cell is far too long"
        )
        raise BadFile(
            f"The row cannot be read: {what}. Mend it, or save the table anew.", row=len(rows) + 1
        ) from None
    return Grid(rows, delimiter)


def _lines(text: str):
    """Lines with their line feed; unlike str.splitlines it parts at line feeds only."""
    start = 0
    while start < len(text):
        end = text.find("\n", start) + 1 or len(text)
        yield text[start:end]
        start = end


def _find_delimiter(text: str, columns: frozenset[str]) -> str:
    header = text.split("\n", 1)[0]
    best, most = ",", (-1, -1)
    for delimiter in DELIMITERS:
        try:
            cells = next(csv.reader([header], delimiter=delimiter), [])
        except csv.Error:
            continue
        known = sum(cell.strip().casefold() in columns for cell in cells)
        if (known, len(cells)) > most:
            best, most = delimiter, (known, len(cells))
    return best


def _read_workbook(path: Path, data: bytes) -> Grid:
    from python_calamine import CalamineWorkbook

    if not data:
        raise BadFile("The file is empty. Save the workbook again, or delete the file.")
    if not data.startswith(_WORKBOOK):
        raise BadFile("The file is no XLSX workbook. Save it as XLSX, or as CSV UTF-8.")
    try:
        book = CalamineWorkbook.from_path(str(path))
        raw = book.get_sheet_by_index(0).to_python(skip_empty_area=False)
    except Exception as error:  # calamine raises many kinds for a damaged file
        raise BadFile(
            f"The workbook cannot be read ({error}). Close it where it is open and save it again."
        ) from None
    rows = [[_plain(cell) for cell in row] for row in raw]
    if not any(cell is not None for row in rows for cell in row):
        raise BadFile("The first sheet is empty. Write at least the header, or delete the file.")
    return Grid(rows)


def _plain(cell: object) -> str | float | None:
    """A cell of a workbook: number, text or None; true dates become ISO text."""
    if cell is None or cell == "":
        return None
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, (int, float)):
        return float(cell)
    if isinstance(cell, datetime.datetime):
        return cell.date().isoformat()
    if isinstance(cell, datetime.date):
        return cell.isoformat()
    return str(cell)
