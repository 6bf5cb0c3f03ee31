"""Temperature records of the demo's kiln: what a logger wrote, and what somebody read by hand."""

import numpy as np

from charscreen.costs import ROOM_TEMPERATURE_C
from charscreen.demo.random_streams import stream
from charscreen.demo.scenario import OVERSHOT_C, RAMP_C_PER_MIN, Firing, Scenario

# The switched-off kiln falls towards the room with this time constant. [min]
COOLING_MIN = 310.0
RECORDED_AFTER_MIN = 360
HAND_READ = "F01"
# Firing to the column map of its log; the overshot firing has one as well.
LOGGED = {"F02": "kiln_two_probes", "A03": "kiln"}
OVERSHOT_MAP = "kiln"


def clock(firing: Firing, seed: int) -> tuple[int, float]:
    """Hold [min] and heating rate [degC/min] that a firing really had."""
    rng = stream(seed, "kiln clock", firing.firing)
    hold = firing.planned_hold_min + int(rng.integers(0, 2))
    return hold, float(f"{RAMP_C_PER_MIN * rng.uniform(0.94, 1.03):.2f}")


def log_of(firing: Firing) -> tuple[str, str] | None:
    """Name of the log of a firing and of the column map that reads it; None without a log."""
    layout = OVERSHOT_MAP if firing.done_C == OVERSHOT_C else LOGGED.get(firing.firing)
    return None if layout is None else (f"{firing.firing}_kiln.csv", layout)


def make_logs(scenario: Scenario) -> dict[str, bytes]:
    """Content of every kiln log, by file name."""
    logs = {}
    for firing in scenario.firings:
        named = log_of(firing)
        if named is not None:
            write = _two_probes if named[1] == "kiln_two_probes" else _one_probe
            logs[named[0]] = write(firing, scenario.seed).encode("utf-8")
    return logs


def hand_readings(scenario: Scenario) -> list[dict]:
    """Temperatures that somebody read by hand in one firing: hourly, often near the peak."""
    firing = next(item for item in scenario.firings if item.firing == HAND_READ)
    t, y = _profile(firing, scenario.seed)
    top, end = t[1], t[-2]
    times = [*np.arange(0, top - 30, 60), *np.arange(10 * (top // 10), end + 20, 10)]
    times += [end + 60, end + 120]
    rng = stream(scenario.seed, "kiln readings", firing.firing)
    rows = []
    for time in times:
        value = _at(time, t, y) + rng.normal(0.0, 0.4)
        rows.append(
            {"firing": HAND_READ, "time_min": f"{time:.0f}", "temperature_C": f"{value:.0f}"}
        )
    return rows


def _profile(firing: Firing, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the temperature over time up to the end of the hold. [min], [degC]"""
    hold, ramp = clock(firing, seed)
    if firing.done_C == OVERSHOT_C:
        # Reached the set point, ran 60 degC past it in 20 min and came back in another 20.
        set_point = firing.planned_C
        top = (set_point - ROOM_TEMPERATURE_C) / ramp
        t = [0.0, top, top + 20.0, top + 40.0, top + 40.0 + hold - 10.0]
        y = [ROOM_TEMPERATURE_C, set_point, firing.done_C, set_point, set_point]
    else:
        top = (firing.done_C - ROOM_TEMPERATURE_C) / ramp
        t, y = [0.0, top, top + hold], [ROOM_TEMPERATURE_C, firing.done_C, firing.done_C]
    return np.array([*t, t[-1] + RECORDED_AFTER_MIN]), np.array([*y, np.nan], dtype=float)


def _at(time: np.ndarray, t: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Temperature at any time: straight lines between the corners, then free cooling."""
    end, last = t[-2], y[-2]
    free = ROOM_TEMPERATURE_C + (last - ROOM_TEMPERATURE_C) * np.exp(
        -np.maximum(np.subtract(time, end), 0) / COOLING_MIN
    )
    return np.where(np.less_equal(time, end), np.interp(time, t[:-1], y[:-1]), free)


def _one_probe(firing: Firing, seed: int) -> str:
    """A log in seconds with one thermocouple, every two minutes."""
    t, y = _profile(firing, seed)
    times = np.arange(0.0, t[-1], 2.0)
    rng = stream(seed, "kiln log", firing.firing)
    values = _at(times, t, y) + rng.normal(0.0, 0.3, times.size)
    lines = [f"{60 * a:.0f},{b:.1f}" for a, b in zip(times, values, strict=True)]
    return "\n".join(["# kiln log, invented data", "time_s,temperature_C", *lines]) + "\n"


def _two_probes(firing: Firing, seed: int) -> str:
    """A log in minutes with two thermocouples and decimal commas, every five minutes."""
    t, y = _profile(firing, seed)
    times = np.arange(0.0, t[-1], 5.0)
    rng = stream(seed, "kiln log", firing.firing)
    middle = _at(times, t, y)
    lines = []
    for time, value in zip(times, middle, strict=True):
        upper, lower = (value + shift + rng.normal(0.0, 0.3) for shift in (3.0, -3.0))
        lines.append(f"{time:.0f};{upper:.1f};{lower:.1f}".replace(".", ","))
    head = ["Kiln log (invented data)", "minutes;upper (°C);lower (°C)"]
    return "\n".join([*head, *lines]) + "\n"
