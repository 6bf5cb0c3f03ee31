"""Capacitance and resistance of a cell from arrays: the public calls, and figures per mass."""

from typing import TYPE_CHECKING

import numpy as np

from charscreen.capacitance.discharge import CYCLE_COLUMNS, measure_cycles
from charscreen.capacitance.exponential import RESISTOR_COLUMNS, measure_decay
from charscreen.traces.segments import find_segments, number_cycles, runs_of_states, voltage_states

if TYPE_CHECKING:
    import pandas as pd


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
        NaN where a figure does not apply. No rows where no discharge covers the window.

    Raises
    ------
    ValueError
        Arrays of different length, time that falls, values that are not finite, or a window
        that is not 1 ≥ upper > lower ≥ 0.

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
    rows, _ = constant_current_rows(
        time_s,
        voltage_V,
        current_A,
        upper_voltage_V=upper_voltage_V,
        window=window,
        instrument=instrument,
    )
    return _table(rows, CYCLE_COLUMNS)


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
    time_s, voltage_V = _checked(time_s, voltage_V)
    if not 1.0 >= window[0] > window[1] >= 0.0:
        raise ValueError(f"window {window}: the upper end comes first, both between 0 and 1")
    if not upper_voltage_V > 0:
        raise ValueError(f"upper voltage {upper_voltage_V} V: a positive voltage is needed")
    if len(time_s) < 3:
        return [], [f"the record has {len(time_s)} rows only"]
    if np.ndim(current_A) == 0:
        states = voltage_states(time_s, voltage_V)
        segments = number_cycles(runs_of_states(states))
        current = abs(float(current_A)) * states
    else:
        current = np.asarray(current_A, dtype=float)
        if current.shape != time_s.shape or not np.isfinite(current).all():
            raise ValueError("current needs one finite value per time")
        segments = find_segments(time_s, voltage_V, current)
    return measure_cycles(
        time_s,
        voltage_V,
        current,
        upper_voltage_V=upper_voltage_V,
        window=window,
        instrument=instrument,
        segments=segments,
        steps_from_voltage=np.ndim(current_A) == 0,
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
) -> "pd.DataFrame":
    """One row: capacitance of a cell that was discharged through a resistor.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        Record, with or without samples from before the resistor was connected. [s], [V]
    load_ohm : float
        The resistor. [Ω]
    meter_ohm : float, optional
        Input resistance of the meter, in parallel to the load. [Ω]
    load_tolerance_percent : float, optional
        Tolerance of the resistor (its limits). [%]
    instrument : dict, optional
        Standard uncertainties; also ``load_percent`` where no tolerance is given and
        ``stopwatch_s`` where `by_hand`.
    by_hand : bool
        Whether the times were taken with a stopwatch.
    method : str
        ``line`` (ln V against t, the default) or ``curve`` (V itself); see
        `charscreen.capacitance.exponential.fit_exponential` for which suits what.

    Returns
    -------
    DataFrame
        One row with `charscreen.capacitance.exponential.RESISTOR_COLUMNS`.

    Raises
    ------
    ValueError
        Where the record shows no decay, or the arrays do not match.

    Notes
    -----
    V = V₀·exp(-t/τ), τ = (R + R_s)·C; R is load and meter in parallel, R_s the cell's series
    resistance from the first step V₀·R_s/(R + R_s).
    """
    time_s, voltage_V = _checked(time_s, voltage_V)
    row = measure_decay(
        time_s,
        voltage_V,
        load_ohm=load_ohm,
        meter_ohm=meter_ohm,
        load_tolerance_percent=load_tolerance_percent,
        instrument=instrument,
        by_hand=by_hand,
        method=method,
    )
    return _table([row], RESISTOR_COLUMNS)


def electrode_capacitance(
    capacitance_F: float, *, mass_1_g: float, mass_2_g: float
) -> float | np.ndarray:
    """Capacitance of one electrode per gram of its carbon, from that of a symmetric cell.

    Parameters
    ----------
    capacitance_F : float or array
        Of the cell. [F]
    mass_1_g, mass_2_g : float or array
        Carbon on each electrode, without binder, additive and collector. [g]

    Returns
    -------
    float or array
        [F/g], about four times the cell figure C/(m₁ + m₂).

    Notes
    -----
    Two electrodes of one material in series: 1/C = 1/(c·m₁) + 1/(c·m₂), so
    c = C·(1/m₁ + 1/m₂).
    """
    return capacitance_F * (1.0 / mass_1_g + 1.0 / mass_2_g)


def energy_Wh_per_kg(capacitance_F, *, voltage_V, carbon_g):
    """Stored energy per carbon of both electrodes: ½·C·V²/(3.6·m). [Wh/kg]

    Parameters
    ----------
    capacitance_F : float or array
        Of the cell. [F]
    voltage_V : float or array
        After the drop at the start of the discharge. [V]
    carbon_g : float or array
        Carbon of both electrodes. [g]
    """
    return 0.5 * capacitance_F * voltage_V**2 / (3.6 * carbon_g)


def power_mean_W_per_kg(energy_Wh_per_kg, *, discharge_s):
    """Mean power of a discharge: 3600·E/Δt. [W/kg]

    Parameters
    ----------
    energy_Wh_per_kg : float or array
        [Wh/kg]
    discharge_s : float or array
        Duration. [s]
    """
    return 3600.0 * energy_Wh_per_kg / discharge_s


def power_max_W_per_kg(voltage_V, *, esr_ohm, carbon_g):
    """Greatest power, into a matched load: V²/(4·ESR·m). [W/kg]

    Parameters
    ----------
    voltage_V : float or array
        Before the drop. [V]
    esr_ohm : float or array
        [Ω]
    carbon_g : float or array
        Carbon of both electrodes. [g]
    """
    return voltage_V**2 / (4.0 * esr_ohm * carbon_g * 1e-3)


def _checked(time_s, voltage_V) -> tuple[np.ndarray, np.ndarray]:
    time_s, voltage_V = np.asarray(time_s, dtype=float), np.asarray(voltage_V, dtype=float)
    if time_s.ndim != 1 or time_s.shape != voltage_V.shape:
        raise ValueError("time and voltage need the same length")
    if not (np.isfinite(time_s).all() and np.isfinite(voltage_V).all()):
        raise ValueError("time and voltage need finite values")
    if (np.diff(time_s) < 0).any():
        raise ValueError("time runs backward")
    return time_s, voltage_V


def _table(rows: list[dict], columns: tuple) -> "pd.DataFrame":
    import pandas as pd

    frame = pd.DataFrame(rows, columns=list(columns))
    return frame.astype({name: float for name in columns if name not in ("quality", "cycle")})
