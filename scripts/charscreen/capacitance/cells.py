"""From tests and masses to figures of a cell: per gram of carbon, per area, per kilogram."""

from collections.abc import Iterable

import numpy as np

from charscreen.capacitance.carbon import coating_mass
from charscreen.capacitance.cell_figures import fill_area, fill_mass
from charscreen.capacitance.cell_questions import (
    cell_finding,
    mass_column,
    question_figures,
    question_likes,
    question_methods,
)
from charscreen.capacitance.over_tests import choose_method, mean_of_tests, mean_with_parts
from charscreen.capacitance.rate import RateFit, count_currents, fit_rate
from charscreen.findings import LEAVES_OUT, QUESTIONS, Finding

CELL_COLUMNS = (
    "cell", "run", "lot", "feedstock", "role", "firing", "activation", "koh_ratio",
    "activation_firing", "peak_temperature_C", "hold_min",
    "carbon_1_mg", "carbon_1_mg_se", "carbon_2_mg", "carbon_2_mg_se",
    "area_cm2", "loading_mg_per_cm2", "capacitance_method", "n_tests", "tests",
    "capacitance_F", "capacitance_F_se", "capacitance_F_se_a", "capacitance_F_se_b",
    "capacitance_at", "current_A_per_g", "n_currents", "rate_exponent", "rate_exponent_se",
    "electrode_F_per_g", "electrode_F_per_g_se", "electrode_F_per_g_se_a",
    "electrode_F_per_g_se_b", "electrode_F_per_g_lo", "electrode_F_per_g_hi", "uncertainty_by",
    "cell_F_per_g", "cell_F_per_g_se", "areal_F_per_cm2", "areal_F_per_cm2_se",
    "esr_ohm", "esr_ohm_se", "esr_area_ohm_cm2", "esr_area_ohm_cm2_se",
    "energy_Wh_per_kg", "energy_Wh_per_kg_se", "power_mean_W_per_kg", "power_mean_W_per_kg_se",
    "power_max_W_per_kg", "power_max_W_per_kg_se",
    "leakage_method", "leakage_current_mA", "leakage_current_mA_se",
    "leakage_resistance_ohm", "leakage_resistance_ohm_se",
)  # fmt: skip

_FROM_DESIGN = ("feedstock", "role", "firing", "activation", "koh_ratio", "activation_firing",
                "peak_temperature_C", "hold_min")  # fmt: skip

OWN = "tests' currents"
AT_REFERENCE = "reference"
EXTRAPOLATED = "reference, extrapolated"
BORROWED = "reference, slope of other cells"
LEAST_TO_LEND = 3  # cells measured at several currents from which others may take the slope
LEAKAGE_ORDER = ("held_voltage", "open_circuit")


def summarise_cells(
    test_rows: list[dict],
    cells: list[dict],
    design: list[dict],
    *,
    electrode_balance: dict,
    limits: dict,
    method_order: Iterable[str],
    reference_current_A_per_g: float | None = None,
    area_u_percent: float = 0.0,
) -> tuple[list[dict], list[Finding]]:
    """One row per cell that has a capacitance, and what was found on the way.

    Parameters
    ----------
    test_rows : list of dict
        Rows of test_results.
    cells : list of dict
        Checked rows of cells.csv.
    design : list of dict
        Checked rows of design.csv.
    electrode_balance : dict
        Standard uncertainties ``readability_g``, ``repeatability_g``, ``calibration_percent``.
    limits : dict
        ``electrode_F_per_g``, ``loading_mg_per_cm2``, ``mass_u_percent``,
        ``lot_mates_factor``, ``like_cells_factor``; what is absent is not asked.
    method_order : iterable of str
        The capacitance of a cell is from the first of these methods that it has.
    reference_current_A_per_g : float, optional
        Current per gram of carbon of both electrodes to which all figures are brought. [A/g]
    area_u_percent : float
        Standard uncertainty of an electrode's area, of the area. [%]

    Returns
    -------
    tuple
        Rows with keys out of `CELL_COLUMNS`, in the order of the cells; findings on table
        ``cells``.

    Notes
    -----
    Carbon mass m = dry coating × (1 - binder - additive). Electrode figure C·(1/m₁ + 1/m₂),
    cell figure C/(m₁ + m₂). The capacitance is the plain mean over the tests of one method (see
    `charscreen.capacitance.over_tests.mean_with_parts`). With a reference current it is that of a
    power law through tests at several currents (`charscreen.capacitance.rate.fit_rate`); a cell
    tested at one current takes the mean slope of the other cells, with its spread, where three
    or more have one, else it stays at its own current and is questioned. ``capacitance_at`` says
    which: ``tests' currents``, ``reference``, ``reference, extrapolated`` (beyond the currents
    measured) or ``reference, slope of other cells``. Uncertainty: see
    `charscreen.capacitance.cell_figures.fill_mass`. Leakage is from the hold, else from open
    circuit.
    """
    by_cell: dict[str, list[dict]] = {}
    for row in test_rows:
        by_cell.setdefault(row["cell"], []).append(row)
    by_run = {row["run"]: row for row in design}
    order = list(method_order)
    slopes = _slopes(by_cell, order) if reference_current_A_per_g else []
    rows: list[dict] = []
    findings: list[Finding] = []
    for cell in cells:
        tests = by_cell.get(cell["cell"], [])
        if not any(test.get("capacitance_F") is not None for test in tests):
            continue
        one = _Cell(cell, tests, electrode_balance, limits, order)
        row = one.row(by_run, reference_current_A_per_g, slopes, area_u_percent)
        findings.extend(one.found)
        if row is not None:
            rows.append(row)
    pools = {run: row["pool"] for run, row in by_run.items() if row.get("pool")}
    findings.extend(question_likes(rows, cells, pools, limits))
    return rows, findings


def _slopes(by_cell: dict[str, list[dict]], order: list[str]) -> list[float]:
    """Rate exponents of all cells that have tests at several currents."""
    out = []
    for tests in by_cell.values():
        fit = _rate_fit(choose_method(tests, order)[1], 1.0)
        if fit is not None:
            out.append(fit.exponent)
    return out


def _rate_fit(tests: list[dict], reference_A: float) -> RateFit | None:
    """Power law through the tests of a cell, where they are at two currents or more."""
    known = [t for t in tests if t.get("current_mA") and t["capacitance_F"] > 0]
    currents = np.array([t["current_mA"] for t in known]) * 1e-3
    if count_currents(currents) < 2:
        return None
    return fit_rate(
        currents,
        np.array([t["capacitance_F"] for t in known]),
        reference_A=reference_A,
        se_a=np.array([t.get("capacitance_F_se_a") or 0.0 for t in known]),
        se_b=np.array([_part_b(t) for t in known]),
    )


def _part_b(test: dict) -> float:
    part = test.get("capacitance_F_se_b")
    return (test.get("capacitance_F_se") or 0.0) if part is None else part


class _Cell:
    """One cell on its way to a row."""

    def __init__(self, cell, tests, balance, limits, method_order):
        self.cell, self.tests, self.balance = cell, tests, balance
        self.limits, self.method_order = limits, method_order
        self.found: list[Finding] = []

    def add(self, severity, column, message) -> None:
        """Note a finding on this cell's row."""
        self.found.append(cell_finding(self.cell, severity, column, message))

    def row(self, by_run, reference_A_per_g, slopes, area_u_percent) -> dict | None:
        """The row of this cell; None where it is left out."""
        cell, run = self.cell, by_run.get(self.cell["run"])
        if run is None:
            self.add(LEAVES_OUT, "run", "its run is not in the design, or was left out.")
            return None
        masses = self._carbon()
        if masses is None:
            return None
        carbon, reading = masses
        method, used = choose_method(self.tests, self.method_order)
        if method is None:
            message = "none of its tests has a method listed in method_order: it gives no figure."
            self.add(QUESTIONS, "cell", message)
            return None
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
        calibration = (self.balance.get("calibration_percent") or 0.0) / 100.0
        for k in (0, 1):
            row[f"carbon_{k + 1}_mg"] = carbon[k]
            row[f"carbon_{k + 1}_mg_se"] = float(np.hypot(reading[k], calibration * carbon[k]))
        self._capacitance(row, used, reference_A_per_g, slopes)
        row["esr_ohm"], row["esr_ohm_se"] = self._resistance(used)
        fill_mass(
            row, cell["cell"], carbon=carbon, reading=reading, calibration=calibration,
            **self._drop(row, used),
        )  # fmt: skip
        fill_area(row, area_u_percent=area_u_percent)
        self._leakage(row)
        question_figures(row, cell, self.limits, self.add)
        question_methods(self.tests, self.method_order, self.add)
        return row

    def _carbon(self) -> tuple[list[float], list[float]] | None:
        """Carbon on both electrodes and its uncertainty without calibration. [mg]"""
        cell, masses = self.cell, []
        for k in (1, 2):
            mass = coating_mass(cell, k, self.balance)
            if mass is None or mass[0] <= 0:
                self.add(
                    LEAVES_OUT, mass_column(cell, k),
                    f"electrode {k} has no coating mass above zero. Write electrode_{k}_mg, or "
                    f"electrode_{k}_gross_mg and electrode_{k}_collector_mg.",
                )  # fmt: skip
                return None
            masses.append(mass)
        binder = cell.get("binder_percent") or 0.0
        additive = cell.get("additive_percent") or 0.0
        share = 1.0 - (binder + additive) / 100.0
        if share <= 0:
            self.add(
                LEAVES_OUT, "binder_percent",
                f"binder {binder:g} % and additive {additive:g} % leave no carbon. Both are parts "
                "of the dry coating.",
            )  # fmt: skip
            return None
        return [m * share for m, _ in masses], [u * share for _, u in masses]

    def _capacitance(self, row, used, reference_A_per_g, slopes) -> None:
        """Mean over the tests, or brought to the reference current."""
        value, u, u_a, u_b = mean_with_parts(used, "capacitance_F")
        carbon_g = (row["carbon_1_mg"] + row["carbon_2_mg"]) * 1e-3
        currents = np.array([t["current_mA"] for t in used if t.get("current_mA")]) * 1e-3
        own = float(np.exp(np.mean(np.log(currents)))) if len(currents) else None
        row["capacitance_at"] = OWN
        row["current_A_per_g"] = own / carbon_g if own else None
        row["n_currents"] = count_currents(currents) if len(currents) else None
        reference = reference_A_per_g * carbon_g if reference_A_per_g else own
        fit = _rate_fit(used, reference) if reference else None
        if fit is not None:
            row["rate_exponent"], row["rate_exponent_se"] = fit.exponent, fit.exponent_se
            if fit.bends:
                self.add(
                    QUESTIONS, "cell",
                    "its capacitance does not follow one power of the current. Check the tests "
                    f"{row['tests']}; the figure at the reference current is then unsure.",
                )  # fmt: skip
        if reference_A_per_g and fit is not None:
            value, u_a, u_b = fit.capacitance_F, fit.se_a, fit.se_b
            row["capacitance_at"] = EXTRAPOLATED if fit.extrapolated else AT_REFERENCE
        elif reference_A_per_g and own and len(slopes) >= LEAST_TO_LEND:
            distance = np.log(reference / own)
            moved = np.exp(-np.mean(slopes) * distance)
            value = value * moved
            lent = abs(distance) * np.std(slopes, ddof=1) * np.sqrt(1.0 + 1.0 / len(slopes))
            u_a = float((u_a or 0.0) * moved)
            u_b = float(np.hypot((u_b or 0.0) * moved, value * lent))
            row["capacitance_at"] = BORROWED
        elif reference_A_per_g and not (own and abs(np.log(reference / own)) < np.log(1.1)):
            self.add(
                QUESTIONS, "cell",
                "its capacitance cannot be brought to reference_current_A_per_g "
                f"({reference_A_per_g:g} A/g) and stays at its tests' own current. Test it at a "
                "second current, or do not compare it with the others.",
            )  # fmt: skip
        elif reference_A_per_g:
            row["capacitance_at"] = AT_REFERENCE
        if row["capacitance_at"] != OWN:
            row["current_A_per_g"] = reference_A_per_g
            u = float(np.hypot(u_a or 0.0, u_b or 0.0)) if u is not None or u_b else None
        row["capacitance_F"], row["capacitance_F_se"] = float(value), u
        row["capacitance_F_se_a"], row["capacitance_F_se_b"] = u_a, u_b

    def _resistance(self, used) -> tuple[float | None, float | None]:
        """Resistance from the method the capacitance is from, else the next that has one."""
        known = [t for t in used if t.get("esr_ohm") is not None]
        for method in self.method_order if not known else ():
            known = [
                t for t in self.tests if t["method"] == method and t.get("esr_ohm") is not None
            ]
            if known:
                break
        return mean_of_tests(known, "esr_ohm")

    def _drop(self, row, used) -> dict:
        """Voltages before and after the drop at the cell's current, and time of discharge."""
        start, _ = mean_of_tests(used, "voltage_start_V")
        after, _ = mean_of_tests(used, "voltage_after_drop_V")
        carbon_g = (row["carbon_1_mg"] + row["carbon_2_mg"]) * 1e-3
        current = (row["current_A_per_g"] or 0.0) * carbon_g
        currents = [t["current_mA"] * 1e-3 for t in used if t.get("current_mA")]
        if start is None or after is None or not currents:
            start = self.cell["upper_voltage_V"]
            after = start - current * (row["esr_ohm"] or 0.0)
        else:
            # The drop goes with the current; the reference is another one than the tests'.
            after = start - (start - after) * current / float(np.mean(currents))
        seconds = row["capacitance_F"] * after / current if current > 0 else None
        return {"start_V": start, "after_V": after, "seconds": seconds}

    def _leakage(self, row) -> None:
        for method in LEAKAGE_ORDER:
            known = [t for t in self.tests if t["method"] == method]
            for name in ("leakage_current_mA", "leakage_resistance_ohm"):
                row[name], row[f"{name}_se"] = mean_of_tests(known, name)
            if row["leakage_current_mA"] is not None:
                row["leakage_method"] = method
                return
