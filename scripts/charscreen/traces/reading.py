"""Reading a trace: time, voltage and current of one test out of any logger's file."""

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from charscreen.findings import LEAVES_OUT, QUESTIONS, Finding, nearest
from charscreen.traces.files import (
    RawColumns,
    TraceFileError,
    decode,
    read_bytes,
    read_parquet,
    read_sheet,
)
from charscreen.traces.maps import ColumnMap, check_map
from charscreen.traces.text import parse_text
from charscreen.traces.times import parse_times
from charscreen.units import FACTORS, parse_unit

BAD_SHARE = 0.01  # more cells than this that are no numbers: the map is wrong, not a few cells
GAP_SHARE = 0.2  # more missing values than this: the record is not whole
BACKWARD_SHARE = 0.005


@dataclass(frozen=True)
class Trace:
    """A record of one test.

    Parameters
    ----------
    time_s : (n,) array
        Time as logged, never falling. [s]
    voltage_V : (n,) array
        Cell voltage. [V]
    current_A : (n,) array or None
        Current, positive on charge; None where it was not logged. [A]
    step, cycle : (n,) array or None
        The logger's own step and cycle (numbers, or text), where mapped.
    """

    time_s: np.ndarray
    voltage_V: np.ndarray
    current_A: np.ndarray | None = None
    step: np.ndarray | None = None
    cycle: np.ndarray | None = None

    def take(self, chosen: np.ndarray) -> "Trace":
        """The rows chosen by a mask or by indices."""
        parts = (self.time_s, self.voltage_V, self.current_A, self.step, self.cycle)
        return Trace(*(None if part is None else part[chosen] for part in parts))

    def __len__(self) -> int:
        return len(self.time_s)


def read_trace(
    path: str | Path,
    column_map: dict,
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    step: str | float | None = None,
    cycle: str | float | None = None,
) -> tuple[Trace | None, list[Finding]]:
    """A trace from a file, and what was found wrong or doubtful on the way.

    Parameters
    ----------
    path : path-like
        Delimited text, XLSX or Parquet; each may be packed as gz.
    column_map : dict
        How the file is laid out; see `charscreen.traces.maps.check_map`.
    start_s, end_s : float, optional
        Part of the record to use, in the file's own time (from its first row where the file
        has clock times or dates). [s]
    step, cycle : str or float, optional
        Steps or cycles to use, as the file numbers them: ``3``, ``2-4`` or ``2;4``.

    Returns
    -------
    tuple
        The trace, or None where it cannot be used (then some finding *leaves out*), and the
        findings, with the line of the file as row.

    Notes
    -----
    Nothing is raised for a fault of the file: the caller goes on with the next one. Repeated
    times are kept, since loggers write two rows at the moment a step changes.
    """
    path = Path(path)
    report = _Reporter(path.name)
    checked, problems = check_map(column_map)
    if checked is None:
        for problem in problems:
            report.leave_out("column map: " + problem)
        return None, report.findings
    try:
        raw = _read_raw(path, checked)
    except TraceFileError as error:
        report.leave_out(f"the file {error}")
        return None, report.findings
    except MemoryError:
        report.leave_out("the file does not fit in memory. Cut it into one file per test.")
        return None, report.findings
    if _columns_missing(raw, checked, report) or _too_many_bad(raw, checked, report):
        return None, report.findings
    _check_units_row(raw, checked, report)
    trace = _to_trace(raw, checked, report)
    if trace is not None:
        trace = _select(trace, report, start_s=start_s, end_s=end_s, step=step, cycle=cycle)
    if trace is not None:
        trace = _drop_missing(trace, raw, report)
    if trace is not None:
        trace = _check_order(trace, report)
    return trace, report.findings


def read_columns(path: Path, column_map: ColumnMap) -> tuple[dict | None, list[Finding]]:
    """The mapped columns of a file as logged, times in seconds; for records without a voltage.

    Parameters
    ----------
    path : path-like
        As in `read_trace`.
    column_map : ColumnMap
        Of its ``columns`` ``time`` is read as time, every other one as numbers.

    Returns
    -------
    tuple
        Quantity to (n,) array, or None where the file cannot be used; the findings.
    """
    report = _Reporter(path.name)
    try:
        raw = _read_raw(path, column_map)
    except TraceFileError as error:
        report.leave_out(f"the file {error}")
        return None, report.findings
    if _columns_missing(raw, column_map, report) or _too_many_bad(raw, column_map, report):
        return None, report.findings
    values = {q: raw.values[c] for q, c in column_map.columns.items()}
    values["time"] = _seconds(values["time"], raw, column_map, report)
    return (None if values["time"] is None else values), report.findings


class _Reporter:
    """Collects findings on one file."""

    def __init__(self, file: str):
        self.file = file
        self.findings: list[Finding] = []

    def _add(self, severity, message, column="", value="", row=None):
        self.findings.append(
            Finding("traces", row, str(column), str(value), severity, message, file=self.file)
        )

    def leave_out(self, message: str, **where) -> None:
        self._add(LEAVES_OUT, message, **where)

    def question(self, message: str, **where) -> None:
        self._add(QUESTIONS, message, **where)


def _read_raw(path: Path, column_map: ColumnMap) -> RawColumns:
    data = read_bytes(path)
    wanted = list(column_map.columns.values())
    text_columns = [
        column_map.columns[q] for q in ("time", "step", "cycle") if q in column_map.columns
    ]
    if data[:4] == b"PAR1":
        return read_parquet(data, wanted, text_columns=text_columns)
    if data[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        return read_sheet(data, wanted, text_columns=text_columns, skip_lines=column_map.skip_lines)
    return parse_text(
        decode(data),
        wanted,
        text_columns=text_columns,
        delimiter=column_map.delimiter,
        decimal=column_map.decimal,
        skip_lines=column_map.skip_lines,
        comment=column_map.comment,
    )


def _columns_missing(raw: RawColumns, column_map: ColumnMap, report: _Reporter) -> bool:
    missing = [(q, c) for q, c in column_map.columns.items() if c not in raw.values]
    # Text files give no values at all where one column is absent: name only the absent ones.
    if raw.names:
        missing = [(q, c) for q, c in missing if isinstance(c, int) or c not in raw.names]
    for quantity, column in missing:
        if isinstance(column, int):
            report.leave_out(
                f"the file has no column number {column} for {quantity}. "
                "Check the number and the delimiter in the column map.",
                column=column,
            )
            continue
        near = nearest(column, raw.names)
        hint = f" Did you mean '{near}'?" if near else ""
        names = ", ".join(f"'{name}'" for name in raw.names[:12] if name) or "none"
        extra = "".join(f" ({note})" for note in raw.notes)
        report.leave_out(
            f"the file has no column '{column}' for {quantity}.{hint} "
            f"Columns found: {names}{extra}. Correct the column map.",
            column=column,
        )
    return bool(missing) or not raw.values


def _too_many_bad(raw: RawColumns, column_map: ColumnMap, report: _Reporter) -> bool:
    """Report cells that are no numbers; True where there are too many to go on."""
    n = max((len(values) for values in raw.values.values()), default=0)
    bad_rows = {row for row, _, _ in raw.bad}
    for row, column, text in raw.bad[:5]:
        line = raw.lines(row)
        hint = ""
        if column_map.decimal == "." and re.fullmatch(r"[+-]?\d+,\d+", text.strip()):
            hint = " A decimal comma? Then set decimal: ',' in the column map."
        elif column_map.decimal == "," and re.fullmatch(r"[+-]?\d+\.\d+", text.strip()):
            hint = " A decimal point? Then set decimal: '.' in the column map."
        many = len(bad_rows) > max(1, BAD_SHARE * n)
        what = "The test is left out." if many else "This row of the trace was not used."
        say = report.leave_out if many else report.question
        say(f"'{text}' is not a number.{hint} {what}", column=column, value=text, row=line)
    if len(raw.bad) > 5:
        report.question(f"{len(raw.bad) - 5} more cells of the file are not numbers.")
    return len(bad_rows) > max(1, BAD_SHARE * n)


def _check_units_row(raw: RawColumns, column_map: ColumnMap, report: _Reporter) -> None:
    for quantity, unit in column_map.units.items():
        text = raw.units_row.get(column_map.columns[quantity], "")
        found = parse_unit(text, quantity)
        if found and found != unit:
            report.question(
                f"the units row says {text} for {quantity}, the column map says {unit}. "
                "The column map was followed: correct it if the file is right.",
                column=column_map.columns[quantity],
                value=text,
            )


def _to_trace(raw: RawColumns, column_map: ColumnMap, report: _Reporter) -> Trace | None:
    for note in raw.notes:
        report.question(note[0].upper() + note[1:] + ".")
    values = {q: raw.values[c] for q, c in column_map.columns.items()}
    time_s = _seconds(values["time"], raw, column_map, report)
    if time_s is None:
        return None
    current = values.get("current")
    if current is not None:
        current = current * (
            FACTORS["current"][column_map.units["current"]] * column_map.charge_sign
        )
    marks = {q: None if q not in values else np.asarray(values[q]) for q in ("step", "cycle")}
    voltage = values["voltage"] * FACTORS["voltage"][column_map.units["voltage"]]
    return Trace(time_s, voltage, current, marks["step"], marks["cycle"])


def _seconds(
    times: np.ndarray | list, raw: RawColumns, column_map: ColumnMap, report: _Reporter
) -> np.ndarray | None:
    """Times as logged, numbers or clock times, in seconds; None where one is no time."""
    if not isinstance(times, list):
        return times * FACTORS["time"][column_map.units["time"]]
    time_s, wrong = parse_times(times)
    if wrong is None:
        return time_s
    report.leave_out(
        f"'{times[wrong]}' is no time. Use numbers, hh:mm:ss or ISO dates "
        "such as 2024-05-01 13:45:10.",
        column=column_map.columns["time"],
        value=times[wrong],
        row=raw.lines(wrong),
    )
    return None


def _wanted_marks(wanted: str | float, marks: np.ndarray) -> np.ndarray:
    """Mask of the rows whose step or cycle is among those wanted."""
    text = f"{wanted:g}" if isinstance(wanted, (int, float)) else str(wanted)
    chosen = np.zeros(len(marks), dtype=bool)
    numeric = marks.dtype.kind == "f"
    for part in re.split(r"[;,]", text):
        part = part.strip()
        limits = re.fullmatch(r"(\d+)\s*(?:-|to)\s*(\d+)", part)
        if numeric and limits:
            chosen |= (marks >= float(limits[1])) & (marks <= float(limits[2]))
        elif numeric:
            try:
                chosen |= marks == float(part)
            except ValueError:
                continue
        else:
            chosen |= np.array([str(mark).strip() == part for mark in marks])
    return chosen


def _select(trace, report, *, start_s, end_s, step, cycle) -> Trace | None:
    """The part of the record asked for."""
    for name, wanted, marks in (("step", step, trace.step), ("cycle", cycle, trace.cycle)):
        if wanted is None:
            continue
        if marks is None:
            report.leave_out(
                f"{name} {wanted} is asked for, but the column map names no {name} column. "
                f"Add {name}: {{column: NAME}} to it.",
                column=name,
                value=wanted,
            )
            return None
    chosen = np.ones(len(trace), dtype=bool)
    for name, wanted, marks in (("step", step, trace.step), ("cycle", cycle, trace.cycle)):
        if wanted is not None:
            hit = _wanted_marks(wanted, marks)
            if not hit.any():
                found = ", ".join(dict.fromkeys(_mark_text(mark) for mark in marks[:200_000]))
                report.leave_out(
                    f"{name} {wanted} does not occur. Found: {found[:200]}. Correct {name}.",
                    column=name,
                    value=wanted,
                )
                return None
            chosen &= hit
    span = (np.nanmin(trace.time_s), np.nanmax(trace.time_s)) if len(trace) else (0.0, 0.0)
    if start_s is not None:
        chosen &= trace.time_s >= start_s
    if end_s is not None:
        chosen &= trace.time_s <= end_s
    if not chosen.any():
        report.leave_out(
            "no rows lie in the part asked for (start_s, end_s, step, cycle). The file's time "
            f"runs from {span[0]:.6g} to {span[1]:.6g} s.",
            column="start_s",
            value="" if start_s is None else f"{start_s:g}",
        )
        return None
    return trace if chosen.all() else trace.take(chosen)


def _mark_text(mark) -> str:
    return f"{mark:g}" if isinstance(mark, (float, np.floating)) else str(mark)


def _drop_missing(trace: Trace, raw: RawColumns, report: _Reporter) -> Trace | None:
    known = np.isfinite(trace.time_s) & np.isfinite(trace.voltage_V)
    if trace.current_A is not None:
        if not np.isfinite(trace.current_A).any():
            trace = replace(trace, current_A=None)
            report.question("the current column is empty: treated as not logged.")
        else:
            known &= np.isfinite(trace.current_A)
    n_bad = len({row for row, _, _ in raw.bad})
    n_missing = max(0, int((~known).sum()) - n_bad)
    if n_missing > GAP_SHARE * len(trace) or not known.any():
        report.leave_out(
            f"{n_missing} of {len(trace)} rows lack time, voltage or current. "
            "Export the test again, or correct the column map."
        )
        return None
    if n_missing > 0:
        report.question(f"{n_missing} of {len(trace)} rows lack a value and were not used.")
    return trace if known.all() else trace.take(known)


def _check_order(trace: Trace, report: _Reporter) -> Trace | None:
    time = trace.time_s
    late = np.maximum.accumulate(time)
    backward = time < late
    n_back = int(backward.sum())
    if n_back > max(2, BACKWARD_SHARE * len(time)):
        first = int(np.argmax(backward))
        report.leave_out(
            f"time runs backward {int((np.diff(time) < 0).sum())} times, first from "
            f"{time[first - 1]:.6g} to {time[first]:.6g} s. The file may hold several records: "
            "choose one by step or cycle, or save each as its own file."
        )
        return None
    if n_back:
        report.question(f"{n_back} rows whose time runs backward were not used.")
        trace = trace.take(~backward)
    repeated = int((np.diff(trace.time_s) == 0).sum())
    if repeated > max(20, 0.2 * len(trace)):
        report.question(
            f"{repeated} of {len(trace)} rows repeat the time of the row before. The clock is "
            "coarse: raise time_resolution_s in the settings to match, or log finer times."
        )
    return trace
