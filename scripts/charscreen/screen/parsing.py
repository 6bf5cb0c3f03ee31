"""One cell of a table from text to value; nothing is guessed."""

import datetime
import math
import re
from decimal import Decimal

from charscreen.findings import nearest
from charscreen.screen.schemas import ID_PATTERN, Column

POINT = "point"
COMMA = "comma"
NOT_EMPTY = frozenset(
    [
        "na",
        "n/a",
        "n.a.",
        "#n/a",
        "nan",
        "null",
        "none",
        "nil",
        "-",
        "--",
        "–",
        "—",
        "?",
        "nd",
        "n.d.",
    ]
)
_NO_REASON = frozenset(["yes", "no", "true", "false", "0", "1", "x", "y", "n", "keep", "ok"])
_STRAY = " \t\r\n\f\v\u00a0\u2007\u202f\u200b\u2060\ufeff"
_NUMBER = re.compile(r"([+-]?)(\d+(?:[.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_BLANKS = "[ '\u2019\u00a0\u2007\u202f]"
_THOUSANDS = re.compile(
    rf"[+-]?\d{{1,3}}(?:(?:{_BLANKS}\d{{3}})+(?:[.,]\d+)?"
    r"|(?:,\d{3})+\.\d+|(?:\.\d{3})+,\d+|(?:,\d{3}){2,}|(?:\.\d{3}){2,})",
    re.ASCII,
)
_LIKE_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)
_WITH_UNIT = re.compile(r"[+-]?\d[\d.,]*\s*[A-Za-zµΩ°%²/]+", re.ASCII | re.IGNORECASE)
_RATIO = re.compile(r"(\d+(?:[.,]\d+)?)\s*[:/]\s*(\d+(?:[.,]\d+)?)", re.ASCII)
_NOT_IN_FILE = re.compile(r'[{}*?"<>|]')  # braces and stars mean something to the workflow engine
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?", re.ASCII)
_DAY_NUMBER = re.compile(r"3[6-9]\d{3}|[4-7]\d{4}", re.ASCII)  # the years 1998 to 2118
_LIKE_DIGITS = str.maketrans("OoIl", "0011")
_UNIT_WORDS = {
    "g": "grams",
    "mg": "milligrams",
    "%": "percent",
    "°C": "degrees Celsius",
    "°C/min": "degrees Celsius per minute",
    "min": "minutes",
    "s": "seconds",
    "V": "volts",
    "mA": "milliamperes",
    "F": "farads",
    "Ω": "ohms",
    "cm²": "square centimetres",
    "mV/s": "millivolts per second",
    "g/L": "grams per litre",
    "kg": "kilograms",
    "g KOH per g char": "grams of KOH per gram of char",
}


def trim(text: str) -> str:
    """Text without stray blanks around it, non-breaking and zero-width ones included."""
    return text.strip(_STRAY)


def show(value: object) -> str:
    """A cell as it is quoted in a message: short and on one line."""
    text = f"{value:.12g}" if isinstance(value, float) else str(value)
    text = " ".join(text.split())
    text = "".join(letter if letter.isprintable() else "�" for letter in text)
    return text if len(text) <= 60 else text[:57] + "..."


def plain_number(value: float) -> str:
    """A number as one would type it, never with an exponent: 0.000001, 100000."""
    text = format(Decimal(repr(value)), "f")
    return text.rstrip("0").rstrip(".") if "." in text else text


def advice(column: Column) -> str:
    """What to write in a column, as a sentence with an example."""
    example = f", for example {column.example}" if column.example else ""
    if column.type == "number":
        unit = f" {_UNIT_WORDS.get(column.unit, column.unit)}" if column.unit else " a number"
        return f"Write{unit}{example}."
    if column.type == "integer":
        return f"Write a whole number{example}."
    if column.type == "choice":
        return f"Write one of: {', '.join(column.choices)}."
    if column.type == "date":
        return "Write year-month-day, for example 2026-03-14."
    if column.type == "id":
        return f"Use letters, digits, _ and - only, beginning with a letter or digit{example}."
    return f"Write text{example}."


class BadCell(ValueError):
    """A cell that cannot be read; the text is the finding's message."""


def parse_number(text: str, column: Column) -> tuple[float, str | None]:
    """A number and the kind of its decimal mark.

    Parameters
    ----------
    text : str
        The trimmed cell, not empty.
    column : Column
        Used for the advice in messages.

    Returns
    -------
    tuple
        The value, and `POINT`, `COMMA` or None where there is no decimal mark.

    Raises
    ------
    BadCell
        Where the text is no number, has a thousands mark or a unit, or is not finite.
    """
    plain = text.replace("\u2212", "-")
    match = _NUMBER.fullmatch(plain)
    if match:
        mark = POINT if "." in match[2] else COMMA if "," in match[2] else None
        value = float(plain.replace(",", "."))
        if not math.isfinite(value):
            raise BadCell(f"'{show(text)}' is too large for a number. {advice(column)}")
        if column.type == "integer" and value != int(value):
            raise BadCell(f"'{show(text)}' is not a whole number. {advice(column)}")
        return value, mark
    shown = show(text)
    if _THOUSANDS.fullmatch(plain):
        digits = re.sub(_BLANKS, "", plain)
        if "," in digits and "." in digits:
            thousands = "," if digits.index(",") < digits.index(".") else "."
            digits = digits.replace(thousands, "")
        elif digits.count(",") + digits.count(".") > 1:
            digits = digits.replace(",", "").replace(".", "")
        raise BadCell(f"'{shown}' has a thousands mark. Write {digits}.")
    ratio = _RATIO.fullmatch(plain)
    if ratio and column.name == "koh_ratio":
        raise BadCell(
            f"'{shown}' is not a number. Write the grams of KOH for one gram of char: "
            "four to one is 4."
        )
    digits = plain.translate(_LIKE_DIGITS)
    if digits != plain and any(letter.isdigit() for letter in plain) and _NUMBER.fullmatch(digits):
        raise BadCell(
            f"'{shown}' has a letter in place of a digit. Write {digits}, if that is what it says."
        )
    if _WITH_UNIT.fullmatch(plain):
        raise BadCell(f"'{shown}' carries letters or signs. {advice(column)} The number alone.")
    raise BadCell(f"'{shown}' is not a number. {advice(column)}")


def may_be_thousands(text: str) -> bool:
    """Whether a number with a comma could as well be a thousand and more: ``1,250``."""
    return bool(_LIKE_THOUSANDS.fullmatch(text))


def parse_date(text: str, column: Column) -> str:
    """A day as ISO text; a time of day after it is let go.

    Raises
    ------
    BadCell
        Where the text is no ISO date or names a day that does not exist.
    """
    if not _DATE.fullmatch(text):
        if _DAY_NUMBER.fullmatch(text):
            day = datetime.date(1899, 12, 30) + datetime.timedelta(days=int(text))
            raise BadCell(
                f"'{text}' is not a date but a spreadsheet's number of a day, maybe "
                f"{day.isoformat()}. Format the column as date, or write the day so."
            )
        raise BadCell(f"'{show(text)}' is not a date. {advice(column)}")
    try:
        return datetime.datetime.fromisoformat(text).date().isoformat()
    except ValueError:
        raise BadCell(f"'{show(text)}' is no day of the calendar. {advice(column)}") from None


def take_date(day: datetime.date, column: Column) -> str:
    """A true date of a workbook as ISO text.

    Raises
    ------
    BadCell
        Where the column holds no dates: the spreadsheet has then made one of a number or a name.
    """
    if column.type in ("date", "text"):
        return day.isoformat()
    what = "number" if column.is_number else "name"
    kind = "a number" if column.is_number else "text"
    raise BadCell(
        f"The spreadsheet has made a date of this {what} ({day.isoformat()}). Format the column as "
        f"{kind} and type it again."
    )


def parse_id(text: str, column: Column) -> str:
    """An id, unchanged.

    Raises
    ------
    BadCell
        Where it holds other signs than letters, digits, _ and -.
    """
    if ID_PATTERN.fullmatch(text) and len(text) <= 100:
        return text
    raise BadCell(f"'{show(text)}' cannot be a name of {column.name}. {advice(column)}")


def parse_choice(text: str, column: Column) -> str:
    """One of the column's choices.

    Raises
    ------
    BadCell
        Where it is none of them; the nearest is offered.
    """
    if text in column.choices:
        return text
    near = nearest(text, column.choices)
    meant = f" Did you mean '{near}'?" if near else ""
    raise BadCell(f"'{show(text)}' is not a choice.{meant} {advice(column)}")


def parse_text(text: str, column: Column) -> str:
    """Text, with non-breaking blanks made plain.

    Raises
    ------
    BadCell
        Where a reason is asked for and the cell holds a mere yes or no.
    """
    text = text.replace("\u00a0", " ").replace("\u202f", " ")
    if column.name in ("exclude_reason", "accepted") and text.casefold() in _NO_REASON:
        raise BadCell(
            f"'{show(text)}' is no reason. Write the reason in words; leave the cell empty for "
            "none."
        )
    return text


def parse_file(text: str, column: Column) -> str:
    """A path below config/traces, with plain slashes.

    Raises
    ------
    BadCell
        Where it is absolute, climbs out of the folder or holds odd signs.
    """
    path = text.replace("\\", "/")
    parts = path.split("/")
    if path.startswith(("/", "~")) or ":" in path or ".." in parts:
        raise BadCell(
            f"'{show(text)}' lies outside config/traces. Put the file there and write its name."
        )
    if "" in parts or "." in parts or _NOT_IN_FILE.search(path) or not path.isprintable():
        raise BadCell(
            f"'{show(text)}' is no file name to work with. Write a path below config/traces "
            'without { } * ? " < > |.'
        )
    return path


def is_mark_for_empty(text: str, column: Column) -> bool:
    """Whether a cell holds a sign that some use for "no value"."""
    if column.name == "note" or text in column.choices:
        return False
    return text.casefold() in NOT_EMPTY
