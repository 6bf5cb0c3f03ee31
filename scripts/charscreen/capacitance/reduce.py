"""From tests to farads: reads the trace or readings of each test and evaluates it."""

from pathlib import Path

import numpy as np

from charscreen.capacitance.analyse import constant_current_rows
from charscreen.capacitance.carbon import rough_carbon_g
from charscreen.capacitance.exponential import measure_decay
from charscreen.capacitance.steady import summarise_cycles
from charscreen.findings import LEAVES_OUT, QUESTIONS, Finding, nearest
from charscreen.rows_csv import write_rows_csv
from charscreen.traces.reading import Trace, TraceReader

__all__ = ["TEST_RESULT_COLUMNS", "reduce_tests", "write_rows_csv"]

TEST_RESULT_COLUMNS = (
    "test", "cell", "method", "cycles", "current_mA",
    "capacitance_F", "capacitance_F_se", "capacitance_charge_F", "capacitance_charge_F_se",
    "capacitance_energy_F", "capacitance_energy_F_se", "esr_ohm", "esr_ohm_se",
    "drop_first_sample_V", "coulombic_efficiency_percent", "coulombic_efficiency_percent_se",
    "energy_efficiency_percent", "energy_efficiency_percent_se", "retention_percent",
    "upper_voltage_V", "quality",
)  # fmt: skip

LATER_METHODS = ("voltammetry", "open_circuit", "held_voltage")

# Bounds beyond which a test is questioned, since a unit is then usually wrong. Common practice,
# no source: tests run at 0.1 to 20 A per gram of carbon and a discharge takes seconds to hours.
CURRENT_A_PER_G = (0.002, 100.0)
DISCHARGE_S = (0.5, 6 * 3600.0)
TAU_S = (0.1, 7 * 86400.0)
CURRENT_MATCH_SHARE = 0.10
SIGN_CORRELATION = 0.5
MAX_EFFICIENCY_PERCENT = 103.0
LEAST_EFFICIENCY_PERCENT = 90.0


class _LeftOut(Exception):
    """A test that cannot be evaluated; the text says why and what to do."""

    def __init__(self, message: str, column: str = "trace"):
        super().__init__(message)
        self.column = column


def reduce_tests(
    tests: list[dict],
    cells: list[dict],
    readings: list[dict],
    *,
    column_maps: dict,
    instrument: dict | None,
    settings: dict,
    trace_folder: str | Path,
) -> tuple[list[dict], list[Finding]]:
    """One row per test that could be evaluated, and what was found on the way.

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
        ``window`` and ``skip_cycles``.
    trace_folder : path-like
        Folder of the traces.

    Returns
    -------
    tuple
        Rows with `TEST_RESULT_COLUMNS`, in the order of the tests; findings on table ``tests``.

    Notes
    -----
    A test that fails leaves out itself alone. The figures of a test are means over its steady
    cycles: those after the first ``skip_cycles``; where there are no others the last cycle,
    flagged ``first cycle only``. Their standard uncertainty joins the scatter between cycles
    over √n (not less than that within a cycle over √n) and the instrument's part, which is
    common to all cycles.
    """
    by_cell = {row["cell"]: row for row in cells}
    by_test: dict[str, list[dict]] = {}
    for row in readings:
        by_test.setdefault(row["test"], []).append(row)
    uses = [(t["trace"], _map_name(t, column_maps)) for t in tests if t.get("trace")]
    reader = TraceReader(trace_folder, uses, column_maps)
    done = []
    for test in tests:
        one = _Test(test, by_cell.get(test["cell"]), by_test.get(test["test"], []))
        try:
            one.row = one.evaluate(reader, instrument, settings)
        except _LeftOut as reason:
            one.find(LEAVES_OUT, str(reason), reason.column)
        done.append(one)
    by_id = {one.test["test"]: one for one in done}
    for one in done:
        # Rows cannot come from two cells: which of the two tests is right is not to be known.
        other = by_id.get(one.shares_with)
        if other and other.row and other.test["cell"] != one.test["cell"]:
            other.row = None
            words = _shared_words(one.test["test"], other.test["trace"])
            other.find(LEAVES_OUT, words, "trace")
    rows = [one.row for one in done if one.row]
    return rows, [finding for one in done for finding in one.findings]


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

    def find(self, severity: str, message: str, column: str, value: object = None) -> None:
        """Note a finding on this test's row."""
        value = self.test.get(column) if value is None else value
        accepted = (self.test.get("accepted") or "") if severity == QUESTIONS else ""
        text = "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
        self.findings.append(
            Finding(
                *("tests", self.test.get("row"), column, text, severity, message, accepted),
                id=self.test["test"],
            )
        )

    def question(self, message: str, column: str, value: object = None) -> None:
        """Note a doubt; the test is kept."""
        self.find(QUESTIONS, message, column, value)

    def evaluate(self, reader: TraceReader, instrument, settings) -> dict:
        """The row of this test."""
        method = self.test["method"]
        if method in LATER_METHODS:
            raise _LeftOut(f"method {method} is not evaluated yet.", "method")
        if self.cell is None:
            raise _LeftOut("its cell is not in the table cells, or was left out.", "cell")
        row = dict.fromkeys(TEST_RESULT_COLUMNS)
        row.update(
            test=self.test["test"],
            cell=self.test["cell"],
            method=method,
            upper_voltage_V=self.cell["upper_voltage_V"],
        )
        if method == "direct":
            self._direct(row)
        else:
            trace = self._readings_or_trace(reader)
            if method == "constant_current":
                self._constant_current(row, trace, instrument, settings)
            elif method == "through_resistor":
                self._through_resistor(row, trace, instrument)
            else:
                raise _LeftOut(f"method {method} is not known.", "method")
        row["quality"] = "; ".join(dict.fromkeys(self.flags))
        return row

    def _direct(self, row: dict) -> None:
        if not self.test.get("capacitance_F"):
            raise _LeftOut(
                "a direct test needs its capacitance. Write it in capacitance_F.", "capacitance_F"
            )
        row["capacitance_F"] = self.test["capacitance_F"]
        row["capacitance_F_se"] = self.test.get("capacitance_F_se")
        row["esr_ohm"] = self.test.get("esr_ohm")
        row["current_mA"] = self.test.get("current_mA")
        if row["capacitance_F_se"] is None:
            self.flags.append("no uncertainty given")

    def _readings_or_trace(self, reader: TraceReader) -> Trace:
        name = self.test.get("trace")
        if name:
            return self._read(name, reader)
        if not self.readings:
            raise _LeftOut(
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
            raise _LeftOut(
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
            raise _LeftOut(" ".join(reasons))
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
        raise _LeftOut(text)

    def _constant_current(self, row, trace, instrument, settings) -> None:
        nominal = self.test.get("current_mA")
        current = trace.current_A
        if current is None:
            if not nominal:
                raise _LeftOut("the current was not logged. Write it in current_mA.", "current_mA")
            current = nominal * 1e-3
            self.flags.append("current not logged")
        else:
            self._check_sign(trace)
        upper = self.cell["upper_voltage_V"]
        by_hand = not self.test.get("trace")
        meter = dict(instrument or {})
        if by_hand:
            # A stopwatch's standard uncertainty, in the form of a resolution (over √12 again).
            meter["time_resolution_s"] = meter.get("stopwatch_s", 0.0) * 12**0.5
        cycles, reasons = constant_current_rows(
            trace.time_s,
            trace.voltage_V,
            current,
            upper_voltage_V=upper,
            window=tuple(settings.get("window", (0.8, 0.4))),
            instrument=meter,
        )
        if not cycles:
            why = reasons[0] if reasons else self._no_discharge(trace)
            raise _LeftOut(
                f"nothing to evaluate: {why}. Check the file, the column map, the part chosen "
                f"and upper_voltage_V of cell '{self.test['cell']}' ({upper:g} V)."
            )
        summary = summarise_cycles(cycles, skip_cycles=settings.get("skip_cycles", 1))
        self.flags.extend(summary.pop("flags"))
        row.update(summary)
        self._check_plausible(row, cycles, nominal)

    def _no_discharge(self, trace: Trace) -> str:
        low, high = float(trace.voltage_V.min()), float(trace.voltage_V.max())
        return f"no discharge was found ({len(trace)} rows, {low:.3g} to {high:.3g} V)"

    def _check_sign(self, trace: Trace) -> None:
        """A charge that lowers the voltage is a current with the wrong sign."""
        i = trace.current_A
        moving = (i[1:] * i[:-1] > 0) & (np.abs(i[1:]) > 0.1 * np.abs(i).max())
        rise = np.diff(trace.voltage_V)[moving] * np.sign(i[1:][moving])
        up, down = float(rise[rise > 0].sum()), float(-rise[rise < 0].sum())
        if down > 0 and (down - up) / (down + up) > SIGN_CORRELATION:
            raise _LeftOut(
                "the voltage falls while the current is positive: the sign of the current is "
                "turned round. Change positive_is in the column map (charge or discharge)."
            )

    def _check_plausible(self, row, cycles, nominal) -> None:
        measured = row["current_mA"]
        if nominal and abs(measured / nominal - 1.0) > CURRENT_MATCH_SHARE:
            self.question(
                f"current_mA says {nominal:g} mA, the trace holds {measured:.4g} mA, which was "
                "used. Correct one: the unit in the column map, or the table.",
                "current_mA",
            )
        carbon = rough_carbon_g(self.cell)
        if carbon:
            density = measured * 1e-3 / carbon
            if not CURRENT_A_PER_G[0] <= density <= CURRENT_A_PER_G[1]:
                self.question(
                    f"the current is {density:.3g} A per gram of carbon, which is unusual. "
                    "Check the unit of the current and the electrode masses.",
                    "current_mA" if nominal else "trace",
                )
        duration = float(np.median([c["discharge_s"] for c in cycles]))
        if not DISCHARGE_S[0] <= duration <= DISCHARGE_S[1]:
            self.question(
                f"a discharge takes {duration:.3g} s, which is unusual. Check the unit of time "
                "in the column map.",
                "trace",
            )
        efficiency = row["coulombic_efficiency_percent"]
        if efficiency is not None and efficiency > MAX_EFFICIENCY_PERCENT:
            self.question(
                f"more charge comes out than went in ({efficiency:.4g} %). Check the current's "
                "zero and that charge and discharge are both in the file.",
                "trace",
            )
        elif efficiency is not None and efficiency < LEAST_EFFICIENCY_PERCENT:
            self.question(
                f"only {efficiency:.3g} % of the charge comes back: the cell leaks, or its voltage "
                "is past what is stable. The capacitance is then too low by an amount its "
                "uncertainty does not hold.",
                "trace",
            )
        if row["esr_ohm"] is not None and row["esr_ohm"] < -2.0 * (row["esr_ohm_se"] or 0.0):
            self.question(
                f"the series resistance comes out below zero ({row['esr_ohm']:.3g} Ω). Log "
                "faster around the step, or check the current's sign and the part chosen.",
                "trace",
            )

    def _through_resistor(self, row, trace, instrument) -> None:
        load = self.test.get("load_ohm")
        if not load:
            raise _LeftOut("the load resistor is not given. Write it in load_ohm.", "load_ohm")
        if len(trace) < 3:
            raise _LeftOut(
                f"{len(trace)} readings are too few. Three at different times are the least."
            )
        try:
            decay = measure_decay(
                trace.time_s,
                trace.voltage_V,
                load_ohm=load,
                meter_ohm=self.test.get("meter_ohm"),
                load_tolerance_percent=self.test.get("load_tolerance_percent"),
                instrument=instrument,
                by_hand=not self.test.get("trace"),
            )
        except ValueError as error:
            raise _LeftOut(
                f"the readings cannot be evaluated: {error}. Check the file, the part chosen "
                "and the column map."
            ) from None
        names = ("capacitance_F", "capacitance_F_se", "esr_ohm", "esr_ohm_se",
                 "drop_first_sample_V")  # fmt: skip
        row.update({name: decay[name] for name in names})
        self.flags.extend(flag for flag in decay["quality"].split("; ") if flag)
        if "not one exponential" in self.flags:
            self.question(
                "the decay is not one exponential: early part "
                f"{decay['capacitance_early_F']:.4g} F, late part "
                f"{decay['capacitance_late_F']:.4g} F. Charge the cell longer before the test; "
                "the spread is in the uncertainty.",
                "trace",
            )
        if not TAU_S[0] <= decay["tau_s"] <= TAU_S[1]:
            self.question(
                f"the time constant is {decay['tau_s']:.3g} s, which is unusual. Check the unit "
                "of time and load_ohm.",
                "load_ohm",
            )
        top = float(trace.voltage_V.max())
        if top > 1.05 * self.cell["upper_voltage_V"]:
            self.flags.append("above the stable window")
