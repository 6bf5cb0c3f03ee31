"""One figure per test from its cycles: which are steady, which lie apart, mean and drift."""

import math
from collections import Counter

import numpy as np

from charscreen.capacitance.discharge import ON_SAMPLING, SAMPLING_SHARE
from charscreen.curves import line_fit, median

OUTLYING = 3.5  # robust standard deviations from the course of the others
LEAST_FOR_OUTLIERS = 5
#: Scatter below which no cycle counts as outlying, as a share of the capacitance.
LEAST_SCATTER_SHARE = 0.001

STEADY, FIRST, APART = "steady", "first", "outlying"

#: Figures of a cycle that are averaged, and the figure whose scatter within a cycle they share.
_AVERAGED = {
    "capacitance_F": "capacitance_F",
    "capacitance_charge_F": "capacitance_charge_F",
    "capacitance_energy_F": "capacitance_energy_F",
    "energy_J": "capacitance_F",
    "power_mean_W": "capacitance_F",
    "coulombic_efficiency_percent": None,
    "energy_efficiency_percent": None,
}
_PLAIN = ("current_mA", "discharge_s", "voltage_start_V", "voltage_after_drop_V",
          "drop_first_sample_V", "rectangularity")  # fmt: skip


def mark_cycles(cycles: list[dict], *, skip_cycles: int) -> None:
    """Writes ``use`` and ``retention_percent`` into each cycle.

    Parameters
    ----------
    cycles : list of dict
        Rows with ``cycle`` and ``capacitance_F``, in order of time; changed in place.
    skip_cycles : int
        Cycles at the start that are not steady yet.

    Notes
    -----
    ``use`` is ``first`` for those left out at the start (where there are no others the last
    counts as steady), ``outlying`` where the capacitance lies more than 3.5 robust standard
    deviations (1.4826·median|r|) from a line through the medians of the first and the last third
    of the steady cycles, else ``steady``. The line lets a cell fade without losing cycles; with
    under five steady cycles none is outlying (limit of 3.5: Iglewicz & Hoaglin 1993, from
    memory). Retention is C over that of the first steady cycle.
    """
    for cycle in cycles:
        cycle["use"] = FIRST if cycle["cycle"] <= skip_cycles else STEADY
    steady = [c for c in cycles if c["use"] == STEADY]
    if not steady and cycles:
        cycles[-1]["use"] = STEADY
        steady = cycles[-1:]
    if len(steady) >= LEAST_FOR_OUTLIERS:
        for cycle, apart in zip(steady, _lie_apart(steady), strict=True):
            if apart:
                cycle["use"] = APART
        steady = [c for c in steady if c["use"] == STEADY]
    for cycle in cycles:
        cycle["retention_percent"] = 100.0 * cycle["capacitance_F"] / steady[0]["capacitance_F"]


def _lie_apart(cycles: list[dict]) -> np.ndarray:
    x = np.array([c["cycle"] for c in cycles], dtype=float)
    y = np.array([c["capacitance_F"] for c in cycles])
    third = max(1, len(y) // 3)
    x_1, x_2 = median(x[:third]), median(x[-third:])
    y_1, y_2 = median(y[:third]), median(y[-third:])
    slope = (y_2 - y_1) / (x_2 - x_1) if x_2 > x_1 else 0.0
    residual = y - slope * x
    residual = residual - median(residual)
    spread = 1.4826 * median(np.abs(residual))
    within = float(median([c["capacitance_F_se_a"] for c in cycles]))
    spread = max(spread, within, LEAST_SCATTER_SHARE * abs(float(median(y))))
    return np.abs(residual) > OUTLYING * spread


def summarise_cycles(cycles: list[dict], *, skip_cycles: int) -> dict:
    """Means over the steady cycles of a test.

    Parameters
    ----------
    cycles : list of dict
        Rows of `charscreen.capacitance.discharge.measure_cycles` or
        `charscreen.capacitance.voltammetry.measure_scans`; marked in place by `mark_cycles`.
    skip_cycles : int
        Cycles at the start that are not steady yet.

    Returns
    -------
    dict
        Columns of test_results and ``flags`` (list of str).

    Notes
    -----
    Type A: scatter between cycles over √n, not less than that within a cycle over √n. Type B:
    the instrument's part, common to all cycles. The resistance is the mean of drop over step of
    all cycles, also of those in which it came out below zero; where the mean is not above zero
    it is empty and flagged, and its standard uncertainty stays. Where its type-B part exceeds a
    fifth of it, it is flagged as resting on the sampling interval.
    """
    mark_cycles(cycles, skip_cycles=skip_cycles)
    steady = [c for c in cycles if c["use"] == STEADY]
    flags = []
    if len(cycles) == 1 and cycles[0]["cycle"] == 1 and skip_cycles > 0:
        flags.append("first cycle only")
    counts = Counter(f for c in steady for f in c["quality"].split("; ") if f)
    for flag in ("resistance not resolved", ON_SAMPLING):
        counts.pop(flag, None)  # of the mean, see below
    flags.extend(flag for flag, n in counts.items() if n * 2 >= len(steady))
    out: dict = {"cycles": len(steady), "flags": flags}
    out["cycles_outlying"] = sum(c["use"] == APART for c in cycles)
    out["n_points"] = sum(c.get("n_points") or 0 for c in steady)
    for name in _PLAIN:
        known = [c[name] for c in steady if c.get(name) is not None]
        out[name] = sum(known) / len(known) if known else None
    for name, source in _AVERAGED.items():
        known = [c for c in steady if c.get(name) is not None]
        values, total = [c[name] for c in known], [c[f"{name}_se"] for c in known]
        if source is None:
            shares = [c.get("efficiency_share_a") or 0.0 for c in known]
        else:
            shares = [c[f"{source}_se_a"] / c[source] for c in known]
        within = [share * value for share, value in zip(shares, values, strict=True)]
        out[name], out[f"{name}_se"], u_a, u_b = _mean(values, total, within)
        if name == source:
            out[f"{name}_se_a"], out[f"{name}_se_b"] = u_a, u_b
    _resistance(out, steady, flags)
    _retention(out, steady)
    return out


def _mean(values, total, within) -> tuple[float | None, ...]:
    """Mean, standard uncertainty, its type-A and its type-B part; of lists, mostly short ones."""
    n = len(values)
    if n == 0:
        return None, None, None, None
    mean = sum(values) / n
    u_b = math.sqrt(max(sum(u * u - w * w for u, w in zip(total, within, strict=True)) / n, 0.0))
    u_within = math.sqrt(sum(w * w for w in within) / n)
    scatter = math.sqrt(sum((x - mean) ** 2 for x in values) / (n - 1)) if n > 1 else 0.0
    u_a = max(scatter, u_within) / math.sqrt(n)
    return mean, math.hypot(u_a, u_b), u_a, u_b


def _resistance(out, steady, flags) -> None:
    names = ("esr_ohm", "esr_ohm_se", "esr_ohm_se_a", "esr_ohm_se_b")
    out.update(dict.fromkeys((*names, "power_max_W", "power_max_W_se")))
    known = [c for c in steady if c.get("current_step_mA") is not None]
    if not known:
        return
    values = [1e3 * c["drop_V"] / c["current_step_mA"] for c in known]
    total, within = [c["esr_ohm_se"] for c in known], [c["esr_ohm_se_a"] for c in known]
    mean, *parts = _mean(values, total, within)
    out.update(zip(names[1:], parts, strict=True))
    if mean <= 0:
        flags.append("resistance not resolved")
        return
    out["esr_ohm"] = mean
    if out["esr_ohm_se_b"] > SAMPLING_SHARE * mean:
        flags.append(ON_SAMPLING)
    out["power_max_W"] = out["voltage_start_V"] ** 2 / (4.0 * mean)
    gain = known[0]["voltage_gain_se"]
    out["power_max_W_se"] = out["power_max_W"] * math.hypot(parts[0] / mean, 2.0 * gain)


def _retention(out, steady) -> None:
    """Last over first steady cycle, and the slope of capacitance over cycles."""
    names = ("retention_percent", "drift_percent_per_cycle")
    out.update(dict.fromkeys([*names, *(f"{name}_se" for name in names)]))
    if len(steady) < 2:
        return
    first, last = steady[0], steady[-1]
    ratio = last["capacitance_F"] / first["capacitance_F"]
    shares = [c["capacitance_F_se_a"] / c["capacitance_F"] for c in (first, last)]
    out["retention_percent"] = 100.0 * ratio
    out["retention_percent_se"] = 100.0 * ratio * math.hypot(*shares)
    if len(steady) < 3:
        return
    x = np.array([c["cycle"] for c in steady], dtype=float)
    y = np.array([c["capacitance_F"] for c in steady])
    value, slope, mean, spread = line_fit(x, y)
    scatter = np.sqrt(np.sum((y - value - slope * (x - mean)) ** 2) / (len(x) - 2))
    within = np.sqrt(np.mean([c["capacitance_F_se_a"] ** 2 for c in steady]))
    out["drift_percent_per_cycle"] = 100.0 * slope / value
    out["drift_percent_per_cycle_se"] = float(
        100.0 * max(scatter, within) / np.sqrt(spread) / value
    )
