"""Column maps: how one layout of trace files is read; checked and described."""

from dataclasses import dataclass

from charscreen.findings import nearest
from charscreen.units import FACTORS

NAMED_DELIMITERS = {"tab": "\t", "\\t": "\t", " ": "whitespace"}
KEYS = ("delimiter", "decimal", "skip_lines", "comment", "time", "voltage", "current",
        "temperature", "step", "cycle")  # fmt: skip


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
        Unit of time, voltage and current as logged; what is absent is taken from the file's
        header, else s, V and A.
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
            unit = part.get("unit")
            if unit == "\N{MICRO SIGN}A" or unit == "\N{GREEK SMALL LETTER MU}A":
                unit = "uA"
            if unit and unit not in FACTORS[quantity]:
                known = ", ".join(FACTORS[quantity])
                problems.append(f"'{unit}' is no unit of {quantity}. Use {known}.")
            elif unit:
                units[quantity] = unit
    named = list(columns.values())
    for column in dict.fromkeys(named):
        users = [quantity for quantity, other in columns.items() if other == column]
        if len(users) > 1:
            problems.append(f"{' and '.join(users)} name the same column {column}. Correct one.")
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
