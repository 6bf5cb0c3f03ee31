"""Units of logged quantities: factors to seconds, volts and amperes; units found in headers."""

import re
import unicodedata

TIME_FACTORS = {"s": 1.0, "min": 60.0, "h": 3600.0, "ms": 1e-3, "us": 1e-6}
VOLTAGE_FACTORS = {"V": 1.0, "mV": 1e-3}
CURRENT_FACTORS = {"A": 1.0, "mA": 1e-3, "uA": 1e-6}

FACTORS = {"time": TIME_FACTORS, "voltage": VOLTAGE_FACTORS, "current": CURRENT_FACTORS}

_SPELLINGS = {
    "time": {
        "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s",
        "min": "min", "mins": "min", "minute": "min", "minutes": "min",
        "h": "h", "hr": "h", "hrs": "h", "hour": "h", "hours": "h",
        "ms": "ms", "msec": "ms", "millisecond": "ms", "milliseconds": "ms",
        "us": "us", "microsecond": "us", "microseconds": "us",
    },
    "voltage": {"v": "V", "volt": "V", "volts": "V", "mv": "mV", "millivolt": "mV"},
    "current": {
        "a": "A", "amp": "A", "amps": "A", "ampere": "A", "amperes": "A",
        "ma": "mA", "milliamp": "mA", "milliampere": "mA",
        "ua": "uA", "microamp": "uA", "microampere": "uA",
    },
}  # fmt: skip


def plain(text: str) -> str:
    """Text with its outer blanks gone and look-alike letters made equal.

    The micro sign and the Greek letter mu are two characters that look the same; a full-width
    letter looks like a plain one. Both are made equal here (Unicode form NFKC).
    """
    return unicodedata.normalize("NFKC", str(text)).strip()


def parse_unit(text: str, quantity: str) -> str | None:
    """The unit a text stands for, as the settings write it, or None.

    Parameters
    ----------
    text : str
        For example ``sec``, ``[mV]`` or ``µA``.
    quantity : str
        ``time``, ``voltage`` or ``current``.
    """
    word = plain(text).strip("[](){}/ .").replace("\N{GREEK SMALL LETTER MU}", "u")
    if quantity != "time" and word.casefold() in ("ma", "mv") and word[0] == "M":
        return None  # mega, not milli: nothing here is logged in megavolts, so not a unit
    return _SPELLINGS[quantity].get(word.casefold())


def unit_in_header(header: str, quantity: str) -> str | None:
    """The unit that stands in a column's header, or None where there is none.

    Looks in brackets first (``Voltage (mV)``), then after a slash, comma, blank or underscore
    (``U/V``, ``time, min``, ``current_mA``), then at a header that is a unit (``seconds``).

    Parameters
    ----------
    header : str
        The column's header.
    quantity : str
        ``time``, ``voltage`` or ``current``.
    """
    text = plain(header)
    for inner in re.findall(r"[\[({<]([^\[\](){}<>]*)[\])}>]", text):
        unit = parse_unit(inner, quantity)
        if unit:
            return unit
    parts = re.split(r"[/,_\s]+", text)
    if len(parts) > 1:
        return parse_unit(parts[-1], quantity)
    return parse_unit(text, quantity) if len(text) > 2 else None  # a bare "seconds", not "s"
