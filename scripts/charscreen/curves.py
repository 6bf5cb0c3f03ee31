"""Tools for sampled curves: noise, integral, straight line, crossing of a level."""

import math
from dataclasses import dataclass

import numpy as np

LEAST_MOVES = 6  # moves from which a digitiser's step is believed
LEAST_CHANGES = 3  # and changes between them; a rest before a straight line makes one
LEAST_LEVELS = 12  # and steps that the record passes
_FEW = 20  # readings at the start of a record that may tell at once
_WHOLE = 1e-3  # of a step: moves that are whole multiples of it may be off by so much
_SQRT_12 = 12.0**0.5


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


def reading_noise(values: np.ndarray) -> tuple[float, float]:
    """Noise of a record, not less than that of its rounding, and the step it was rounded to.

    Parameters
    ----------
    values : (n,) array
        Evenly sampled or nearly so.

    Returns
    -------
    tuple of float
        Standard deviation; step of the digitiser where rounding sets that, else 0. Unit of the
        values.

    Notes
    -----
    A record that moves slower than its digits stands still between steps, and `noise_sd` finds
    little or nothing. The standard deviation of rounding is step/√12 (rectangular, JCGM
    100:2008, F.2.2.1); the step is found as `digit_step` says.
    """
    noise = noise_sd(values)
    step = digit_step(values, least=_SQRT_12 * noise)
    return (step / _SQRT_12, step) if step > 0 else (noise, 0.0)


def digit_step(
    values: np.ndarray, *, least: float = 0.0, least_levels: int = LEAST_LEVELS
) -> float:
    """Step of the digits or the digitiser that a record went through; 0 where none shows.

    Parameters
    ----------
    values : (n,) array
        A record.
    least : float
        A step not above this is not looked for.
    least_levels : int
        Steps that the record must pass: 1 for one that stands still but for its last digit.

    Notes
    -----
    Digits as on a display: the largest of 1, 2 and 5 in a decimal place, down to a hundredth of
    the least move, of which all values are whole multiples. A record that moves by one digit each
    time counts as rounded, although an exact line could look the same. Else a digitiser's step:
    the least move between neighbours, or the least gap between two moves, where all moves are
    whole multiples of it and vary (a straight line without rounding moves evenly).
    A step is only believed where the record passes a dozen of them (twice as many where it moves
    evenly): someone may note the time at which the voltage passes 0.9, 0.8, 0.7 V.
    """
    if len(values) <= LEAST_MOVES:
        return 0.0
    high, low = float(values.max()), float(values.min())
    if high == low:
        return 0.0
    head = values[:_FEW]
    some = np.abs(head[1:] - head[:-1])  # settles most records, which are noisy
    if ((some > 1e-9 * max(high, -low)) & (some <= least)).any():
        return 0.0
    moves = np.abs(values[1:] - values[:-1])
    tiny = 1e-9 * max(high, -low)
    real = moves[moves > tiny]
    if len(real) < LEAST_MOVES:
        return 0.0
    smallest = float(real.min())
    if smallest <= least:
        return 0.0
    is_even = float(real.max()) < smallest * (1.0 + _WHOLE)
    step = _decimal_step(values, smallest)
    if step == 0.0 and not is_even:
        step = _common_step(moves, np.sort(real), tiny)
    levels = least_levels * (2 if is_even and least_levels > 1 else 1)
    return step if step > least and high - low > (levels - 0.5) * step else 0.0


def clock_step(time: np.ndarray) -> float:
    """Step that time stamps were rounded to, where they show it; else 0.

    Parameters
    ----------
    time : (n,) array
        Never falling. [s]

    Notes
    -----
    Rows that come evenly are stamped unevenly by a coarse clock: the moves then differ by one or
    two steps of it. Even stamps say nothing against the clock, and moves that differ by less than
    a twentieth matter little.
    """
    moves = time[1:] - time[:-1]
    if len(moves) < LEAST_MOVES:
        return 0.0
    high, low = float(moves.max()), float(moves.min())
    if high - low < 0.05 * high:
        return 0.0
    real = moves[moves > 1e-9 * high]
    step = _common_step(moves, np.sort(real), 1e-6 * high)
    return step if high - low < 2.5 * step else 0.0


def _decimal_step(values: np.ndarray, most: float) -> float:
    """Largest of 1, 2 and 5 in a decimal place, not above a limit, that divides all values."""
    place = 10.0 ** math.floor(math.log10(most) + 1e-9)
    for step in (lead * place / down for down in (1.0, 10.0, 100.0) for lead in (5.0, 2.0, 1.0)):
        if step > most * (1.0 + 1e-6):
            continue
        if _are_whole(values[:8] / step) and _are_whole(values / step):  # a few settle most
            return step
    return 0.0


def _common_step(moves: np.ndarray, ordered: np.ndarray, tiny: float) -> float:
    """What all moves are whole multiples of, where they vary."""
    step = float(ordered[0])
    between = ordered[1:] - ordered[:-1]  # moves of 15 and 16 steps differ by one
    between = between[between > max(tiny, _WHOLE * step)]
    if len(between):
        step = min(step, float(between.min()))
    whole = np.rint(moves / step)
    if np.count_nonzero(whole[1:] != whole[:-1]) < LEAST_CHANGES:
        return 0.0
    return step if _are_whole(moves / step) else 0.0


def _are_whole(counts: np.ndarray) -> bool:
    return float(np.abs(counts - np.rint(counts)).max()) < _WHOLE


def independent_readings(values: np.ndarray, step: float) -> float:
    """How many readings of a rounded record count: those on one level share its error.

    Parameters
    ----------
    values : (n,) array
        A rising or falling record.
    step : float
        What it was rounded to; 0 where it was not, or where noise is larger.
    """
    n = len(values)
    if step <= 0 or n < 2:
        return float(n)
    return min(float(n), 1.0 + abs(float(values[-1] - values[0])) / step)


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


def is_curved(x: np.ndarray, y: np.ndarray, *, noise: float, least_share: float) -> bool:
    """Whether the slopes of the two halves of a curve differ by more than noise explains.

    Parameters
    ----------
    x, y : (n,) arrays
        The curve.
    noise : float
        Standard deviation of the noise on `y`.
    least_share : float
        Difference, as a share of the mean slope, up to which it counts as straight.
    """
    half = len(x) // 2
    _, first, _, spread_1 = line_fit(x[:half], y[:half])
    _, second, _, spread_2 = line_fit(x[half:], y[half:])
    if spread_1 <= 0 or spread_2 <= 0:
        return False
    se = noise * math.sqrt(1.0 / spread_1 + 1.0 / spread_2)
    mean = 0.5 * abs(first + second)
    return abs(first - second) > max(least_share * mean, 3.0 * se)


def find_crossing(
    time: np.ndarray,
    voltage: np.ndarray,
    level: float,
    *,
    noise: float,
    edge: float,
    step: float = 0.0,
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
    step : float
        What the voltage was rounded to, where that sets the noise. [V]

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
    if spread <= 0:  # all within one step of the clock, whose resolution counts elsewhere
        return Crossing(mean, 0.0)
    if slope >= 0:
        return None
    ahead = (level - value) / slope  # the noise chose the samples: the level lies off their middle
    n_chosen = len(time[chosen])
    repeats = n_chosen / independent_readings(voltage[chosen], step)
    share = math.sqrt(repeats * (1.0 / n_chosen + ahead**2 / spread))
    return Crossing(float(mean + ahead), float(noise * share / -slope))
