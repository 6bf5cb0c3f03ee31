"""Self-discharge at open circuit: three models, time to lose voltage, equivalent leakage."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from charscreen.capacitance.discharge import EXACT
from charscreen.capacitance.fitting import SeparableFit, fit_separable
from charscreen.curves import independent_readings, line_fit, noise_sd, reading_noise

MOST_POINTS = 1000  # a longer record is averaged down to so many parts
LEAST_POINTS = 6
CLEAR_AICC = 2.0  # models closer than this are not told apart (Burnham & Anderson, from memory)
#: Part of the fall that a meter's input resistance, as stated, may leave unexplained. Common
#: practice, no source: it is stated to 1 % or worse.
METER_SHARE = 0.01
EXACT_SHARE = 1e-9  # a standard error under this share of its time is rounding, not knowledge
LEVELS = {"to_80_percent": 0.8, "to_half": 0.5}

#: Columns of one record at open circuit.
OPEN_CIRCUIT_COLUMNS = (
    "voltage_start_V", "voltage_end_V", "duration_s", "n_points",
    "self_discharge_model", "aicc_activation", "aicc_diffusion", "aicc_leakage",
    "time_to_80_percent_s", "time_to_80_percent_s_se", "time_to_half_s", "time_to_half_s_se",
    "leakage_resistance_ohm", "leakage_resistance_ohm_se",
    "leakage_current_mA", "leakage_current_mA_se", "quality",
)  # fmt: skip


@dataclass(frozen=True)
class _Model:
    """One way a voltage dies away: curve and the time at which it passes a level."""

    basis: Callable
    start: Callable
    when: Callable


def _activation_basis(t, p):
    return np.stack([np.ones_like(t), -np.log1p(t / abs(p[0]))], axis=1)


def _activation_when(a, p, level):
    # Beyond e^300 it is for ever.
    return abs(p[0]) * np.expm1(min((a[0] - level) / a[1], 300.0)) if a[1] > 0 else np.inf


def _diffusion_basis(t, p):
    return np.stack([np.ones_like(t), -np.sqrt(t)], axis=1)


def _diffusion_when(a, p, level):
    return ((a[0] - level) / a[1]) ** 2 if a[1] > 0 else np.inf


def _leakage_basis(t, p):
    return np.exp(-p[0] * t)[:, None]


def _leakage_when(a, p, level):
    return np.log(a[0] / level) / p[0] if p[0] > 0 else np.inf


_MODELS = {
    "activation": _Model(
        _activation_basis, lambda t, v: [[share * t[-1]] for share in (1e-3, 3e-2, 1.0)],
        _activation_when,
    ),
    "diffusion": _Model(_diffusion_basis, lambda t, v: [[]], _diffusion_when),
    "leakage": _Model(
        _leakage_basis,
        lambda t, v: [[max(-line_fit(t, np.log(np.maximum(v, 1e-9)))[1], 1e-3 / t[-1])]],
        _leakage_when,
    ),
}  # fmt: skip


def measure_open_circuit(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    *,
    capacitance_F: float | None,
    capacitance_F_se: float | None = None,
    meter_ohm: float | None = None,
    instrument: dict | None = None,
) -> dict:
    """Self-discharge of a cell that was charged and left alone.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        Record; what stands before the highest voltage is not used. [s], [V]
    capacitance_F, capacitance_F_se : float, optional
        Of the cell, from another test; without it there is no resistance and no current. [F]
    meter_ohm : float, optional
        Input resistance of the meter, which discharges the cell too. [Ω]
    instrument : dict, optional
        Standard uncertainties ``voltage_percent``, ``voltage_offset_mV``.

    Returns
    -------
    dict
        `OPEN_CIRCUIT_COLUMNS`; None where a figure does not apply.

    Raises
    ------
    ValueError
        Fewer than six readings after the highest voltage, no time between them, or no fall.

    Notes
    -----
    Models: activation V₀ - a·ln(1 + t/τ), diffusion V₀ - b·√t, leakage V₀·exp(-t/(R_p·C)); the
    one of least AICc is named. Early redistribution of charge looks like the first two. Where
    the next is within 2 of it the flag says so. A long record is averaged into up to 1,000 parts
    even in √t, weighted by their readings.
    Times to 80 % and to half of the voltage at the start are read off the record, or off the
    model beyond its end (flag ``extrapolated``; empty beyond a hundred times the record). Their
    standard error: that of the level, over the slope; where extrapolated also the spread between
    the models within 10 of the least AICc, over √12. It is empty where the readings lie on the
    model to the last digit, so that nothing shows how far off it may be.
    Equivalent leakage: the resistor that would take as much voltage in the same time,
    R = Δt/(C·ln(V₁/V₂)), less the meter's share 1/R_meter; current C·(V₁ - V₂)/Δt less the
    meter's. Both are empty where what is left is not above two standard uncertainties, or not
    above 1 % of the meter's share (flag ``the meter explains the fall``). V₁, V₂ at
    the start and the end, from the chosen model.

    References
    ----------
    B. E. Conway, Electrochemical Supercapacitors (1999), self-discharge by three mechanisms, from
    memory. IEC 62391-1: 8 h at the rated voltage, then 16 or 24 h open, meter of 1 MΩ or more.
    """
    instrument = {**EXACT, **(instrument or {})}
    time_s, voltage_V = np.asarray(time_s, float), np.asarray(voltage_V, float)
    start, stop = find_decline(time_s, voltage_V)
    t, v = time_s[start:stop] - time_s[start], voltage_V[start:stop]
    row = dict.fromkeys(OPEN_CIRCUIT_COLUMNS)
    noise, digit = reading_noise(v)
    parts = _averaged(t, v)
    # Readings on one of the meter's levels share its error: they say less than they are many.
    repeats = len(parts[0]) / independent_readings(parts[1], digit)
    fits = {name: _best_start(model, *parts) for name, model in _MODELS.items()}
    known = {
        name: replace(fit, covariance=repeats * fit.covariance)
        for name, fit in fits.items()
        if fit is not None
    }
    if not known:
        raise ValueError("none of the three models suits the record")
    for name, fit in known.items():
        row[f"aicc_{name}"] = fit.aicc if np.isfinite(fit.aicc) else None
    order = sorted(known, key=lambda name: known[name].aicc)
    best = order[0]
    flags = []
    if len(order) > 1 and known[order[1]].aicc - known[best].aicc < CLEAR_AICC:
        flags.append("self-discharge models not told apart")
    duration = float(t[-1])
    model, fit = _MODELS[best], known[best]
    shape = model.basis(np.array([0.0, duration]), fit.nonlinear) @ fit.linear
    v_start, v_end = float(shape[0]), float(shape[1])
    row.update(self_discharge_model=best, voltage_start_V=v_start, voltage_end_V=v_end,
               duration_s=duration, n_points=len(t))  # fmt: skip
    for name, share in LEVELS.items():
        near = {k: f for k, f in known.items() if k == best or f.aicc - fit.aicc < 10.0}
        moment = _time_to(share, t, v, (noise, digit), best, near)
        if moment is not None:
            row[f"time_{name}_s"] = moment[0]
            if moment[1] > EXACT_SHARE * moment[0]:
                row[f"time_{name}_s_se"] = moment[1]
            if moment[2]:
                flags.append("extrapolated")
    u_v = np.hypot(fit.se[0], instrument["voltage_offset_mV"] * 1e-3)
    _leakage(row, flags, capacitance_F, capacitance_F_se, meter_ohm, float(u_v))
    if len(t) < 2 * LEAST_POINTS:
        flags.append("too few points")
    row["quality"] = "; ".join(dict.fromkeys(flags))
    return row


def find_decline(time_s: np.ndarray, voltage_V: np.ndarray) -> tuple[int, int]:
    """Which readings of a record count: from its highest voltage (mean of the noise) on.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        [s], [V]

    Returns
    -------
    tuple of int
        First reading and one past the last.

    Raises
    ------
    ValueError
        Fewer than six readings, no time between them, or no fall.
    """
    noise = noise_sd(voltage_V)
    high = voltage_V >= voltage_V.max() - 4.0 * noise
    first = int(np.argmax(voltage_V))
    if noise > 0:  # the highest reading is one of many: the decline begins with the first of them
        tops = np.flatnonzero(high[: first + 1])
        first = int(tops[0]) if len(tops) else first
    t, v = time_s[first:], voltage_V[first:]
    if len(t) < LEAST_POINTS or t[-1] <= t[0]:
        raise ValueError(
            f"{len(t)} readings after the highest voltage are too few; {LEAST_POINTS} are the least"
        )
    stop = len(voltage_V)
    if (v <= 0).any():
        keep = int(np.argmax(v <= 0))
        if keep < LEAST_POINTS:
            raise ValueError("the voltage is not above zero")
        stop = first + keep
    if line_fit(time_s[first:stop], voltage_V[first:stop])[1] >= 0:
        raise ValueError("the voltage does not fall")
    return first, stop


def _averaged(t: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times and voltages of parts even in √t, short where the fall is fast, and their weights."""
    if len(t) <= MOST_POINTS:
        return t, v, np.ones(len(t))
    wanted = np.linspace(0.0, np.sqrt(t[-1]), MOST_POINTS + 1)[:-1] ** 2
    edges = np.unique(np.searchsorted(t, wanted))
    count = np.diff(np.append(edges, len(t)))
    weight = np.sqrt(count / count.mean())
    return np.add.reduceat(t, edges) / count, np.add.reduceat(v, edges) / count, weight


def _best_start(model: _Model, t, v, weight) -> SeparableFit | None:
    def basis(x, p):
        return model.basis(x, p) * weight[:, None]

    best = None
    for start in model.start(t, v):
        try:
            fit = fit_separable(basis, t, v * weight, start=start)
        except (ValueError, np.linalg.LinAlgError):
            continue
        if best is None or fit.rss < best.rss:
            best = fit
    return best


def _time_to(share, t, v, scatter, best, near) -> tuple[float, float, bool] | None:
    """Moment at which a share of the voltage is left, its standard error, if extrapolated."""
    (noise, digit), fit, duration = scatter, near[best], float(t[-1])
    level = share * float(fit.linear[0])  # each model is its first factor at time zero
    u_level = share * float(fit.se[0])
    moment = float(_MODELS[best].when(fit.linear, fit.nonlinear, level))
    if moment <= duration:
        # Within the record the readings say when; the model only says where to look.
        centre = int(np.searchsorted(t, moment))
        near_by = slice(max(0, centre - 50), centre + 50)
        per_sample = abs(np.ptp(v[near_by])) / max(len(v[near_by]) - 1, 1)
        half = int(np.clip(4.0 * noise / max(per_sample, 1e-15), 1, max(1, len(t) // 50)))
        part = slice(max(0, centre - half), min(len(t), centre + half + 1))
        value, slope, mean, _ = line_fit(t[part], v[part])
        if slope < 0:
            local = float(mean + (level - value) / slope)
            if t[part][0] <= local <= t[part][-1]:
                u = (
                    np.hypot(noise / np.sqrt(independent_readings(v[part], digit)), u_level)
                    / -slope
                )
                gap = float(np.max(np.diff(t[part]))) / np.sqrt(12.0) / len(t[part])
                bend = 0.5 * abs(local - moment) if len(t[part]) <= 5 else 0.0  # a line of few
                return local, float(np.sqrt(u**2 + gap**2 + bend**2)), False
    if not np.isfinite(moment) or moment > 100.0 * duration:
        return None
    others = [
        float(_MODELS[k].when(f.linear, f.nonlinear, share * f.linear[0])) for k, f in near.items()
    ]
    others = [x for x in others if np.isfinite(x)]
    spread = (max(others) - min(others)) / np.sqrt(12.0) if len(others) > 1 else 0.0
    return moment, float(np.hypot(_model_se(best, fit, share), spread)), moment > duration


def _model_se(name: str, fit: SeparableFit, share: float) -> float:
    """Standard error of the time to a share of the first voltage, from the model's covariance."""
    x = np.concatenate([fit.linear, fit.nonlinear])
    m = len(fit.linear)
    slopes = []
    for k, se in enumerate(fit.se):
        step = np.zeros(len(x))
        step[k] = 0.01 * se or 1e-9 * abs(x[k])
        up, down = x + step, x - step
        change = _MODELS[name].when(up[:m], up[m:], share * up[0])
        change -= _MODELS[name].when(down[:m], down[m:], share * down[0])
        slopes.append(change / (2.0 * step[k]) if step[k] else 0.0)
    slopes = np.array(slopes)
    return float(np.sqrt(max(slopes @ fit.covariance @ slopes, 0.0)))


def _leakage(row, flags, capacitance, capacitance_se, meter_ohm, u_v) -> None:
    if not capacitance:
        flags.append("no capacitance of this cell")
        return
    v_1, v_2, duration = row["voltage_start_V"], row["voltage_end_V"], row["duration_s"]
    share = (capacitance_se or 0.0) / capacitance
    if not v_1 > v_2 > 0:
        return
    logarithm = np.log(v_1 / v_2)
    conductance = capacitance * logarithm / duration
    u = conductance * np.hypot(share, u_v * np.hypot(1.0 / v_1, 1.0 / v_2) / logarithm)
    current = capacitance * (v_1 - v_2) / duration
    u_current = current * np.hypot(share, np.sqrt(2.0) * u_v / (v_1 - v_2))
    if meter_ohm:
        conductance -= 1.0 / meter_ohm
        current -= (v_1 - v_2) / logarithm / meter_ohm
    least = 2.0 * u
    if meter_ohm:
        least = max(least, METER_SHARE / meter_ohm)
    if conductance <= least:
        flags.append("leakage not resolved" if not meter_ohm else "the meter explains the fall")
        return
    row["leakage_resistance_ohm"] = float(1.0 / conductance)
    row["leakage_resistance_ohm_se"] = float(u / conductance**2)
    row["leakage_current_mA"], row["leakage_current_mA_se"] = current * 1e3, float(u_current * 1e3)
