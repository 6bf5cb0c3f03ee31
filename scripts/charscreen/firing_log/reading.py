"""Reading the temperature log of a kiln out of any logger's file."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from charscreen.traces.maps import check_map
from charscreen.traces.reading import read_columns

#: Unit to degrees Celsius: factor, then offset.
TO_CELSIUS = {"C": (1.0, 0.0), "F": (5.0 / 9.0, -160.0 / 9.0), "K": (1.0, -273.15)}
NOT_USED = "The log is not used."


def read_kiln_log(
    path: str | Path, column_map: dict
) -> tuple[tuple[np.ndarray, np.ndarray] | None, list[str]]:
    """Times and temperatures of a kiln log, and what was found on the way.

    Parameters
    ----------
    path : path-like
        Delimited text, XLSX or Parquet; each may be packed as gz.
    column_map : dict
        As in the settings, with ``time`` and ``temperature``; the column of the latter may be a
        list, one for each thermocouple.

    Returns
    -------
    tuple
        (n,) times [s] with (n, k) temperatures [°C], or None where the log cannot be used; and
        sentences for the user.

    Notes
    -----
    Nothing is raised for a fault of the file. Rows without a time, and rows in which time falls
    back to an earlier one, are left away and told.
    """
    part = column_map.get("temperature")
    if not isinstance(part, dict) or part.get("column") in (None, []):
        return None, [f"Its column map names no temperature. {NOT_USED}"]
    wanted = part["column"] if isinstance(part["column"], list) else [part["column"]]
    unit = part.get("unit", "C")
    if unit not in TO_CELSIUS:
        return None, [f"'{unit}' is no unit of temperature. Write C, F or K. {NOT_USED}"]
    electrical = ("voltage", "current", "temperature", "step", "cycle")
    plain = {key: value for key, value in column_map.items() if key not in electrical}
    # The frame of the file is checked as that of a test; the columns are then our own.
    checked, problems = check_map(plain | {"voltage": {"column": wanted[0]}})
    if checked is None:
        return None, [f"column map: {problem}" for problem in problems] + [NOT_USED]
    names = [f"temperature {k}" if len(wanted) > 1 else "temperature" for k in _count(wanted)]
    columns = {"time": checked.columns["time"]} | dict(zip(names, wanted, strict=True))
    units = {key: unit for key, unit in checked.units.items() if key == "time"}
    values, findings = read_columns(Path(path), replace(checked, columns=columns, units=units))
    notes = [_sentence(finding) for finding in findings]
    if values is None:
        return None, [*notes, NOT_USED]
    factor, offset = TO_CELSIUS[unit]
    temperature = np.column_stack([values[name] * factor + offset for name in names])
    return _in_order(values["time"], temperature, notes)


def _count(items: list) -> range:
    return range(1, len(items) + 1)


def _in_order(
    time: np.ndarray, temperature: np.ndarray, notes: list[str]
) -> tuple[tuple[np.ndarray, np.ndarray] | None, list[str]]:
    timed = np.isfinite(time)
    time, temperature = time[timed], temperature[timed]
    if len(time):
        late = time >= np.maximum.accumulate(time)
        if not late.all():
            lost = int((~late).sum())
            if lost > 0.01 * len(time) + 1:
                return None, [*notes, f"Time falls back in {lost} of its rows. {NOT_USED}"]
            notes.append(f"Time falls back in {lost} of its rows; they are left away.")
            time, temperature = time[late], temperature[late]
    if np.isfinite(temperature).any(axis=1).sum() < 2:
        return None, [*notes, f"Fewer than two of its rows hold a temperature. {NOT_USED}"]
    return (time, temperature), notes


def _sentence(finding) -> str:
    """A finding of the reader as a sentence on a kiln log."""
    text = finding.message.replace(" The test is left out.", "")
    text = text.replace("This row of the trace", "This row").replace("Export the test", "Export it")
    place = f"Line {finding.row}: " if finding.row else ""
    return place + (text[0].upper() + text[1:] if not place else text)
