"""Sheets of an XLSX workbook as grids; what a spreadsheet hides in a cell is brought to light."""

import datetime
import io
import re
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from posixpath import join, normpath
from xml.etree import ElementTree

from charscreen.archives import Damaged, TooMuch, check_workbook
from charscreen.screen.grids import BadFile, Fault, Grid

_WORKBOOK = b"PK\x03\x04"
MOST_BYTES = 50_000_000
MAX_MERGED = 100_000  # cells
_START = re.compile(rb"<(?:\w+:)?c\b((?:[^<>]*[^/<>])?)>")
_END = re.compile(rb"</(?:\w+:)?c>")
_PLACE = re.compile(rb'\br="([A-Z]+)(\d+)"')
_VALUE = re.compile(rb"<(?:\w+:)?v\b[^>/]*>[^<]")
_ERROR = re.compile(rb"<(?:\w+:)?v>([^<]*)</")


@dataclass
class Workbook:
    """An open workbook.

    Parameters
    ----------
    path : Path
        Its file.
    sheets : list of str
        Names of the sheets that can be seen, in their order; charts are no sheets.
    hidden : list of str
        Names of the hidden ones.
    """

    path: Path
    sheets: list[str] = field(default_factory=list)
    hidden: list[str] = field(default_factory=list)
    _book: object = None
    _data: bytes = field(default=b"", repr=False)

    def read(self, name: str) -> Grid:
        """Cells of a sheet: text, number, date, None, or a `Fault` where the value is not known.

        Raises
        ------
        BadFile
            Where the sheet cannot be read or holds nothing.
        """
        try:
            sheet = self._book.get_sheet_by_name(name)
            rows = [
                [_plain(cell) for cell in row] for row in sheet.to_python(skip_empty_area=False)
            ]
            merged = sheet.merged_cell_ranges or []
            faults = _faults(self._data, name)
        except BaseException as error:  # calamine and zipfile raise many kinds for a damaged file
            raise _damaged(error) from None
        if not any(cell is not None for row in rows for cell in row) and not faults:
            raise BadFile("The sheet is empty. Write at least the header, or delete the file.")
        covered = sum((1 + end[0] - start[0]) * (1 + end[1] - start[1]) for start, end in merged)
        if covered > MAX_MERGED:
            raise BadFile(
                f"{covered} cells of the sheet are merged with others. Unmerge them and write each "
                "value into its own cell."
            )
        for (top, left), (bottom, right) in merged:
            message = (
                f"The cell is merged with others ({cell_name(top, left)} to "
                f"{cell_name(bottom, right)}), so its own value is not known. Unmerge them and "
                "write the value into each."
            )
            for row in range(max(top, 1), bottom + 1):
                for column in range(left, right + 1):
                    if (row, column) != (top, left):
                        faults[row, column] = Fault("", message)
        for (row, column), fault in faults.items():
            _put(rows, row, column, fault)
        return Grid(rows)


def open_workbook(path: Path) -> Workbook:
    """A workbook whose sheets can be read.

    Raises
    ------
    BadFile
        Where the file is empty, damaged, protected or no workbook.
    """
    from python_calamine import CalamineWorkbook, SheetTypeEnum, SheetVisibleEnum

    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise BadFile(f"The file cannot be opened ({error.strerror or error}).") from None
    if not data:
        raise BadFile("The file is empty. Save the workbook again, or delete the file.")
    if not data.startswith(_WORKBOOK):
        raise BadFile(
            "The file is no XLSX workbook, or it has a password. Save it as XLSX without one, or "
            "as CSV UTF-8."
        )
    if len(data) > MOST_BYTES:
        raise BadFile(f"The workbook is larger than {MOST_BYTES // 1_000_000} MB. Save it as CSV.")
    try:
        check_workbook(data)
    except Damaged as error:
        raise _damaged(error) from None
    except TooMuch as error:
        raise BadFile(f"The workbook is not read. {error}") from None
    try:
        book = CalamineWorkbook.from_filelike(io.BytesIO(data))
        found = [sheet for sheet in book.sheets_metadata if sheet.typ == SheetTypeEnum.WorkSheet]
    except BaseException as error:  # calamine raises many kinds for a damaged file
        raise _damaged(error) from None
    workbook = Workbook(path, _book=book, _data=data)
    for sheet in found:
        is_visible = sheet.visible == SheetVisibleEnum.Visible
        (workbook.sheets if is_visible else workbook.hidden).append(sheet.name)
    return workbook


def cell_name(row: int, column: int) -> str:
    """Name of a cell as a spreadsheet shows it, from its place counted from 0: B3."""
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row + 1}"


def _damaged(error: BaseException) -> BadFile:
    """The finding for a damaged file; what is no fault of the file goes on as it is.

    A fault that calamine did not foresee comes as a kind that is no `Exception`.
    """
    if isinstance(error, (KeyboardInterrupt, SystemExit, GeneratorExit)):
        raise error
    error = " ".join(str(error).split())[:200]
    return BadFile(
        f"The workbook cannot be read ({error}). It may be damaged or half written: close it where "
        "it is open and save it again."
    )


def _plain(cell: object) -> str | float | datetime.date | None:
    """A cell as text, number, date or None."""
    if cell is None or cell == "":
        return None
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, (int, float)):
        return float(cell)
    if isinstance(cell, datetime.datetime):
        return cell.date()
    if isinstance(cell, datetime.date):
        return cell
    return str(cell)


def _put(rows: list[list], row: int, column: int, fault: Fault) -> None:
    while len(rows) <= row:
        rows.append([])
    rows[row] += [None] * (column + 1 - len(rows[row]))
    rows[row][column] = fault


def _faults(data: bytes, name: str) -> dict[tuple[int, int], Fault]:
    """Formulas without a saved result and results that are errors, by place.

    Calamine gives an empty cell for both, and an empty cell means not measured.
    """
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        data = archive.read(_part_of(archive, name))
    faults: dict[tuple[int, int], Fault] = {}
    if b"<f" not in data and b":f>" not in data and b't="e"' not in data:
        return faults
    for piece in _END.split(data)[:-1]:
        starts = list(_START.finditer(piece))
        if not starts:
            continue
        start = starts[-1]  # of the cell that ends here; those before have no content
        facts, content = start[1], piece[start.end() :]
        place = _PLACE.search(facts)
        if place is None:
            continue
        if b't="e"' in facts:
            error = _ERROR.search(content)
            shown = error[1].decode("utf-8", "replace") if error else "an error"
            fault = Fault(
                shown, f"The formula gives {shown}. Mend it, or write the value in its place."
            )
        elif (
            (b"<f" in content or b":f>" in content)
            and b't="str"' not in facts
            and not _VALUE.search(content)
        ):
            fault = Fault(
                "",
                "The cell holds a formula whose result was not saved. Open the workbook in a "
                "spreadsheet program and save it there, or write the value in its place.",
            )
        else:
            continue
        faults[int(place[2]) - 1, _column_number(place[1])] = fault
    return faults


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number - 1


def _part_of(archive: zipfile.ZipFile, name: str) -> str:
    """File within the workbook that holds a sheet."""
    book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
    sheet = next(
        entry for entry in book.iter() if entry.tag.endswith("}sheet") and entry.get("name") == name
    )
    link = next(value for fact, value in sheet.items() if fact.endswith("}id"))
    links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    target = next(entry.get("Target") for entry in links if entry.get("Id") == link)
    return normpath(join("/xl", target)).lstrip("/")
