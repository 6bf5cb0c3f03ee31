"""Tools for sampled curves: noise, integral, straight line, crossing of a level."""

import math
from dataclasses import dataclass

import numpy as np


def median(values: np.ndarray) -> float:
    """Median of finite values, as `numpy.median` with a tenth of its overhead."""
    half = len(values) // 2
    if half == 0:
        return float(values[0])
    return _median_in_place(np.array(values))


def _median_in_place(part: np.ndarray) -> float:
    """Median of at least two values, which end up in another order."""
    half = len(part) // 2
    # Two places even where one would do: numpy's way to one alone takes ten times as long where
    # many values are equal, as the steps of a clock are.
    part.partition([half - 1, half])
    return float(part[half]) if len(part) % 2 else 0.5 * float(part[half - 1] + part[half])


def noise_sd(values: np.ndarray) -> float:
    """Standard deviation of the white noise on a slowly varying record, in its own unit.

    Parameters
    ----------
    values : (n,) array
        Evenly sampled or nearly so.

    Notes
    -----
    From second differences d = x[i-1] - 2·x[i] + x[i+1], which no straight line enters:
    sd = 1.4826·median|d|/√6. The median keeps steps and spikes out.
    """
    if len(values) < 4:
        return 0.0
    rises = values[1:] - values[:-1]
    bends = rises[1:] - rises[:-1]
    return 1.4826 * _median_in_place(np.abs(bends, out=bends)) / 6.0**0.5


@dataclass(frozen=True)
class Crossing:
    """When a falling record passes a level.

    Parameters
    ----------
    time_s : float
        Moment. [s]
    se_s : float
        Standard error from the noise of the voltage. [s]
    """

    time_s: float
    se_s: float


def integral(time: np.ndarray, values: np.ndarray) -> float:
    """Trapezoidal integral of values over time; unit of the values times second."""
    return 0.5 * float(np.dot(values[1:] + values[:-1], time[1:] - time[:-1]))


def line_fit(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float, float]:
    """Straight line by least squares.

    Returns
    -------
    tuple of float
        Value at the mean of x, slope, mean of x, sum of squares of x about its mean.
    """
    mean = float(x.sum()) / len(x)
    away = x - mean
    spread = float(away @ away)
    slope = float(away @ y) / spread if spread > 0 else 0.0
    return float(y.sum()) / len(y), slope, mean, spread


def find_crossing(
    time: np.ndarray, voltage: np.ndarray, level: float, *, noise: float, edge: float
) -> Crossing | None:
    """When a discharge passes a level, by interpolation, or by a local line where it is noisy.

    Parameters
    ----------
    time, voltage : (n,) arrays
        One discharge. [s], [V]
    level : float
        [V]
    noise : float
        Standard deviation of the voltage's noise. [V]
    edge : float
        The record may fall short of the level by this much at either end. [V]

    Returns
    -------
    Crossing or None
        None where the discharge does not pass the level.

    Notes
    -----
    Linear interpolation between the two samples about the level (IEC 62391-1, from memory).
    Where noise exceeds a fifth of the voltage step per sample, one pair of samples says little:
    then a line through the samples around the level, enough of them to span eight standard
    deviations of the noise.
    """
    n = len(voltage)
    below = voltage < level
    first_below, last_above = int(below.argmax()), n - 1 - int(below[::-1].argmin())
    if not below[first_below]:  # all above
        if voltage[-1] - level > max(edge, 3 * noise):
            return None
        first_below = n
    if first_below == 0:
        if level - voltage[0] > max(edge, 3 * noise):
            return None
        first_below = 1
        last_above = 0 if below[last_above] else last_above
    drop = abs(voltage[0] - voltage[-1]) / max(n - 1, 1)
    if noise <= 0.2 * drop or n < 8:
        i = min(max(first_below, 1), n - 1)
        dv, dt = voltage[i - 1] - voltage[i], time[i] - time[i - 1]
        share = (voltage[i - 1] - level) / dv if dv > 0 else 0.5
        se = min(noise * math.hypot(share, 1.0 - share) * dt / dv, dt) if dv > 0 else dt
        return Crossing(float(time[i - 1] + share * dt), float(se))
    middle = (first_below + last_above) // 2
    half = int(min(max(4 * noise / max(drop, 1e-15), 3), max(3, n // 10)))
    chosen = slice(max(0, middle - half), min(n, middle + half + 1))
    value, slope, mean, spread = line_fit(time[chosen], voltage[chosen])
    if slope >= 0:
        return None
    ahead = (level - value) / slope  # the noise chose the samples: the level lies off their middle
    share = math.sqrt(1.0 / len(time[chosen]) + ahead**2 / spread)
    return Crossing(float(mean + ahead), float(noise * share / -slope))
