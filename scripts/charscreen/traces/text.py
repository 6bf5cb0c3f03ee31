"""Delimited text to columns: a fast reader for clean files, a careful one that names bad cells."""

import re
from dataclasses import dataclass

import numpy as np

from charscreen.traces.files import (
    RawColumns,
    TraceFileError,
    column_index,
    is_units_row,
    parse_number,
    split_fields,
    take_texts,
)

_FAST_NULLS = ["", "NaN", "nan", "NA", "N/A", "null", "-", "--", "---"]


def parse_text(
    text: str,
    wanted: list[str | int],
    *,
    text_columns: list,
    delimiter: str,
    decimal: str,
    skip_lines: int,
    comment: str | None,
) -> RawColumns:
    """Wanted columns of delimited text.

    Parameters
    ----------
    text : str
        The whole file, line feeds only.
    wanted : list of str or int
        Columns by name, or by number from 1.
    text_columns : list of str or int
        Those of `wanted` that may hold text as well (time stamps, step names).
    delimiter : str
        One character, or ``whitespace`` for any run of blanks and tabs.
    decimal : str
        Decimal mark, ``.`` or ``,``.
    skip_lines : int
        Lines before the header, of every kind.
    comment : str or None
        Lines that begin with it are passed over.

    Returns
    -------
    RawColumns
        Where a wanted column is absent `values` is empty and `names` says what was found.

    Raises
    ------
    TraceFileError
        No data below the header, or delimiter and decimal mark are the same.
    """
    if delimiter == decimal:
        raise TraceFileError(
            f"cannot be split: delimiter and decimal mark are both '{decimal}'. "
            "Correct the column map."
        )
    head = _find_header(text, wanted, delimiter, decimal, skip_lines, comment)
    raw = RawColumns(values={}, names=head.names)
    indices = {key: column_index(key, head.names, head.n_columns) for key in wanted}
    found = {key: i for key, i in indices.items() if i is not None}
    if len(found) < len(wanted):
        raw.notes.extend(_header_elsewhere(text, wanted, delimiter))
        return raw
    body_start = head.body_start
    if head.names:
        line, _, after = _next_line(text, body_start, comment)
        fields = split_fields(line, delimiter) if line else []
        cells = [fields[i] if i < len(fields) else "" for i in found.values()]
        if is_units_row(cells):
            raw.units_row = dict(zip(found, cells, strict=True))
            body_start = after
    body_start = _next_line(text, body_start, comment)[1]  # no blank line ahead of the rows
    body = text[body_start:]
    body, note = _drop_cut_line(body, found, delimiter, decimal, head.n_columns, comment)
    if note:
        raw.notes.append(note)
    if not body or body.isspace():
        raise TraceFileError("has no data below its header. Export the test again.")
    first_line = text.count("\n", 0, body_start) + 1
    reader = _Body(body, found, delimiter, decimal, comment, head.n_columns)
    kept = reader.read_numbers(raw)
    if kept is None:
        kept = reader.read_texts(raw, text_columns)
    raw.lines = lambda index: first_line + reader.line_of(index if kept is True else kept[index])
    return raw


@dataclass
class _Header:
    names: list[str]
    body_start: int
    n_columns: int


def _next_line(text: str, start: int, comment: str | None) -> tuple[str, int, int]:
    """The next line that is neither blank nor a comment, where it begins, where it ends."""
    while start < len(text):
        end = text.find("\n", start)
        end = len(text) if end < 0 else end
        line = text[start:end]
        if not _is_passed_over(line, comment):
            return line, start, min(end + 1, len(text))
        start = end + 1
    return "", len(text), len(text)


def _is_passed_over(line: str, comment: str | None) -> bool:
    return not line.strip() or bool(comment and line.lstrip().startswith(comment))


def _find_header(text, wanted, delimiter, decimal, skip_lines, comment) -> _Header:
    start = 0
    for _ in range(skip_lines):
        end = text.find("\n", start)
        if end < 0:
            raise TraceFileError(
                f"has fewer than the {skip_lines} lines the column map skips. "
                "Correct skip_lines or export the test again."
            )
        start = end + 1
    line, begin, after = _next_line(text, start, comment)
    if not line:
        raise TraceFileError("has no line of data. Export the test again.")
    fields = split_fields(line, delimiter)
    names = [key for key in wanted if isinstance(key, str)]
    if not names:
        cells = [fields[key - 1] for key in wanted if 1 <= key <= len(fields)]
        if any(cell and parse_number(cell, decimal) is not None for cell in cells):
            return _Header([], begin, len(fields))
    elif comment and not all(name in fields for name in names):
        # Some loggers write the header itself as the last comment line.
        for candidate in text[start:begin].splitlines():
            bare = split_fields(candidate.lstrip().removeprefix(comment), delimiter)
            if all(name in bare for name in names):
                return _Header(bare, begin, max(len(bare), len(fields)))
    below = _next_line(text, after, comment)[0]
    return _Header(fields, after, max(len(fields), len(split_fields(below, delimiter))))


def _header_elsewhere(text: str, wanted: list, delimiter: str) -> list[str]:
    """A note with the line in which the wanted names do stand, if they do."""
    names = [key for key in wanted if isinstance(key, str)]
    for number, line in enumerate(text[:200_000].splitlines()[:500]):
        if names and all(name in split_fields(line, delimiter) for name in names):
            return [f"the names stand in line {number + 1}: set skip_lines to {number}"]
    return []


def _drop_cut_line(body, found, delimiter, decimal, n_columns, comment) -> tuple[str, str]:
    """Body without a last line that was cut off while being written, and a note about it."""
    cut = body.rfind("\n") + 1
    tail = body[cut:]
    if cut == 0 or _is_passed_over(tail, comment):
        return body, ""
    recent = [
        split_fields(line, delimiter)
        for line in body[max(0, cut - 2000) : cut].splitlines()[-5:]
        if not _is_passed_over(line, comment)
    ]
    if not recent:
        return body, ""
    before, fields = recent[-1], split_fields(tail, delimiter)
    expected = min(n_columns, len(before))
    whole = len(fields) >= expected and not any(
        parse_number(fields[i], decimal) is None and parse_number(before[i], decimal) is not None
        for i in found.values()
        if i < expected
    )
    if whole and expected - 1 in found.values():
        # The last field may have lost digits: suspect where it is shorter than all before it.
        whole = len(fields[expected - 1]) >= min(len(row[-1]) for row in recent if row)
    if whole:
        return body, ""
    return body[:cut], "the last line is cut off and was not used"


class _Body:
    """The rows below the header, and two ways to read them."""

    def __init__(self, body, found, delimiter, decimal, comment, n_columns):
        if delimiter == "whitespace":
            body = re.sub(r"(?m)^\t|\t$", "", re.sub(r"[ \t]+", "\t", body))
            delimiter = "\t"
        self.body, self.found, self.delimiter = body, found, delimiter
        self.decimal, self.n_columns = decimal, n_columns
        self.comment = comment if comment and comment in body else None

    def _frame(self, kinds: dict, **options):
        """Wanted columns by polars; None where it cannot part the lines."""
        import polars as pl

        names = [f"c{i}" for i in range(self.n_columns)]
        # A quotation mark as the very last character makes polars panic.
        body = f"{self.body}\n" if self.body.endswith('"') else self.body
        try:
            return pl.read_csv(
                body.encode(),
                has_header=False,
                schema={name: kinds.get(name, pl.String) for name in names},
                columns=sorted(set(self.found.values())),
                separator=self.delimiter,
                comment_prefix=self.comment,
                truncate_ragged_lines=True,
                **options,
            )
        except (pl.exceptions.PolarsError, pl.exceptions.PanicException):
            return None

    def read_numbers(self, raw: RawColumns):
        """Read as numbers throughout; None where some cell is not a number.

        Returns
        -------
        True, (n,) int array or None
            Which rows of the body were kept; True for all.
        """
        import polars as pl

        kinds = {f"c{i}": pl.Float64 for i in self.found.values()}
        comma = {"decimal_comma": self.decimal == ","}
        # Looking for marks of missing values costs a quarter more: only where there are some.
        frame = self._frame(kinds, **comma)
        if frame is None:
            frame = self._frame(kinds, **comma, null_values=_FAST_NULLS)
        if frame is None:
            return None
        arrays = {key: frame[f"c{i}"].to_numpy() for key, i in self.found.items()}
        # A blank line reads as a row of nulls (NaN here): it is not a row.
        blank = np.all([np.isnan(values) for values in arrays.values()], axis=0)
        raw.values = {key: x[~blank] for key, x in arrays.items()} if blank.any() else arrays
        return np.flatnonzero(~blank) if blank.any() else True

    def read_texts(self, raw: RawColumns, text_columns: list) -> np.ndarray:
        """Read as texts, so that each bad cell can be named; columns at once, not row by row.

        Returns
        -------
        (n,) int array
            Which rows of the body were kept.

        Raises
        ------
        TraceFileError
            Where the lines cannot be parted into cells.
        """
        import polars as pl

        frame = self._frame({})
        if frame is None:  # a stray quotation mark: then no mark is one
            frame = self._frame({}, quote_char=None)
        if frame is None:
            raise TraceFileError(
                f"cannot be parted into columns by '{self.delimiter}'. Correct the column map."
            )
        blank = pl.all_horizontal(pl.all().fill_null("").str.strip_chars() == "")
        kept = np.flatnonzero(~frame.select(blank).to_series().to_numpy())
        for key, i in self.found.items():
            take_texts(raw, key, frame[f"c{i}"][kept], self.decimal, key in text_columns)
        return kept

    def line_of(self, row: int) -> int:
        """Line of the body, from 0, in which a row stands; comments are no rows, blanks are."""
        if self.comment is None:
            return int(row)
        seen = -1
        for number, line in enumerate(self.body.split("\n")):
            seen += not line.startswith(self.comment)
            if seen == row:
                return number
        return int(row)
