"""A column map guessed from a file's header and from how its columns run."""

import itertools
import re
from pathlib import Path

import numpy as np

from charscreen.traces.files import TraceFileError, read_bytes
from charscreen.traces.sniff import CLOCK, STAMP, Table, sniff_table
from charscreen.traces.times import parse_times
from charscreen.units import FACTORS, parse_unit, plain, unit_in_header

UNUSED = "columns not used: "

_DEFAULT_UNITS = {"time": "s", "voltage": "V", "current": "A"}

_WORDS = {
    "time": r"\b(?:elapsed|time(?:stamp)?|datetime|clock|zeit|temps|tiempo|seconds|minutes|hours"
    r"|t)\b",
    "voltage": r"\b(?:voltage|(?:milli)?volts?|potential|spannung|tension|u|v|e)\b",
    "current": r"\b(?:current|(?:milli|micro)?amp(?:s|eres?)?|strom|courant|corriente|i)\b",
    "step": r"\b(?:step|stage|schritt)\b",
    "cycle": r"\b(?:cycle|zyklus|loop)\b",
}
#: A column of whole numbers that stay the same over fewer rows than this is no step or cycle.
_LEAST_ROWS_PER_STEP = 3
#: Voltage gained under positive current over the range of voltage: below it the sign is unsure.
_LEAST_SIGN_SHARE = 0.2


def suggest_column_map(path: str | Path) -> tuple[dict | None, list[str]]:
    """A column map guessed from a file, and notes on what is not sure.

    Parameters
    ----------
    path : path-like
        Delimited text (gz allowed), XLSX or Parquet.

    Returns
    -------
    tuple
        The map as the settings hold it, or None where no table was found; notes in words. The
        note on columns that were left alone begins with `UNUSED`.
    """
    path = Path(path)
    try:
        table = sniff_table(read_bytes(path))
    except TraceFileError as error:
        return None, [f"{path.name}: {error}"]
    if table is None:
        return None, [
            f"{path.name}: holds no table of numbers that could be found. Export time (seconds, "
            "hh:mm:ss or a stamp such as 2024-05-01 13:45:10) and voltage as two columns of "
            "delimited text, or write a column map."
        ]
    columns, notes = _assign(table)
    missing = [quantity for quantity in ("time", "voltage") if quantity not in columns]
    if missing:
        shown = ", ".join(h for h in table.headers if h)
        return None, [
            f"{path.name}: no column for {' and '.join(missing)} could be told "
            f"({shown or f'{len(table.cells)} columns without names'}). "
            "Write a column map by hand."
        ]
    column_map = dict(table.frame)
    for quantity in ("time", "voltage", "current"):
        if quantity not in columns:
            continue
        index = columns[quantity]
        column_map[quantity] = {"column": _name(table.headers, index)}
        if quantity == "time" and _is_clock(table, index):
            notes.append(_how_clock_is_read(table, index))
            continue
        unit = _unit(table, index, quantity)
        if unit is None:
            unit = _DEFAULT_UNITS[quantity]
            notes.append(f"no unit found for {quantity}: {unit} is assumed")
        column_map[quantity]["unit"] = unit
    if "current" in columns:
        column_map["current"]["positive_is"] = _guess_sign(columns, table.samples, notes)
    else:
        notes.append("no current column found: the current must be given")
    for quantity in ("step", "cycle"):
        if quantity in columns:
            column_map[quantity] = {"column": _name(table.headers, columns[quantity])}
    _note_the_rest(table, columns, notes)
    return column_map, notes


def _name(headers: list[str], index: int) -> str | int:
    """Header of a column, or its number where the header is empty or not unique."""
    if index < len(headers) and headers[index] and headers.count(headers[index]) == 1:
        return headers[index]
    return index + 1


def _shown(headers: list[str], index: int) -> str:
    name = _name(headers, index)
    return f"'{name}'" if isinstance(name, str) else f"number {name}"


def _unit(table: Table, index: int, quantity: str) -> str | None:
    """Unit of a column from its header, a header that is a unit, or the row of units."""
    header = table.headers[index] if index < len(table.headers) else ""
    unit = unit_in_header(header, quantity)
    bare = header.replace("\N{GREEK SMALL LETTER MU}", "u")
    if unit is None and bare in FACTORS[quantity]:
        unit = bare
    if unit is None and table.units_row:
        unit = parse_unit(table.units_row[index], quantity)
    return unit


def _words(header: str) -> str:
    """Header without its unit, words parted by blanks, lower case."""
    text = re.sub(r"[\[({<][^\[\](){}<>]*[\])}>]|/.*$", " ", plain(header))
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|[_\-.,]+", " ", text)
    return " ".join(text.casefold().split())


def _is_clock(table: Table, index: int) -> bool:
    """Whether a column holds clock times or stamps; as in reading, most cells decide."""
    filled = [cell for cell in table.cells[index] if cell]
    hits = sum(1 for cell in filled if re.fullmatch(CLOCK, cell) or re.fullmatch(STAMP, cell))
    return hits > 0.5 * len(filled)


def _how_clock_is_read(table: Table, index: int) -> str:
    """How the cells of a column of times are read, with two of them as an example."""
    filled = [cell for cell in table.cells[index] if cell]
    seconds, wrong = parse_times(filled)
    first, last = filled[0], filled[len(seconds) - 1 if wrong is not None else -1]
    if re.match(r"\d{4}[-/]", first):
        form = "date and clock time"
    elif re.search(r"\d+:\d+:\d", first):
        form = "hours:minutes:seconds"
        if re.match(r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4}[ T]", first):
            form += " (without the date; a step back of over half a day is midnight)"
    else:
        form = "minutes:seconds (write 1:30:00 where 1:30 means hours and minutes)"
    span = f"; from '{first}' to '{last}' is {np.nanmax(seconds):g} s" if len(seconds) else ""
    return f"time in column {_shown(table.headers, index)} is read as {form}{span}"


def _assign(table: Table) -> tuple[dict, list[str]]:
    """Which column holds which quantity: by words, by unit, else by how the numbers run."""
    headers, samples = table.headers, table.samples
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
            hits = [i for i in hits if _is_clock(table, i) or _has_numbers(samples[i])]
        if hits:
            columns[quantity] = hits[0]
            if len(hits) > 1 and quantity not in ("step", "cycle"):
                others = ", ".join(headers[i] for i in hits[1:])
                notes.append(f"{quantity} is taken from '{headers[hits[0]]}' (not from {others})")
    _assign_by_unit(table, columns, notes)
    free = [i for i in range(len(samples)) if i not in columns.values()]
    if "time" not in columns:
        for i in free:
            numbers = [x for x in samples[i] if x is not None]
            is_clock = _is_clock(table, i)
            if is_clock or (
                len(numbers) > 2 and all(b >= a for a, b in itertools.pairwise(numbers))
            ):
                columns["time"] = i
                free.remove(i)
                why = "holds clock times" if is_clock else "only rises"
                notes.append(f"time is guessed to be column {i + 1}, which {why}")
                break
    free = [i for i in free if _has_numbers(samples[i])]
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


def _assign_by_unit(table: Table, columns: dict, notes: list[str]) -> None:
    """A column whose header or units row ends in mA or A is a current, whatever it is called."""
    for quantity in ("current", "voltage", "time"):
        if quantity in columns:
            continue
        hits = [
            i
            for i in range(len(table.samples))
            if i not in columns.values()
            and _unit(table, i, quantity)
            and _has_numbers(table.samples[i])
        ]
        if quantity == "time":
            hits = [i for i in hits if _rises(table.samples[i])]
        if not hits:
            continue
        columns[quantity] = hits[0]
        others = ", ".join(_shown(table.headers, i) for i in hits[1:])
        notes.append(
            f"{quantity} is taken from column {_shown(table.headers, hits[0])}, by its unit"
            + (f" (not from {others})" if others else "")
        )


def _has_numbers(numbers: list) -> bool:
    """Whether half of a column are numbers."""
    return sum(x is not None and x == x for x in numbers) >= 0.5 * max(len(numbers), 1)


def _rises(numbers: list) -> bool:
    known = [x for x in numbers if x is not None and x == x]
    return len(known) > 2 and all(b >= a for a, b in itertools.pairwise(known))


def _note_the_rest(table: Table, columns: dict, notes: list[str]) -> None:
    """Notes on columns without a quantity, and on those that may number steps or cycles."""
    free = [i for i in range(len(table.samples)) if i not in columns.values()]
    if not free:
        return
    changes = {i: _changes_of_mark(table.samples[i]) for i in free}
    marks = [i for i in free if changes[i] is not None]
    wanted = [quantity for quantity in ("step", "cycle") if quantity not in columns]
    if marks and wanted:
        # Of two such columns the one that changes more often numbers the steps.
        order = sorted(marks, key=lambda i: -changes[i])[:2]
        names = " and ".join(_shown(table.headers, i) for i in order)
        which = order if len(order) == len(wanted) else [order[0]] * len(wanted)
        lines = [
            f"{quantity}: {{column: {_name(table.headers, i)}}}"
            for quantity, i in zip(wanted, which, strict=True)
        ]
        joint = " and " if len(order) == len(wanted) else " or "
        notes.append(
            f"whole numbers that stay over many rows stand in {names}: if they number steps or "
            f"cycles, add {joint.join(lines)} to the map"
        )
    notes.append(UNUSED + ", ".join(_shown(table.headers, i) for i in free))


def _changes_of_mark(numbers: list) -> int | None:
    """How often a column of whole numbers changes; None where it is not like a step or cycle."""
    if any(x is None or x != x or x != int(x) or x < 0 for x in numbers):
        return None
    changes = sum(a != b for a, b in itertools.pairwise(numbers))
    if changes == 0:
        return 0 if numbers and numbers[0] in (0, 1) else None
    return changes if changes * _LEAST_ROWS_PER_STEP < len(numbers) else None


def _guess_sign(columns: dict, samples: list[list], notes: list[str]) -> str:
    """Whether positive current raises the voltage (charge) or lowers it (discharge)."""
    score = 0.0
    voltage, current = samples[columns["voltage"]], samples[columns["current"]]
    for k in range(1, len(voltage)):
        parts = (voltage[k - 1], voltage[k], current[k - 1], current[k])
        if any(x is None or x != x for x in parts) or parts[2] * parts[3] <= 0:
            continue  # within one step only: the jump at a change of current says nothing
        score += (parts[1] - parts[0]) * (1 if parts[3] > 0 else -1)
    known = [x for x in voltage if x is not None and x == x]
    if not known or abs(score) <= _LEAST_SIGN_SHARE * (max(known) - min(known)):
        # Then the voltage goes up and down under a current that keeps its sign.
        notes.append(
            "the sign of the current could not be told for sure: check positive_is "
            "(charge or discharge)"
        )
    return "discharge" if score < 0 else "charge"
