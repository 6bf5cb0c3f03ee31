"""Capacitance and resistance of a cell from arrays: the public calls."""

import warnings
from typing import TYPE_CHECKING

import numpy as np

from charscreen.capacitance.arguments import (
    checked_meter,
    checked_record,
    checked_window,
    require_not_negative,
    require_positive,
)
from charscreen.capacitance.cycle_table import told_drop
from charscreen.capacitance.discharge import CYCLE_COLUMNS, measure_cycles
from charscreen.capacitance.exponential import RESISTOR_COLUMNS, measure_decay
from charscreen.capacitance.leakage import HOLD_COLUMNS, READ_AT_S, measure_hold
from charscreen.capacitance.plausible import why_no_cycles
from charscreen.capacitance.self_discharge import OPEN_CIRCUIT_COLUMNS, measure_open_circuit
from charscreen.capacitance.voltammetry import MIDDLE_SHARE, SCAN_COLUMNS, measure_scans
from charscreen.traces.segments import find_segments, number_cycles, runs_of_states, voltage_states

if TYPE_CHECKING:
    import pandas as pd

_NOT_FLOAT = ("quality", "cycle", "self_discharge_model")


def analyse_constant_current(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    current_A: np.ndarray | float,
    *,
    upper_voltage_V: float,
    window: tuple[float, float] = (0.8, 0.4),
    instrument: dict | None = None,
) -> "pd.DataFrame":
    """One row per complete discharge at constant current.

    Parameters
    ----------
    time_s : (n,) array
        Time, never falling. [s]
    voltage_V : (n,) array
        Cell voltage. [V]
    current_A : (n,) array or float
        Current, positive on charge; one number where it was not logged: its size, the same for
        charge and discharge, and the steps are found from the voltage. [A]
    upper_voltage_V : float
        Upper voltage of the test. [V]
    window : tuple of float
        Part of the discharge that is evaluated, as fractions of `upper_voltage_V`.
    instrument : dict, optional
        Standard uncertainties ``voltage_percent``, ``voltage_offset_mV``, ``current_percent``,
        ``time_resolution_s``; what is absent counts as exact.

    Returns
    -------
    DataFrame
        Columns `charscreen.capacitance.discharge.CYCLE_COLUMNS`: capacitance from two points,
        charge and energy [F], resistance [Ω], efficiencies [%], energy [J], power [W]; ``_se`` is
        the standard uncertainty, ``_se_a`` its part from scatter, ``_se_b`` the instrument's.
        NaN where a figure does not apply, also a drop below zero where the resistance is not
        resolved. No rows where no discharge covers the window.

    Raises
    ------
    ValueError
        Arrays of different length, time that falls, values that are not finite, or a window
        that is not 1 ≥ upper > lower ≥ 0. The message names the argument.

    Warns
    -----
    UserWarning
        There are no rows; it says why: a sign of the current that is turned round, an upper
        voltage above the record, a discharge that ends within the window, or none at all.

    Notes
    -----
    With U₁, U₂ the ends of the window, reached at t₁, t₂:
    two-point C = I·(t₂ - t₁)/(U₁ - U₂), I the median current in the window; charge-based
    C = ∫I dt/(U₁ - U₂); energy-based C = 2·∫V·I dt/(U₁² - U₂²). Resistance = ΔU₃/ΔI: ΔU₃ from
    the last sample before the step to the line through the window extrapolated back to that
    sample, ΔI the step of the current as it was (I from rest, 2·I where charge turns into
    discharge). Energy ½·C·V² with V after that drop; greatest power V²/(4·ESR) with V before it.

    References
    ----------
    IEC 62391-1 (constant current discharge; window from memory). IEC 62576 (energy-based, from
    memory). Uncertainty by JCGM 100:2008, 5.1.
    """
    rows, reasons = constant_current_rows(
        time_s,
        voltage_V,
        current_A,
        upper_voltage_V=upper_voltage_V,
        window=window,
        instrument=instrument,
    )
    if not rows:
        logged = np.asarray(current_A, dtype=float) if np.ndim(current_A) else None
        voltage = np.asarray(voltage_V, dtype=float)
        why = why_no_cycles(
            voltage, logged, reasons, upper_voltage_V=upper_voltage_V, window=window
        )
        warnings.warn(f"no discharge could be evaluated: {why}", UserWarning, stacklevel=2)
    return _table([told_drop(row) for row in rows], CYCLE_COLUMNS)


def constant_current_rows(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    current_A: np.ndarray | float,
    *,
    upper_voltage_V: float,
    window: tuple[float, float] = (0.8, 0.4),
    instrument: dict | None = None,
) -> tuple[list[dict], list[str]]:
    """The rows of `analyse_constant_current` as dicts, and why other discharges gave none."""
    is_logged = np.ndim(current_A) > 0
    time_s, voltage_V, *logged = checked_record(
        time_s, voltage_V, current_A if is_logged else None, may_be_empty=True
    )
    window = checked_window(window)
    require_positive(upper_voltage_V=upper_voltage_V)
    if len(time_s) < 3:
        return [], [f"the record has {len(time_s)} rows only"]
    if is_logged:
        current = logged[0]
        segments = find_segments(time_s, voltage_V, current)
    else:
        size = None if current_A is None else abs(float(current_A))
        if size is None or not 0 < size < np.inf:
            raise ValueError(
                f"current_A is {current_A}: one value per time, or its size, is needed"
            )
        states = voltage_states(time_s, voltage_V)
        segments = number_cycles(runs_of_states(states))
        current = size * states
    return measure_cycles(
        time_s,
        voltage_V,
        current,
        upper_voltage_V=upper_voltage_V,
        window=window,
        instrument=instrument,
        segments=segments,
        steps_from_voltage=not is_logged,
    )


def analyse_through_resistor(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    *,
    load_ohm: float,
    meter_ohm: float | None = None,
    load_tolerance_percent: float | None = None,
    instrument: dict | None = None,
    by_hand: bool = False,
    method: str = "line",
    start_voltage_V: float | None = None,
    series_ohm: float | None = None,
    series_ohm_se: float | None = None,
) -> "pd.DataFrame":
    """One row: capacitance of a cell that was discharged through a resistor.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        Record, with or without samples from before the resistor was connected. [s], [V]
    load_ohm : float
        The resistor. [Ω]
    meter_ohm : float, optional
        Input resistance of the meter, in parallel to the load; infinite counts as none. [Ω]
    load_tolerance_percent : float, optional
        Tolerance of the resistor (its limits). [%]
    instrument : dict, optional
        Standard uncertainties; also ``load_percent`` where no tolerance is given and
        ``stopwatch_s`` where `by_hand`.
    by_hand : bool
        Whether the times were taken with a stopwatch.
    method : str
        ``line`` (ln V against t, the default) or ``curve`` (V itself); see
        `charscreen.capacitance.fitting.fit_exponential` for which suits what.
    start_voltage_V : float, optional
        What the cell was charged to: bounds the series resistance where no step is seen. [V]
    series_ohm, series_ohm_se : float, optional
        Series resistance of this cell, known otherwise; used where no step is seen. [Ω]

    Returns
    -------
    DataFrame
        One row with `charscreen.capacitance.exponential.RESISTOR_COLUMNS`.

    Raises
    ------
    ValueError
        Where the record shows no decay, the arrays do not match or hold values that are not
        finite, or the load is not above zero. The message names the argument.

    Notes
    -----
    V = V₀·exp(-t/τ), τ = (R + R_s)·C; R is load and meter in parallel, R_s the cell's series
    resistance from the first step V₀·R_s/(R + R_s). Where that step is not seen, R_s is
    `series_ohm`, or else zero with a type-B uncertainty; see
    `charscreen.capacitance.exponential.measure_decay`.
    """
    time_s, voltage_V = checked_record(time_s, voltage_V)
    require_positive(load_ohm=load_ohm, start_voltage_V=start_voltage_V)
    require_not_negative(
        load_tolerance_percent=load_tolerance_percent,
        series_ohm=series_ohm,
        series_ohm_se=series_ohm_se,
    )
    if load_ohm is None:
        raise ValueError("load_ohm is None: the resistance of the load is needed")
    row = measure_decay(
        time_s,
        voltage_V,
        load_ohm=load_ohm,
        meter_ohm=checked_meter(meter_ohm),
        load_tolerance_percent=load_tolerance_percent,
        instrument=instrument,
        by_hand=by_hand,
        method=method,
        start_voltage_V=start_voltage_V,
        series_ohm=series_ohm,
        series_ohm_se=series_ohm_se,
    )
    return _table([row], RESISTOR_COLUMNS)


def analyse_voltammetry(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    current_A: np.ndarray,
    *,
    scan_rate_V_s: float | None,
    middle_share: float = MIDDLE_SHARE,
    instrument: dict | None = None,
) -> "pd.DataFrame":
    """One row per scan: capacitance from the area of the loop.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        [s], [V]
    current_A : (n,) array
        Positive on charge. [A]
    scan_rate_V_s : float or None
        Scan rate that was set; None: that of the record. [V/s]
    middle_share : float
        Part of each sweep that is evaluated, about its middle.
    instrument : dict, optional
        Standard uncertainties ``voltage_percent``, ``current_percent``.

    Returns
    -------
    DataFrame
        Columns `charscreen.capacitance.voltammetry.SCAN_COLUMNS`; no rows without a whole sweep.

    Raises
    ------
    ValueError
        Arrays of different length, time that falls, values that are not finite, a scan rate or
        a middle share that is not above zero.

    Notes
    -----
    C = ∮|I| dV/(2·ν·ΔV) over the middle 80 % of the sweep; see
    `charscreen.capacitance.voltammetry.measure_scans`, also for the rectangularity.
    """
    time_s, voltage_V, current = _with_current(time_s, voltage_V, current_A)
    require_positive(scan_rate_V_s=scan_rate_V_s)
    if not 0 < middle_share <= 1:
        raise ValueError(f"middle_share is {middle_share}: it lies above 0, at most at 1")
    rows, _ = measure_scans(
        time_s,
        voltage_V,
        current,
        scan_rate_V_s=scan_rate_V_s,
        middle_share=middle_share,
        instrument=instrument,
    )
    return _table(rows, SCAN_COLUMNS)


def analyse_open_circuit(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    *,
    capacitance_F: float | None,
    capacitance_F_se: float | None = None,
    meter_ohm: float | None = None,
    instrument: dict | None = None,
) -> "pd.DataFrame":
    """One row: self-discharge of a cell that was charged and left alone.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        Record from the moment of opening (what stands before the highest voltage is passed
        over). [s], [V]
    capacitance_F, capacitance_F_se : float or None
        Of the cell; without it there is no equivalent leakage. [F]
    meter_ohm : float, optional
        Input resistance of the meter, whose share is taken off; infinite counts as none. [Ω]
    instrument : dict, optional
        Standard uncertainty ``voltage_offset_mV``.

    Returns
    -------
    DataFrame
        One row with `charscreen.capacitance.self_discharge.OPEN_CIRCUIT_COLUMNS`: best of three
        models by AICc, time to 80 % and to half, equivalent leakage resistance and current.

    Raises
    ------
    ValueError
        Too few readings, a voltage that does not fall, or an argument out of its range (named).

    Notes
    -----
    See `charscreen.capacitance.self_discharge.measure_open_circuit`.
    """
    time_s, voltage_V = checked_record(time_s, voltage_V)
    require_positive(capacitance_F=capacitance_F)
    require_not_negative(capacitance_F_se=capacitance_F_se)
    row = measure_open_circuit(
        time_s,
        voltage_V,
        capacitance_F=capacitance_F,
        capacitance_F_se=capacitance_F_se,
        meter_ohm=checked_meter(meter_ohm),
        instrument=instrument,
    )
    return _table([row], OPEN_CIRCUIT_COLUMNS)


def analyse_held_voltage(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    current_A: np.ndarray,
    *,
    read_at_s: float = READ_AT_S,
    instrument: dict | None = None,
) -> "pd.DataFrame":
    """One row: leakage current of a held cell after a stated time, with its trend.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        [s], [V]
    current_A : (n,) array
        Positive on charge. [A]
    read_at_s : float
        Time since the hold began. [s]
    instrument : dict, optional
        Standard uncertainties ``voltage_percent``, ``voltage_offset_mV``, ``current_percent``.

    Returns
    -------
    DataFrame
        One row with `charscreen.capacitance.leakage.HOLD_COLUMNS`.

    Raises
    ------
    ValueError
        No hold in the record, or an argument out of its range (named).

    Notes
    -----
    See `charscreen.capacitance.leakage.measure_hold`.
    """
    time_s, voltage_V, current = _with_current(time_s, voltage_V, current_A)
    require_positive(read_at_s=read_at_s)
    row = measure_hold(time_s, voltage_V, current, read_at_s=read_at_s, instrument=instrument)
    return _table([row], HOLD_COLUMNS)


def _with_current(time_s, voltage_V, current_A) -> tuple[np.ndarray, ...]:
    if current_A is None:
        raise ValueError("current_A is None: one value per time is needed")
    return checked_record(time_s, voltage_V, current_A)


def _table(rows: list[dict], columns: tuple) -> "pd.DataFrame":
    import pandas as pd

    frame = pd.DataFrame(rows, columns=list(columns))
    return frame.astype({name: float for name in columns if name not in _NOT_FLOAT})
