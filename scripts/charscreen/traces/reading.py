"""Reading a trace: time, voltage and current of one test out of any logger's file."""

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from charscreen.findings import Finding, nearest
from charscreen.traces.files import (
    RawColumns,
    TraceFileError,
    decode,
    read_bytes,
    read_sheet,
)
from charscreen.traces.maps import ColumnMap, check_map
from charscreen.traces.parquet import MARK, ParquetReader
from charscreen.traces.parts import (
    Reporter,
    Trace,
    check_clipped,
    check_gaps,
    check_order,
    check_step,
    choose_rows,
    drop_missing,
)
from charscreen.traces.text import parse_text
from charscreen.traces.times import parse_times
from charscreen.units import FACTORS, parse_unit, unit_in_header

__all__ = ["Trace", "TraceReader", "read_trace"]

BAD_SHARE = 0.01  # more cells than this that are no numbers: the map is wrong, not a few cells
DEFAULT_UNITS = {"time": "s", "voltage": "V", "current": "A"}
SHARED_SHARE = 0.1  # two tests may have so much of their rows in common: the ends of their parts


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
    record = _read_record(Path(path), column_map, ParquetReader())
    trace, findings, _ = _take_part(record, start_s=start_s, end_s=end_s, step=step, cycle=cycle)
    return trace, findings


@dataclass
class _Record:
    """One file as read by one column map, with what was found on the way."""

    file: str
    trace: Trace | None = None
    findings: list[Finding] = field(default_factory=list)
    bad_rows: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=int))
    claims: dict = field(default_factory=dict)
    is_told: bool = False


class TraceReader:
    """Reads every file once, however many tests use a part of it.

    Parameters
    ----------
    folder : path-like
        Folder of the traces.
    uses : iterable of (str, str)
        File and name of its column map, once for each test that will read it. A file is kept
        in memory until its last test has been read.
    column_maps : dict
        Name to column map, as in the settings.
    """

    def __init__(self, folder: str | Path, uses: Iterable[tuple], column_maps: dict):
        self.folder = Path(folder)
        self.column_maps = column_maps
        self._waiting = Counter(uses)
        self._records: dict[tuple, _Record] = {}
        self._parquet = ParquetReader()

    def read(
        self, file: str, map_name: str, *, user: str, kind: str, **part
    ) -> tuple[Trace | None, list[Finding], str | None]:
        """A part of a file.

        Parameters
        ----------
        file : str
            Path below the folder.
        map_name : str
            A key of the column maps.
        user : str
            Id of the test.
        kind : str
            Two tests of one kind should not read the same rows.
        **part
            ``start_s``, ``end_s``, ``step``, ``cycle`` as in `read_trace`.

        Returns
        -------
        tuple
            Trace and findings as of `read_trace`; the id of an earlier test of that kind that
            has read more than a tenth of these rows, or None.
        """
        key = (file, map_name)
        record = self._records.get(key)
        if record is None:
            record = _read_record(self.folder / file, self.column_maps[map_name], self._parquet)
        self._waiting[key] -= 1
        if self._waiting[key] > 0:
            self._records[key] = record
        else:
            self._records.pop(key, None)
        trace, findings, chosen = _take_part(record, **part)
        if trace is not None and record.is_told:
            findings = findings[len(record.findings) :]  # once per file is enough
        record.is_told = record.is_told or trace is not None
        other = None
        if trace is not None and (self._waiting[key] > 0 or record.claims):
            other = _claim(record, chosen, user, kind)
        return trace, findings, other


def _claim(record: _Record, chosen: np.ndarray, user: str, kind: str) -> str | None:
    """Note who reads these rows; who has read many of them already, or None."""
    owners, owner_of = record.claims.setdefault(
        kind, ([""], np.zeros(len(record.trace), dtype=np.int32))
    )
    counts = np.bincount(owner_of[chosen], minlength=1)
    counts[0] = 0
    first = int(np.argmax(counts))
    own = int(chosen.sum())
    theirs = int((owner_of == first).sum())
    if first and counts[first] > max(1, SHARED_SHARE * min(own, theirs)):
        return owners[first]
    owners.append(user)
    owner_of[chosen & (owner_of == 0)] = len(owners) - 1
    return None


def _take_part(record: _Record, **part) -> tuple[Trace | None, list[Finding], np.ndarray | None]:
    """Part of a record, checked; its findings after those of the file; the rows taken."""
    report = Reporter(record.file)
    report.findings = list(record.findings)
    trace = record.trace
    if trace is None:
        return None, report.findings, None
    chosen = choose_rows(trace, report, **part)
    if chosen is None:
        return None, report.findings, None
    told = int(chosen[record.bad_rows].sum())
    trace = drop_missing(trace if chosen.all() else trace.take(chosen), report, told=told)
    if trace is not None:
        trace = check_order(trace, report)
    if trace is not None:
        check_step(trace, report)
        check_gaps(trace, report)
        check_clipped(trace, report)
    return trace, report.findings, chosen


def _read_record(path: Path, column_map: dict, parquet: ParquetReader) -> _Record:
    """A whole file by a column map; nothing is raised for a fault of either."""
    report = Reporter(path.name)
    record = _Record(path.name, findings=report.findings)
    checked, problems = check_map(column_map)
    if checked is None:
        for problem in problems:
            report.leave_out("column map: " + problem)
        return record
    try:
        raw = _read_raw(path, checked, parquet)
    except TraceFileError as error:
        report.leave_out(f"the file {error}")
        return record
    except MemoryError:
        report.leave_out("the file does not fit in memory. Cut it into one file per test.")
        return record
    if _columns_missing(raw, checked, report) or _too_many_bad(raw, checked, report):
        return record
    units = _units(raw, checked, report)
    record.trace = _to_trace(raw, checked, units, report)
    record.bad_rows = np.array(sorted({row for row, _, _ in raw.bad}), dtype=int)
    return record


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
    report = Reporter(path.name)
    try:
        raw = _read_raw(path, column_map, ParquetReader())
    except TraceFileError as error:
        report.leave_out(f"the file {error}")
        return None, report.findings
    if _columns_missing(raw, column_map, report) or _too_many_bad(raw, column_map, report):
        return None, report.findings
    values = {q: raw.values[c] for q, c in column_map.columns.items()}
    units = _units(raw, column_map, report)
    values["time"] = _seconds(values["time"], raw, column_map, units, report)
    return (None if values["time"] is None else values), report.findings


def _seconds(
    times: np.ndarray | list,
    raw: RawColumns,
    column_map: ColumnMap,
    units: dict[str, str],
    report: Reporter,
) -> np.ndarray | None:
    """Times as logged, numbers or clock times, in seconds; None where one is no time."""
    if not isinstance(times, list):
        return times * FACTORS["time"][units["time"]]
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


def _read_raw(path: Path, column_map: ColumnMap, parquet: ParquetReader) -> RawColumns:
    data = read_bytes(path)
    wanted = list(column_map.columns.values())
    text_columns = [
        column_map.columns[q] for q in ("time", "step", "cycle") if q in column_map.columns
    ]
    if data[:4] == MARK:
        return parquet.read(data, wanted, text_columns=text_columns)
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


def _columns_missing(raw: RawColumns, column_map: ColumnMap, report: Reporter) -> bool:
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


def _too_many_bad(raw: RawColumns, column_map: ColumnMap, report: Reporter) -> bool:
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


def _units(raw: RawColumns, column_map: ColumnMap, report: Reporter) -> dict[str, str]:
    """Unit of each quantity: the map's, else the file's own, else s, V and A."""
    units = {}
    for quantity in FACTORS:
        if quantity not in column_map.columns:
            continue
        column = column_map.columns[quantity]
        told, where = raw.units_row.get(column, ""), "units row"
        found = parse_unit(told, quantity)
        if found is None:
            told, where = _header_of(raw, column), "header"
            found = unit_in_header(told, quantity)
        stated = column_map.units.get(quantity)
        units[quantity] = stated or found or DEFAULT_UNITS[quantity]
        if found and stated and found != stated:
            report.question(
                f"the {where} says {told} for {quantity}, the column map says {stated}. "
                "The column map was followed: correct it if the file is right.",
                column=column,
                value=told,
            )
    return units


def _header_of(raw: RawColumns, column: str | int) -> str:
    if isinstance(column, str):
        return column
    return raw.names[column - 1] if column <= len(raw.names) else ""


def _to_trace(
    raw: RawColumns, column_map: ColumnMap, units: dict[str, str], report: Reporter
) -> Trace | None:
    for note in raw.notes:
        report.question(note[0].upper() + note[1:] + ".")
    values = {q: raw.values[c] for q, c in column_map.columns.items()}
    time_s = _seconds(values["time"], raw, column_map, units, report)
    if time_s is None:
        return None
    current = values.get("current")
    if current is not None:
        current = current * (FACTORS["current"][units["current"]] * column_map.charge_sign)
    marks = {q: None if q not in values else np.asarray(values[q]) for q in ("step", "cycle")}
    voltage = values["voltage"] * FACTORS["voltage"][units["voltage"]]
    return Trace(time_s, voltage, current, marks["step"], marks["cycle"])
