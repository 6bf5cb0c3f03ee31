"""Column maps: how one layout of trace files is read; checked, described, guessed."""

import itertools
import re
from dataclasses import dataclass
from pathlib import Path

from charscreen.findings import nearest
from charscreen.traces.files import TraceFileError, decode, parse_number, read_bytes, split_fields
from charscreen.units import FACTORS, parse_unit, plain, unit_in_header

NAMED_DELIMITERS = {"tab": "\t", "\\t": "\t", " ": "whitespace"}
KEYS = ("delimiter", "decimal", "skip_lines", "comment", "time", "voltage", "current",
        "temperature", "step", "cycle")  # fmt: skip
_DEFAULT_UNITS = {"time": "s", "voltage": "V", "current": "A"}

_WORDS = {
    "time": r"\b(?:elapsed|time|zeit|temps|tiempo|seconds|minutes|hours|t)\b",
    "voltage": r"\b(?:voltage|(?:milli)?volts?|potential|spannung|tension|u|v|e)\b",
    "current": r"\b(?:current|(?:milli|micro)?amp(?:s|eres?)?|strom|courant|corriente|i)\b",
    "step": r"\b(?:step|stage|schritt)\b",
    "cycle": r"\b(?:cycle|zyklus|loop)\b",
}


@dataclass(frozen=True)
class ColumnMap:
    """A checked column map.

    Parameters
    ----------
    delimiter : str
        One character, or ``whitespace`` (any run of blanks; a blank in the settings).
    decimal : str
        ``.`` or ``,``.
    skip_lines : int
        Lines before the header.
    comment : str or None
        Mark that begins a comment line.
    columns : dict
        Quantity (time, voltage, current, step, cycle) to column name or number from 1.
    units : dict
        Unit of time, voltage and current as logged.
    charge_sign : int
        1 where the logged current is positive on charge, -1 where it is positive on discharge.
    """

    delimiter: str
    decimal: str
    skip_lines: int
    comment: str | None
    columns: dict
    units: dict
    charge_sign: int


def check_map(column_map: dict) -> tuple[ColumnMap | None, list[str]]:
    """A column map in checked form, and what is wrong with it.

    Parameters
    ----------
    column_map : dict
        As in the settings: ``delimiter``, ``decimal``, ``skip_lines``, ``comment``, ``time``,
        ``voltage``, ``current``, ``step``, ``cycle``; the last five are dicts with ``column``
        and, for the first three of them, ``unit``; ``current`` may have ``positive_is``.
        ``temperature`` is for kiln logs and is passed over here.

    Returns
    -------
    tuple
        The map (None where it cannot be used) and the problems in words.
    """
    problems = []
    if not isinstance(column_map, dict):
        return None, ["a column map is a set of keys such as time, voltage and delimiter."]
    for key in column_map:
        if key not in KEYS:
            near = nearest(key, KEYS)
            hint = f"Did you mean '{near}'?" if near else f"Known keys: {', '.join(KEYS)}."
            problems.append(f"unknown key '{key}'. {hint}")
    columns, units = {}, {}
    for quantity in ("time", "voltage", "current", "step", "cycle"):
        part = column_map.get(quantity)
        if part is None:
            if quantity in ("time", "voltage"):
                problems.append(f"no {quantity} column. Write {quantity}: {{column: NAME}}.")
            continue
        part = part if isinstance(part, dict) else {"column": part}
        if part.get("column") is None:
            problems.append(f"{quantity} names no column. Write {quantity}: {{column: NAME}}.")
            continue
        columns[quantity] = part["column"]
        if quantity in FACTORS:
            units[quantity] = part.get("unit") or _DEFAULT_UNITS[quantity]
            if units[quantity] not in FACTORS[quantity]:
                known = ", ".join(FACTORS[quantity])
                problems.append(f"'{units[quantity]}' is no unit of {quantity}. Use {known}.")
    current = column_map.get("current")
    positive = current.get("positive_is", "charge") if isinstance(current, dict) else "charge"
    if positive not in ("charge", "discharge"):
        problems.append(f"positive_is is '{positive}'. Write charge or discharge.")
    decimal = column_map.get("decimal", ".")
    if decimal not in (".", ","):
        problems.append(f"decimal is '{decimal}'. Write '.' or ','.")
    delimiter = column_map.get("delimiter", ",")
    delimiter = NAMED_DELIMITERS.get(delimiter, delimiter)
    if delimiter != "whitespace" and len(str(delimiter)) != 1:
        problems.append(
            f"delimiter is '{delimiter}'. Write one character; a blank means any run of blanks."
        )
    skip = column_map.get("skip_lines", 0)
    if not isinstance(skip, int) or skip < 0:
        problems.append(f"skip_lines is '{skip}'. Write a whole number from 0.")
    if problems:
        return None, problems
    comment = column_map.get("comment") or None
    sign = 1 if positive == "charge" else -1
    return ColumnMap(delimiter, decimal, skip, comment, columns, units, sign), []


def describe_map(column_map: dict, name: str = "my_logger") -> str:
    """A column map as lines of YAML to paste into the settings.

    Parameters
    ----------
    column_map : dict
        As in the settings.
    name : str
        Name to give it under ``column_maps``.
    """
    import yaml

    text = yaml.safe_dump(
        {name: column_map}, sort_keys=False, allow_unicode=True, default_flow_style=None, width=95
    )
    return "column_maps:\n" + "".join(f"  {line}\n" for line in text.splitlines())


def suggest_column_map(path: str | Path) -> tuple[dict | None, list[str]]:
    """A column map guessed from a file, and notes on what is not sure.

    Parameters
    ----------
    path : path-like
        Delimited text (gz allowed), XLSX or Parquet.

    Returns
    -------
    tuple
        The map as the settings hold it, or None where no table was found; notes in words.
    """
    path = Path(path)
    try:
        data = read_bytes(path)
        table = _sniff(data)
    except TraceFileError as error:
        return None, [f"{path.name} {error}"]
    if table is None:
        return None, [
            f"{path.name} holds no table of numbers that could be found. "
            "Export time and voltage as two columns of delimited text."
        ]
    frame, headers, units_row, samples = table
    columns, notes = _assign(headers, samples)
    missing = [quantity for quantity in ("time", "voltage") if quantity not in columns]
    if missing:
        shown = ", ".join(h for h in headers if h) or f"{len(samples)} columns without names"
        return None, [
            f"{path.name}: no column for {' and '.join(missing)} could be told ({shown}). "
            "Write a column map by hand."
        ]
    column_map = dict(frame)
    for quantity in ("time", "voltage", "current"):
        if quantity not in columns:
            continue
        index = columns[quantity]
        header = headers[index] if index < len(headers) else ""
        unit = unit_in_header(header, quantity)
        if unit is None and units_row:
            unit = parse_unit(units_row[index], quantity)
        if unit is None:
            unit = _DEFAULT_UNITS[quantity]
            notes.append(f"no unit found for {quantity}: {unit} is assumed")
        column_map[quantity] = {"column": _name(headers, index), "unit": unit}
    if "current" in columns:
        column_map["current"]["positive_is"] = _guess_sign(columns, samples, notes)
    else:
        notes.append("no current column found: the current must be given")
    for quantity in ("step", "cycle"):
        if quantity in columns:
            column_map[quantity] = {"column": _name(headers, columns[quantity])}
    return column_map, notes


def _name(headers: list[str], index: int) -> str | int:
    """Header of a column, or its number where the header is empty or not unique."""
    if index < len(headers) and headers[index] and headers.count(headers[index]) == 1:
        return headers[index]
    return index + 1


def _sniff(data: bytes):
    """Frame keys of the map, headers, units row and sampled numbers per column; None if none."""
    if data[:4] == b"PAR1":
        import io

        import polars as pl

        try:
            frame = pl.read_parquet(io.BytesIO(data)).head(2000)
        except pl.exceptions.PolarsError:
            raise TraceFileError("is a damaged Parquet file. Export it again.") from None
        samples = [[parse_number(str(cell)) for cell in column] for column in frame]
        return {}, frame.columns, [], samples
    if data[:4] == b"PK\x03\x04":
        import io

        import python_calamine

        try:
            book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
            cells = book.get_sheet_by_index(0).to_python(skip_empty_area=False)[:2000]
        except Exception:  # the package raises several kinds of its own
            raise TraceFileError("is not a workbook that can be read.") from None
        rows = [[str(cell) for cell in row] for row in cells]
        block = _numeric_block(rows, ".")
        return None if block is None else _table(rows, block, ".", {"skip_lines": 0})
    lines = decode(data)[:400_000].split("\n")[:2000]
    best = None
    for delimiter in ("\t", ";", ",", "|", "whitespace"):
        rows = [split_fields(line, delimiter) for line in lines]
        for decimal in (".", ","):
            if decimal == delimiter:
                continue
            block = _numeric_block(rows, decimal)
            if block is None:
                continue
            score = (block[1] - block[0]) * (block[2] - (0.5 if delimiter == "whitespace" else 0))
            if best is None or score > best[0]:
                frame = {"delimiter": " " if delimiter == "whitespace" else delimiter,
                         "decimal": decimal, "skip_lines": 0}  # fmt: skip
                best = (score, rows, block, decimal, frame)
    return None if best is None else _table(*best[1:])


def _numeric_block(rows: list[list[str]], decimal: str):
    """First and last row and count of numeric columns of the longest run of rows of numbers."""
    best, start, width = None, None, 0
    for i, row in enumerate([*rows, []]):
        count = sum(1 for cell in row if cell and parse_number(cell, decimal) is not None)
        # A clock or a date in the first column still makes a row of data.
        count += sum(1 for cell in row[:1] if re.search(r"\d:\d\d", cell))
        if count >= 2 and (start is None or len(row) == width):
            if start is None:
                start, width, n_numeric = i, len(row), count
            n_numeric = min(n_numeric, count)
            continue
        if not any(row) and i < len(rows):
            continue  # a blank line does not end a table
        if start is not None and (best is None or i - start > best[1] - best[0]):
            best = (start, i, n_numeric)
        start = None
        if count >= 2:
            start, width, n_numeric = i, len(row), count
    return best


def _table(rows, block, decimal, frame):
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
    samples = [
        [parse_number(row[k], decimal) if k < len(row) else None for row in rows[start:end] if row]
        for k in range(width)
    ]
    return frame, [plain(h) for h in headers], units_row, samples


def _all_units(cells: list[str]) -> bool:
    known = [c for c in cells if any(parse_unit(c, q) for q in FACTORS)]
    return len(known) >= 2


def _words(header: str) -> str:
    """Header without its unit, words parted by blanks, lower case."""
    text = re.sub(r"[\[({<][^\])}>]*[\])}>]|/.*$", " ", plain(header))
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|[_\-.,]+", " ", text)
    return " ".join(text.casefold().split())


def _assign(headers: list[str], samples: list[list]) -> tuple[dict, list[str]]:
    """Which column holds which quantity, by header words, else by how the numbers run."""
    columns, notes = {}, []
    for quantity in ("step", "cycle", "time", "current", "voltage"):
        hits = [
            i
            for i, header in enumerate(headers)
            if i not in columns.values() and re.search(_WORDS[quantity], _words(header))
        ]
        if quantity in ("step", "cycle"):
            hits = [i for i in hits if not re.search(_WORDS["time"], _words(headers[i]))]
        if quantity == "time":  # the running time, not the time within a step
            hits.sort(key=lambda i: bool(re.search(r"step|cycle|date", _words(headers[i]))))
        if hits:
            columns[quantity] = hits[0]
            if len(hits) > 1 and quantity not in ("step", "cycle"):
                others = ", ".join(headers[i] for i in hits[1:])
                notes.append(f"{quantity} is taken from '{headers[hits[0]]}' (not from {others})")
    free = [i for i in range(len(samples)) if i not in columns.values()]
    if "time" not in columns:
        for i in free:
            numbers = [x for x in samples[i] if x is not None]
            if len(numbers) > 2 and all(b >= a for a, b in itertools.pairwise(numbers)):
                columns["time"] = i
                free.remove(i)
                notes.append(f"time is guessed to be column {i + 1}, which only rises")
                break
    if "voltage" not in columns and "time" in columns and len(free) == 1:
        columns["voltage"] = free[0]
        notes.append(f"voltage is guessed to be column {free[0] + 1}, the only one left")
    elif "voltage" not in columns and "time" in columns and not any(headers) and free:
        columns["voltage"] = free[0]
        notes.append(f"voltage is guessed to be column {free[0] + 1}: check it")
        if len(free) > 1:
            columns["current"] = free[1]
            notes.append(f"current is guessed to be column {free[1] + 1}: check it")
    return columns, notes


def _guess_sign(columns: dict, samples: list[list], notes: list[str]) -> str:
    """Whether positive current raises the voltage (charge) or lowers it (discharge)."""
    score = 0.0
    voltage, current = samples[columns["voltage"]], samples[columns["current"]]
    for k in range(1, len(voltage)):
        parts = (voltage[k - 1], voltage[k], current[k - 1], current[k])
        if any(x is None or x != x for x in parts) or parts[2] * parts[3] <= 0:
            continue  # within one step only: the jump at a change of current says nothing
        score += (parts[1] - parts[0]) * (1 if parts[3] > 0 else -1)
    if score == 0:
        notes.append("the sign of the current could not be told: positive is taken as charge")
    return "discharge" if score < 0 else "charge"
