"""Finding charge, discharge, rest and hold in a trace, from the current or from the voltage."""

from dataclasses import dataclass

import numpy as np

from charscreen.curves import median, noise_sd
from charscreen.traces.swings import step_index, voltage_states

__all__ = [
    "Segment",
    "current_states",
    "find_segments",
    "number_cycles",
    "runs_of_states",
    "step_index",
    "voltage_states",
]

QUIET_SHARE = 0.02  # current below this share of the largest counts as none
NOISE_FACTOR = 5.0  # and below this many standard deviations of its noise


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
        segments = _join_hold(segments, current_A)
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
    place = int(0.99 * (len(size) - 1))
    # Two places where one would do: see charscreen.curves.median.
    largest = float(np.partition(size, [max(place - 1, 0), place])[place])
    threshold = max(QUIET_SHARE * largest, NOISE_FACTOR * noise_sd(current_A))
    threshold = min(threshold, 0.5 * largest)
    states = np.subtract(current_A > threshold, current_A < -threshold, dtype=np.int8)
    return _absorb_blips(states, longest=2)


def _run_ends(states: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """First sample of each run of equal states, and one past its last."""
    turns = np.flatnonzero(states[1:] != states[:-1]) + 1
    return np.concatenate([[0], turns]), np.concatenate([turns, [len(states)]])


def _absorb_blips(states: np.ndarray, longest: int) -> np.ndarray:
    """States with short runs between two runs of one kind given to that kind."""
    starts, stops = _run_ends(states)
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
    starts, stops = _run_ends(states)
    names = {1: "charge", -1: "discharge", 0: "rest"}
    return [
        Segment(names[int(states[a])], int(a), int(b)) for a, b in zip(starts, stops, strict=True)
    ]


def _split_hold(segment: Segment, voltage: np.ndarray, current: np.ndarray) -> list[Segment]:
    """A charge parted from the hold after it, where voltage stands and current dies away."""
    a, b = segment.start, segment.stop
    if segment.kind != "charge" or b - a < 6:
        return [segment]
    nominal = median(current[a : a + max(3, (b - a) // 4)])
    if current[b - 3 : b].max() >= 0.9 * nominal:  # the cheap question first: most end here
        return [segment]
    v = voltage[a:b]
    band = max(0.01 * (v.max() - v.min()), 4.0 * noise_sd(v))
    holding = (current[a:b] < 0.9 * nominal) & (np.abs(v - v[-1]) < band)
    steady = len(holding) - int(np.argmin(holding[::-1])) if not holding.all() else 0
    if b - a - steady < 3:
        return [segment]
    return [Segment("charge", a, a + steady), Segment("hold", a + steady, b)]


def _join_hold(segments: list[Segment], current: np.ndarray) -> list[Segment]:
    """Segments with a hold up to where its dying current is last seen above its noise."""
    out: list[Segment] = []
    full = 0.0
    for segment in segments:
        is_charge = segment.kind == "charge"
        size = median(current[segment.start : segment.stop]) if is_charge else 0.0
        if is_charge and full and size < 0.5 * full:
            hold = next((k for k in (-1, -2) if len(out) >= -k and out[k].kind == "hold"), None)
            if hold is not None:  # with or without a bit of rest between
                start = out[hold].start
                del out[hold:]
                out.append(Segment("hold", start, segment.stop))
                continue
        if is_charge:
            full = size
        elif segment.kind == "discharge":
            full = 0.0
        out.append(segment)
    return out


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
