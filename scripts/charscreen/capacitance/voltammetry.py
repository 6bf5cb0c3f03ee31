"""Voltammetry: capacitance of each scan from the area of its loop."""

import itertools
from dataclasses import dataclass

import numpy as np

from charscreen.capacitance.discharge import EXACT
from charscreen.curves import digit_step, line_fit, noise_sd
from charscreen.traces.swings import turning_points

MIDDLE_SHARE = 0.8  # of a sweep: near its ends the current still turns round
COMPLETE_SHARE = 0.05  # a sweep may miss either end by this share of its range
RATE_SHARE = 0.05  # the record's own scan rate may differ from the stated one by this share
SQUARE_LEAST = 0.6  # a loop filling less of its rectangle is far from a capacitor's
LEAST_POINTS = 10

#: Columns of one scan.
SCAN_COLUMNS = (
    "cycle", "start_s", "n_points", "voltage_low_V", "voltage_high_V",
    "scan_rate_mV_per_s", "scan_rate_found_mV_per_s", "current_mA",
    "capacitance_F", "capacitance_F_se", "capacitance_F_se_a", "capacitance_F_se_b",
    "coulombic_efficiency_percent", "coulombic_efficiency_percent_se",
    "rectangularity", "loop_area_W", "quality",
)  # fmt: skip


@dataclass(frozen=True)
class _Sweep:
    """One way of a scan: samples, and the part of it that is evaluated."""

    start: int
    stop: int
    sign: int
    rate_V_s: float


def measure_scans(
    time_s: np.ndarray,
    voltage_V: np.ndarray,
    current_A: np.ndarray,
    *,
    scan_rate_V_s: float | None,
    middle_share: float = MIDDLE_SHARE,
    instrument: dict | None = None,
) -> tuple[list[dict], list[str]]:
    """One row per scan (a sweep and the one back), and why other sweeps gave none.

    Parameters
    ----------
    time_s, voltage_V : (n,) arrays
        [s], [V]
    current_A : (n,) array
        Positive on charge. [A]
    scan_rate_V_s : float or None
        Scan rate that was set; None: that of the record. [V/s]
    middle_share : float
        Part of the sweep that is evaluated, about its middle.
    instrument : dict, optional
        Standard uncertainties ``voltage_percent``, ``current_percent``.

    Returns
    -------
    tuple
        Rows with `SCAN_COLUMNS` (None where a figure does not apply), reasons in words.

    Notes
    -----
    C = ∮|I| dV/(2·ν·ΔV) over the middle of both sweeps, ΔV its width, ν the scan rate. The mean
    of both ways, so that a constant error of the current drops out.
    Rectangularity = ∮I dV of that part over the area of the rectangle about it, ΔV times the
    current's range (98 % quantiles on either way, so that a spike does not count): 1 for a
    capacitor, less for a cell that leaks, reacts or has much resistance. Own definition.
    """
    instrument = {**EXACT, **(instrument or {})}
    time_s, voltage_V = np.asarray(time_s, float), np.asarray(voltage_V, float)
    current_A = np.asarray(current_A, float)
    sweeps, reasons = _find_sweeps(time_s, voltage_V)
    gains = np.hypot(instrument["voltage_percent"], instrument["current_percent"]) / 100.0
    rows = []
    pairs = _pairs(sweeps)
    for number, pair in enumerate(pairs, start=1):
        # Each scan has its own ends: a cut elsewhere in the record must not move them.
        low = max(min(voltage_V[s.start], voltage_V[s.stop - 1]) for s in pair)
        high = min(max(voltage_V[s.start], voltage_V[s.stop - 1]) for s in pair)
        # Between the turns the current may stand on one level of its meter: they show the step.
        own = current_A[pair[0].start : pair[-1].stop]
        digit = digit_step(own, least=12.0**0.5 * noise_sd(own))
        ways = [
            _one_way(s, time_s, voltage_V, current_A, low, high, middle_share, digit) for s in pair
        ]
        found = float(np.mean([s.rate_V_s for s in pair]))
        rate = scan_rate_V_s or found
        row = dict.fromkeys(SCAN_COLUMNS)
        width = ways[0]["width"]
        area = float(np.mean([w["area"] for w in ways]))
        if not (width > 0 and min(w["area"] for w in ways) > 0):
            reasons.append("no current flows in a sweep")
            continue
        capacitance = area / (rate * width)
        # Both ways stand on the same levels of the meter, turned round.
        noise = np.mean([w["noise_share"] for w in ways]) / np.sqrt(len(ways))
        u_a = float(np.hypot(noise, np.mean([w["digit_share"] for w in ways])))
        row.update(
            cycle=number,
            start_s=float(time_s[pair[0].start]),
            n_points=sum(w["n"] for w in ways),
            voltage_low_V=float(low),
            voltage_high_V=float(high),
            scan_rate_mV_per_s=1e3 * rate,
            scan_rate_found_mV_per_s=1e3 * found,
            current_mA=1e3 * area / width,
            capacitance_F=capacitance,
            capacitance_F_se=float(capacitance * np.hypot(u_a, gains)),
            capacitance_F_se_a=capacitance * u_a,
            capacitance_F_se_b=float(capacitance * gains),
        )
        if len(ways) == 2:
            up, down = sorted(ways, key=lambda w: -w["sign"])
            row["coulombic_efficiency_percent"] = 100.0 * down["area"] / up["area"]
            row["coulombic_efficiency_percent_se"] = row["coulombic_efficiency_percent"] * u_a * 2.0
            row["loop_area_W"] = up["signed"] + down["signed"]
            box = width * (up["peak"] + down["peak"])
            row["rectangularity"] = float(row["loop_area_W"] / box) if box > 0 else None
        row["quality"] = "; ".join(_flags(row, ways, rate, found))
        rows.append(row)
    return rows, reasons


def _find_sweeps(time, voltage):
    """Complete sweeps between the turning voltages, and why others do not count."""
    if len(time) < LEAST_POINTS:
        return [], [f"the record has {len(time)} rows only"]
    span = float(np.quantile(voltage, 0.999) - np.quantile(voltage, 0.001))
    swing = max(0.2 * span, 6.0 * noise_sd(voltage))
    points = turning_points(voltage, swing) if span > 0 else []
    if len(points) < 2:
        return [], ["the voltage does not sweep up and down"]
    low, high = _ends(voltage[points])
    edge = COMPLETE_SHARE * (high - low)
    sweeps, missed = [], 0
    for a, b in itertools.pairwise(points):
        bottom, top = sorted((voltage[a], voltage[b]))
        if bottom > low + edge or top < high - edge or b - a < LEAST_POINTS // 2:
            missed += 1
            continue
        sign = 1 if voltage[b] > voltage[a] else -1
        part = slice(a, b + 1)
        t, v = time[part], voltage[part]
        inner = (v > bottom + 0.1 * (top - bottom)) & (v < top - 0.1 * (top - bottom))
        rate = abs(line_fit(t[inner], v[inner])[1]) if inner.sum() >= 3 else 0.0
        if rate <= 0:
            missed += 1
            continue
        sweeps.append(_Sweep(int(a), int(b) + 1, sign, rate))
    reasons = []
    if missed:
        reasons.append(f"sweeps that do not run from {low:.3g} to {high:.3g} V were not used")
    return sweeps, reasons


def _ends(values: np.ndarray) -> tuple[float, float]:
    """Lower and upper turning voltage: of true turns where there are, else the record's ends."""
    is_high = np.append(values[:-1] > values[1:], values[-1] > values[-2])
    inner = np.arange(len(values))
    inner = (inner > 0) & (inner < len(values) - 1)
    found = []
    for kind in (~is_high, is_high):
        some = values[kind & inner] if (kind & inner).any() else values[kind]
        found.append(float(np.median(some)))
    return found[0], found[1]


def _pairs(sweeps: list[_Sweep]) -> list[list[_Sweep]]:
    """Sweeps in twos that follow each other; a lone one stands alone only where it is the only."""
    pairs, k = [], 0
    while k + 1 < len(sweeps):
        first, second = sweeps[k], sweeps[k + 1]
        if first.sign != second.sign and second.start == first.stop - 1:
            pairs.append([first, second])
            k += 2
        else:
            k += 1
    return pairs or [[s] for s in sweeps[:1]]


def _one_way(sweep, time, voltage, current, low, high, middle_share, digit) -> dict:
    """Integrals over the middle of one sweep; current counted in its direction."""
    part = slice(sweep.start, sweep.stop)
    v, i = voltage[part], current[part] * sweep.sign
    height = high - low
    bottom = low + 0.5 * (1.0 - middle_share) * height
    top = high - 0.5 * (1.0 - middle_share) * height
    if middle_share >= 1.0:
        bottom, top = float(min(v[0], v[-1])), float(max(v[0], v[-1]))
        rise, amount = v * sweep.sign, i
    else:
        start, stop = (bottom, top) if sweep.sign > 0 else (top, bottom)
        first, i_first = _passes(time[part], v, i, start, sweep)
        last, i_last = _passes(time[part], v, i, stop, sweep)
        inside = (time[part] > first) & (time[part] < last)
        rise = np.concatenate([[start], v[inside], [stop]]) * sweep.sign
        amount = np.concatenate([[i_first], i[inside], [i_last]])
    steps = np.diff(rise)
    n = len(amount)
    mean = float(np.mean(np.abs(amount)))
    return {
        "sign": sweep.sign,
        "width": top - bottom,
        "n": n,
        "area": float(np.sum(0.5 * (np.abs(amount[1:]) + np.abs(amount[:-1])) * steps)),
        "signed": float(np.sum(0.5 * (amount[1:] + amount[:-1]) * steps)),
        "peak": float(np.quantile(amount, 0.98)),
        "noise_share": noise_sd(amount) / np.sqrt(n) / mean if mean > 0 else 0.0,
        "digit_share": _rounding(amount, digit) / mean if mean > 0 else 0.0,
        "turns": bool((amount < -4.0 * noise_sd(amount)).any()),
    }


def _rounding(amount: np.ndarray, digit: float) -> float:
    """Standard error of a mean by rounding; readings on one level of the meter share its error."""
    if digit <= 0:
        return 0.0
    _, counts = np.unique(np.rint(amount / digit), return_counts=True)
    shares = counts / len(amount)
    return float(digit / np.sqrt(12.0) * np.sqrt(shares @ shares))


def _passes(time, voltage, current, level, sweep) -> tuple[float, float]:
    """When a sweep passes a level, and the current there, by a local line where it is noisy."""
    beyond = np.flatnonzero(voltage * sweep.sign >= level * sweep.sign)
    short = np.flatnonzero(voltage * sweep.sign < level * sweep.sign)
    centre = 0.5 * ((beyond[0] if len(beyond) else len(voltage) - 1)
                    + (short[-1] if len(short) else 0))  # fmt: skip
    per_sample = abs(voltage[-1] - voltage[0]) / (len(voltage) - 1)
    half = int(np.clip(4.0 * noise_sd(voltage) / per_sample, 1, max(1, len(voltage) // 10)))
    a = max(0, int(np.floor(centre)) - half + 1)
    chosen = slice(a, min(len(voltage), a + 2 * half))
    value, slope, mean, _ = line_fit(time[chosen], voltage[chosen])
    moment = mean + (level - value) / slope if slope * sweep.sign > 0 else mean
    moment = float(np.clip(moment, time[0], time[-1]))
    return moment, float(np.interp(moment, time, current))


def _flags(row, ways, rate, found) -> list[str]:
    flags = []
    if row["n_points"] < 2 * LEAST_POINTS:
        flags.append("too few points")
    if len(ways) < 2:
        flags.append("one sweep only")
    if abs(found / rate - 1.0) > RATE_SHARE:
        flags.append("scan rate differs from the record")
    if any(w["turns"] for w in ways):
        flags.append("current changes sign within the part evaluated")
    if row["rectangularity"] is not None and row["rectangularity"] < SQUARE_LEAST:
        flags.append("loop far from a rectangle")
    return flags
