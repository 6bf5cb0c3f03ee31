"""From a file of a usual kind to the wanted columns as numbers: bytes, text, XLSX, gz."""

import csv
import gzip
import io
import re
import stat
import zlib
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from charscreen.archives import Damaged, TooMuch, check_workbook
from charscreen.units import plain

# What a job may hold in 1 GB of memory: a text is held several times while it is taken apart.
MOST_BYTES = 100_000_000
MISSING_MARKS = ("", "nan", "na", "n/a", "null", "none", "-", "--", "---", "#n/a", "inf", "-inf")
_TEXT_BYTES = bytes([9, 10, 11, 12, 13, *range(32, 127), *range(128, 256)])
NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"


class TraceFileError(Exception):
    """A file that cannot be read as a table; the text says what was found and what to do."""


@dataclass
class RawColumns:
    """Columns of a file before units and signs.

    Parameters
    ----------
    values : dict
        Per wanted column (as named in the map): (n,) float array, NaN where the cell is empty
        or not a number; text columns as list of str.
    names : list of str
        Names found in the file's header; empty where it has none.
    bad : list of tuple
        ``(row index, column, text)`` of cells that hold text where a number belongs.
    lines : object
        Function from row index to the line number in the file (1 = first line).
    units_row : dict
        Text of a row of units below the header, per wanted column; empty where there is none.
    notes : list of str
        What was done on the way, in words.
    """

    values: dict
    names: list
    bad: list = field(default_factory=list)
    lines: object = None
    units_row: dict = field(default_factory=dict)
    notes: list = field(default_factory=list)


def read_bytes(path: Path) -> bytes:
    """All bytes of a file, unpacked where it is gzip.

    Raises
    ------
    TraceFileError
        No such file, empty, too large, not to be unpacked.
    """
    try:
        facts = path.stat()
        if not stat.S_ISREG(facts.st_mode):
            raise TraceFileError("is no plain file. Name a file.")
        if facts.st_size > MOST_BYTES:
            raise TraceFileError(_too_large(facts.st_size))
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise TraceFileError("there is no such file. Put it there or correct the name.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise TraceFileError(f"cannot be opened ({reason}). Name a file.") from None
    if data[:2] == b"\x1f\x8b":
        try:
            with gzip.open(io.BytesIO(data)) as stream:
                data = stream.read(MOST_BYTES + 1)
        except (OSError, EOFError, zlib.error):
            raise TraceFileError("is a damaged gz file. Copy it again from the logger.") from None
        if len(data) > MOST_BYTES:
            raise TraceFileError(_too_large(len(data)))
    if not data[:4096].strip() and not data.strip():
        raise TraceFileError("is empty. Export the test again, or clear the cell.")
    return data


def _too_large(size: int) -> str:
    return (
        f"holds more than {MOST_BYTES / 1e6:.0f} MB ({size / 1e6:.0f} MB found). "
        "Log at a lower rate, cut the file into one file per test, or save it as Parquet."
    )


def decode(data: bytes) -> str:
    """Text of the bytes: UTF-8 with or without a mark, else Western European.

    Raises
    ------
    TraceFileError
        UTF-16 or UTF-32 text, or a file that is no text.
    """
    refuse_binary(data)
    data = data.removeprefix(b"\xef\xbb\xbf")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    return text if "\r" not in text else text.replace("\r\n", "\n").replace("\r", "\n")


def refuse_binary(data: bytes) -> None:
    """Raise `TraceFileError` where bytes are UTF-16, UTF-32 or no text at all."""
    head = data[:16384]
    if head[:2] in (b"\xff\xfe", b"\xfe\xff") or _half_nul(head):
        raise TraceFileError("is UTF-16 text. Save it as UTF-8 (or plain CSV) and try again.")
    if b"\x00" in head or len(head.translate(None, _TEXT_BYTES)) > 0.02 * len(head):
        raise TraceFileError(
            "is not text (binary file). Export the data as delimited text, XLSX or Parquet."
        )


def _half_nul(head: bytes) -> bool:
    """Whether every other byte is nearly always zero, as in UTF-16 without a mark."""
    odd, even = head[1::2], head[0::2]
    if len(odd) < 2:
        return False
    share = (odd.count(0) / len(odd), even.count(0) / len(even))
    return max(share) > 0.9 and min(share) < 0.1


def split_fields(line: str, delimiter: str) -> list[str]:
    """Fields of one line; ``whitespace`` stands for any run of blanks and tabs."""
    if delimiter == "whitespace":
        return line.split()
    return [part.strip() for part in next(csv.reader([line], delimiter=delimiter), [])]


def parse_number(text: str, decimal: str = ".") -> float | None:
    """A number, NaN for an empty or missing mark, None where the text is something else."""
    text = text.strip().strip('"').strip()
    if text.casefold() in MISSING_MARKS:
        return float("nan")
    if decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    return float(text) if re.fullmatch(NUMBER, text) else None


def column_index(wanted: str | int, names: list[str], n_columns: int) -> int | None:
    """Position (from 0) of a wanted column, given by name or by number from 1.

    Raises
    ------
    TraceFileError
        Where the name stands in the header more than once.
    """
    if isinstance(wanted, int):
        return wanted - 1 if 1 <= wanted <= n_columns else None
    folded = [plain(name) for name in names]
    hits = [i for i, name in enumerate(folded) if name == plain(wanted)]
    if len(hits) > 1:
        numbers = " and ".join(str(i + 1) for i in hits)
        raise TraceFileError(
            f"has the column '{wanted}' more than once. Give its number instead ({numbers})."
        )
    return hits[0] if hits else None


def take_texts(raw: RawColumns, key, texts, decimal: str, may_be_text: bool) -> None:
    """Put one column of texts into the result: numbers where they are numbers.

    Parameters
    ----------
    raw : RawColumns
        Takes the values and the cells that are no numbers.
    key : str or int
        The column, as in the map.
    texts : sequence of str, or polars Series
        Its cells, all at once: a long record is not gone through cell by cell.
    decimal : str
        ``.`` or ``,``.
    may_be_text : bool
        Where most cells are no numbers the column is kept as text.
    """
    import polars as pl

    cells = pl.Series(texts, dtype=pl.String).fill_null("")
    cells = cells.str.strip_chars().str.strip_chars('"').str.strip_chars()
    is_number = cells.str.contains(f"^{NUMBER.replace('.', ',') if decimal == ',' else NUMBER}$")
    missing = cells.str.to_lowercase().is_in(MISSING_MARKS)
    wrong = np.flatnonzero((~(is_number | missing)).to_numpy())
    if may_be_text and len(wrong) > 0.5 * len(cells):
        raw.values[key] = cells.to_list()
        return
    raw.bad.extend((int(i), key, cells[int(i)]) for i in wrong)
    pointed = cells.str.replace(",", ".", literal=True) if decimal == "," else cells
    numbers = pointed.cast(pl.Float64, strict=False).to_numpy()
    raw.values[key] = np.where(is_number.to_numpy(), numbers, np.nan)


def read_sheet(data: bytes, wanted: list, *, text_columns: list, skip_lines: int) -> RawColumns:
    """Wanted columns of the first sheet of a workbook that holds them.

    Raises
    ------
    TraceFileError
        Where the file is no workbook or has no filled sheet.
    """
    import python_calamine

    check_sheets(data)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheets = [book.get_sheet_by_index(i).to_python(skip_empty_area=False)
                  for i in range(len(book.sheet_names))]  # fmt: skip
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # the package raises many kinds, some of them no `Exception`
        raise TraceFileError(
            f"is not a workbook that can be read ({_first_line(error)})."
        ) from None
    sheets = [rows for rows in sheets if len(rows) > skip_lines]
    if not sheets:
        raise TraceFileError("has no sheet with data. Export the test again.")
    best = max(sheets, key=lambda rows: _count_found(wanted, rows[skip_lines]))
    return _from_cells(best, wanted, text_columns, skip_lines)


def check_sheets(data: bytes) -> None:
    """Raise `TraceFileError` for a workbook that is damaged or would fill the memory."""
    if not data.startswith(b"PK\x03\x04"):
        raise TraceFileError(
            "is a workbook of an old kind, or one with a password. Save it as XLSX or CSV."
        )
    try:
        check_workbook(data)
    except Damaged as error:
        raise TraceFileError(f"is not a workbook that can be read ({error}).") from None
    except TooMuch as error:
        raise TraceFileError(f"is a workbook that is not read. {error}") from None


def _count_found(wanted: list, header: list) -> int:
    names = [plain(cell) for cell in header]
    return sum(1 for key in wanted if isinstance(key, int) or plain(key) in names)


def _from_cells(rows: list[list], wanted: list, text_columns: list, skip: int) -> RawColumns:
    header = [plain(cell) for cell in rows[skip]]
    by_number = all(isinstance(key, int) for key in wanted)
    no_header = by_number and all(
        isinstance(rows[skip][key - 1], (int, float)) for key in wanted if key <= len(header)
    )
    body = rows[skip:] if no_header else rows[skip + 1 :]
    first = skip + (1 if no_header else 2)
    raw = RawColumns(values={}, names=[] if no_header else header)
    indices = {key: column_index(key, header, len(header)) for key in wanted}
    found = {key: i for key, i in indices.items() if i is not None}
    if body and not no_header and is_units_row([str(body[0][i]) for i in found.values()]):
        raw.units_row = {key: str(body[0][i]) for key, i in found.items()}
        body, first = body[1:], first + 1
    raw.lines = lambda index, first=first: first + index
    for key, i in found.items():
        cells = [row[i] if i < len(row) else "" for row in body]
        if all(isinstance(cell, (int, float)) for cell in cells):
            raw.values[key] = np.array(cells, dtype=float)
        else:
            take_texts(raw, key, [str(cell) for cell in cells], ".", key in text_columns)
    return raw


def is_units_row(texts: list[str]) -> bool:
    """Whether a row below the header holds units (no cell a number, all cells short)."""
    return bool(texts) and all(
        len(text) <= 12 and not re.search(r"\d", text) for text in texts
    ) and any(text.strip() for text in texts)  # fmt: skip


def _first_line(error: Exception) -> str:
    lines = str(error).strip().splitlines()
    return lines[0] if lines else type(error).__name__
