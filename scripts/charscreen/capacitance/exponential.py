"""Discharge through a resistor: which part is the decay, capacitance, first step."""

from dataclasses import dataclass

import numpy as np

from charscreen.capacitance.discharge import EXACT
from charscreen.capacitance.fitting import fit_exponential, fit_or_none
from charscreen.curves import (
    digit_step,
    independent_readings,
    line_fit,
    noise_sd,
    reading_noise,
)
from charscreen.traces.swings import step_index

FLOOR_SHARE = 0.05  # readings under this share of the first say more about the meter
DRIFT_SHARE = 0.05  # early and late time constants further apart: not one exponential
#: Readings per time constant from which the bend of an exponential, 1/400 of the voltage between
#: neighbours, does not pass for noise.
DENSE_PER_TAU = 20
UNSURE_SHARE = 0.03  # a first step is not used where it is less sure than this share of the load
SLOW_SHARE = 0.05  # nor where the readings about it lie further apart than this share of τ
RESOLVED = 2.0  # standard uncertainties a resistance must be above zero to be told as measured
#: Series resistance over load that is thought possible where nothing bounds it. Common practice,
#: no source: cells of this trade have 0.5 to 10 Ω, loads are chosen at 100 Ω and more.
UNSEEN_SHARE = 0.05

#: Columns of one discharge through a resistor.
RESISTOR_COLUMNS = (
    "voltage_0_V", "voltage_0_V_se", "tau_s", "tau_s_se", "r_squared", "n_points",
    "capacitance_F", "capacitance_F_se", "capacitance_F_se_a", "capacitance_F_se_b",
    "capacitance_early_F", "capacitance_early_F_se", "capacitance_late_F",
    "capacitance_late_F_se", "esr_ohm", "esr_ohm_se", "esr_ohm_se_a", "esr_ohm_se_b",
    "drop_first_sample_V", "series_ohm_used", "series_ohm_used_se", "quality",
)  # fmt: skip


def find_decay(time_s: np.ndarray, voltage_V: np.ndarray) -> tuple[int, int, int | None]:
    """Which samples of a record are the decay.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        [s], [V]

    Returns
    -------
    tuple
        First sample and one past the last of the decay; index of the last sample before the
        resistor was connected, or None where the record begins within the decay.

    Notes
    -----
    A line of ln V through the middle (90 to 30 % of the highest voltage) is drawn back. Before
    the resistor is connected the record stays below that line ever more the further back; the
    sample from which it falls most, seen from the line, is the last before the step. A curve
    that is merely not one exponential rises above the line smoothly: only a rise of which most
    is gone at the next sample is a step.
    """
    top = float(voltage_V.max())
    peak = int(np.argmax(voltage_V))
    floor = FLOOR_SHARE * top
    # Between readings far apart the decay bends by itself, which would pass for noise.
    if _is_dense(voltage_V[peak:]):
        floor = max(floor, 5.0 * noise_sd(voltage_V))
    # The first fall below the floor ends the decay: what follows is noise or recovery.
    under = np.flatnonzero(voltage_V[peak:] <= floor)
    stop = peak + int(under[0]) if len(under) else len(voltage_V)
    rebound = np.flatnonzero(voltage_V[peak:stop] > np.minimum.accumulate(voltage_V[peak:stop])
                             + 0.05 * top)  # fmt: skip
    if len(rebound):
        tail = voltage_V[peak : peak + int(rebound[0])]
        if tail.min() < 0.7 * top:  # recovery after the resistor was taken off
            stop = peak + int(np.argmin(tail)) + 1
    y = np.log(np.maximum(voltage_V[:stop], 1e-300))
    share = voltage_V[:stop] / top
    middle = np.flatnonzero((share < 0.9) & (share > 0.3) & (np.arange(stop) >= peak))
    if len(middle) < 3:
        return peak if peak > 2 else 0, stop, None
    value, slope, mean, _ = line_fit(time_s[middle], y[middle])
    if slope >= 0:
        return 0, stop, None
    above = y - value - slope * (time_s[:stop] - mean)
    rounding = reading_noise(voltage_V[middle])[1] / 12**0.5
    noise = max(noise_sd(y[middle]), rounding / float(np.median(voltage_V[middle])))
    per_sample = abs(slope) * (time_s[middle[-1]] - time_s[middle[0]]) / (len(middle) - 1)
    # A charge from zero tells nothing on the step, and its logarithm is all noise.
    low = np.flatnonzero(share[: middle[0]] < 0.5)
    begin = int(low[-1]) + 1 if len(low) else 0
    widest = max(1, min(50, (int(middle[0]) - begin) // 3))
    width = int(np.clip(3.0 * noise / max(per_sample, 1e-15), 1, widest))
    head = above[begin : middle[0] + width]
    if len(head) < 2:
        return begin, stop, None
    j = step_index(head, width, noise)
    fall = float(head[j] - head[j + 1]) if j + 1 < len(head) else 0.0
    has_plateau = j > 0 and head[0] < head[j] - max(5.0 * noise, 0.02)
    # A step shows as a fall far larger than the falls right after it.
    later = np.abs(np.diff(head[j + 1 :])).max() if len(head) > j + 2 else 5.0 * noise
    has_step = fall > max(0.005, 5.0 * noise, 3.0 * later) and fall > 0.6 * head[j]
    last = begin + j
    if has_plateau:
        # A logger that averages may have one sample half before, half after the step.
        plateau = float(np.median(voltage_V[max(begin, last - 5) : last])) if j > 1 else 0.0
        is_half = j > 1 and plateau - voltage_V[last] > max(4.0 * noise * top, 0.002 * top)
        return last + 1, stop, last - 1 if is_half else last
    return (last + 1, stop, last) if has_step else (begin, stop, None)


def _is_dense(voltage_V: np.ndarray) -> bool:
    """Whether a decay has readings enough per time constant to tell its bend from noise."""
    if voltage_V[0] <= 0:
        return False
    share = voltage_V / voltage_V[0]
    inside = share[(share < 0.95) & (share > np.exp(-1.0))]
    if len(inside) < 2:
        return False
    return bool(len(inside) >= DENSE_PER_TAU * np.log(inside.max() / inside.min()))


@dataclass(frozen=True)
class _Series:
    """Series resistance that the time constant is corrected by.

    Parameters
    ----------
    ohm, u_ohm : float
        Value and standard uncertainty. [Ω]
    flag : str
        Where it is from, in words; empty where the record shows it.
    """

    ohm: float
    u_ohm: float
    flag: str = ""


def measure_decay(
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
) -> dict:
    """Capacitance and first-step resistance of one discharge through a resistor.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        [s], [V]
    load_ohm : float
        Resistor. [Ω]
    meter_ohm : float, optional
        Input resistance of the meter, in parallel. [Ω]
    load_tolerance_percent : float, optional
        Limits of the resistor (rectangular: over √3); else the instrument's ``load_percent``.
    instrument : dict, optional
        Standard uncertainties; what is absent counts as exact.
    by_hand : bool
        Whether a stopwatch was used: ``stopwatch_s`` then counts for each reading.
    method : str
        See `charscreen.capacitance.fitting.fit_exponential`.
    start_voltage_V : float, optional
        What the cell was charged to: bounds the series resistance where no step is seen. [V]
    series_ohm, series_ohm_se : float, optional
        Series resistance of the same cell from another test; used where no step is seen. [Ω]

    Returns
    -------
    dict
        `RESISTOR_COLUMNS`; None where a figure does not apply. ``esr_ohm`` is only there where
        this record shows it; ``series_ohm_used`` is what the capacitance is corrected by.

    Raises
    ------
    ValueError
        No decay in the record.

    Notes
    -----
    V = V₀·exp(-t/((R + R_s)·C)), R the load and the meter in parallel; R_s from the first step
    V₀·R_s/(R + R_s), read off midway between the last sample before connecting and the first after
    it. It is told as measured where those two lie within 5 % of τ, and it is known to 3 % of the
    load and above two of its standard uncertainties. Else R_s is taken, in this order, from
    another test of the cell; or as zero with the type-B uncertainty b/√3 of C, b the largest
    R_s/(R + R_s) that is possible: V_start/V₀ - 1 (with its uncertainty) where the voltage the
    cell was charged to is known, at most 5 % (common practice, no source).
    Where the early and the late half give time constants over 5 % and three standard errors
    apart, half their spread over √3 is added to the uncertainty of C (a rectangular spread).
    """
    instrument = {**EXACT, **(instrument or {})}
    time_s, voltage_V = np.asarray(time_s, float), np.asarray(voltage_V, float)
    start, stop, before = find_decay(time_s, voltage_V)
    t, v = time_s[start:stop], voltage_V[start:stop]
    if len(t) < 3:
        raise ValueError("fewer than three readings lie in the decay")
    fit = fit_exponential(t, v, method=method)
    u_clock = instrument["stopwatch_s"] if by_hand else instrument["time_resolution_s"] / 12**0.5
    # Known scatter of ln V of each reading: timing by hand, and rounding to the meter's digits.
    known = np.hypot(u_clock / fit.tau_s if by_hand else 0.0, digit_step(v) / 12**0.5 / v)
    if method == "line" and known.any():
        fit = fit_exponential(t, v, method=method, least_sd=known)
    load = load_ohm if not meter_ohm else load_ohm * meter_ohm / (load_ohm + meter_ohm)
    if load_tolerance_percent is not None:
        u_load = load_tolerance_percent / 100.0 / np.sqrt(3.0)
    else:
        u_load = instrument["load_percent"] / 100.0
    row = dict.fromkeys(RESISTOR_COLUMNS)
    flags = []
    series = _first_step(row, fit, t, v, time_s, voltage_V, before, load, u_load, u_clock)
    is_known_better = series_ohm is not None and (
        series is None or (series.flag and (series_ohm_se or 0.0) < series.u_ohm)
    )
    if is_known_better:
        series = _Series(series_ohm, series_ohm_se or 0.0, "series resistance from another test")
    if series is None:
        series = _unseen(fit, t, v, load, start_voltage_V, instrument, method)
    if series.flag:
        flags.append(series.flag)
    row["series_ohm_used"], row["series_ohm_used_se"] = series.ohm, series.u_ohm
    total = load + series.ohm
    row["capacitance_F"] = fit.tau_s / total
    repeats = len(v) / independent_readings(v, reading_noise(v)[1])
    u_a = fit.tau_s_se / fit.tau_s * np.sqrt(repeats)
    u_span = np.sqrt(2.0) * u_clock / np.ptp(t) if not by_hand else 0.0
    u_offset = _offset_share(t, v, instrument["voltage_offset_mV"] * 1e-3, fit)
    u_drift = _early_and_late(row, t, v, total, fit, method, known, flags)
    u_b = np.sqrt(
        (u_load * load / total) ** 2 + u_span**2 + u_offset**2 + u_drift**2
        + (series.u_ohm / total) ** 2
    )  # fmt: skip
    row["capacitance_F_se_a"] = float(row["capacitance_F"] * u_a)
    row["capacitance_F_se_b"] = float(row["capacitance_F"] * u_b)
    row["capacitance_F_se"] = float(row["capacitance_F"] * np.hypot(u_a, u_b))
    row.update(
        voltage_0_V=fit.voltage_0_V,
        voltage_0_V_se=fit.voltage_0_V_se,
        tau_s=fit.tau_s,
        tau_s_se=fit.tau_s_se,
        r_squared=fit.r_squared,
        n_points=fit.n,
    )
    if fit.n < 5:
        flags.append("too few points")
    row["quality"] = "; ".join(flags)
    return row


def _early_and_late(row, t, v, total, fit, method, known, flags) -> float:
    """Writes the capacitance of either half; gives the share of τ their gap adds to doubt."""
    half = len(t) // 2
    if half < 3:
        return 0.0
    early = fit_or_none(t[:half], v[:half], method, known[:half])
    late = fit_or_none(t[half:], v[half:], method, known[half:])
    for name, part in (("early", early), ("late", late)):
        if part is not None:
            row[f"capacitance_{name}_F"] = part.tau_s / total
            row[f"capacitance_{name}_F_se"] = part.tau_s_se / total
    if early is None or late is None:
        return 0.0
    gap = abs(late.tau_s - early.tau_s)
    if gap <= max(DRIFT_SHARE * fit.tau_s, 3.0 * np.hypot(early.tau_s_se, late.tau_s_se)):
        return 0.0
    flags.append("not one exponential")
    return float(gap / fit.tau_s / np.sqrt(12.0))


def _unseen(fit, t, v, load, start_voltage_V, instrument, method) -> _Series:
    """Zero, and how far off that may be, where the record does not show the resistance."""
    largest = UNSEEN_SHARE
    if start_voltage_V:
        early = fit_or_none(t[: max(3, len(t) // 3)], v[: max(3, len(t) // 3)], method) or fit
        v_first = early.voltage_0_V * np.exp(-t[0] / early.tau_s)
        doubt = np.sqrt(
            (early.voltage_0_V_se / early.voltage_0_V) ** 2
            + (instrument["voltage_offset_mV"] * 1e-3 / v_first) ** 2
            + 2.0 * (instrument["voltage_percent"] / 100.0) ** 2
        )
        possible = float(start_voltage_V / v_first - 1.0) + 2.0 * doubt
        if possible > 0:  # else it was charged to more than was said, which bounds nothing
            largest = min(largest, possible)
    return _Series(0.0, load * largest / np.sqrt(3.0), "first step not seen")


def _offset_share(t, v, offset, fit) -> float:
    """Relative change of the time constant by a constant error of the voltage."""
    if offset <= 0 or (v <= 2 * offset).any():
        return 0.0
    _, slope, _, _ = line_fit(t, np.log(v + offset))
    return abs(-1.0 / slope / fit.tau_s - 1.0) if slope < 0 else 0.0


def _first_step(row, fit, t, v, time_s, voltage_V, before, load, u_load, u_clock) -> _Series | None:
    """Series resistance from the step at connecting; None where it cannot be read off."""
    if before is None:
        return None
    gap = t[0] - time_s[before]
    noise, digit = reading_noise(voltage_V)
    recent = voltage_V[max(0, before - 4) : before + 1]
    at_rest = np.abs(recent - recent[-1]) <= 4.0 * noise  # not those of a charge just ended
    v_before = float(np.mean(recent[at_rest]))
    # Early samples give the voltage right after connecting better than the whole curve does.
    n_early = max(3, min(len(t), int(np.searchsorted(t, t[0] + 0.3 * fit.tau_s))))
    early = fit_or_none(t[:n_early], v[:n_early], "line") or fit
    if time_s[before + 1] < t[0]:
        # A sample set aside as half before, half after may as well be the first of the decay.
        expected = early.voltage_0_V * np.exp(-time_s[before + 1] / early.tau_s)
        fall = v_before * gap / early.tau_s
        if abs(voltage_V[before + 1] - expected) < max(4.0 * noise, 0.1 * fall):
            gap = time_s[before + 1] - time_s[before]
    # Connected anywhere between two samples; where the record is noisy the pair is not sure.
    moment = time_s[before] + 0.5 * gap
    u_moment = np.hypot(gap, 2.0 * fit.tau_s * noise / v_before) / np.sqrt(12.0)
    v_after = early.voltage_0_V * np.exp(-moment / early.tau_s)
    series = float(load * (v_before / v_after - 1.0))
    u_before = noise / v_before / np.sqrt(independent_readings(recent[at_rest], digit))
    u_noise = np.hypot(early.voltage_0_V_se / early.voltage_0_V, u_before)
    u_time = np.hypot(u_moment, u_clock) / fit.tau_s
    row["drop_first_sample_V"] = float(v_before - v[0])
    u_a = float(load * u_noise * v_before / v_after)
    u_b = float(np.hypot(load * u_time * v_before / v_after, series * u_load))
    u = float(np.hypot(u_a, u_b))
    if u > UNSURE_SHARE * load:
        return None  # readings too far apart: a figure would only add its error to C
    if gap > SLOW_SHARE * fit.tau_s or series < RESOLVED * u:
        return _Series(max(series, 0.0), u, "first step not resolved")
    row["esr_ohm"], row["esr_ohm_se"] = series, u
    row["esr_ohm_se_a"], row["esr_ohm_se_b"] = u_a, u_b
    return _Series(series, u)
