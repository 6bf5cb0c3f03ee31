"""Checks of stopwatch readings and typed figures against the cell they belong to."""

import math
import statistics
from itertools import pairwise

from charscreen.screen.check_cells import electrode_mass
from charscreen.screen.review import Review

# Thresholds of the questions below: common practice, no source.
QUICKEST_S = 3.0  # nobody reads and writes a voltage faster by hand
RISE_SHARE = 0.02  # of the first voltage: a rise during a discharge
OVER_SHARE = 1.15  # of the upper voltage
LEAST_F_PER_G = 0.5
METER_SHARE = 0.01  # of the current, by a usual meter
USUAL_METER_OHM = 1e6


def check_readings(review: Review) -> None:
    """All checks of tests and readings that need the cell: times, voltages, sizes.

    Notes
    -----
    The size is the capacitance between first and last reading, C = Δt / (R·ln(V₁/V₂)), as an
    electrode figure C·(1/m₁ + 1/m₂) of the carbon masses: only to see a wrong unit.
    """
    cells = review.rows_by_id("cells")
    readings: dict[str, list[dict]] = {}
    for row in review.rows("readings"):
        readings.setdefault(row["test"], []).append(row)
    limit = review.config.get("limits", {}).get("electrode_F_per_g")
    for test in review.rows("tests"):
        cell = cells.get(test["cell"]) or {}
        here = [
            row
            for row in readings.get(test["test"], [])
            if row["time_s"] is not None and row["voltage_V"] is not None
        ]
        here.sort(key=lambda row: (row["time_s"], row["row"]))
        if test["method"] == "direct":
            _question_typed(review, test, cell, limit)
        elif test["trace"] is None and here:
            _question_times(review, here)
            _question_voltages(review, test, here, cell)
            if test["method"] == "through_resistor":
                _question_size(review, test, here, cell, limit)
        if test["method"] == "through_resistor":
            _question_meter(review, test)


def _question_times(review: Review, rows: list[dict]) -> None:
    steps = [after["time_s"] - before["time_s"] for before, after in pairwise(rows)]
    for row, step in zip(rows[1:], steps, strict=True):
        if step == 0:
            review.questions(
                "readings",
                row,
                "time_s",
                f"Test {row['test']} has another reading at {row['time_s']:g} s. Correct the time, "
                "or delete one of them.",
            )
    known = [step for step in steps if step > 0]
    if len(known) > 1 and statistics.median(known) < QUICKEST_S:
        review.questions(
            "readings",
            rows[0],
            "time_s",
            f"Test {rows[0]['test']} was read every {statistics.median(known):.2g} s, too fast for "
            "a hand. Write seconds, not minutes.",
        )


def _question_voltages(review: Review, test: dict, rows: list[dict], cell: dict) -> None:
    upper = cell.get("upper_voltage_V")
    if upper and rows[0]["voltage_V"] > OVER_SHARE * upper:
        review.questions(
            "readings",
            rows[0],
            "voltage_V",
            f"{rows[0]['voltage_V']:g} V is above the upper voltage of cell {cell['cell']}, "
            f"{upper:g} V. Check both.",
        )
    if test["method"] != "through_resistor":
        return
    rise = RISE_SHARE * abs(rows[0]["voltage_V"])
    for before, row in pairwise(rows):
        if row["voltage_V"] > before["voltage_V"] + rise:
            review.questions(
                "readings",
                row,
                "voltage_V",
                f"{row['voltage_V']:g} V is more than {before['voltage_V']:g} V at "
                f"{before['time_s']:g} s (row {before['row']}), in a discharge. Check both rows "
                "for mistyped digits or times.",
            )


def _per_gram(capacitance: float, cell: dict) -> float | None:
    """Electrode figure of a cell's capacitance. [F/g]"""
    if not cell:
        return None
    masses = [electrode_mass(cell, side) for side in (1, 2)]
    other = (cell["binder_percent"] or 0.0) + (cell["additive_percent"] or 0.0)
    if None in masses or min(masses) <= 0 or other >= 100:
        return None
    carbon = [mass * 1e-3 * (1 - other / 100) for mass in masses]
    return capacitance * (1 / carbon[0] + 1 / carbon[1])


def _question_size(
    review: Review, test: dict, rows: list[dict], cell: dict, limit: float | None
) -> None:
    first, last = rows[0], rows[-1]
    if not first["voltage_V"] > last["voltage_V"] > 0 or not test["load_ohm"]:
        return
    tau = (last["time_s"] - first["time_s"]) / math.log(first["voltage_V"] / last["voltage_V"])
    per_gram = _per_gram(tau / test["load_ohm"], cell)
    if per_gram is None:
        return
    if limit and per_gram > limit:
        guess = "Is the load in ohms, not kiloohms, and are the times in seconds?"
    elif per_gram < LEAST_F_PER_G:
        guess = "Are the times in seconds, not minutes, and is the load right?"
    else:
        return
    review.questions(
        "tests",
        test,
        "load_ohm",
        f"With this load the readings give about {per_gram:.2g} F per gram of electrode carbon, "
        f"which is unusual. {guess}",
    )


def _question_typed(review: Review, test: dict, cell: dict, limit: float | None) -> None:
    if test["capacitance_F"] is None or not limit:
        return
    per_gram = _per_gram(test["capacitance_F"], cell)
    if per_gram is not None and per_gram > limit:
        review.questions(
            "tests",
            test,
            "capacitance_F",
            f"{test['capacitance_F']:g} F on this cell is {per_gram:.3g} F per gram of electrode "
            f"carbon (limit {limit:g}). Write the farads of the cell, not farads per gram.",
        )


def _question_meter(review: Review, test: dict) -> None:
    load = test["load_ohm"]
    if load is None or test["meter_ohm"] is not None or load < METER_SHARE * USUAL_METER_OHM:
        return
    share = 100 * load / USUAL_METER_OHM
    review.questions(
        "tests",
        test,
        "meter_ohm",
        f"The cell is empty, and the meter discharges the cell too: one of 1 MΩ takes "
        f"{share:.2g} % beside this load. Write the meter's input resistance.",
    )
