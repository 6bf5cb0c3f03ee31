"""The table in a file of unknown layout: delimiter, decimal mark, header, cells."""

import re
from dataclasses import dataclass, field

from charscreen.traces.files import TraceFileError, check_sheets, decode, parse_number, split_fields
from charscreen.traces.parquet import MARK, ParquetReader
from charscreen.units import FACTORS, parse_unit, plain

MOST_ROWS = 2000  # a guess needs no more
_MOST_CHARACTERS = 400_000

#: Cells that are times or dates: a clock (a date may stand before it), an ISO stamp, a date.
CLOCK = r"(?:\S+[ T]|[0-9]+\.)?(?:[0-9]+:)?[0-9]{1,2}:[0-9]{1,2}(?:[.,][0-9]+)?\s*(?:[AaPp][Mm])?"
STAMP = r"[0-9]{4}[-/][0-9]{2}[-/][0-9]{2}[ T][0-9]{1,2}:[0-9]{2}.*"
DATE = r"[0-9]{4}[-/][0-9]{1,2}[-/][0-9]{1,2}|[0-9]{1,2}[./-][0-9]{1,2}[./-][0-9]{2,4}"
_TIME_LIKE = re.compile(f"(?:{CLOCK})|(?:{STAMP})|(?:{DATE})")


@dataclass(frozen=True)
class Table:
    """The first rows of the table in a file.

    Parameters
    ----------
    frame : dict
        Keys of the column map that say where the table stands: ``delimiter``, ``decimal``,
        ``skip_lines``, ``comment``; empty for Parquet.
    headers : list of str
        Empty where the file has none.
    cells : list of list of str
        Per column the texts.
    decimal : str
        Decimal mark of the cells.
    units_row : list of str
        Empty where there is none.
    """

    frame: dict
    headers: list[str]
    cells: list[list[str]]
    decimal: str = "."
    units_row: list[str] = field(default_factory=list)
    samples: list[list] = field(init=False)

    def __post_init__(self) -> None:
        numbers = [[parse_number(cell, self.decimal) for cell in column] for column in self.cells]
        object.__setattr__(self, "samples", numbers)


def sniff_table(data: bytes) -> Table | None:
    """The table in the bytes of a file, or None where no rows of numbers are found.

    Parameters
    ----------
    data : bytes
        Delimited text, XLSX or Parquet, unpacked.

    Raises
    ------
    TraceFileError
        Damaged, or neither text nor one of these.
    """
    if data[:4] == MARK:
        names, cells = ParquetReader().read_head(data, MOST_ROWS)
        return Table({}, names, cells)
    if data[:4] == b"PK\x03\x04":
        import io

        import python_calamine

        check_sheets(data)
        try:
            book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
            cells = book.get_sheet_by_index(0).to_python(skip_empty_area=False)[:MOST_ROWS]
        except (KeyboardInterrupt, SystemExit):
            raise
        except BaseException:  # the package raises many kinds, some of them no `Exception`
            raise TraceFileError("is not a workbook that can be read.") from None
        rows = [[_text(cell) for cell in row] for row in cells]
        block = _block(rows, ".")
        return None if block is None else _table(rows, block, ".", {"skip_lines": 0})
    lines = decode(data)[:_MOST_CHARACTERS].split("\n")[:MOST_ROWS]
    best = None
    for delimiter in ("\t", ";", ",", "|", "whitespace"):
        rows = [split_fields(line, delimiter) for line in lines]
        for decimal in (".", ","):
            if decimal == delimiter:
                continue
            block = _block(rows, decimal)
            if block is None:
                continue
            score = (block[1] - block[0]) * (block[2] - (0.5 if delimiter == "whitespace" else 0))
            if best is None or score > best[0]:
                frame = {"delimiter": " " if delimiter == "whitespace" else delimiter,
                         "decimal": decimal, "skip_lines": 0}  # fmt: skip
                best = (score, rows, block, decimal, frame)
    return None if best is None else _table(*best[1:])


def _text(cell: object) -> str:
    return "" if cell is None else str(cell).strip()


def _block(rows: list[list[str]], decimal: str):
    """First and last row and count of usable columns of the longest run of rows of data."""
    best, start, width = None, None, 0
    for i, row in enumerate([*rows, []]):
        count = sum(
            1
            for cell in row
            if cell and (parse_number(cell, decimal) is not None or _TIME_LIKE.fullmatch(cell))
        )
        if count >= 2 and (start is None or len(row) == width):
            if start is None:
                start, width, n_usable = i, len(row), count
            n_usable = min(n_usable, count)
            continue
        if not any(row) and i < len(rows):
            continue  # a blank line does not end a table
        if start is not None and (best is None or i - start > best[1] - best[0]):
            best = (start, i, n_usable)
        start = None
        if count >= 2:
            start, width, n_usable = i, len(row), count
    return best


def _table(rows, block, decimal, frame) -> Table:
    start, end, _ = block
    width = len(rows[start])
    above = [i for i in range(start - 1, -1, -1) if any(rows[i])][:2]
    headers, units_row = [], []
    if above and len(rows[above[0]]) == width:
        headers, header_at = rows[above[0]], above[0]
        if len(above) > 1 and len(rows[above[1]]) == width and _all_units(headers):
            units_row, headers, header_at = headers, rows[above[1]], above[1]
        if headers[0].startswith(("#", "%")):
            headers = [headers[0].lstrip("#% "), *headers[1:]]
            frame["comment"] = rows[header_at][0][0]
        frame["skip_lines"] = header_at
    else:
        frame["skip_lines"] = start
    cells = [
        [row[k].strip('" ') if k < len(row) else "" for row in rows[start:end] if row]
        for k in range(width)
    ]
    return Table(frame, [plain(h) for h in headers], cells, decimal, units_row)


def _all_units(cells: list[str]) -> bool:
    known = [c for c in cells if any(parse_unit(c, q) for q in FACTORS)]
    return len(known) >= 2
