"""How tests became farads and ohms, in words built from what was done."""

from collections.abc import Mapping

from charscreen.rounding import is_number
from charscreen.words import count_words, method_words


def electricity_text(inputs: Mapping, config: Mapping) -> str:
    """One paragraph on the tests and cells of a screen.

    Parameters
    ----------
    inputs : mapping
        ``test_results`` and ``cells`` as DataFrames.
    config : mapping
        Key capacitance.

    Returns
    -------
    str
    """
    tests, cells, settings = inputs["test_results"], inputs["cells"], config["capacitance"]
    counts = tests["method"].value_counts().sort_index()
    parts = [f"{method_words(str(name))}: {n}" for name, n in counts.items()]
    text = [
        f"{count_words(len(tests), 'test was', 'tests were')} evaluated ({'; '.join(parts)}).",
    ]
    writers = {
        "constant_current": _constant_current,
        "through_resistor": _through_resistor,
        "voltammetry": _voltammetry,
        "open_circuit": _open_circuit,
        "held_voltage": _held_voltage,
    }
    text += [write(tests, settings) for name, write in writers.items() if name in counts]
    if {"constant_current", "voltammetry"} & set(counts.index):
        text.append(_cycles(tests, settings))
    order = [method_words(name) for name in settings.get("method_order", [])]
    if order:
        text.append(
            "Where a cell has several tests, the first method of this order counts: "
            f"{', '.join(order)}."
        )
    text.append(
        "Electrode capacitance is C (1/m₁ + 1/m₂) with the carbon masses of the two electrodes, "
        "binder and additive taken off; the figure of the whole cell, C/(m₁ + m₂), is a quarter "
        "of it for equal electrodes."
    )
    text += [_reference(cells, settings), _uncertainty(cells)]
    return " ".join(part for part in text if part)


def _flagged(tests, flag: str) -> int:
    """Tests whose quality names a flag."""
    return int(tests["quality"].fillna("").str.contains(flag, regex=False).sum()) if (
        "quality" in tests
    ) else 0  # fmt: skip


def _constant_current(tests, settings) -> str:
    upper, lower = settings["window"]
    text = (
        f"Within a discharge, capacitance is taken between {upper:g} and {lower:g} of the upper "
        "voltage (two points, charge and energy, all in this window); series resistance from the "
        "straight part of the discharge drawn back to the last sample before the step, over the "
        "step of the current."
    )
    lost = _flagged(tests, "resistance not resolved")
    if lost:
        text += (
            f" In {count_words(lost, 'test')} the logger was too slow to tell the resistance from "
            "zero: it is left empty."
        )
    return text


def _through_resistor(tests, settings) -> str:
    text = (
        "Through a resistor, ln V against time gives the time constant (R + R_s) C, R the load "
        "with the meter in parallel; R_s is from the step at connecting."
    )
    borrowed = _flagged(tests, "series resistance from another test")
    unseen = _flagged(tests, "first step not seen")
    unsure = _flagged(tests, "first step not resolved")
    if borrowed:
        text += (
            f" For {count_words(borrowed, 'test')} that step is not to be seen and R_s is that of "
            "another test of the cell."
        )
    if unseen:
        text += (
            f" For {count_words(unseen, 'test')} R_s is not known: it counts as zero, and the "
            "farads carry what it may be (from the voltage the cell was charged to, at most 5 % of "
            "the load: common practice, no source) as uncertainty."
        )
    if unsure:
        text += (
            f" For {count_words(unsure, 'test')} the step lies between readings too far apart: the "
            "farads allow for it, but no resistance is told."
        )
    bent = _flagged(tests, "not one exponential")
    if bent:
        text += (
            f" {count_words(bent, 'decay is', 'decays are')} not one exponential: half the spread "
            "between early and late part, over √3, is in the uncertainty."
        )
    return text


def _voltammetry(tests, settings) -> str:
    return (
        "From voltammetry, capacitance is the area of the loop, ∮|I| dV/(2 ν ΔV), over the middle "
        "80 % of the sweep; rectangularity is that area over the rectangle about it (1 for a "
        "capacitor)."
    )


def _open_circuit(tests, settings) -> str:
    return (
        "Self-discharge is fitted by activation (V₀ - a ln(1 + t/τ)), diffusion (V₀ - b √t) and "
        "leakage (V₀ exp(-t/RC)); AICc chooses. Early redistribution of charge looks like the "
        "first two. The equivalent leak is the resistor that would take as much voltage in the "
        "same time, the meter's share taken off."
    )


def _held_voltage(tests, settings) -> str:
    seconds = settings.get("leakage_time_s") or 1800
    return f"Leakage at held voltage is the current {seconds / 60:g} min after the hold began."


def _cycles(tests, settings) -> str:
    skip = settings.get("skip_cycles")
    text = ""
    if is_number(skip) and skip:
        first = "The first cycle" if skip == 1 else f"The first {int(skip)} cycles"
        text = f"{first} of a series {'is' if skip == 1 else 'are'} not used. "
    apart = int(tests["cycles_outlying"].sum()) if "cycles_outlying" in tests else 0
    return text + (
        "A cycle is left out of the mean where it lies over 3.5 robust standard deviations "
        "(1.4826 times the median distance) from the line through the first and last third of the "
        f"steady cycles, five or more; here {count_words(apart, 'cycle')}."
    )


def _reference(cells, settings) -> str:
    reference = settings.get("reference_current_A_per_g")
    if not reference or "capacitance_at" not in cells:
        return ""
    counts = cells["capacitance_at"].value_counts()
    text = (
        f"All figures are brought to {reference:g} A per gram of carbon of both electrodes by a "
        "power law of capacitance in current, fitted to the tests of each cell."
    )
    for name, words in (
        ("reference, extrapolated", "the reference lies beyond the currents tested"),
        ("reference, slope of other cells", "the slope is the mean of the other cells'"),
        ("tests' currents", "it could not be done and the figure is that at its own current"),
    ):
        if name in counts:
            text += f" For {count_words(int(counts[name]), 'cell')} {words}."
    return text


def _uncertainty(cells) -> str:
    text = (
        "Standard uncertainties join type A (scatter of readings, at least that of rounding to the "
        "meter's digits, of cycles and of tests) and type B "
        "(instrument, resistor, time, masses, area), which stand apart in the result files, by "
        "the law of propagation"
    )
    drawn = 0
    if "uncertainty_by" in cells:
        drawn = int((cells["uncertainty_by"] == "Monte Carlo").sum())
    if not drawn:
        return text + "."
    return (
        f"{text}; for {count_words(drawn, 'cell')} with a mass known to worse than 5 % by Monte "
        "Carlo (100,000 draws)."
    )
