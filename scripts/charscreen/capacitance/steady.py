"""One figure per test from its cycles."""

from collections import Counter

import numpy as np


def summarise_cycles(cycles: list[dict], *, skip_cycles: int) -> dict:
    """Means over the steady cycles of a test.

    Parameters
    ----------
    cycles : list of dict
        Rows of `charscreen.capacitance.discharge.measure_cycles`.
    skip_cycles : int
        Cycles at the start that are not steady yet.

    Returns
    -------
    dict
        Columns of `TEST_RESULT_COLUMNS` and ``flags`` (list of str).
    """
    steady = [c for c in cycles if c["cycle"] > skip_cycles] or cycles[-1:]
    flags = []
    if len(cycles) == 1 and cycles[0]["cycle"] == 1 and skip_cycles > 0:
        flags.append("first cycle only")
    counts = Counter(f for c in steady for f in c["quality"].split("; ") if f)
    flags.extend(flag for flag, n in counts.items() if n * 2 >= len(steady))
    out: dict = {"cycles": len(steady), "flags": flags}
    out["current_mA"] = float(np.mean([c["current_mA"] for c in steady]))
    for name in ("capacitance_F", "capacitance_charge_F", "capacitance_energy_F", "esr_ohm",
                 "coulombic_efficiency_percent", "energy_efficiency_percent"):  # fmt: skip
        out[name], out[f"{name}_se"] = _mean_and_se(steady, name)
    drops = [c["drop_first_sample_V"] for c in steady if c["drop_first_sample_V"] is not None]
    out["drop_first_sample_V"] = float(np.mean(drops)) if drops else None
    out["retention_percent"] = None
    if len(steady) >= 2:
        out["retention_percent"] = 100.0 * steady[-1]["capacitance_F"] / steady[0]["capacitance_F"]
    return out


def _mean_and_se(cycles: list[dict], name: str) -> tuple[float | None, float | None]:
    known = [c for c in cycles if c[name] is not None]
    if not known:
        return None, None
    values = np.array([c[name] for c in known])
    total = np.array([c[f"{name}_se"] for c in known])
    # The scatter part of the charge and energy figures is that of the two-point one.
    source = "esr_ohm" if name == "esr_ohm" else "capacitance_F"
    if name.startswith(("capacitance", "esr")):
        scale = values / np.array([c[source] for c in known]) if source != name else 1.0
        within = np.array([c[f"{source}_se_a"] for c in known]) * scale
    else:
        within = total
    common = float(np.sqrt(np.maximum(np.mean(total**2 - within**2), 0.0)))
    n = len(values)
    scatter = float(np.std(values, ddof=1)) if n > 1 else 0.0
    inner = float(np.sqrt(np.mean(within**2)))
    return float(values.mean()), float(np.hypot(max(scatter, inner) / np.sqrt(n), common))
