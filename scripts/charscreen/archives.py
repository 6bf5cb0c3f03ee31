"""Workbooks looked into before they are opened: how large they are once unpacked and laid out."""

import io
import re
import zipfile
import zlib

MAX_UNPACKED = 400_000_000  # bytes of all parts together
MAX_PARTS = 2_000
MAX_AREA = 10_000_000  # cells from A1 to the last one, filled or not: a reader lays out all of them
_SHEET = re.compile(r"xl/(?:work|chart|macro|dialog)?sheets?/[^/]+", re.IGNORECASE)
_PLACE = re.compile(rb"""[\s:]r\s*=\s*["']([A-Za-z]*[0-9]+)["']""")
_ROW = re.compile(rb"<(?:\w+:)?row[\s/>]")
_STARTS = tuple(mark + name + end for mark in (b"<", b":") for name in (b"c", b"row") for end in
                (b" ", b">", b"/", b"\n", b"\t", b"\r"))  # fmt: skip
_DIGITS, _LETTERS = b"0123456789", bytes([*range(65, 91), *range(97, 123)])
_DOCTYPE = re.compile(rb"<!(?:DOCTYPE|ENTITY)", re.IGNORECASE)


class TooMuch(ValueError):
    """A workbook that is not opened; the text says why and what to do."""


class Damaged(ValueError):
    """A workbook that is no whole zip file; the text says what is wrong with it."""


def check_workbook(data: bytes) -> None:
    """Refuse a workbook that would take more memory or time than any table needs.

    Parameters
    ----------
    data : bytes
        The packed file.

    Raises
    ------
    Damaged
        No zip file, or cut off.
    TooMuch
        Holding parts of more than 400 MB, more than 2,000 of them, definitions of XML,
        or a cell so far out that the area up to it has more than 10 million cells.

    Notes
    -----
    The sizes a zip file states are not trusted: each part is unpacked piece by piece and counted,
    and the places of the cells are taken from the sheets themselves, not from what they state.
    """
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
        parts = archive.infolist()
    except (zipfile.BadZipFile, ValueError, OSError, EOFError, RuntimeError) as error:
        # The last of them: a later version of the format than the reader knows.
        raise Damaged(str(error)) from error
    if len(parts) > MAX_PARTS:
        raise TooMuch(f"It has {len(parts)} parts, more than any workbook. Save the table alone.")
    left = MAX_UNPACKED
    for part in parts:
        content = _unpacked(data, part, left)
        left -= len(content)
        if part.filename.casefold().endswith((".xml", ".rels")):
            _refuse_definitions(content)
        if _SHEET.fullmatch(part.filename.replace("\\", "/").lstrip("/")):
            _check_area(content)


def _unpacked(data: bytes, part: zipfile.ZipInfo, most: int) -> bytes:
    """Content of a part, never more than so many bytes."""
    start = part.header_offset
    if part.flag_bits & 1:
        raise TooMuch("It has a password. Save it without one.")
    if start < 0 or data[start : start + 4] != b"PK\x03\x04":
        raise Damaged("a part is not where the file says")
    start += 30 + sum(int.from_bytes(data[start + k : start + k + 2], "little") for k in (26, 28))
    packed = memoryview(data)[start : start + part.compress_size]
    if part.compress_type == zipfile.ZIP_STORED:
        content = bytes(packed)
    elif part.compress_type == zipfile.ZIP_DEFLATED:
        try:
            content = zlib.decompressobj(-15).decompress(packed, most + 1)
        except zlib.error as error:
            raise Damaged(str(error)) from None
    else:
        raise TooMuch("It is packed in a way that workbooks are not. Save it again.")
    if len(content) > most:
        raise TooMuch(
            f"It holds more than {MAX_UNPACKED // 1_000_000} MB once unpacked. Save the table "
            "alone, or as CSV."
        )
    return content


def _refuse_definitions(content: bytes) -> None:
    """Refuse definitions of XML: no workbook has them, and they can make little text huge."""
    head = content[:4096].replace(b"\0", b"")
    if _DOCTYPE.search(content) or _DOCTYPE.search(head):
        raise TooMuch("It holds definitions of XML, which no workbook has. Save the table anew.")


def _check_area(content: bytes) -> None:
    """Refuse a sheet whose cells lie so far apart that laying it out would fill the memory."""
    places = _PLACE.findall(content)
    joined = b" ".join(places)
    letters = set(joined.translate(None, _DIGITS).split())
    digits = set(joined.translate(None, _LETTERS).split())
    last_row = max((int(text[:12]) for text in digits), default=0)
    last_column = max(map(_column_number, letters), default=0)
    if sum(map(content.count, _STARTS)) > len(places):
        # A cell without a place stands beside the one before it, a row below the one before it.
        rows = _ROW.split(content)
        last_row += len(rows)
        last_column += max(sum(map(row.count, _STARTS)) for row in rows)
    area = last_column * last_row
    if area > MAX_AREA:
        raise TooMuch(
            f"Its cells reach to row {last_row} and column {last_column}: too large an area. "
            "Delete the far cells or whole rows and columns around the table, or save it as CSV."
        )


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper()[:6]:
        number = number * 26 + letter - 64
    return number
