"""Rows of raw cells from a delimited text file, numbered as a spreadsheet numbers them."""

import csv
import os
from dataclasses import dataclass
from pathlib import Path

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
_UTF16 = (b"\xff\xfe", b"\xfe\xff")
_WORKBOOK = b"PK\x03\x04"
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
MOST_BYTES = 200_000_000
csv.field_size_limit(1_000_000)


class BadFile(ValueError):
    """A file that cannot be read as a table; `row` where it is known, the text is the message."""

    def __init__(self, message: str, row: int | None = None):
        super().__init__(message)
        self.row = row


@dataclass(frozen=True)
class Fault:
    """A cell whose value cannot be known; `message` says why and what to do."""

    shown: str
    message: str


@dataclass(frozen=True)
class Grid:
    """Raw cells of a file.

    Parameters
    ----------
    rows : list of list
        Row 0 is the header. Cells are text, None, or of a workbook float, date or `Fault`.
    delimiter : str
        What parts the cells; empty for a workbook.
    """

    rows: list[list]
    delimiter: str = ""


def read_grid(path: Path, columns: frozenset[str]) -> Grid:
    """All cells of a CSV file, untouched.

    Parameters
    ----------
    path : Path
        A file ending in .csv.
    columns : frozenset of str
        Known column names; the delimiter that finds most of them in the header is taken.

    Raises
    ------
    BadFile
        Where the file is empty, in another encoding, damaged, cut off or no table.
    """
    try:
        with path.open("rb") as stream:
            before = os.fstat(stream.fileno())
            data = stream.read(MOST_BYTES + 1)
            after = os.fstat(stream.fileno())
    except OSError as error:
        raise BadFile(f"The file cannot be opened ({error.strerror or error}).") from None
    if len(data) > MOST_BYTES:
        raise BadFile(
            f"The file is larger than {MOST_BYTES // 1_000_000} MB, more than any table has. "
            "Put records of a logger into config/traces."
        )
    if (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        raise BadFile("The file was being written while it was read. Wait, then start again.")
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
    _check_end(text, rows)
    return Grid(rows, delimiter)


def _check_end(text: str, rows: list[list]) -> None:
    """Refuse a file that breaks off: a last row that alone is short, and no line end after it."""
    if text.endswith("\n") or len(rows) < 3:
        return
    width, cells = len(rows[0]), len(rows[-1])
    if cells < width and all(len(row) >= width for row in rows[1:-1] if row):
        raise BadFile(
            f"The file breaks off in this row: it has {cells} cells, all others {width}, and no "
            "line end. It may be half written: close it where it is open and save it again, or "
            "complete the row.",
            row=len(rows),
        )


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
