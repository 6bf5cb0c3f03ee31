"""Discharge through a resistor: exponential fits, capacitance, first step."""

from dataclasses import dataclass

import numpy as np

from charscreen.capacitance.curves import line_fit, noise_sd
from charscreen.capacitance.discharge import EXACT
from charscreen.traces.segments import step_index

FLOOR_SHARE = 0.05  # readings under this share of the first say more about the meter
DRIFT_SHARE = 0.05  # early and late time constants further apart: not one exponential
UNSURE_SHARE = 0.03  # a first step is not used where it is less sure than this share of the load
FEW = 20  # with fewer readings one scatter is assumed for all

#: Columns of one discharge through a resistor.
RESISTOR_COLUMNS = (
    "voltage_0_V", "voltage_0_V_se", "tau_s", "tau_s_se", "r_squared", "n_points",
    "capacitance_F", "capacitance_F_se", "capacitance_F_se_a", "capacitance_F_se_b",
    "capacitance_early_F", "capacitance_early_F_se", "capacitance_late_F",
    "capacitance_late_F_se", "esr_ohm", "esr_ohm_se", "drop_first_sample_V", "quality",
)  # fmt: skip


@dataclass(frozen=True)
class ExponentialFit:
    """A fitted decay V = V₀·exp(-t/τ).

    Parameters
    ----------
    voltage_0_V, tau_s : float
        V₀ at time zero of the record [V]; time constant [s].
    voltage_0_V_se, tau_s_se : float
        Standard errors from the scatter about the curve.
    r_squared : float
        Of the straight line of ln V (``line``), or of V (``curve``).
    n : int
        Readings used.
    """

    voltage_0_V: float
    tau_s: float
    voltage_0_V_se: float
    tau_s_se: float
    r_squared: float
    n: int


def fit_exponential(
    time_s: np.ndarray, voltage_V: np.ndarray, *, method: str = "line", least_sd: float = 0.0
) -> ExponentialFit:
    """A decay to zero fitted to readings.

    Parameters
    ----------
    time_s : (n,) array
        [s]
    voltage_V : (n,) array
        All positive. [V]
    method : str
        ``line``: straight line of ln V against t by ordinary least squares. ``curve``: V itself
        by nonlinear least squares (Levenberg-Marquardt, started from the line).
    least_sd : float
        Scatter of ln V known beforehand (for example timing by hand over τ); the scatter found
        is not taken smaller. ``line`` only.

    Returns
    -------
    ExponentialFit

    Raises
    ------
    ValueError
        Fewer than three readings, readings that are not positive, no decay, unknown method.

    Notes
    -----
    Which to use: the line weighs each reading by its relative error and suits errors in
    proportion to the voltage (timing, meter gain, a capacitor that is not ideal); the curve
    suits a constant noise in volts. From 20 readings on the standard errors of the line allow
    for unequal scatter (leverage-corrected sandwich form, HC3); with fewer one scatter is
    assumed for all readings.
    """
    time_s, voltage_V = np.asarray(time_s, float), np.asarray(voltage_V, float)
    if len(time_s) < 3 or np.ptp(time_s) <= 0:
        raise ValueError("an exponential needs three readings at different times")
    if (voltage_V <= 0).any():
        raise ValueError("readings of zero or below cannot follow an exponential")
    if method == "line":
        return _fit_line(time_s, voltage_V, least_sd)
    if method == "curve":
        return _fit_curve(time_s, voltage_V)
    raise ValueError(f"method is '{method}': use line or curve")


def _fit_line(t: np.ndarray, v: np.ndarray, least_sd: float) -> ExponentialFit:
    y = np.log(v)
    value, slope, mean, spread = line_fit(t, y)
    if slope >= 0:
        raise ValueError("the voltage does not fall")
    residual = y - value - slope * (t - mean)
    n = len(t)
    scatter2 = max(float(np.sum(residual**2)) / (n - 2), least_sd**2)
    if n < FEW:
        var_slope, var_value, covariance = scatter2 / spread, scatter2 / n, 0.0
    else:
        leverage = 1.0 / n + (t - mean) ** 2 / spread
        e2 = np.maximum((residual / (1.0 - leverage)) ** 2, least_sd**2)
        var_slope = float(np.sum((t - mean) ** 2 * e2)) / spread**2
        var_value = float(np.sum(e2)) / n**2
        covariance = float(np.sum((t - mean) * e2)) / (n * spread)
    intercept = value - slope * mean
    var_intercept = var_value + mean**2 * var_slope - 2 * mean * covariance
    tau = -1.0 / slope
    total = float(np.sum((y - y.mean()) ** 2))
    return ExponentialFit(
        voltage_0_V=float(np.exp(intercept)),
        tau_s=tau,
        voltage_0_V_se=float(np.exp(intercept) * np.sqrt(max(var_intercept, 0.0))),
        tau_s_se=float(tau**2 * np.sqrt(var_slope)),
        r_squared=1.0 - float(np.sum(residual**2)) / total if total > 0 else 1.0,
        n=n,
    )


def _fit_curve(t: np.ndarray, v: np.ndarray) -> ExponentialFit:
    from scipy.optimize import least_squares

    start = _fit_line(t, v, 0.0)
    scale = np.array([start.voltage_0_V, 1.0 / start.tau_s])

    def residual(p):
        return p[0] * scale[0] * np.exp(-p[1] * scale[1] * t) - v

    def jacobian(p):
        decay = np.exp(-p[1] * scale[1] * t)
        return np.stack([scale[0] * decay, -p[0] * scale[0] * scale[1] * t * decay], axis=1)

    fit = least_squares(residual, [1.0, 1.0], jac=jacobian, method="lm", xtol=1e-14, ftol=1e-14)
    scatter2 = float(2.0 * fit.cost) / max(len(t) - 2, 1)
    covariance = np.linalg.inv(fit.jac.T @ fit.jac) * scatter2
    v0, rate = fit.x * scale
    se = np.sqrt(np.diag(covariance)) * scale
    total = float(np.sum((v - v.mean()) ** 2))
    return ExponentialFit(
        voltage_0_V=float(v0),
        tau_s=float(1.0 / rate),
        voltage_0_V_se=float(se[0]),
        tau_s_se=float(se[1] / rate**2),
        r_squared=1.0 - float(2.0 * fit.cost) / total if total > 0 else 1.0,
        n=len(t),
    )


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
    floor = max(FLOOR_SHARE * top, 5.0 * noise_sd(voltage_V))
    # The first fall below the floor ends the decay: what follows is noise or recovery.
    peak = int(np.argmax(voltage_V))
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
    noise = noise_sd(y[middle])
    per_sample = abs(slope) * (time_s[middle[-1]] - time_s[middle[0]]) / (len(middle) - 1)
    widest = max(1, min(50, int(middle[0]) // 3))
    width = int(np.clip(3.0 * noise / max(per_sample, 1e-15), 1, widest))
    head = above[: middle[0] + width]
    if len(head) < 2:
        return 0, stop, None
    j = step_index(head, width, noise)
    fall = float(head[j] - head[j + 1]) if j + 1 < len(head) else 0.0
    has_plateau = j > 0 and head[0] < head[j] - max(5.0 * noise, 0.02)
    # A step shows as a fall far larger than the falls right after it.
    later = np.abs(np.diff(head[j + 1 :])).max() if len(head) > j + 2 else 5.0 * noise
    has_step = fall > max(0.005, 5.0 * noise, 3.0 * later) and fall > 0.6 * head[j]
    if has_plateau:
        # A logger that averages may have one sample half before, half after the step.
        plateau = float(np.median(voltage_V[max(0, j - 5) : j])) if j > 1 else voltage_V[j]
        is_half = j > 1 and plateau - voltage_V[j] > max(4.0 * noise * top, 0.002 * top)
        return j + 1, stop, j - 1 if is_half else j
    return (j + 1, stop, j) if has_step else (0, stop, None)


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
        See `fit_exponential`.

    Returns
    -------
    dict
        `RESISTOR_COLUMNS`; None where a figure does not apply.

    Raises
    ------
    ValueError
        No decay in the record.

    Notes
    -----
    V = V₀·exp(-t/((R + R_s)·C)), R the load and the meter in parallel; R_s from the first step
    V₀·R_s/(R + R_s), read off midway between the last sample before connecting and the first after
    it, and taken as zero where the record does not show it (quality then says so).
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
    if method == "line" and by_hand:
        fit = fit_exponential(t, v, method=method, least_sd=u_clock / fit.tau_s)
    load = load_ohm if not meter_ohm else load_ohm * meter_ohm / (load_ohm + meter_ohm)
    if load_tolerance_percent is not None:
        u_load = load_tolerance_percent / 100.0 / np.sqrt(3.0)
    else:
        u_load = instrument["load_percent"] / 100.0
    row = dict.fromkeys(RESISTOR_COLUMNS)
    flags = []
    series = _first_step(row, fit, t, v, time_s, voltage_V, before, load, u_load, u_clock)
    if series is None:
        flags.append("first step not seen")
    total = load + (series or 0.0)
    row["capacitance_F"] = fit.tau_s / total
    u_a = fit.tau_s_se / fit.tau_s
    u_span = np.sqrt(2.0) * u_clock / np.ptp(t) if not by_hand else 0.0
    u_offset = _offset_share(t, v, instrument["voltage_offset_mV"] * 1e-3, fit)
    u_series = (row["esr_ohm_se"] or 0.0) / total
    half = len(t) // 2
    u_drift = 0.0
    if half >= 3:
        early = fit_or_none(t[:half], v[:half], method)
        late = fit_or_none(t[half:], v[half:], method)
        for name, part in (("early", early), ("late", late)):
            if part is not None:
                row[f"capacitance_{name}_F"] = part.tau_s / total
                row[f"capacitance_{name}_F_se"] = part.tau_s_se / total
        if early is not None and late is not None:
            gap = abs(late.tau_s - early.tau_s)
            if gap > max(DRIFT_SHARE * fit.tau_s, 3.0 * np.hypot(early.tau_s_se, late.tau_s_se)):
                flags.append("not one exponential")
                u_drift = gap / fit.tau_s / np.sqrt(12.0)
    u_b = np.sqrt(u_load**2 + u_span**2 + u_offset**2 + u_series**2 + u_drift**2)
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


def fit_or_none(t: np.ndarray, v: np.ndarray, method: str) -> ExponentialFit | None:
    """`fit_exponential`, or None where a part of a record shows no decay."""
    try:
        return fit_exponential(t, v, method=method)
    except ValueError:
        return None


def _offset_share(t, v, offset, fit) -> float:
    """Relative change of the time constant by a constant error of the voltage."""
    if offset <= 0 or (v <= 2 * offset).any():
        return 0.0
    _, slope, _, _ = line_fit(t, np.log(v + offset))
    return abs(-1.0 / slope / fit.tau_s - 1.0) if slope < 0 else 0.0


def _first_step(row, fit, t, v, time_s, voltage_V, before, load, u_load, u_clock) -> float | None:
    """Series resistance from the step at connecting; None where it cannot be read off."""
    if before is None:
        return None
    noise = noise_sd(voltage_V)
    recent = voltage_V[max(0, before - 4) : before + 1]
    at_rest = np.abs(recent - recent[-1]) <= 4.0 * noise  # not those of a charge just ended
    v_before = float(np.mean(recent[at_rest]))
    # Early samples give the voltage right after connecting better than the whole curve does.
    n_early = max(3, min(len(t), int(np.searchsorted(t, t[0] + 0.3 * fit.tau_s))))
    early = fit_or_none(t[:n_early], v[:n_early], "line") or fit
    # Connected anywhere between two samples; where the record is noisy the pair is not sure.
    gap = t[0] - time_s[before]
    moment = time_s[before] + 0.5 * gap
    u_moment = np.hypot(gap, 2.0 * fit.tau_s * noise / v_before) / np.sqrt(12.0)
    v_after = early.voltage_0_V * np.exp(-moment / early.tau_s)
    series = load * (v_before / v_after - 1.0)
    u_ratio = np.sqrt(
        (early.voltage_0_V_se / early.voltage_0_V) ** 2
        + (noise / v_before) ** 2 / at_rest.sum()
        + (np.hypot(u_moment, u_clock) / fit.tau_s) ** 2
    )
    row["drop_first_sample_V"] = float(v_before - v[0])
    series_se = float(np.hypot(load * u_ratio * v_before / v_after, series * u_load))
    if series_se > UNSURE_SHARE * load:
        return None  # readings too far apart: a figure would only add its error to C
    row["esr_ohm"], row["esr_ohm_se"] = float(max(series, 0.0)), series_se
    return row["esr_ohm"]
