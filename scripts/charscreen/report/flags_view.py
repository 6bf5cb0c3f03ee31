"""Flags of tests in words: how many tests carry one, which, and what it means."""

import pandas as pd

from charscreen.report.blocks import Column, Table
from charscreen.words import first_upper, list_ids

# flag: what it means for the figure of that test
MEANINGS = {
    "above the stable window": (
        "the cell was charged above the voltage stated for it: decay of the electrolyte can pass "
        "for capacitance"
    ),
    "charge and energy capacitance differ by over 10 %": (
        "the discharge is bent, so one capacitance does not describe it; the figure depends on "
        "how it is taken"
    ),
    "clipped": (
        "the voltage stood still while the charging current flowed on: the instrument was at its "
        "limit, so the start of the discharge and the resistance are doubtful"
    ),
    "coulombic efficiency under 90 %": (
        "much less charge came out than went in: a leak or a reaction; the capacitance may "
        "change from cycle to cycle"
    ),
    "current not logged": (
        "the current typed in stands for the true one: an error in it passes in full to "
        "capacitance and resistance"
    ),
    "drop over 20 % of the window": (
        "the resistance takes much of the voltage at the start: the capacitance rests on a short "
        "rest of the discharge; repeat at a lower current"
    ),
    "first cycle only": (
        "no steady cycle was recorded; a first cycle often differs from those after it"
    ),
    "current changes sign within the part evaluated": (
        "the loop is not that of a capacitor: a leak or a reaction bends it; the capacitance is "
        "doubtful"
    ),
    "current from the charging resistor": (
        "the current was not logged; it follows from the voltage across the charging resistor, "
        "whose tolerance passes into it"
    ),
    "current still falling": (
        "the leakage current had not settled at the end of the hold: it is an upper bound"
    ),
    "extrapolated": "the time lies beyond the record and follows from the fitted form alone",
    "first step not seen": (
        "the step at connecting the load was not recorded sharply enough: the series resistance "
        "is not known from this test; what it may be worth stands in the uncertainty"
    ),
    "first step not resolved": (
        "the readings about connecting the load lie too far apart, or the step is within its "
        "noise: no series resistance is told; what the step may be is taken off and its doubt "
        "stands in the uncertainty of the capacitance"
    ),
    "hold shorter than asked": (
        "the hold ended before the time at which leakage is read; the last figure stands in"
    ),
    "leakage not resolved": "the leakage cannot be told apart from zero",
    "loop far from a rectangle": (
        "resistance or a reaction shapes the loop: the capacitance belongs to this scan rate alone"
    ),
    "no capacitance of this cell": (
        "the cell has no capacitance from another test, so voltage cannot be turned into a current"
    ),
    "no sample before the step": (
        "the drop at the start was not recorded: no series resistance from this test"
    ),
    "no uncertainty given": (
        "a value typed in without its uncertainty: it counts, but how sure it is is not known"
    ),
    "not one exponential": (
        "early and late part of the decay disagree; the gap is in the uncertainty. Charge longer "
        "before the test"
    ),
    "not straight": (
        "the discharge is curved: capacitance changes with voltage, or charge still moves inside "
        "the cell"
    ),
    "one sweep only": "only one direction was recorded, so drift between scans is not known",
    "other scan rates in the file": (
        "the file holds scans at other rates; only those at the rate stated were evaluated"
    ),
    "resistance not resolved": (
        "the series resistance comes out at or below zero and is left empty: the logger was too "
        "slow, or the drop is within its noise"
    ),
    "resistance rests on the sampling interval": (
        "the step at the start of the discharge lies between two samples that are far apart: the "
        "series resistance may be off by a fifth or more; log faster"
    ),
    "scan rate differs from the record": (
        "the record runs at another rate than scan_rate_mV_per_s says; the stated one was used"
    ),
    "scan rate from the record": "no scan rate was stated: it is that of the record",
    "self-discharge models not told apart": (
        "the record is too short or too noisy to say which form the fall follows"
    ),
    "series resistance from another test": (
        "the step at connecting the load does not tell the series resistance well enough: that "
        "of another test of the cell is taken off, so an error there passes into this capacitance"
    ),
    "the meter explains the fall": (
        "the meter's own resistance would let the voltage fall as fast: nothing can be said of "
        "the cell's leakage"
    ),
    "too few points": "few readings lie in the window; one bad reading moves the figure",
}
UNKNOWN = "no explanation yet; look at the trace"


def flags_of(test_results: pd.DataFrame) -> dict[str, list[str]]:
    """Tests by flag, the most frequent flag first.

    Parameters
    ----------
    test_results : DataFrame
        Columns test, quality (flags between semicolons, or None).
    """
    found: dict[str, list[str]] = {}
    if test_results is None or "quality" not in test_results:
        return found
    for row in test_results[["test", "quality"]].to_dict("records"):
        quality = row["quality"] if isinstance(row["quality"], str) else ""
        for flag in dict.fromkeys(part.strip() for part in quality.split(";")):
            if flag:
                found.setdefault(flag, []).append(str(row["test"]))
    return dict(sorted(found.items(), key=lambda item: (-len(item[1]), item[0])))


def count_flagged(test_results: pd.DataFrame) -> int:
    """Tests that carry any flag."""
    return len({test for tests in flags_of(test_results).values() for test in tests})


def flags_table(test_results: pd.DataFrame, *, file: str) -> Table | None:
    """Flags of tests with what each means for the figure; None where no test carries one."""
    found = flags_of(test_results)
    if not found:
        return None
    n = len(test_results)
    return Table(
        id="table-test-flags",
        caption=f"Flags of tests ({count_flagged(test_results)} of {n} tests)",
        note="A flagged test counts like any other; a flag says what to look at.",
        file=file,
        columns=[
            Column("Flag", is_wide=True),
            Column("Tests", True),
            Column("Which", is_wide=True),
            Column("What it means for the figure", is_wide=True),
        ],
        rows=[
            [
                first_upper(flag),
                str(len(tests)),
                list_ids(tests),
                first_upper(MEANINGS.get(flag, UNKNOWN)),
            ]
            for flag, tests in found.items()
        ],
    )
