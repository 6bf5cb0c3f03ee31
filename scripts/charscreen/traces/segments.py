"""Finding charge, discharge, rest and hold in a trace, from the current or from the voltage."""

import itertools
from dataclasses import dataclass

import numpy as np

from charscreen.capacitance.curves import line_fit, noise_sd

QUIET_SHARE = 0.02  # current below this share of the largest counts as none
NOISE_FACTOR = 5.0  # and below this many standard deviations of its noise
TURN_SHARE = 0.2  # a turn of the voltage is a swing of this share of its range
FLAT_SHARE = 0.25  # a slope below this share of the swing's own counts as flat


@dataclass(frozen=True)
class Segment:
    """A run of samples in which one thing happens.

    Parameters
    ----------
    kind : str
        ``charge``, ``discharge``, ``rest`` (no current) or ``hold`` (voltage held).
    start, stop : int
        First sample and one past the last.
    cycle : int
        Number of the cycle, from 1; a cycle ends with its discharge (and the rest after it).
    """

    kind: str
    start: int
    stop: int
    cycle: int = 0


def find_segments(
    time_s: np.ndarray, voltage_V: np.ndarray, current_A: np.ndarray | None = None
) -> list[Segment]:
    """Segments of a trace in order, with numbered cycles.

    Parameters
    ----------
    time_s : (n,) array
        Never falling. [s]
    voltage_V : (n,) array
        [V]
    current_A : (n,) array, optional
        Positive on charge; None where not logged: then the voltage alone is used. [A]

    Returns
    -------
    list of Segment
        Together they cover every sample once.

    Notes
    -----
    With current: its sign, where it exceeds 2 % of the largest current and five times its
    noise; a blip of up to two samples inside a segment belongs to it. Without: the turning
    points of the voltage (swings over 20 % of its range), with flat parts told by their slope.
    The shares are common practice, no source.
    """
    if len(time_s) < 3:
        return []
    states = voltage_states(time_s, voltage_V) if current_A is None else current_states(current_A)
    segments = runs_of_states(states)
    if current_A is not None:
        segments = [part for s in segments for part in _split_hold(s, voltage_V, current_A)]
    return number_cycles(segments)


def current_states(current_A: np.ndarray) -> np.ndarray:
    """+1 where charging, -1 where discharging, 0 where no current flows.

    Parameters
    ----------
    current_A : (n,) array
        Positive on charge. [A]

    Returns
    -------
    (n,) int array
    """
    size = np.abs(current_A)
    largest = float(np.quantile(size, 0.99))
    threshold = max(QUIET_SHARE * largest, NOISE_FACTOR * noise_sd(current_A))
    threshold = min(threshold, 0.5 * largest)
    states = np.where(size > threshold, np.sign(current_A), 0).astype(int)
    return _absorb_blips(states, longest=2)


def _absorb_blips(states: np.ndarray, longest: int) -> np.ndarray:
    """States with short runs between two runs of one kind given to that kind."""
    starts = np.flatnonzero(np.diff(states, prepend=states[0] - 9))
    stops = np.append(starts[1:], len(states))
    kinds = states[starts]
    out = states.copy()
    for k in range(1, len(starts) - 1):
        is_short = stops[k] - starts[k] <= longest
        if is_short and kinds[k - 1] == kinds[k + 1] != 0:
            longer = stops[k - 1] - starts[k - 1] + stops[k + 1] - starts[k + 1]
            if longer > 4 * longest:
                out[starts[k] : stops[k]] = kinds[k - 1]
    return out


def runs_of_states(states: np.ndarray) -> list[Segment]:
    """Runs of equal states (+1, -1, 0) as charge, discharge and rest."""
    starts = np.flatnonzero(np.diff(states, prepend=states[0] - 9))
    stops = np.append(starts[1:], len(states))
    names = {1: "charge", -1: "discharge", 0: "rest"}
    return [
        Segment(names[int(states[a])], int(a), int(b)) for a, b in zip(starts, stops, strict=True)
    ]


def _split_hold(segment: Segment, voltage: np.ndarray, current: np.ndarray) -> list[Segment]:
    """A charge parted from the hold after it, where voltage stands and current dies away."""
    a, b = segment.start, segment.stop
    if segment.kind != "charge" or b - a < 6:
        return [segment]
    nominal = float(np.median(current[a : a + max(3, (b - a) // 4)]))
    v = voltage[a:b]
    band = max(0.01 * (v.max() - v.min()), 4.0 * noise_sd(v))
    holding = (current[a:b] < 0.9 * nominal) & (np.abs(v - v[-1]) < band)
    steady = len(holding) - int(np.argmin(holding[::-1])) if not holding.all() else 0
    if b - a - steady < 3:
        return [segment]
    return [Segment("charge", a, a + steady), Segment("hold", a + steady, b)]


def number_cycles(segments: list[Segment]) -> list[Segment]:
    """Segments with cycle numbers: a new cycle begins with the charge after a discharge.

    Parameters
    ----------
    segments : list of Segment
        In order of time.
    """
    out, cycle, seen_discharge = [], 1, False
    for segment in segments:
        starts_anew = segment.kind in ("charge", "discharge") and seen_discharge
        if starts_anew:
            cycle, seen_discharge = cycle + 1, False
        if segment.kind == "discharge":
            seen_discharge = True
        out.append(Segment(segment.kind, segment.start, segment.stop, cycle))
    return out


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
    points: list[int] = []
    series = values.tolist()
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
    return points


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
    points = turning_points(voltage_V, max(TURN_SHARE * span, 6.0 * noise_sd(voltage_V)))
    for k, (a, b) in enumerate(itertools.pairwise(points)):
        sign = 1 if voltage_V[b] > voltage_V[a] else -1
        # A turning point is the last sample of what went before it.
        skip = 0 if k == 0 else 1
        states[a + skip : b + 1] = _leg_states(time_s[a : b + 1], voltage_V[a : b + 1], sign)[skip:]
    return states


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
    start = step_index(lag[: middle[0] + width + 1], width, noise)
    if start >= (1 if width == 1 else 2 * width):
        shelf = slice(max(1, start // 3), start + 1)
        drift = 0.0
        if start >= 3:
            drift = line_fit(time[shelf], voltage[shelf])[1]
        if abs(drift) < FLAT_SHARE * abs(slope):
            states[: start + 1] = 0
    # Behind the middle: a hold or rest begins where the record stops following the line.
    tail_time, tail = time[middle[-1] :], voltage[middle[-1] :]
    reach = max(2, len(tail) // 20)
    if len(tail) > 3 * reach:
        gaps = np.maximum(tail_time[reach:] - tail_time[:-reach], 1e-12)
        moving = np.flatnonzero((tail[reach:] - tail[:-reach]) / gaps * sign
                                > FLAT_SHARE * abs(slope))  # fmt: skip
        stop = middle[-1] + (int(moving[-1]) + reach if len(moving) else 0)
        states[stop + 1 :] = 0
    return states


def step_index(lag: np.ndarray, width: int, noise: float) -> int:
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
    int
        Where no fall stands out (no resistance to speak of), the place of the largest lag.
    """
    n = len(lag) - width
    if n < 1:
        return 0
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
        return best
    return int(np.argmax(before))
