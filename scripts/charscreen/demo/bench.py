"""Cells and their tests: coated electrodes, assembly, which test each cell got, and the result."""

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from charscreen.demo.circuit import Cell
from charscreen.demo.loggers import LOGGERS, read_off, write_trace
from charscreen.demo.protocols import cycle_cell, discharge_through
from charscreen.demo.random_streams import stream
from charscreen.demo.scenario import Lot, Scenario
from charscreen.demo.truth import SCATTER, Truth

BINDER_PERCENT = 10.0
ADDITIVE_PERCENT = 5.0
DISC_CM2 = 1.13
LARGE_FOIL_CM2 = 12.0
FINE_SD_MG = 0.1
RESISTORS_OHM = (150.0, 220.0, 330.0, 470.0)
RESISTOR_TOLERANCE_PERCENT = 1.0
METER_OHM = 1e7
UPPER_V = 0.9
UPPER_HIGH_V = 1.0
# Shares of the ways a cell is tested; what is left goes through a logger at constant current.
STOPWATCH, LOGGED_LOAD, TYPED = 0.12, 0.12, 0.07
LOGGER_SHARES = {
    "plain": 0.30,
    "semicolon_comma": 0.20,
    "minutes_tab": 0.16,
    "discharge_positive": 0.14,
    "packed": 0.08,
    "voltage_only": 0.12,
}
SECOND_TESTS = 14


@dataclass
class BenchCell:
    """One cell: what it is, and what was written down about it."""

    cell: str
    lot: Lot
    circuit: Cell
    carbon_mg: tuple[float, float]
    upper_V: float
    assembled: date
    row: dict[str, str]


@dataclass
class Bench:
    """Rows of cells, tests and readings, the content of each trace file, and the true cells."""

    cells: list[dict]
    tests: list[dict]
    readings: list[dict]
    traces: dict[str, bytes]
    true_cells: dict[str, dict[str, float]]


def run_bench(scenario: Scenario, truth: Truth) -> Bench:
    """Build and test all cells of the screen.

    Parameters
    ----------
    scenario : Scenario
        Which lots there are.
    truth : Truth
        What their carbons can hold.
    """
    cells = make_cells(scenario, truth)
    _spoil_cells(cells, stream(scenario.seed, "bad cells"))
    tests, readings, traces = [], [], {}
    for number, (cell, method, logger, slow) in enumerate(_plan_tests(cells, scenario.seed), 1):
        test = f"T{number:03d}"
        rng = stream(scenario.seed, "test", cell.cell, method, int(slow))
        day = cell.assembled + timedelta(days=1 + int(slow))
        row = {
            "test": test,
            "cell": cell.cell,
            "method": method,
            "temperature_C": f"{rng.normal(21.5, 0.8):.1f}",
            "date": day.isoformat(),
        }
        if method == "direct":
            row |= _typed(cell, rng)
        elif method == "stopwatch":
            row["method"] = "through_resistor"
            values, rows = _stopwatch(cell, test, scenario.seed, rng)
            row |= values
            readings += rows
        elif method == "through_resistor":
            row |= _logged_load(cell, test, logger, scenario.seed, traces, rng)
        else:
            row |= _cycled(cell, test, logger, slow, scenario.seed, traces, rng)
        tests.append(row)
    true_cells = {cell.cell: _describe(cell) for cell in cells}
    return Bench([cell.row for cell in cells], tests, readings, traces, true_cells)


def _describe(cell: BenchCell) -> dict[str, float]:
    """What a perfect measurement of this very cell would give."""
    circuit, per_gram = cell.circuit, sum(1000.0 / mass for mass in cell.carbon_mg)
    return {
        "capacitance_F": round(circuit.capacitance_F, 6),
        "electrode_F_per_g": round(float(circuit.capacitance_F * per_gram), 4),
        "series_ohm": round(circuit.series_ohm, 4),
        "pore_ohm": round(circuit.pore_ohm, 4),
        "leakage_ohm": round(circuit.leakage_ohm, 1),
    }


def make_cells(scenario: Scenario, truth: Truth) -> list[BenchCell]:
    """Two or three cells from each lot that has any."""
    scatter, seed = SCATTER["capacitance"], scenario.seed
    firing_effect = {
        firing.firing: float(
            stream(seed, "capacitance of firing", firing.firing).normal(
                0.0,
                scatter["firing"] if firing.kind == "carbonise" else scatter["activation_firing"],
            )
        )
        for firing in scenario.firings
    }
    usable = [
        lot
        for lot in scenario.lots
        if not lot.exclude_reason and lot.run not in scenario.mishaps.without_cells
    ]
    order = stream(seed, "cells per lot").permutation(len(usable))
    with_three = {usable[index].run for index in order[: round(0.36 * len(usable))]}
    cells = []
    for lot in usable:
        firing = lot.firing
        value = truth.log_electrode(
            lot.feedstock, firing.done_C, firing.planned_hold_min, lot.activated
        )
        value += firing_effect[firing.firing]
        if lot.activation_firing is not None:
            value += firing_effect[lot.activation_firing.firing]
        value += stream(seed, "capacitance of lot", lot.char_run).normal(0.0, scatter["lot"])
        made = (lot.activation_firing or firing).day + timedelta(days=5)
        numbers = range(1, 3 + (lot.run in with_three))
        cells.extend(_make_cell(lot, number, value, made, seed) for number in numbers)
    return cells


def _make_cell(lot: Lot, number: int, log_electrode: float, made: date, seed: int) -> BenchCell:
    name = f"{lot.run}-{number}"
    rng = stream(seed, "cell", name)
    coating = rng.uniform(8.0, 12.0) * (1.0 + rng.normal(0.0, 0.025, 2))
    carbon = coating * (1.0 - (BINDER_PERCENT + ADDITIVE_PERCENT) / 100.0)
    electrode = np.exp(log_electrode + rng.normal(0.0, SCATTER["capacitance"]["cell"]))
    # Two electrodes in series: C = c m1 m2 / (m1 + m2).
    capacitance = electrode * 1e-3 * carbon[0] * carbon[1] / carbon.sum()
    circuit = Cell(
        capacitance_F=float(capacitance),
        series_ohm=float(1.1 * np.exp(rng.normal(0.0, 0.25))),
        pore_ohm=float((1.6 if lot.activated else 2.4) * np.exp(rng.normal(0.0, 0.25))),
        leakage_ohm=float(6e4 * np.exp(rng.normal(0.0, 0.4))),
    )
    weighed = coating + rng.normal(0.0, FINE_SD_MG, 2)
    upper = UPPER_HIGH_V if rng.uniform() < 0.3 else UPPER_V
    row = {
        "cell": name,
        "run": lot.run,
        "electrode_1_mg": f"{weighed[0]:.1f}",
        "electrode_2_mg": f"{weighed[1]:.1f}",
        "binder_percent": f"{BINDER_PERCENT:g}",
        "additive_percent": f"{ADDITIVE_PERCENT:g}",
        "area_cm2": f"{DISC_CM2:g}",
        "electrolyte": "6 mol/L KOH" if upper == UPPER_V else "1 mol/L Na2SO4",
        "upper_voltage_V": f"{upper:g}",
        "assembled": made.isoformat(),
    }
    return BenchCell(name, lot, circuit, (carbon[0], carbon[1]), upper, made, row)


def _spoil_cells(cells: list[BenchCell], rng: np.random.Generator) -> None:
    """One cell with a bad contact, one that leaks, one on a large foil, one never tested."""
    ordinary = [cell for cell in cells if cell.lot.role == "screen" and cell.cell.endswith("-2")]
    picked = [ordinary[index] for index in rng.permutation(len(ordinary))[:11]]
    resistive, leaky, large, untested, *grossly = picked
    old = resistive.circuit
    resistive.circuit = Cell(old.capacitance_F, 9.0, old.pore_ohm, old.leakage_ohm)
    resistive.row["note"] = "contact looked corroded"
    old = leaky.circuit
    leaky.circuit = Cell(old.capacitance_F, old.series_ohm, old.pore_ohm, 600.0)
    leaky.row["note"] = "loses voltage quickly"
    large.row["area_cm2"] = f"{LARGE_FOIL_CM2:g}"
    large.row["accepted"] = "coated thinly on a large foil on purpose"
    untested.row["note"] = "not tested yet"
    for cell in grossly:
        for side in (1, 2):
            net = float(cell.row.pop(f"electrode_{side}_mg"))
            collector = 31.0 + rng.uniform(0.0, 1.5)
            cell.row[f"electrode_{side}_gross_mg"] = f"{net + collector:.1f}"
            collector += rng.normal(0.0, FINE_SD_MG)
            cell.row[f"electrode_{side}_collector_mg"] = f"{collector:.1f}"


def _plan_tests(cells: list[BenchCell], seed: int) -> list[tuple[BenchCell, str, str, bool]]:
    """Method and logger of each test: (cell, method, logger, slower second test)."""
    rng = stream(seed, "methods")
    tested = [cell for cell in cells if cell.row.get("note") != "not tested yet"]
    count = len(tested)
    deck = ["stopwatch"] * round(STOPWATCH * count)
    deck += ["through_resistor"] * round(LOGGED_LOAD * count)
    deck += ["direct"] * round(TYPED * count)
    deck += ["constant_current"] * (count - len(deck))
    methods = [deck[index] for index in rng.permutation(count)]
    loggers = _deal_loggers(count, rng)
    plan = []
    for cell, method, logger in zip(tested, methods, loggers, strict=True):
        # The odd cells go through the logger: their fault shows in a trace, not in one number.
        method = "constant_current" if "note" in cell.row else method
        if method == "through_resistor":
            logger = "voltage_only" if rng.uniform() < 0.6 else "semicolon_comma"
        plan.append((cell, method, logger, False))
    cycled = [entry for entry in plan if entry[1] == "constant_current"]
    again = [cycled[index] for index in rng.permutation(len(cycled))[:SECOND_TESTS]]
    for position, (cell, _, logger, _) in enumerate(again):
        if position % 2:
            plan.append((cell, "through_resistor", "voltage_only", True))
        else:
            plan.append((cell, "constant_current", logger, True))
    return sorted(plan, key=lambda entry: (entry[0].assembled, entry[0].cell, entry[3]))


def _deal_loggers(count: int, rng: np.random.Generator) -> list[str]:
    names, shares = list(LOGGER_SHARES), np.array(list(LOGGER_SHARES.values()))
    deck = [names[index] for index in np.searchsorted(shares.cumsum(), _even(count))]
    return [deck[index] for index in rng.permutation(count)]


def _even(count: int) -> np.ndarray:
    return (np.arange(count) + 0.5) / count


def _errors(seed: int, logger: str) -> dict[str, float]:
    """Errors of one instrument, the same in all its files."""
    rng = stream(seed, "instrument", logger)
    return {
        "gain_V": float(rng.normal(0.0, 5e-4)),
        "offset_V": float(rng.normal(0.0, 5e-4)),
        "gain_A": float(rng.normal(0.0, 1e-3)),
    }


def _cycled(
    cell: BenchCell,
    test: str,
    logger_name: str,
    slow: bool,
    seed: int,
    traces: dict[str, bytes],
    rng: np.random.Generator,
) -> dict[str, str]:
    """A test at constant current; the current is set by what people expect of the carbon."""
    logger = LOGGERS[logger_name]
    per_electrode_A_per_g = 1.8 if cell.lot.activated else 1.1
    current_mA = per_electrode_A_per_g * float(np.mean(cell.carbon_mg))
    # A cell that looks bad is tested gently, and not cycled as long as a good one.
    gentle = 0.6 if slow else 0.5 if "note" in cell.row else 1.0
    current_mA = max(0.5, np.rint(2.0 * current_mA * gentle) / 2.0)
    cycles = 3 if slow or "note" in cell.row else int(rng.choice([3, 3, 4, 4, 5]))
    if logger_name in ("packed", "voltage_only"):
        cycles = 3
    record = cycle_cell(
        cell.circuit,
        current_A=current_mA / 1000.0,
        upper_V=cell.upper_V,
        cycles=cycles,
        interval_s=logger.interval_s,
        hold_s=logger.hold_s,
        rest_s=logger.rest_s,
        log_steps=logger.log_steps,
    )
    record = read_off(record, logger, rng=rng, **_errors(seed, logger_name))
    trace = test + logger.ending
    traces[trace] = write_trace(record, logger, test=test)
    return {"trace": trace, "trace_map": logger_name, "current_mA": f"{current_mA:g}"}


def _choose_load(cell: BenchCell, seed: int) -> tuple[float, float]:
    """Nominal and true resistance of the bench resistor that suits the cell. [ohm]"""
    target = 100.0 / cell.circuit.capacitance_F
    nominal = min(RESISTORS_OHM, key=lambda ohm: abs(np.log(ohm / target)))
    error = stream(seed, "resistor", int(nominal)).normal(0.0, RESISTOR_TOLERANCE_PERCENT / 300.0)
    return nominal, float(nominal * (1.0 + error))


def _load_columns(nominal_ohm: float) -> dict[str, str]:
    return {
        "load_ohm": f"{nominal_ohm:g}",
        "load_tolerance_percent": f"{RESISTOR_TOLERANCE_PERCENT:g}",
        "meter_ohm": f"{METER_OHM:.0f}",
    }


def _logged_load(
    cell: BenchCell,
    test: str,
    logger_name: str,
    seed: int,
    traces: dict[str, bytes],
    rng: np.random.Generator,
) -> dict[str, str]:
    """A logged discharge through a resistor, begun a few seconds before it is connected."""
    logger = LOGGERS[logger_name]
    nominal, true = _choose_load(cell, seed)
    record = discharge_through(
        cell.circuit,
        load_ohm=1.0 / (1.0 / true + 1.0 / METER_OHM),
        upper_V=cell.upper_V,
        last_s=1.8 * true * cell.circuit.capacitance_F,
        interval_s=1.0,
        lead_s=3.0,
    )
    record = read_off(record, logger, rng=rng, **_errors(seed, logger_name))
    trace = test + logger.ending
    traces[trace] = write_trace(record, logger, test=test)
    return {"trace": trace, "trace_map": logger_name, **_load_columns(nominal)}


def _stopwatch(
    cell: BenchCell, test: str, seed: int, rng: np.random.Generator
) -> tuple[dict[str, str], list[dict[str, str]]]:
    """A discharge read by eye from a hand meter, every twenty or thirty seconds."""
    nominal, true = _choose_load(cell, seed)
    tau = true * cell.circuit.capacitance_F
    spacing = 10.0 * max(1.0, np.rint(tau / 50.0))
    record = discharge_through(
        cell.circuit,
        load_ohm=1.0 / (1.0 / true + 1.0 / METER_OHM),
        upper_V=cell.upper_V,
        last_s=2.0 * tau,
        interval_s=0.1,
        lead_s=0.0,
    )
    times = np.arange(spacing, 1.7 * tau, spacing)
    looked = times + rng.normal(0.0, 0.3, len(times))
    errors = _errors(seed, "hand meter")
    voltage = np.interp(looked, record.time_s, record.voltage_V)
    voltage = voltage * (1.0 + errors["gain_V"]) + errors["offset_V"]
    voltage = voltage + rng.normal(0.0, 0.0005, len(times))
    rows = [
        {"test": test, "time_s": f"{t:g}", "voltage_V": f"{v:.3f}"}
        for t, v in zip(times, voltage, strict=True)
    ]
    return {**_load_columns(nominal), "note": "by stopwatch"}, rows


def _typed(cell: BenchCell, rng: np.random.Generator) -> dict[str, str]:
    """Farads and ohms as another bench reported them, with its stated uncertainty."""
    error = 0.02
    value = cell.circuit.capacitance_F * (1.0 + rng.normal(0.0, error))
    ohm = cell.circuit.series_ohm + cell.circuit.pore_ohm / 3.0
    return {
        "capacitance_F": f"{value:.3f}",
        "capacitance_F_se": f"{error * value:.3f}",
        "esr_ohm": f"{ohm * (1.0 + rng.normal(0.0, 0.03)):.2f}",
        "note": "measured on another bench, value as reported",
    }
