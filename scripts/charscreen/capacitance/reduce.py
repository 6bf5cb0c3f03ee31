"""From tests to farads: reads the trace or readings of each test and evaluates it."""

from pathlib import Path

import numpy as np

from charscreen.capacitance.evaluate import ORDER, LeftOut, evaluate
from charscreen.capacitance.leakage import READ_AT_S
from charscreen.capacitance.plausible import question_capacitance, wrong_scale_of_voltage
from charscreen.capacitance.result_columns import TEST_RESULT_COLUMNS
from charscreen.capacitance.thinned import thin
from charscreen.findings import LEAVES_OUT, QUESTIONS, Finding, nearest, typed_text
from charscreen.rows_csv import write_rows_csv
from charscreen.traces.reading import Trace, TraceReader

__all__ = ["TEST_RESULT_COLUMNS", "reduce_tests", "write_rows_csv"]


def reduce_tests(
    tests: list[dict],
    cells: list[dict],
    readings: list[dict],
    *,
    column_maps: dict,
    instrument: dict | None,
    settings: dict,
    trace_folder: str | Path,
    thinned: dict | None = None,
) -> tuple[list[dict], list[dict], list[Finding]]:
    """One row per test that could be evaluated, its cycles, and what was found on the way.

    Parameters
    ----------
    tests : list of dict
        Checked rows of tests.csv.
    cells : list of dict
        Checked rows of cells.csv, at least those the tests name.
    readings : list of dict
        Checked rows of readings.csv.
    column_maps : dict
        Name to column map, as in the settings.
    instrument : dict or None
        Standard uncertainties of the electrical readings, as in the settings.
    settings : dict
        ``window``, ``skip_cycles``, ``method_order`` and ``leakage_time_s``.
    trace_folder : path-like
        Folder of the traces.
    thinned : dict, optional
        Takes, by test, the record of every test that was evaluated, cut down for pictures; see
        `charscreen.capacitance.thinned.thin`.

    Returns
    -------
    tuple
        Rows with `TEST_RESULT_COLUMNS`, in the order of the tests; rows with
        `charscreen.capacitance.result_columns.CYCLE_TABLE_COLUMNS`; findings on table ``tests``.

    Notes
    -----
    A test that fails leaves out itself alone. The figures of a test are means over its steady
    cycles: those after the first ``skip_cycles``; where there are no others the last cycle,
    flagged ``first cycle only``. Their standard uncertainty joins the scatter between cycles
    over √n (not less than that within a cycle over √n) and the instrument's part, which is
    common to all cycles. The tests of a cell are evaluated method by method, so that a discharge
    through a resistor can take the series resistance, and self-discharge the capacitance, from
    the others.
    """
    by_cell = {row["cell"]: row for row in cells}
    by_test: dict[str, list[dict]] = {}
    for row in readings:
        by_test.setdefault(row["test"], []).append(row)
    uses = [(t["trace"], _map_name(t, column_maps)) for t in tests if t.get("trace")]
    reader = TraceReader(trace_folder, uses, column_maps)
    done = [_Test(test, by_cell.get(test["cell"]), by_test.get(test["test"], [])) for test in tests]
    of_cell: dict[str, list[dict]] = {}
    for one in sorted(done, key=lambda one: _place_in_order(one.test["method"])):
        others = of_cell.setdefault(one.test["cell"], [])
        try:
            one.row = one.evaluate(reader, instrument, settings, others)
            others.append(one.row)
            if thinned is not None and one.trace is not None:
                thinned[one.test["test"]] = one.thin(settings)
        except LeftOut as reason:
            one.find(LEAVES_OUT, str(reason), reason.column)
        one.trace = None  # one record at a time in memory
    by_id = {one.test["test"]: one for one in done}
    for one in done:
        # Rows cannot come from two cells: which of the two tests is right is not to be known.
        other = by_id.get(one.shares_with)
        if other and other.row and other.test["cell"] != one.test["cell"]:
            other.row = None
            if thinned is not None:
                thinned.pop(other.test["test"], None)
            words = _shared_words(one.test["test"], other.test["trace"])
            other.find(LEAVES_OUT, words, "trace")
    rows = [one.row for one in done if one.row]
    cycles = [
        {**cycle, "test": one.test["test"], "cell": one.test["cell"], "method": one.test["method"]}
        for one in done
        if one.row
        for cycle in one.cycles
    ]
    return rows, cycles, [finding for one in done for finding in one.findings]


def _place_in_order(method: str) -> int:
    return ORDER.index(method) if method in ORDER else len(ORDER)


def _map_name(test: dict, column_maps: dict) -> str | None:
    """Name of the column map of a test; the only one there is where the test names none."""
    name = test.get("trace_map")
    return next(iter(column_maps)) if not name and len(column_maps) == 1 else name


def _shared_words(other: str, trace: str) -> str:
    return (
        f"test '{other}' reads the same rows of '{trace}'. Correct the file name, or choose "
        "parts by start_s and end_s, step or cycle."
    )


class _Test:
    """One test on its way to a row."""

    def __init__(self, test: dict, cell: dict | None, readings: list[dict]):
        self.test, self.cell, self.readings = test, cell, readings
        self.findings: list[Finding] = []
        self.flags: list[str] = []
        self.shares_with: str | None = None
        self.row: dict | None = None
        self.cycles: list[dict] = []
        self.trace: Trace | None = None

    def find(self, severity: str, message: str, column: str) -> None:
        """Note a finding on this test's row, with the value typed in that column."""
        accepted = (self.test.get("accepted") or "") if severity == QUESTIONS else ""
        text = typed_text(self.test.get(column))
        self.findings.append(
            Finding(
                *("tests", self.test.get("row"), column, text, severity, message, accepted),
                id=self.test["test"],
            )
        )

    def question(self, message: str, column: str) -> None:
        """Note a doubt; the test is kept."""
        self.find(QUESTIONS, message, column)

    def evaluate(self, reader: TraceReader, instrument, settings, others) -> dict:
        """The row of this test."""
        if self.cell is None:
            raise LeftOut("its cell is not in the table cells, or was left out.", "cell")
        method = self.test["method"]
        if method not in ORDER:
            raise LeftOut(f"method {method} is not known.", "method")
        row = dict.fromkeys(TEST_RESULT_COLUMNS)
        row.update(
            test=self.test["test"],
            cell=self.test["cell"],
            method=method,
            upper_voltage_V=self.cell["upper_voltage_V"],
        )
        self.trace = None if method == "direct" else self._readings_or_trace(reader)
        wrong = self.trace and wrong_scale_of_voltage(self, self.trace.voltage_V)
        if wrong:
            raise LeftOut(wrong)
        self.cycles = evaluate(
            self, row, self.trace, instrument=instrument, settings=settings, others=others
        )
        question_capacitance(self, row["capacitance_F"])
        row["quality"] = "; ".join(dict.fromkeys(self.flags))
        return row

    def thin(self, settings: dict) -> dict:
        """The record cut down for a picture."""
        upper = self.cell["upper_voltage_V"]
        top, bottom = (share * upper for share in settings.get("window", (0.8, 0.4)))
        return thin(
            self.trace,
            self.cycles,
            method=self.test["method"],
            window_V=(top, bottom),
            read_at_s=settings.get("leakage_time_s") or READ_AT_S,
        )

    def _readings_or_trace(self, reader: TraceReader) -> Trace:
        name = self.test.get("trace")
        if name:
            return self._read(name, reader)
        if not self.readings:
            raise LeftOut(
                "there is neither a trace nor readings. Name a file in trace, or write the "
                "readings in readings.csv."
            )
        rows = sorted(self.readings, key=lambda r: r["time_s"])
        current = None
        if all(r.get("current_mA") is not None for r in rows):
            current = np.array([r["current_mA"] for r in rows], dtype=float) * 1e-3
        return Trace(
            np.array([r["time_s"] for r in rows], dtype=float),
            np.array([r["voltage_V"] for r in rows], dtype=float),
            current,
        )

    def _read(self, name: str, reader: TraceReader) -> Trace:
        map_name = _map_name(self.test, reader.column_maps)
        if map_name not in reader.column_maps:
            known = ", ".join(reader.column_maps) or "none"
            near = nearest(map_name, reader.column_maps) if map_name else None
            hint = f" Did you mean '{near}'?" if near else ""
            raise LeftOut(
                f"column map '{map_name or ''}' is not in the settings.{hint} Known: {known}.",
                "trace_map",
            )
        trace, found, other = reader.read(
            name,
            map_name,
            user=self.test["test"],
            kind=self.test["method"],
            start_s=self.test.get("start_s"),
            end_s=self.test.get("end_s"),
            step=self.test.get("step"),
            cycle=self.test.get("cycle"),
        )
        reasons = []
        for finding in found:
            place = f", {finding.place}" if finding.row is not None else ""
            message = f"'{name}'{place}: {finding.message}"
            if finding.severity == LEAVES_OUT:
                reasons.append(message)
            else:
                self.question(message, "trace")
        if trace is None:
            raise LeftOut(" ".join(reasons))
        if other:
            self._check_shared(name, other)
        return trace

    def _check_shared(self, name: str, other: str) -> None:
        """Two tests on the same rows: kept only where the user has given a reason."""
        text = _shared_words(other, name)
        if self.test.get("accepted"):
            self.question(text, "trace")
            return
        self.shares_with = other
        raise LeftOut(text)
