"""From tests and masses to figures of a cell: per gram of carbon, per area, per kilogram."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from charscreen.capacitance.analyse import (
    electrode_capacitance,
    energy_Wh_per_kg,
    power_max_W_per_kg,
)
from charscreen.capacitance.carbon import coating_mass
from charscreen.findings import LEAVES_OUT, QUESTIONS, Finding

if TYPE_CHECKING:
    import pandas as pd

CELL_COLUMNS = (
    "cell", "run", "lot", "feedstock", "role", "firing", "activation", "koh_ratio",
    "activation_firing", "peak_temperature_C", "hold_min",
    "carbon_1_mg", "carbon_1_mg_se", "carbon_2_mg", "carbon_2_mg_se",
    "area_cm2", "loading_mg_per_cm2", "capacitance_method", "n_tests", "tests",
    "capacitance_F", "capacitance_F_se", "electrode_F_per_g", "electrode_F_per_g_se",
    "cell_F_per_g", "cell_F_per_g_se", "areal_F_per_cm2", "areal_F_per_cm2_se",
    "esr_ohm", "esr_ohm_se", "esr_area_ohm_cm2", "esr_area_ohm_cm2_se",
    "energy_Wh_per_kg", "energy_Wh_per_kg_se", "power_max_W_per_kg", "power_max_W_per_kg_se",
)  # fmt: skip

_TEXT = {"cell", "run", "lot", "feedstock", "role", "firing", "activation", "activation_firing",
         "capacitance_method", "tests"}  # fmt: skip
_FROM_DESIGN = ("feedstock", "role", "firing", "activation", "koh_ratio", "activation_firing",
                "peak_temperature_C", "hold_min")  # fmt: skip


def summarise_cells(
    test_rows: "list[dict] | pd.DataFrame",
    cells: list[dict],
    design: list[dict],
    *,
    electrode_balance: dict,
    limits: dict,
    method_order: Iterable[str],
) -> "tuple[pd.DataFrame, list[Finding]]":
    """One row per cell that has a capacitance, and what was found on the way.

    Parameters
    ----------
    test_rows : list of dict or DataFrame
        Rows of test_results.
    cells : list of dict
        Checked rows of cells.csv.
    design : list of dict
        Checked rows of design.csv.
    electrode_balance : dict
        Standard uncertainties ``readability_g``, ``repeatability_g``, ``calibration_percent``.
    limits : dict
        ``electrode_F_per_g``, ``loading_mg_per_cm2``, ``mass_u_percent``.
    method_order : iterable of str
        The capacitance of a cell is from the first of these methods that it has.

    Returns
    -------
    tuple
        DataFrame with `CELL_COLUMNS`, in the order of the cells; findings on table ``cells``.

    Notes
    -----
    Carbon mass m = dry coating × (1 - binder - additive). Electrode figure C·(1/m₁ + 1/m₂),
    cell figure C/(m₁ + m₂). The capacitance is the plain mean over the tests of one method:
    tests of one cell share instrument and cell, so weights by stated errors would promise too
    much. Its standard uncertainty joins the scatter over √n and the mean of the stated ones,
    taken as common to all. Errors of the two masses are independent but for the calibration of
    the balance. Propagation by JCGM 100:2008, 5.1 and 5.2.
    """
    import pandas as pd

    if not isinstance(test_rows, list):
        test_rows = test_rows.astype(object).where(test_rows.notna(), None).to_dict("records")
    by_cell: dict[str, list[dict]] = {}
    for row in test_rows:
        if row.get("capacitance_F") is not None:
            by_cell.setdefault(row["cell"], []).append(row)
    by_run = {row["run"]: row for row in design}
    rows: list[dict] = []
    findings: list[Finding] = []
    for cell in cells:
        tests = by_cell.get(cell["cell"])
        if not tests:
            continue
        row, found = _cell_row(cell, tests, by_run, electrode_balance, limits, list(method_order))
        findings.extend(found)
        if row is not None:
            rows.append(row)
    frame = pd.DataFrame(rows, columns=list(CELL_COLUMNS))
    for name in CELL_COLUMNS:
        frame[name] = frame[name].astype(object if name in _TEXT else float)
    whole = ["n_tests"]
    return frame.astype({name: int for name in whole}), findings


def _cell_row(cell, tests, by_run, balance, limits, method_order):
    """Row of one cell (None where it is left out) and its findings."""
    found: list[Finding] = []

    def add(severity, column, value, message):
        accepted = (cell.get("accepted") or "") if severity == QUESTIONS else ""
        text = "" if value is None else f"{value:.4g}" if isinstance(value, float) else str(value)
        found.append(
            Finding(
                *("cells", cell.get("row"), column, text, severity, message, accepted),
                id=cell["cell"],
            )
        )

    run = by_run.get(cell["run"])
    if run is None:
        add(LEAVES_OUT, "run", cell["run"], "its run is not in the design, or was left out.")
        return None, found
    masses = []
    for k in (1, 2):
        mass = coating_mass(cell, k, balance)
        if mass is None or mass[0] <= 0:
            add(LEAVES_OUT, f"electrode_{k}_mg", cell.get(f"electrode_{k}_mg"),
                f"electrode {k} has no coating mass above zero. Write electrode_{k}_mg, or "
                f"electrode_{k}_gross_mg and electrode_{k}_collector_mg.")  # fmt: skip
            return None, found
        masses.append(mass)
    binder = cell.get("binder_percent") or 0.0
    additive = cell.get("additive_percent") or 0.0
    share = 1.0 - (binder + additive) / 100.0
    if share <= 0:
        add(LEAVES_OUT, "binder_percent", binder,
            f"binder {binder:g} % and additive {additive:g} % leave no carbon. Both are parts "
            "of the dry coating.")  # fmt: skip
        return None, found
    method, used = choose_method(tests, method_order)
    if method is None:
        message = "none of its tests has a method listed in method_order: it gives no figure."
        add(QUESTIONS, "cell", cell["cell"], message)
        return None, found
    row = dict.fromkeys(CELL_COLUMNS)
    row.update({name: run.get(name) for name in _FROM_DESIGN})
    row.update(
        cell=cell["cell"],
        run=cell["run"],
        lot=run.get("pool") or run.get("parent") or cell["run"],
        area_cm2=cell.get("area_cm2"),
        capacitance_method=method,
        n_tests=len(used),
        tests=" ".join(str(t["test"]) for t in used),
    )
    row["capacitance_F"], row["capacitance_F_se"] = mean_of_tests(used, "capacitance_F")
    row["esr_ohm"], row["esr_ohm_se"] = _resistance(tests, used, method_order)
    calibration = (balance.get("calibration_percent") or 0.0) / 100.0
    carbon = [m * share for m, _ in masses]
    reading = [u * share for _, u in masses]
    for k in (0, 1):
        row[f"carbon_{k + 1}_mg"] = carbon[k]
        row[f"carbon_{k + 1}_mg_se"] = float(np.hypot(reading[k], calibration * carbon[k]))
    _per_mass(row, carbon, reading, calibration)
    _per_area(row)
    _energy_and_power(row, used, cell)
    _ask(row, cell, limits, add)
    return row, found


def choose_method(tests: list[dict], method_order: list[str]) -> tuple[str | None, list[dict]]:
    """The first method of the order that a cell has, and its tests."""
    for method in method_order:
        used = [t for t in tests if t["method"] == method]
        if used:
            return method, used
    return None, []


def mean_of_tests(tests: list[dict], name: str) -> tuple[float | None, float | None]:
    """Plain mean over tests and its standard uncertainty; see `summarise_cells`.

    Parameters
    ----------
    tests : list of dict
        Rows of test_results.
    name : str
        Column; its uncertainty is in ``<name>_se``.
    """
    known = [t for t in tests if t.get(name) is not None]
    if not known:
        return None, None
    values = np.array([t[name] for t in known], dtype=float)
    stated = [t.get(f"{name}_se") for t in known]
    stated = np.array([s for s in stated if s is not None], dtype=float)
    n = len(values)
    scatter2 = float(np.var(values, ddof=1)) / n if n > 1 else 0.0
    if not len(stated) and n == 1:
        return float(values[0]), None
    common2 = float(np.mean(stated**2)) if len(stated) else 0.0
    return float(values.mean()), float(np.sqrt(scatter2 + common2))


def _resistance(tests, used, method_order) -> tuple[float | None, float | None]:
    """Resistance from the method the capacitance is from, else the next that has one."""
    known = [t for t in used if t.get("esr_ohm") is not None]
    if not known:
        for method in method_order:
            known = [t for t in tests if t["method"] == method and t.get("esr_ohm") is not None]
            if known:
                break
    return mean_of_tests(known, "esr_ohm")


def _per_mass(row, carbon, reading, calibration) -> None:
    m1, m2 = carbon[0] * 1e-3, carbon[1] * 1e-3
    u1, u2 = reading[0] * 1e-3, reading[1] * 1e-3
    c, u_c = row["capacitance_F"], row["capacitance_F_se"]
    electrode = electrode_capacitance(c, mass_1_g=m1, mass_2_g=m2)
    whole = c / (m1 + m2)
    row["electrode_F_per_g"], row["cell_F_per_g"] = electrode, whole
    if u_c is None:
        return
    parts = (electrode * u_c / c, c / m1**2 * u1, c / m2**2 * u2, electrode * calibration)
    row["electrode_F_per_g_se"] = float(np.sqrt(np.sum(np.square(parts))))
    parts = (u_c / c, np.hypot(u1, u2) / (m1 + m2), calibration)
    row["cell_F_per_g_se"] = float(whole * np.sqrt(np.sum(np.square(parts))))


def _per_area(row) -> None:
    area = row["area_cm2"]
    if not area:
        return
    row["loading_mg_per_cm2"] = 0.5 * (row["carbon_1_mg"] + row["carbon_2_mg"]) / area
    row["areal_F_per_cm2"] = row["capacitance_F"] / area
    if row["capacitance_F_se"] is not None:
        row["areal_F_per_cm2_se"] = row["capacitance_F_se"] / area
    if row["esr_ohm"] is not None:
        row["esr_area_ohm_cm2"] = row["esr_ohm"] * area
        if row["esr_ohm_se"] is not None:
            row["esr_area_ohm_cm2_se"] = row["esr_ohm_se"] * area


def _energy_and_power(row, used, cell) -> None:
    """Energy after the drop at the tests' current; greatest power before it."""
    upper = cell["upper_voltage_V"]
    m1, m2 = row["carbon_1_mg"] * 1e-3, row["carbon_2_mg"] * 1e-3
    u_mass = np.hypot(row["carbon_1_mg_se"], row["carbon_2_mg_se"]) * 1e-3 / (m1 + m2)
    esr, u_esr = row["esr_ohm"], row["esr_ohm_se"] or 0.0
    currents = [t["current_mA"] for t in used if t.get("current_mA") is not None]
    current = float(np.mean(currents)) * 1e-3 if currents else 0.0
    after = upper - current * max(esr or 0.0, 0.0)
    if after > 0:
        row["energy_Wh_per_kg"] = energy_Wh_per_kg(
            row["capacitance_F"], voltage_V=after, carbon_g=m1 + m2
        )
        if row["capacitance_F_se"] is not None:
            u_c = row["capacitance_F_se"] / row["capacitance_F"]
            u = np.sqrt(u_c**2 + u_mass**2 + (2.0 * current * u_esr / after) ** 2)
            row["energy_Wh_per_kg_se"] = float(row["energy_Wh_per_kg"] * u)
    if esr is not None and esr > 0 and esr > 2.0 * u_esr:
        power = power_max_W_per_kg(upper, esr_ohm=esr, carbon_g=m1 + m2)
        row["power_max_W_per_kg"] = float(power)
        if row["esr_ohm_se"] is not None:
            row["power_max_W_per_kg_se"] = float(power * np.hypot(u_esr / esr, u_mass))


def _ask(row, cell, limits, add) -> None:
    """Questions on what is implausible."""
    highest = limits.get("electrode_F_per_g")
    if highest and row["electrode_F_per_g"] > highest:
        add(QUESTIONS, "electrode_1_mg", row["carbon_1_mg"],
            f"the electrode figure is {row['electrode_F_per_g']:.4g} F/g, above {highest:g}. "
            "Check the electrode masses (mg, dry coating without collector), the current's unit "
            "and the upper voltage.")  # fmt: skip
    loading, least = row["loading_mg_per_cm2"], limits.get("loading_mg_per_cm2")
    if loading is not None and least and loading < least:
        add(QUESTIONS, "area_cm2", row["area_cm2"],
            f"the loading is {loading:.3g} mg of carbon per cm², under {least:g}: figures per "
            "gram are then unsure. Coat thicker, or check masses and area.")  # fmt: skip
    largest = limits.get("mass_u_percent")
    for k in (1, 2):
        share = 100.0 * row[f"carbon_{k}_mg_se"] / row[f"carbon_{k}_mg"]
        if largest and share > largest:
            add(QUESTIONS, f"electrode_{k}_mg", row[f"carbon_{k}_mg"],
                f"the carbon on electrode {k} is only known to {share:.3g} %, over {largest:g} "
                "%. Coat more, or use a finer balance.")  # fmt: skip
