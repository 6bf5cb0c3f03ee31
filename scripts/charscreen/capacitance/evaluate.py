"""One test by its method: from a record to a row of test_results, and its cycles."""

from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from charscreen.capacitance.analyse import constant_current_rows
from charscreen.capacitance.exponential import FLOOR_SHARE, find_decay, measure_decay
from charscreen.capacitance.leakage import READ_AT_S, measure_hold
from charscreen.capacitance.logged_load import question_load
from charscreen.capacitance.over_tests import choose_method, mean_of_tests
from charscreen.capacitance.plausible import (
    TAU_S,
    TURNED_SIGN,
    is_sign_turned,
    note_overvoltage,
    question_current,
    question_discharge,
    question_scan_rate,
    question_unused,
)
from charscreen.capacitance.self_discharge import find_decline, measure_open_circuit
from charscreen.capacitance.steady import summarise_cycles
from charscreen.capacitance.voltammetry import measure_scans
from charscreen.traces.segments import QUIET_SHARE

#: Order in which the tests of a cell are evaluated: later ones lean on figures of earlier ones.
ORDER = ("direct", "constant_current", "voltammetry", "through_resistor", "open_circuit",
         "held_voltage")  # fmt: skip
#: Share of a resistance typed in without uncertainty that counts as its standard uncertainty.
UNSTATED_SHARE = 0.5
RATES_SHARE = 0.1  # scans whose rate is further from the test's belong to another test


class LeftOut(Exception):
    """A test that cannot be evaluated; the text says why and what to do."""

    def __init__(self, message: str, column: str = "trace"):
        super().__init__(message)
        self.column = column


def evaluate(one, row, trace, *, instrument, settings, others) -> list[dict]:
    """Fills the row of a test by its method.

    Parameters
    ----------
    one : object
        The test: ``test`` and ``cell`` (rows), ``flags``, ``question(message, column)``.
    row : dict
        `TEST_RESULT_COLUMNS`; changed in place.
    trace : Trace or None
        The record; None for method direct.
    instrument : dict or None
        Standard uncertainties of the electrical readings.
    settings : dict
        ``window``, ``skip_cycles``, ``method_order``, ``leakage_time_s``.
    others : list of dict
        Rows of other tests of the same cell that are evaluated already.

    Returns
    -------
    list of dict
        Its cycles; empty for methods without.

    Raises
    ------
    LeftOut
        Where the test gives no figure.
    """
    method = one.test["method"]
    if method == "direct":
        _direct(one, row)
        return []
    if not one.test.get("trace"):
        # A stopwatch's standard uncertainty, in the form of a resolution (over √12 again).
        by_hand = (instrument or {}).get("stopwatch_s", 0.0) * 12**0.5
        hand = {**(instrument or {}), "time_resolution_s": by_hand}
    else:
        hand = dict(instrument or {})
    if method == "constant_current":
        return _constant_current(one, row, trace, hand, settings)
    if method == "voltammetry":
        return _voltammetry(one, row, trace, hand, settings)
    if method == "through_resistor":
        _through_resistor(one, row, trace, instrument, settings, others)
    elif method == "open_circuit":
        _open_circuit(one, row, trace, hand, settings, others)
    elif method == "held_voltage":
        _held_voltage(one, row, trace, hand, settings)
    else:
        raise LeftOut(f"method {method} is not known.", "method")
    return []


def _direct(one, row) -> None:
    test = one.test
    if not test.get("capacitance_F"):
        raise LeftOut(
            "a direct test needs its capacitance. Write it in capacitance_F.", "capacitance_F"
        )
    for name in ("capacitance_F", "esr_ohm"):
        row[name] = test.get(name)
        # What the user typed is taken as it is: knowledge, not scatter (type B).
        row[f"{name}_se"] = row[f"{name}_se_b"] = (
            test.get(f"{name}_se") if row[name] is not None else None
        )
    row["current_mA"] = test.get("current_mA")
    if row["capacitance_F_se"] is None:
        one.flags.append("no uncertainty given")


def _constant_current(one, row, trace, instrument, settings) -> list[dict]:
    nominal = one.test.get("current_mA")
    current = trace.current_A
    if current is None:
        if not nominal:
            raise LeftOut("the current was not logged. Write it in current_mA.", "current_mA")
        current = nominal * 1e-3
        one.flags.append("current not logged")
    elif is_sign_turned(trace.voltage_V, current):
        raise LeftOut(TURNED_SIGN)
    upper = one.cell["upper_voltage_V"]
    cycles, reasons = constant_current_rows(
        trace.time_s,
        trace.voltage_V,
        current,
        upper_voltage_V=upper,
        window=tuple(settings.get("window", (0.8, 0.4))),
        instrument=instrument,
    )
    if not cycles:
        low, high = float(trace.voltage_V.min()), float(trace.voltage_V.max())
        nothing = f"no discharge was found ({len(trace)} rows, {low:.3g} to {high:.3g} V)"
        raise LeftOut(
            f"nothing to evaluate: {reasons[0] if reasons else nothing}. Check the file, the "
            f"column map, the part chosen and upper_voltage_V of cell '{one.test['cell']}' "
            f"({upper:g} V)."
        )
    _summarise(one, row, cycles, settings)
    question_current(one, row["current_mA"])
    question_discharge(one, row, cycles)
    return cycles


def _summarise(one, row, cycles, settings) -> None:
    summary = summarise_cycles(cycles, skip_cycles=settings.get("skip_cycles", 1))
    one.flags.extend(summary.pop("flags"))
    row.update({name: value for name, value in summary.items() if name in row})


def _voltammetry(one, row, trace, instrument, settings) -> list[dict]:
    if trace.current_A is None:
        raise LeftOut("voltammetry needs the current in the trace. Name its column in the map.")
    if is_sign_turned(trace.voltage_V, trace.current_A):
        raise LeftOut(TURNED_SIGN)
    stated = one.test.get("scan_rate_mV_per_s")
    cycles, reasons = measure_scans(
        trace.time_s,
        trace.voltage_V,
        trace.current_A,
        scan_rate_V_s=stated * 1e-3 if stated else None,
        instrument=instrument,
    )
    if not cycles:
        raise LeftOut(
            f"nothing to evaluate: {reasons[0] if reasons else 'no complete sweep'}. Check the "
            "file, the column map and the part chosen."
        )
    rates = np.array([c["scan_rate_found_mV_per_s"] for c in cycles])
    wanted = stated or float(np.median(rates))
    same = np.abs(rates / wanted - 1.0) <= RATES_SHARE
    if same.any() and not same.all():
        one.flags.append("other scan rates in the file")
        cycles = [c for c, keep in zip(cycles, same, strict=True) if keep]
        for number, cycle in enumerate(cycles, start=1):
            cycle["cycle"] = number
    if not stated:
        one.flags.append("scan rate from the record")
    _summarise(one, row, cycles, settings)
    row["scan_rate_mV_per_s"] = float(np.mean([c["scan_rate_mV_per_s"] for c in cycles]))
    found = float(np.median([c["scan_rate_found_mV_per_s"] for c in cycles]))
    question_scan_rate(one, found)
    question_current(one, row["current_mA"])
    note_overvoltage(one, trace.voltage_V)
    return cycles


def _through_resistor(one, row, trace, instrument, settings, others) -> None:
    load = one.test.get("load_ohm")
    if not load:
        raise LeftOut("the load resistor is not given. Write it in load_ohm.", "load_ohm")
    if len(trace) < 3:
        raise LeftOut(f"{len(trace)} readings are too few. Three at different times are the least.")
    known = [r for r in others if r["esr_ohm"] is not None]
    series = series_se = None
    if known:
        method = known[0]["method"]  # they stand in ORDER; the first method is the best known
        series, series_se = mean_of_tests([r for r in known if r["method"] == method], "esr_ohm")
        series_se = UNSTATED_SHARE * series if series_se is None else series_se
    try:
        decay = measure_decay(
            trace.time_s,
            trace.voltage_V,
            load_ohm=load,
            meter_ohm=one.test.get("meter_ohm"),
            load_tolerance_percent=one.test.get("load_tolerance_percent"),
            instrument=instrument,
            by_hand=not one.test.get("trace"),
            start_voltage_V=one.cell["upper_voltage_V"],
            series_ohm=series,
            series_ohm_se=series_se,
        )
    except ValueError as error:
        raise LeftOut(
            f"the readings cannot be evaluated: {error}. Check the file, the part chosen "
            "and the column map."
        ) from None
    row.update({name: value for name, value in decay.items() if name in row and name != "quality"})
    # Mean current within the window, so that the test can be set beside those at constant current.
    upper, lower = settings.get("window", (0.8, 0.4))
    share = (upper - lower) / np.log(upper / lower)
    row["current_mA"] = 1e3 * share * one.cell["upper_voltage_V"] / load
    one.flags.extend(flag for flag in decay["quality"].split("; ") if flag)
    if "not one exponential" in one.flags:
        one.question(
            "the decay is not one exponential: early part "
            f"{decay['capacitance_early_F']:.4g} F, late part "
            f"{decay['capacitance_late_F']:.4g} F. Charge the cell longer before the test; "
            "the spread is in the uncertainty.",
            "trace",
        )
    if not TAU_S[0] <= decay["tau_s"] <= TAU_S[1]:
        one.question(
            f"the time constant is {decay['tau_s']:.3g} s, which is unusual. Check the unit "
            "of time and load_ohm.",
            "load_ohm",
        )
    question_load(one, trace, load)
    if not one.test.get("trace"):
        start, stop, before = find_decay(trace.time_s, trace.voltage_V)
        # Readings before the resistor was connected give the first step.
        part = (start if before is None else 0, stop)
        what = (
            f"A discharge counts down to {100 * FLOOR_SHARE:g} % of its highest voltage and until "
            "the voltage rises again."
        )
        question_unused(one, trace.time_s, part, what)
    note_overvoltage(one, trace.voltage_V)


def _open_circuit(one, row, trace, instrument, settings, others) -> None:
    time, voltage = trace.time_s, trace.voltage_V
    if trace.current_A is not None and np.abs(trace.current_A).max() > 0:
        flowing = np.flatnonzero(
            np.abs(trace.current_A) > QUIET_SHARE * np.abs(trace.current_A).max()
        )
        # A meter's zero alone is noise all over; a charge stops before the record does.
        last = trace.current_A[-max(3, len(time) // 10) :]
        if abs(float(np.mean(last))) > 10.0 * QUIET_SHARE * np.abs(trace.current_A).max():
            raise LeftOut(
                "a current flows to the end of the record: the cell is not at open circuit. "
                "Correct the method, the file or the part chosen."
            )
        if len(flowing) and flowing[-1] < 0.9 * len(time):
            time, voltage = time[flowing[-1] + 1 :], voltage[flowing[-1] + 1 :]
    capacitance, capacitance_se = one.test.get("capacitance_F"), one.test.get("capacitance_F_se")
    if not capacitance:
        _, used = choose_method(others, list(settings.get("method_order", ORDER)))
        capacitance, capacitance_se = mean_of_tests(used, "capacitance_F")
    with _left_out_if_refused():
        found = measure_open_circuit(
            time,
            voltage,
            capacitance_F=capacitance,
            capacitance_F_se=capacitance_se,
            meter_ohm=one.test.get("meter_ohm"),
            instrument=instrument,
        )
    _take(one, row, found)
    if not one.test.get("trace"):
        what = "The record counts from its highest voltage on, while it is above zero."
        question_unused(one, time, find_decline(time, voltage), what)
    note_overvoltage(one, trace.voltage_V)


@contextmanager
def _left_out_if_refused() -> Iterator[None]:
    """A record that a method refuses leaves its test out, in the method's words."""
    try:
        yield
    except ValueError as error:
        raise LeftOut(
            f"the record cannot be evaluated: {error}. Check the file, the part chosen and the "
            "column map."
        ) from None


def _take(one, row, found) -> None:
    """Take the figures of a method over that the row has, and its flags."""
    row.update({name: value for name, value in found.items() if name in row and name != "quality"})
    one.flags.extend(flag for flag in found["quality"].split("; ") if flag)


def _held_voltage(one, row, trace, instrument, settings) -> None:
    current, voltage, load = trace.current_A, trace.voltage_V, one.test.get("load_ohm")
    throughout = False
    if current is None:
        if not load:
            raise LeftOut(
                "the current was not logged. Log it, or log the voltage across the charging "
                "resistor and write that resistor in load_ohm.",
                "load_ohm",
            )
        # The record is then the voltage across the charging resistor.
        current, throughout = voltage / load, True
        voltage = one.cell["upper_voltage_V"] - voltage
        one.flags.append("current from the charging resistor")
    with _left_out_if_refused():
        found = measure_hold(
            trace.time_s,
            voltage,
            current,
            read_at_s=settings.get("leakage_time_s") or READ_AT_S,
            instrument=instrument,
            is_held_throughout=throughout,
        )
    _take(one, row, found)
