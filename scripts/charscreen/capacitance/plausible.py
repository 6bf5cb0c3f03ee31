"""Doubts about a test: scales that point to a wrong unit, sign or part of a file."""

import numpy as np

from charscreen.capacitance.carbon import rough_carbon_g
from charscreen.curves import median
from charscreen.words import agree, count_words, list_ids

# Bounds beyond which a test is questioned, since a unit is then usually wrong. Common practice,
# no source: tests run at 0.1 to 20 A per gram of carbon and a discharge takes seconds to hours.
CURRENT_A_PER_G = (0.002, 100.0)
DISCHARGE_S = (0.5, 6 * 3600.0)
TAU_S = (0.1, 7 * 86400.0)
SCAN_RATE_MV_S = (0.05, 5000.0)
CURRENT_MATCH_SHARE = 0.10
RATE_MATCH_SHARE = 0.05
SIGN_CORRELATION = 0.5
MAX_EFFICIENCY_PERCENT = 103.0
LEAST_EFFICIENCY_PERCENT = 90.0
OVER_SHARE = 0.05
# A voltage beyond these shares of the upper voltage is in another unit, or no voltage at all.
FAR_OVER_SHARE = 3.0
FAR_UNDER_SHARE = 0.02
# Of one electrode: what is worth testing gives more, and minutes taken for seconds a sixtieth.
# Common practice, no source.
LEAST_F_PER_G = 5.0

TURNED_SIGN = (
    "the voltage falls while the current is positive: the sign of the current is "
    "turned round. Change positive_is in the column map (charge or discharge)."
)


def is_sign_turned(voltage_V: np.ndarray, current_A: np.ndarray) -> bool:
    """Whether a charging current mostly lowers the voltage: a current with the wrong sign."""
    i, size = current_A, np.abs(current_A)
    moving = (i[1:] * i[:-1] > 0) & (size[1:] > 0.1 * size.max())
    rise = np.diff(voltage_V) * np.sign(i[1:]) * moving
    up, down = float(np.maximum(rise, 0.0).sum()), float(-np.minimum(rise, 0.0).sum())
    return down > 0 and (down - up) / (down + up) > SIGN_CORRELATION


def why_no_cycles(
    voltage_V: np.ndarray,
    current_A: np.ndarray | None,
    reasons: list[str],
    *,
    upper_voltage_V: float,
    window: tuple[float, float],
) -> str:
    """Why a record at constant current gave no row, for a caller of the library.

    Parameters
    ----------
    voltage_V : (n,) array
        [V]
    current_A : (n,) array or None
        None where it was not logged. [A]
    reasons : list of str
        Of `charscreen.capacitance.discharge.measure_cycles`.
    upper_voltage_V : float
        [V]
    window : tuple of float
        Fractions of the upper voltage.

    Returns
    -------
    str
    """
    n = len(voltage_V)
    if n < 3:
        return f"the record has {n} rows only"
    if current_A is not None and is_sign_turned(voltage_V, current_A):
        return (
            "the voltage falls while current_A is positive, so its sign is turned round: current "
            "is positive on charge"
        )
    low, high = float(np.min(voltage_V)), float(np.max(voltage_V))
    top, bottom = (share * upper_voltage_V for share in window)
    if high < top:
        return (
            f"the record reaches {high:.3g} V and the window begins at {top:.3g} V: "
            f"upper_voltage_V {upper_voltage_V:g} is too high for it, or the unit is wrong"
        )
    if reasons:
        more = f", and {len(reasons) - 1} more discharges do not either" if reasons[1:] else ""
        return reasons[0] + more
    if low > bottom:
        return (
            f"no discharge was found, and the record stays above {low:.3g} V; the window ends at "
            f"{bottom:.3g} V"
        )
    return f"no discharge was found in {n} rows from {low:.3g} to {high:.3g} V"


def wrong_scale_of_voltage(one, voltage_V: np.ndarray) -> str:
    """Why a record cannot be the voltage of this cell; empty where it can."""
    upper = one.cell["upper_voltage_V"]
    highest = float(np.abs(voltage_V).max())
    if FAR_UNDER_SHARE * upper <= highest <= FAR_OVER_SHARE * upper:
        return ""
    highest = float(np.quantile(np.abs(voltage_V), 0.99))  # one wild sample is no scale
    remedy = (
        f"upper_voltage_V of cell '{one.cell['cell']}' ({upper:g} V). Check the column and the "
        "unit (V or mV) of the voltage in the column map."
    )
    if highest > FAR_OVER_SHARE * upper:
        return f"the voltage runs to {highest:.4g} V, far above {remedy}"
    # The voltage across a charging resistor may be small.
    if highest < FAR_UNDER_SHARE * upper and one.test["method"] != "held_voltage":
        return f"the voltage stays under {max(highest, 1e-12):.2g} V, far below {remedy}"
    return ""


def question_capacitance(one, capacitance_F: float | None) -> None:
    """Question a capacitance too small for its carbon: minutes taken for seconds make it so."""
    carbon = rough_carbon_g(one.cell)
    if not carbon or not capacitance_F:
        return
    electrode = 4.0 * capacitance_F / carbon
    if electrode < LEAST_F_PER_G:
        is_typed = one.test["method"] == "direct"
        remedy = (
            "Check the farads typed, and the electrode masses (mg)."
            if is_typed
            else "Check the units of time (seconds or minutes) and of current."
        )
        one.question(
            f"the capacitance comes to {electrode:.2g} F per gram of one electrode, which is "
            f"little. {remedy}",
            "capacitance_F" if is_typed else "trace",
        )


def question_unused(one, time_s: np.ndarray, part: tuple[int, int], what_counts: str) -> None:
    """Question readings by hand that have no part in the result: one is then often mistyped.

    Parameters
    ----------
    one : object
        The test: ``question(message, column)``.
    time_s : (n,) array
        Times of the readings. [s]
    part : tuple of int
        First reading that counts and one past the last.
    what_counts : str
        Which readings count, as a sentence.
    """
    unused = [*time_s[: part[0]], *time_s[part[1] :]]
    if len(unused):
        n = len(unused)
        times = list_ids([f"{t:g}" for t in unused])
        one.question(
            f"{n} of {count_words(len(time_s), 'reading')} {agree(n, 'is', 'are')} not used: "
            f"{agree(n, 'that', 'those')} at {times} s. {what_counts} Check times and voltages.",
            "test",
        )


def question_current(one, measured_mA: float) -> None:
    """Question a current unlike the table's, or far off per gram of carbon."""
    nominal = one.test.get("current_mA")
    if nominal and abs(measured_mA / nominal - 1.0) > CURRENT_MATCH_SHARE:
        one.question(
            f"current_mA says {nominal:g} mA, the trace holds {measured_mA:.4g} mA, which was "
            "used. Correct one: the unit in the column map, or the table.",
            "current_mA",
        )
    carbon = rough_carbon_g(one.cell)
    if carbon:
        density = measured_mA * 1e-3 / carbon
        if not CURRENT_A_PER_G[0] <= density <= CURRENT_A_PER_G[1]:
            one.question(
                f"the current is {density:.3g} A per gram of carbon, which is unusual. "
                "Check the unit of the current and the electrode masses.",
                "current_mA" if nominal else "trace",
            )


def question_discharge(one, row: dict, cycles: list[dict]) -> None:
    """Question the duration, efficiency and resistance of discharges at constant current."""
    duration = median([c["discharge_s"] for c in cycles])
    if not DISCHARGE_S[0] <= duration <= DISCHARGE_S[1]:
        one.question(
            f"a discharge takes {duration:.3g} s, which is unusual. Check the unit of time "
            "in the column map.",
            "trace",
        )
    efficiency = row["coulombic_efficiency_percent"]
    if efficiency is not None and efficiency > MAX_EFFICIENCY_PERCENT:
        one.question(
            f"more charge comes out than went in ({efficiency:.4g} %). Check the current's "
            "zero and that charge and discharge are both in the file.",
            "trace",
        )
    elif efficiency is not None and efficiency < LEAST_EFFICIENCY_PERCENT:
        one.question(
            f"only {efficiency:.3g} % of the charge comes back: the cell leaks, or its voltage "
            "is past what is stable. The capacitance is then too low by an amount its "
            "uncertainty does not hold.",
            "trace",
        )
    drops = [c["drop_V"] * 1e3 / c["current_step_mA"] for c in cycles if c.get("current_step_mA")]
    if row["esr_ohm"] is None and drops and np.mean(drops) < -2.0 * (row["esr_ohm_se"] or 0.0):
        one.question(
            f"the series resistance comes out below zero ({np.mean(drops):.3g} Ω) and is not "
            "told. Log faster around the step, or check the current's sign and the part chosen.",
            "trace",
        )


def question_scan_rate(one, found_mV_per_s: float) -> None:
    """Question a scan rate unlike the table's, or one that is far off."""
    stated = one.test.get("scan_rate_mV_per_s")
    if stated and abs(found_mV_per_s / stated - 1.0) > RATE_MATCH_SHARE:
        one.question(
            f"scan_rate_mV_per_s says {stated:g} mV/s, which was used; the record sweeps at "
            f"{found_mV_per_s:.4g} mV/s. Correct one: the unit of time or voltage in the column "
            "map, or the table.",
            "scan_rate_mV_per_s",
        )
    elif not stated and not SCAN_RATE_MV_S[0] <= found_mV_per_s <= SCAN_RATE_MV_S[1]:
        one.question(
            f"the record sweeps at {found_mV_per_s:.3g} mV/s, which is unusual. Check the unit of "
            "time in the column map, and write scan_rate_mV_per_s.",
            "scan_rate_mV_per_s",
        )


def note_overvoltage(one, voltage_V: np.ndarray) -> None:
    """Flag a record that goes well above the cell's upper voltage."""
    if float(voltage_V.max()) > (1.0 + OVER_SHARE) * one.cell["upper_voltage_V"]:
        one.flags.append("above the stable window")
