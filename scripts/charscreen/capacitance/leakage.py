"""Leakage current of a cell held at one voltage, with its trend."""

import numpy as np

from charscreen.capacitance.discharge import EXACT
from charscreen.curves import line_fit, noise_sd

READ_AT_S = 1800.0  # common practice, no source: 30 min are usual
BAND_SHARE = 0.01  # the voltage is held while within this share of its level
WINDOW_SHARE = 0.05  # the current is read from a line over this share of the time about it
STILL_FALLING_PERCENT_PER_H = 20.0
LEAST_POINTS = 3

#: Columns of one hold.
HOLD_COLUMNS = (
    "voltage_held_V", "duration_s", "n_points", "leakage_time_s",
    "leakage_current_mA", "leakage_current_mA_se", "leakage_current_mA_se_a",
    "leakage_current_mA_se_b", "leakage_trend_percent_per_h", "leakage_trend_percent_per_h_se",
    "leakage_resistance_ohm", "leakage_resistance_ohm_se", "quality",
)  # fmt: skip


def measure_hold(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    current_A: np.ndarray,
    *,
    read_at_s: float = READ_AT_S,
    instrument: dict | None = None,
    is_held_throughout: bool = False,
) -> dict:
    """Current that a held voltage still needs after a stated time.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        Record; a charge before the hold is passed over. [s], [V]
    current_A : (n,) array
        Positive on charge. [A]
    read_at_s : float
        Time since the hold began at which the current is read; at its end where it is shorter
        (flag ``hold shorter than asked``). [s]
    instrument : dict, optional
        Standard uncertainties ``voltage_percent``, ``voltage_offset_mV``, ``current_percent``.
    is_held_throughout : bool
        Whether the whole record is the hold, however the voltage looks.

    Returns
    -------
    dict
        `HOLD_COLUMNS`; None where a figure does not apply.

    Raises
    ------
    ValueError
        No hold in the record, or too few readings about the time.

    Notes
    -----
    The current is read from a straight line over a twentieth of the time before and after (only
    before, at the end of the record); its slope over the current is the trend. Leakage resistance
    = voltage held over current. A current not above twice its standard uncertainty is empty and
    flagged. The stated time, 30 min by default, is common practice, no source.
    """
    instrument = {**EXACT, **(instrument or {})}
    time_s, voltage_V = np.asarray(time_s, float), np.asarray(voltage_V, float)
    current_A = np.asarray(current_A, float)
    start, stop = (0, len(time_s)) if is_held_throughout else find_hold(voltage_V)
    if stop - start < LEAST_POINTS:
        raise ValueError("the voltage is nowhere held")
    t, v, i = time_s[start:stop], voltage_V[start:stop], current_A[start:stop]
    t = t - t[0]
    moment = min(float(read_at_s), float(t[-1]))
    reach = WINDOW_SHARE * moment
    part = np.abs(t - moment) <= reach
    if part.sum() < LEAST_POINTS:
        part = np.zeros(len(t), dtype=bool)
        part[np.sort(np.argsort(np.abs(t - moment))[:LEAST_POINTS])] = True
    value, slope, mean, spread = line_fit(t[part], i[part])
    n = int(part.sum())
    if spread <= 0:
        raise ValueError("the readings about the time asked for have no time between them")
    current = value + slope * (moment - mean)
    residual = i[part] - value - slope * (t[part] - mean)
    scatter = float(np.sqrt(np.sum(residual**2) / max(n - 2, 1)))
    u_a = scatter * np.sqrt(1.0 / n + (moment - mean) ** 2 / spread)
    u_b = abs(current) * instrument["current_percent"] / 100.0
    u = float(np.hypot(u_a, u_b))
    held = float(np.median(v))
    if held <= 0:
        raise ValueError("the voltage held is not above zero")
    row = dict.fromkeys(HOLD_COLUMNS)
    row.update(voltage_held_V=held, duration_s=float(t[-1]), n_points=n, leakage_time_s=moment)
    flags = []
    if t[-1] < read_at_s:
        flags.append("hold shorter than asked")
    row["leakage_current_mA_se"] = u * 1e3
    row["leakage_current_mA_se_a"], row["leakage_current_mA_se_b"] = u_a * 1e3, u_b * 1e3
    if current <= 2.0 * u:
        flags.append("leakage not resolved")
    else:
        row["leakage_current_mA"] = current * 1e3
        trend = 3.6e5 * slope / current
        row["leakage_trend_percent_per_h"] = trend
        row["leakage_trend_percent_per_h_se"] = float(
            np.hypot(3.6e5 * scatter / np.sqrt(spread) / current, trend * u_a / current)
        )
        if trend + 2.0 * row["leakage_trend_percent_per_h_se"] < -STILL_FALLING_PERCENT_PER_H:
            flags.append("current still falling")
        row["leakage_resistance_ohm"] = held / current
        u_v = np.hypot(
            instrument["voltage_percent"] / 100.0, instrument["voltage_offset_mV"] * 1e-3 / held
        )
        row["leakage_resistance_ohm_se"] = float(held / current * np.hypot(u / current, u_v))
    row["quality"] = "; ".join(flags)
    return row


def find_hold(voltage_V: np.ndarray) -> tuple[int, int]:
    """First sample and one past the last of the longest stretch at the highest voltage.

    Parameters
    ----------
    voltage_V : (n,) array
        [V]

    Returns
    -------
    tuple of int
    """
    if len(voltage_V) == 0 or np.quantile(voltage_V, 0.99) <= 0:
        return 0, 0
    high = voltage_V >= 0.95 * np.quantile(voltage_V, 0.99)
    level = float(np.median(voltage_V[high]))
    held = np.abs(voltage_V - level) <= max(BAND_SHARE * abs(level), 5.0 * noise_sd(voltage_V))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], held, [False]]).astype(int)))
    if len(edges) == 0:
        return 0, 0
    starts, stops = edges[::2], edges[1::2]
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest])
