"""Rises and falls of a voltage whose current was not logged, with the flat parts between."""

import itertools

import numpy as np

from charscreen.curves import line_fit, noise_sd

TURN_SHARE = 0.2  # a turn of the voltage is a swing of this share of its range
FLAT_SHARE = 0.25  # a slope below this share of the swing's own counts as flat
SLOPE_CLEAR = 5.0  # a slope this many standard errors from none can be told (common practice)


def turning_points(values: np.ndarray, swing: float) -> list[int]:
    """Indices of alternating low and high points that lie at least `swing` apart.

    Parameters
    ----------
    values : (n,) array
        Any unit.
    swing : float
        Least difference between neighbouring turning points, in the unit of `values`.

    Returns
    -------
    list of int
        With the first and the last sample where these are ends of a swing.
    """
    kept = _candidates(values, swing)
    points: list[int] = []
    series = values[kept].tolist()
    low = high = direction = 0
    for i, value in enumerate(series):
        if direction >= 0 and value > series[high]:
            high = i
        if direction <= 0 and value < series[low]:
            low = i
        if direction >= 0 and series[high] - value >= swing:
            points.append(high)
            direction, low = -1, i
        elif direction <= 0 and value - series[low] >= swing:
            points.append(low)
            direction, high = 1, i
    if direction:
        points.append(high if direction > 0 else low)
    return [int(kept[i]) for i in points]


def _candidates(values: np.ndarray, swing: float) -> np.ndarray:
    """Indices that can be turning points: local highs and lows, without those of small ripples.

    A rise or fall smaller than `swing` that is no larger than its two neighbours makes no
    turning point, nor do its two ends: taken out all at once, a few rounds leave little to go
    through one by one.
    """
    n = len(values)
    if n < 3:
        return np.arange(n)
    # Of equal values in a row the first counts, as it does one by one.
    first = np.flatnonzero(np.diff(values, prepend=np.nan) != 0)
    slope = np.sign(np.diff(values[first]))
    kept = first[np.concatenate([[True], slope[1:] != slope[:-1], [True]])] if len(first) > 2 \
        else first  # fmt: skip
    while len(kept) > 4:
        size = np.abs(np.diff(values[kept]))
        inner = size[1:-1]
        small = (inner < swing) & (inner <= size[:-2]) & (inner < size[2:])
        # Two neighbours would share a point: the strict side above lets only one of them through.
        places = np.flatnonzero(small) + 1
        if len(places) < 1 + len(kept) // 50:
            break
        going = np.ones(len(kept), dtype=bool)
        going[places] = going[places + 1] = False
        kept = kept[going]
    return kept


def voltage_states(time_s: np.ndarray, voltage_V: np.ndarray) -> np.ndarray:
    """+1, -1 or 0 per sample from the voltage alone.

    Parameters
    ----------
    time_s : (n,) array
        [s]
    voltage_V : (n,) array
        [V]

    Returns
    -------
    (n,) int array

    Notes
    -----
    Between a low and a high turning point the cell charges, between a high and a low one it
    discharges; before a discharge, the samples up to the step are a rest or hold where the
    voltage falls slower than a quarter of the discharge. The step is where the voltage falls
    most, seen from the line through the middle of the discharge. Rises are treated alike.
    """
    span = float(np.quantile(voltage_V, 0.999) - np.quantile(voltage_V, 0.001))
    states = np.zeros(len(voltage_V), dtype=int)
    if span <= 0:
        return states
    noise = noise_sd(voltage_V)
    points = turning_points(voltage_V, max(TURN_SHARE * span, 6.0 * noise))
    points = _with_ends(points, voltage_V, noise)
    for k, (a, b) in enumerate(itertools.pairwise(points)):
        sign = 1 if voltage_V[b] > voltage_V[a] else -1
        # A turning point is the last sample of what went before it.
        skip = 0 if k == 0 else 1
        states[a + skip : b + 1] = _leg_states(time_s[a : b + 1], voltage_V[a : b + 1], sign)[skip:]
    return states


def _with_ends(points: list[int], voltage: np.ndarray, noise: float) -> list[int]:
    """Turning points with the first and last moved to the ends where noise alone parts them."""
    if len(points) < 2:
        return points
    out = list(points)
    for place, beside, end in ((0, 1, 0), (-1, -2, len(voltage) - 1)):
        a, b = out[place], out[beside]
        per_sample = abs(voltage[b] - voltage[a]) / abs(b - a)
        if abs(end - a) <= 6.0 * noise / per_sample:
            out[place] = end
    return out


def _leg_states(time: np.ndarray, voltage: np.ndarray, sign: int) -> np.ndarray:
    """States within one rise (+1) or fall (-1): the moving part and the flat ends."""
    states = np.full(len(time), sign)
    level = (voltage - voltage[0]) / (voltage[-1] - voltage[0])
    middle = np.flatnonzero((level > 0.2) & (level < 0.8))
    if len(middle) < 2 or time[middle[-1]] <= time[middle[0]]:
        return states
    t, v = time[middle], voltage[middle]
    slope = line_fit(t, v)[1]
    if slope * sign <= 0:
        return states
    noise = noise_sd(voltage)
    per_sample = abs(slope) * (time[-1] - time[0]) / (len(time) - 1)
    widest = max(1, min(50, int(middle[0]) // 3))
    width = int(np.clip(3.0 * noise / max(per_sample, 1e-15), 1, widest))
    lag = sign * (v[0] + slope * (time - t[0]) - voltage)
    start, is_clear = find_step(lag[: middle[0] + width + 1], width, noise)
    if not is_clear and noise > 0.2 * per_sample:
        # Seen backward in time, a rest before the step is a flat part behind a rise.
        part = slice(int(middle[0]), None, -1)
        back_t, back_v = time[middle[0]] - time[part], sign * (v[0] - voltage[part])
        start = int(middle[0]) - 1 - _flat_from(back_t, back_v, abs(slope), noise)
    if start >= (1 if width == 1 else 2 * width):
        shelf = slice(max(1, start // 3), start + 1)
        drift = 0.0
        if start >= 3:
            drift = line_fit(time[shelf], voltage[shelf])[1]
        if is_clear and _began_late(sign * voltage, start, width, per_sample, noise):
            states[: start + 1] = -sign
        elif abs(drift) < FLAT_SHARE * abs(slope):
            states[: start + 1] = 0
    # Behind the middle: a hold or rest begins where the record stops rising or falling.
    last = int(middle[-1])
    stop = last + _flat_from(time[last:] - time[last], sign * voltage[last:], abs(slope), noise)
    states[stop + 1 :] = 0
    return states


def _began_late(
    rising: np.ndarray, start: int, width: int, per_sample: float, noise: float
) -> bool:
    """Whether the samples before the step still belong to the leg before this one.

    Parameters
    ----------
    rising : (n,) array
        Voltage from the turning point on, turned so that the leg rises. [V]
    start, width : int
        Last sample before the step, and how many are averaged.
    per_sample, noise : float
        Change of the voltage per sample and standard deviation of one sample. [V]

    Notes
    -----
    Noise as large as the change per sample can make a sample before the last of a charge its
    highest. What follows is then too short for its slope to tell a rest from the charge, but a
    rest begins with a step of its own, I R, as large as the one that ends it.
    """
    if _is_slope_clear(per_sample, start, noise):
        return False
    shelf = rising[1 : start + 1]
    step = float(rising[start + 1 : start + 1 + width].mean() - shelf[-width:].mean())
    return float(shelf.mean() - rising[0]) < 0.5 * step + noise


def _is_slope_clear(per_sample: float, n: int, noise: float) -> bool:
    """Whether n samples tell a slope from none: its error is noise sqrt(12 / n^3) per sample."""
    return per_sample * np.sqrt(n**3 / 12) >= SLOPE_CLEAR * noise


def _flat_from(time: np.ndarray, rising: np.ndarray, slope: float, noise: float) -> int:
    """Last sample of a rise before it turns flat; the last of all where it does not.

    Parameters
    ----------
    time, rising : (n,) arrays
        From a sample that is still on the rise. [s], [V]
    slope : float
        Of the rise before it. [V/s]
    noise : float
        Standard deviation of one sample. [V]

    Notes
    -----
    Of all places to part the record into a line and a level, each by least squares, the one
    with the least sum of squares; its flat part must be flat, and longer than noise can feign.
    """
    n = len(time)
    if n < 6:
        return n - 1
    split, spread = _best_split(time, rising)
    flat_t, flat = time[split + 1 :], rising[split + 1 :]
    if len(flat) < 3 or spread == 0.0:
        return n - 1
    span = flat_t[-1] - flat_t[0]
    would_rise = slope * (time[-1] - time[split])
    drift = line_fit(flat_t, flat)[1] if span > 0 else 0.0
    is_flat = abs(drift) * span < FLAT_SHARE * would_rise + 2.0 * noise
    per_sample = would_rise / (n - 1 - split)
    return split if is_flat and _is_slope_clear(per_sample, len(flat), noise) else n - 1


def _best_split(x: np.ndarray, y: np.ndarray) -> tuple[int, float]:
    """Last sample of the line, and the sum of squares saved against no split."""
    n = len(x)
    count = np.arange(1.0, n + 1)
    y = y - y.mean()
    sums = [np.cumsum(part) for part in (x, y, x * x, x * y, y * y)]
    sx, sy, sxx, sxy, syy = sums
    var_x = np.maximum(sxx - sx * sx / count, 0.0)
    cov = sxy - sx * sy / count
    line = syy - sy * sy / count - np.divide(cov**2, var_x, out=np.zeros(n), where=var_x > 0)
    behind = np.maximum(n - count, 1.0)
    level = (syy[-1] - syy) - (sy[-1] - sy) ** 2 / behind
    total = np.maximum(line, 0.0) + np.maximum(level, 0.0)
    split = 1 + int(np.argmin(total[1 : n - 1]))
    return split, float(total[-1] - total[split])


def step_index(lag: np.ndarray, width: int, noise: float) -> int:
    """Last sample before the step; see `find_step`."""
    return find_step(lag, width, noise)[0]


def find_step(lag: np.ndarray, width: int, noise: float) -> tuple[int, bool]:
    """Last sample before the step: where the lag behind the line falls most at once.

    Parameters
    ----------
    lag : (n,) array
        How far the record stands behind the curve it follows after the step.
    width : int
        Samples on either side that are averaged before they are compared.
    noise : float
        Standard deviation of one sample, in the unit of `lag`.

    Returns
    -------
    tuple
        The sample, and whether a fall stands out of the noise there; where none does (no
        resistance to speak of) the place of the largest lag.
    """
    n = len(lag) - width
    if n < 1:
        return 0, False
    total = np.concatenate([[0.0], np.cumsum(lag)])
    j = np.arange(n)
    low = np.maximum(j - width + 1, 0)
    before = (total[j + 1] - total[low]) / (j + 1 - low)
    after = (total[j + 1 + width] - total[j + 1]) / width
    fall = before - after
    # A rest has two falls of one size, at its start and at its end: the last one is the step.
    near = np.flatnonzero(fall > 0.7 * fall.max())
    best = int(near[-1]) if fall.max() > 0 else 0
    best = max(0, best - width) + int(np.argmax(fall[max(0, best - width) : best + 1]))
    if fall[best] > 5.0 * noise * np.sqrt(2.0 / width) and fall[best] > 0:
        return best, True
    return int(np.argmax(before)), False
