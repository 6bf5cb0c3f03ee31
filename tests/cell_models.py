"""Records of cells whose capacitance and resistance are known from a formula."""

import numpy as np


def cycle_rc(
    *,
    capacitance_F: float = 0.5,
    series_ohm: float = 2.0,
    current_A: float = 5e-3,
    upper_V: float = 1.0,
    step_s: float = 1.0,
    n_cycles: int = 3,
    rest_samples: int = 0,
    hold_samples: int = 0,
    noise_V: float = 0.0,
    seed: int = 0,
):
    """Charge and discharge of a resistor and a capacitor in series between 0 and an upper voltage.

    Every step ends exactly on a sample, as with a logger that writes a row when a step ends.

    Returns
    -------
    tuple of (n,) arrays
        Time [s], voltage [V], current [A].
    """
    up = round(capacitance_F * (upper_V - current_A * series_ohm) / current_A / step_s)
    charge = np.arange(1, up + 1) * current_A * step_s / capacitance_F
    rest = rest_samples
    # At a held voltage the current dies away with the time constant of the cell.
    times = np.arange(1, hold_samples + 1) * step_s
    dying = current_A * np.exp(-times / max(series_ohm * capacitance_F, 1e-12))
    top = charge[-1] + current_A * series_ohm
    full = top - dying[-1] * series_ohm if hold_samples else charge[-1]
    down = up if not hold_samples else int(full / (current_A * step_s / capacitance_F))
    fall = full - np.arange(1, down + 1) * current_A * step_s / capacitance_F
    parts_v, parts_i = [np.zeros(1)], [np.zeros(1)]
    for _ in range(n_cycles):
        parts_v += [charge + current_A * series_ohm, np.full(hold_samples, top),
                    np.full(rest, full), fall - current_A * series_ohm,
                    np.full(rest, fall[-1])]  # fmt: skip
        parts_i += [np.full(up, current_A), dying, np.zeros(rest), np.full(down, -current_A),
                    np.zeros(rest)]  # fmt: skip
    voltage, current = np.concatenate(parts_v), np.concatenate(parts_i)
    time = np.arange(len(voltage)) * step_s
    noise = noise_V * np.random.default_rng(seed).standard_normal(len(voltage))
    return time, voltage + noise, current


def decay_rc(
    *,
    capacitance_F: float,
    load_ohm: float,
    series_ohm: float = 0.0,
    start_V: float = 1.0,
    times_s: np.ndarray,
    before_s: np.ndarray = (),
):
    """Discharge of the same cell through a resistor connected at time zero.

    Parameters
    ----------
    before_s : array
        Times below zero at which the charged cell was read before connecting. [s]

    Returns
    -------
    tuple of (n,) arrays
        Time [s], voltage at the terminals [V].
    """
    times_s, before_s = np.asarray(times_s, float), np.asarray(before_s, float)
    tau = (load_ohm + series_ohm) * capacitance_F
    after = start_V * load_ohm / (load_ohm + series_ohm) * np.exp(-times_s / tau)
    time = np.concatenate([before_s, times_s])
    return time, np.concatenate([np.full(len(before_s), start_V), after])


def sweep_rc(
    *,
    capacitance_F: float = 0.4,
    series_ohm: float = 5.0,
    rate_V_s: float = 0.02,
    upper_V: float = 1.0,
    step_s: float = 0.05,
    n_scans: int = 2,
    noise_V: float = 0.0,
    seed: int = 0,
):
    """Voltammetry of a resistor and a capacitor in series between 0 and an upper voltage.

    The current is the exact solution: within a sweep it nears ±ν·C with time constant R·C.

    Returns
    -------
    tuple of (n,) arrays
        Time [s], voltage [V], current [A].
    """
    n = round(upper_V / rate_V_s / step_s)
    time = np.arange(2 * n_scans * n + 1) * step_s
    phase = np.arange(len(time)) % (2 * n)
    voltage = np.where(phase <= n, phase, 2 * n - phase) * rate_V_s * step_s
    decay = np.exp(-step_s / (series_ohm * capacitance_F))
    current = np.zeros(len(time))
    for k in range(1, len(time)):
        aim = rate_V_s * capacitance_F * (1.0 if (k - 1) % (2 * n) < n else -1.0)
        current[k] = aim + (current[k - 1] - aim) * decay
    noise = noise_V * np.random.default_rng(seed).standard_normal(len(time))
    return time, voltage + noise, current
