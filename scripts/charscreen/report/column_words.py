"""What the columns of result tables mean, and their units."""

import functools
import re
from dataclasses import dataclass

from charscreen.screen.schemas import FOLDER, load_yaml, table_schemas

#: Endings of names and the units they stand for, the longest first.
UNITS = (
    ("_percent_per_cycle", "% per cycle"),
    ("_percent_per_h", "% per h"),
    ("_g_per_kg_ar", "g per kg as received"),
    ("_g_per_kg_d", "g per kg dry feed"),
    ("_mg_per_cm2", "mg/cm²"),
    ("_mV_per_s", "mV/s"),
    ("_C_per_min", "°C/min"),
    ("_ohm_cm2", "Ω·cm²"),
    ("_F_per_cm2", "F/cm²"),
    ("_F_per_g", "F/g"),
    ("_A_per_g", "A/g"),
    ("_Wh_per_kg", "Wh/kg"),
    ("_W_per_kg", "W/kg"),
    ("_ar_percent", "% as received"),
    ("_daf_percent", "% dry, ash-free"),
    ("_d_percent", "% dry"),
    ("_percent", "%"),
    ("_cm2", "cm²"),
    ("_ohm", "Ω"),
    ("_min", "min"),
    ("_mA", "mA"),
    ("_mg", "mg"),
    ("_g", "g"),
    ("_F", "F"),
    ("_V", "V"),
    ("_W", "W"),
    ("_J", "J"),
    ("_C", "°C"),
    ("_L", "L"),
    ("_s", "s"),
)
_COUNT = re.compile(r"n(_\w+)?")
_OF_ANOTHER = (
    ("_se_a", "Part of the standard error of {} from scatter (type A)."),
    ("_se_b", "Part of the standard error of {} from instruments and method (type B)."),
    ("_se", "Standard error of {}."),
    ("_lo", "Lower end of the interval of {}."),
    ("_hi", "Upper end of the interval of {}."),
)


@dataclass(frozen=True)
class ColumnWords:
    """Unit (empty for text) and meaning of a column; the meaning is empty where none is known."""

    unit: str
    meaning: str


@functools.cache
def _known() -> tuple[dict[str, ColumnWords], dict[tuple[str, str], ColumnWords], dict[str, str]]:
    """Columns by name, those that mean something else in one sheet, what each sheet holds."""
    words: dict[str, ColumnWords] = {}
    for schema in table_schemas().values():
        for name, column in schema.columns.items():
            meaning = column.description.replace("`", "")
            words.setdefault(name, ColumnWords(column.unit or "", meaning))
    described = load_yaml(FOLDER / "results.yaml")
    words |= {name: _entry(name, entry) for name, entry in described["columns"].items()}
    apart = {
        (sheet, name): _entry(name, entry)
        for sheet, entries in described["in_sheet"].items()
        for name, entry in entries.items()
    }
    return words, apart, described["sheets"]


def _entry(name: str, entry: str | dict) -> ColumnWords:
    entry = entry if isinstance(entry, dict) else {"description": entry}
    unit = entry.get("unit", "1" if _COUNT.fullmatch(name) else unit_of(name))
    return ColumnWords(unit, entry["description"])


def unit_of(name: str) -> str:
    """Unit that the end of a name stands for; empty where it stands for none."""
    return next((unit for ending, unit in UNITS if name.endswith(ending)), "")


def column_words(name: str, sheet: str = "") -> ColumnWords:
    """Unit and meaning of a column of a result table.

    Parameters
    ----------
    name : str
        Its name.
    sheet : str
        Sheet it stands in, where the name means something else there.
    """
    words, apart, _ = _known()
    found = apart.get((sheet, name)) or words.get(name)
    if found:
        return found
    for ending, text in _OF_ANOTHER:
        base = name.removesuffix(ending)
        if base == name:
            continue
        # share_lo is an end of share_percent.
        for whole in (base, f"{base}_percent"):
            if whole in words:
                return ColumnWords(words[whole].unit or unit_of(whole), text.format(whole))
    return ColumnWords(unit_of(name), "")


def sheet_words(sheet: str) -> str:
    """What a sheet of the workbook holds, in a sentence; empty where it is not known."""
    return _known()[2].get(sheet, "")
