"""One firing's temperature record as peak, hold, ramp, cooling and severity."""

import numpy as np
import pandas as pd

#: Half width of the band about the set point in which the kiln counts as holding. [°C]
BAND_C = 10.0
#: Columns of `summarise_firing`.
SUMMARY_COLUMNS = (
    *("peak_temperature_C", "overshoot_C", "time_within_10C_min", "hold_min", "held_at_C"),
    *("ramp_C_per_min", "cooling_C_per_min", "severity_log10_min", "thermocouples"),
    *("thermocouple_spread_C", "duration_min", "values_dropped"),
)
# No kiln and no thermocouple goes up and back this fast: such a single value is a fault of the
# reading. Common practice, no source.
_SPIKE_C, _SPIKE_C_PER_MIN = 50.0, 100.0
# What loggers write for an open thermocouple lies outside this. [°C]
_LOWEST_C, _HIGHEST_C = -60.0, 2000.0
# Where the kiln did not hold at the set point, its plateau is looked for so far below the peak,
# in steps of so much. [°C] Common practice, no source.
_PLATEAU_SPAN_C, _PLATEAU_STEP_C = 60.0, 1.0
# A hold counts where it is this share of the one expected. Common practice, no source.
_ENOUGH = 0.5
# Cooling is taken from the band down to so far below the reference. [°C]
_COOLING_SPAN_C = 100.0


def summarise_firing(
    time_s: np.ndarray,
    temperature_C: np.ndarray,
    *,
    set_point_C: float | None,
    expected_hold_min: float | None = None,
) -> pd.DataFrame:
    """What a firing did, from its temperature record: one row.

    Parameters
    ----------
    time_s : (n,) array
        Times, never falling. [s]
    temperature_C : (n,) or (n, k) array
        Temperatures; one column per thermocouple, NaN where one was not read. [°C]
    set_point_C : float or None
        Planned peak temperature; None where there was no plan. [°C]
    expected_hold_min : float, optional
        Hold as typed or planned: it tells whether the kiln held at the set point at all. [min]

    Returns
    -------
    DataFrame
        One row with `SUMMARY_COLUMNS`:
        ``peak_temperature_C``, highest mean of the thermocouples; ``overshoot_C``, peak above
        the set point, never below 0; ``time_within_10C_min``, time within 10 °C of the set point;
        ``hold_min`` and ``held_at_C``, the middle of the band it is taken in, see Notes;
        ``ramp_C_per_min``; ``cooling_C_per_min``, positive, over the first 100 °C below the hold;
        ``severity_log10_min``; ``thermocouples``, how many were
        read; ``thermocouple_spread_C``, median difference of the highest and lowest one during
        the hold; ``duration_min`` of the record; ``values_dropped``, readings taken for faults
        of a thermocouple.
        NaN where the record does not show it, for example the cooling of a log that ends hot.

    Raises
    ------
    ValueError
        Where the arrays do not match, times fall, or fewer than two moments have a temperature.

    Notes
    -----
    Between readings the temperature is a straight line. The ramp is the mean rate from 10 % to
    90 % of the rise from the first reading to where it held (the peak where that is lower).
    A hold is the time within 10 °C of a temperature less what ramp and cooling take between the
    band's lower edge and the median temperature of the hold. So a programme of ramp, hold and
    cooling gives its own hold; a plateau below the peak loses all that the way through its band
    takes, up and at the end down. The hold is taken at the set point; where that gives under half
    of the hold expected (of the longest where none is) at the peak; where that does too at the
    plateau, the band of 20 °C within 60 °C below the peak in which the kiln spent most time; where
    all three do, it is the longest of them.
    Severity: log10 of R0 = ∫ exp((T − 100)/14.75) dt with T in °C and t in min, the severity
    factor of hydrothermal treatment, borrowed here as a single figure for time and temperature.
    A single value more than 50 °C off both neighbours, up and back at over 100 °C/min, and any
    value below -60 °C or above 2000 °C, is dropped as a fault of the thermocouple (common
    practice, no source).

    References
    ----------
    Overend R. P., Chornet E., Phil. Trans. R. Soc. Lond. A 1987, 321, 523 (severity factor; from
    memory).
    """
    time, columns = _checked(time_s, temperature_C)
    columns, dropped = _without_faults(time, columns)
    with np.errstate(invalid="ignore"):
        count = np.isfinite(columns).sum(axis=1)
        mean = np.where(count > 0, np.nansum(columns, axis=1) / np.maximum(count, 1), np.nan)
    known = np.isfinite(mean)
    if known.sum() < 2:
        raise ValueError("fewer than two moments have a temperature")
    t, y = time[known] / 60.0, mean[known]

    peak = float(y.max())
    overshoot, in_band = np.nan, np.nan
    references, holds = [peak], [_hold(t, y, peak)]
    if set_point_C is not None and np.isfinite(set_point_C):
        overshoot = max(0.0, peak - float(set_point_C))
        in_band = time_between(t, y, set_point_C - BAND_C, set_point_C + BAND_C)
        references.insert(0, float(set_point_C))
        holds.insert(0, _hold(t, y, float(set_point_C)))
    plateau = _plateau(t, y, peak)
    if plateau + BAND_C < peak:
        references.append(plateau)
        holds.append(_plateau_hold(t, y, plateau))
    expected = max(holds) if expected_hold_min is None else float(expected_hold_min)
    enough = [k for k, hold in enumerate(holds) if hold >= _ENOUGH * expected]
    chosen = enough[0] if enough else int(np.argmax(holds))
    reference = references[chosen]
    row = {
        "peak_temperature_C": peak,
        "overshoot_C": overshoot,
        "time_within_10C_min": in_band,
        "hold_min": holds[chosen],
        "held_at_C": reference,
        "ramp_C_per_min": _ramp(t, y, min(reference, peak)),
        "cooling_C_per_min": _cooling(t, y, reference),
        "severity_log10_min": _severity(t, y),
        "thermocouples": int(np.isfinite(columns).any(axis=0).sum()),
        "thermocouple_spread_C": _spread(columns[known], y >= reference - BAND_C),
        "duration_min": float(t[-1] - t[0]),
        "values_dropped": dropped,
    }
    return pd.DataFrame([row], columns=list(SUMMARY_COLUMNS))


def time_between(t: np.ndarray, y: np.ndarray, lo: float, hi: float) -> float:
    """Time that a line through the points spends between two levels, ends included.

    Parameters
    ----------
    t, y : (n,) arrays
        Times, never falling, and values; any units.
    lo, hi : float
        Levels, in the unit of `y`.

    Returns
    -------
    float
        In the unit of `t`.
    """
    low, high = np.minimum(y[:-1], y[1:]), np.maximum(y[:-1], y[1:])
    overlap = np.clip(np.minimum(high, hi) - np.maximum(low, lo), 0.0, None)
    span = high - low
    flat = span <= 1e-9 * np.maximum(1.0, np.abs(high))
    share = np.where(flat, (low >= lo) & (high <= hi), overlap / np.where(flat, 1.0, span))
    return float(np.sum(np.diff(t) * share))


def _hold(t: np.ndarray, y: np.ndarray, reference: float) -> float:
    """Time about a temperature, the way there and back taken off. [min]"""
    within = time_between(t, y, reference - BAND_C, reference + BAND_C)
    ramp, cooling = _ramp(t, y, min(reference, float(y.max()))), _cooling(t, y, reference)
    way = _held_at(t, y, reference, ramp, cooling) - (reference - BAND_C)
    passing = sum(way / rate for rate in (ramp, cooling) if np.isfinite(rate) and rate > 0)
    return max(0.0, within - passing)


def _plateau_hold(t: np.ndarray, y: np.ndarray, middle: float) -> float:
    """Time in a band below the peak, less the way through all of it up and, last, down. [min]"""
    lo, hi = middle - BAND_C, middle + BAND_C
    within = time_between(t, y, lo, hi)
    up = _first_crossing(t, y, hi, rising=True) - _first_crossing(t, y, lo, rising=True)
    cooling = _cooling(t, y, middle)
    down = 2 * BAND_C / cooling if np.isfinite(cooling) else 0.0
    return max(0.0, within - up - down)


def _plateau(t: np.ndarray, y: np.ndarray, peak: float) -> float:
    """Median temperature in the band near the peak in which most time was spent. [°C]"""
    middles = peak - np.arange(0.0, _PLATEAU_SPAN_C + _PLATEAU_STEP_C / 2, _PLATEAU_STEP_C)
    spent = [time_between(t, y, middle - BAND_C, middle + BAND_C) for middle in middles]
    middle = float(middles[int(np.argmax(spent))])
    return _median_within(t, y, middle - BAND_C, middle + BAND_C) or middle


def _median_within(t: np.ndarray, y: np.ndarray, lo: float, hi: float) -> float | None:
    """Temperature below and above which as much time was spent between two levels; or None."""
    bottom = lo
    half = time_between(t, y, lo, hi) / 2
    if half <= 0:
        return None
    for _ in range(50):
        middle = (lo + hi) / 2
        low_side = time_between(t, y, bottom, middle) < half
        lo, hi = (middle, hi) if low_side else (lo, middle)
    return hi


def _held_at(t: np.ndarray, y: np.ndarray, reference: float, ramp: float, cooling: float) -> float:
    """Median temperature of the hold, heating and cooling within the band left away. [°C]"""
    lo, hi = reference - BAND_C, reference + BAND_C
    start = _first_crossing(t, y, lo, rising=True)
    end = t[-1] - _first_crossing((t[-1] - t)[::-1], y[::-1], lo, rising=True)
    start += BAND_C / ramp if np.isfinite(ramp) else 0.0
    end -= BAND_C / cooling if np.isfinite(cooling) else 0.0
    if not end > start:
        return reference
    inside = (t > start) & (t < end)
    part = np.concatenate([[start], t[inside], [end]])
    line = np.interp(part, t, y)
    middle = _median_within(part, line, lo, hi)
    return reference if middle is None else middle


def _checked(time_s: np.ndarray, temperature_C: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Times and (n, k) temperatures, rows without a time left away."""
    time = np.asarray(time_s, dtype=float)
    columns = np.asarray(temperature_C, dtype=float)
    columns = columns[:, None] if columns.ndim == 1 else columns
    if time.ndim != 1 or columns.ndim != 2 or len(time) != len(columns) or not columns.shape[1]:
        raise ValueError(
            f"{np.shape(time_s)} times do not match {np.shape(temperature_C)} temperatures"
        )
    timed = np.isfinite(time)
    time, columns = time[timed], columns[timed].copy()
    back = np.flatnonzero(np.diff(time) < 0)
    if len(back):
        raise ValueError(f"time falls from {time[back[0]]:g} to {time[back[0] + 1]:g} s")
    return time, columns


def _without_faults(time: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, int]:
    """Temperatures with faulty values taken out and gaps inside a column bridged; how many."""
    with np.errstate(invalid="ignore"):
        bad = (columns < _LOWEST_C) | (columns > _HIGHEST_C)
    columns = np.where(bad, np.nan, columns)
    dropped = int(bad.sum())
    for k in range(columns.shape[1]):
        at = np.flatnonzero(np.isfinite(columns[:, k]))
        if len(at) < 2:
            continue
        t, y = time[at] / 60.0, columns[at, k]
        step, dt = np.diff(y), np.maximum(np.diff(t), 1e-12)
        fast = (np.abs(step) > _SPIKE_C) & (np.abs(step) / dt > _SPIKE_C_PER_MIN)
        spike = np.zeros(len(at), dtype=bool)
        spike[1:-1] = fast[:-1] & fast[1:] & (step[:-1] * step[1:] < 0)
        dropped += int(spike.sum())
        t, y = t[~spike], y[~spike]
        inside = (time / 60.0 >= t[0]) & (time / 60.0 <= t[-1])
        columns[:, k] = np.where(inside, np.interp(time / 60.0, t, y), np.nan)
    return columns, dropped


def _first_crossing(t: np.ndarray, y: np.ndarray, level: float, *, rising: bool) -> float:
    """First moment at which the line reaches a level; NaN where it never does."""
    sign = 1.0 if rising else -1.0
    there = np.flatnonzero(sign * (y - level) >= 0)
    if not len(there):
        return np.nan
    i = int(there[0])
    if i == 0 or y[i] == y[i - 1]:
        return float(t[i])
    return float(t[i - 1] + (t[i] - t[i - 1]) * (level - y[i - 1]) / (y[i] - y[i - 1]))


def _ramp(t: np.ndarray, y: np.ndarray, top: float) -> float:
    """Mean heating rate from 10 % to 90 % of the rise. [°C/min]"""
    rise = top - y[0]
    if rise < 2 * BAND_C:
        return np.nan
    lo = _first_crossing(t, y, y[0] + 0.1 * rise, rising=True)
    hi = _first_crossing(t, y, y[0] + 0.9 * rise, rising=True)
    return float(0.8 * rise / (hi - lo)) if hi > lo else np.nan


def _cooling(t: np.ndarray, y: np.ndarray, reference: float) -> float:
    """Mean cooling rate from the end of the hold to 100 °C below, or to the record's end."""
    hot = np.flatnonzero(y >= reference - BAND_C)
    if not len(hot) or hot[-1] == len(y) - 1:
        return np.nan
    last = int(hot[-1])
    # Time runs backwards here, so the first crossing is the last moment in the band.
    start = t[-1] - _first_crossing(
        (t[-1] - t)[::-1], y[::-1], min(reference - BAND_C, float(y[last])), rising=True
    )
    level = max(reference - _COOLING_SPAN_C, float(y[last + 1 :].min()))
    if reference - BAND_C - level < BAND_C:
        return np.nan
    end = _first_crossing(t[last:], y[last:], level, rising=False)
    return float((reference - BAND_C - level) / (end - start)) if end > start else np.nan


def _severity(t: np.ndarray, y: np.ndarray) -> float:
    """log10 of ∫ exp((T − 100)/14.75) dt in minutes, exact for straight lines."""
    x = (y - 100.0) / 14.75
    d = np.diff(x)
    small = np.abs(d) < 1e-9
    mean = np.exp(x[:-1]) * np.where(small, 1.0, np.expm1(d) / np.where(small, 1.0, d))
    total = float(np.sum(np.diff(t) * mean))
    return float(np.log10(total)) if total > 0 else np.nan


def _spread(columns: np.ndarray, hot: np.ndarray) -> float:
    """Median difference between the highest and the lowest thermocouple while hot. [°C]"""
    here = columns[hot]
    here = here[np.isfinite(here).sum(axis=1) >= 2]
    if not len(here):
        return np.nan
    return float(np.median(np.nanmax(here, axis=1) - np.nanmin(here, axis=1)))
