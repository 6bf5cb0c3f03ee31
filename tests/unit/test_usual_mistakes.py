"""The mistakes that people make: each is caught, with its severity, row, column and remedy.

Kinds of mistake: the usual ones of the trade (units, bases, masses of one for both, dates) and of
spreadsheets (copied down, shifted, decimal marks); common practice, no source.
"""

from pathlib import Path

import pytest
from charscreen.capacitance.cells import summarise_cells
from charscreen.findings import LEAVES_OUT, QUESTIONS, SEVERITIES, STOPS
from charscreen.screen import ScreenError, open_screen
from charscreen.screen.schemas import table_schemas
from clean_screen import CONFIG, clean_tables, write_clean_screen

ROOT = Path(__file__).resolve().parents[2]
NBSP = "\N{NO-BREAK SPACE}"


def row_of(tables, table, name):
    """Row of a table by its id, and for readings by test and time."""
    if table == "readings":
        test, time = name.split("@")
        return next(r for r in tables[table] if (r["test"], r["time_s"]) == (test, time))
    key = table_schemas()[table].key
    return next(row for row in tables[table] if row[key] == name)


def put(table, name, **values):
    """Change that writes values into one row."""

    def change(tables):
        row_of(tables, table, name).update(values)

    return change


def swap(table, name, first, second):
    """Change that swaps two cells of a row."""

    def change(tables):
        row = row_of(tables, table, name)
        row[first], row[second] = row.get(second, ""), row.get(first, "")

    return change


def swap_columns(table, first, second):
    """Change that swaps two columns."""

    def change(tables):
        for row in tables[table]:
            row[first], row[second] = row.get(second, ""), row.get(first, "")

    return change


def add(table, like, **values):
    """Change that adds a row like another."""

    def change(tables):
        tables[table].append(row_of(tables, table, like) | values)

    return change


def scale(table, column, factor, only=None):
    """Change of a whole column to another unit."""

    def change(tables):
        for row in tables[table]:
            if row.get(column) and (only is None or row["test"] == only):
                row[column] = f"{float(row[column]) * factor:g}"

    return change


def copy_down(table, columns, *names):
    """Change that copies cells of the first row named into the others."""

    def change(tables):
        first = row_of(tables, table, names[0])
        for name in names[1:]:
            row_of(tables, table, name).update({column: first[column] for column in columns})

    return change


def both(*changes):
    """Several changes, one after the other."""

    def change(tables):
        for one in changes:
            one(tables)

    return change


def one_mass_for_both(tables):
    """The first electrode's mass written for the second as well, in every cell."""
    for row in tables["cells"]:
        row["electrode_2_mg"] = row["electrode_1_mg"]


# (what, change, severity, table, row, column, words of the remedy). Row 2 is the first.
MISTAKES = [
    # units
    ("mg for g", put("masses", "R3", char_g="14450"), LEAVES_OUT, "masses", 4, "char_g",
     "are both in grams?"),
    ("g for mg", put("cells", "C2", electrode_1_mg="0.00593", electrode_2_mg="0.00642"), QUESTIONS,
     "cells", 3, "electrode_1_mg", "Write milligrams, without collector."),
    ("kg for g", put("masses", "R2", feed_ar_g="0.1204", feed_dry_g="0.0248", char_g="0.00732"),
     QUESTIONS, "masses", 3, "feed_ar_g", "Check the value and its unit."),
    ("hours for minutes", both(*(put("design", r, hold_min="1") for r in ("R1", "R2", "R3", "R4"))),
     QUESTIONS, "design", 2, "hold_min", "Write minutes, not hours."),
    ("hours for minutes in a firing done", put("firings", "F2", hold_min="1"), QUESTIONS, "firings",
     3, "hold_min", "minutes, not hours"),
    ("minutes for seconds, by hand", scale("readings", "time_s", 1 / 60, "T5"), QUESTIONS,
     "readings", 2, "time_s", "Write seconds, not minutes."),
    ("°F for °C in the plan", both(*(put("design", f"R{n}", peak_temperature_C="1292")
     for n in range(5, 9)), *(put("design", f"R{n}a", peak_temperature_C="1292")
     for n in range(5, 9))), QUESTIONS, "design", 6, "peak_temperature_C",
     "1292 °F would be 700 °C."),
    ("°F for °C in a firing done", put("firings", "F1", peak_temperature_C="1112"), QUESTIONS,
     "firings", 2, "peak_temperature_C", "1112 °F would be 600 °C."),
    ("K for °C in a firing done", put("firings", "F1", peak_temperature_C="873"), QUESTIONS,
     "firings", 2, "peak_temperature_C", "873 K would be 600 °C."),
    ("mV for V, cell", put("cells", "C3", upper_voltage_V="900"), LEAVES_OUT, "cells", 4,
     "upper_voltage_V", "Write volts"),
    ("mV for V, reading", put("readings", "T6@60", voltage_V="583"), LEAVES_OUT, "readings", 8,
     "voltage_V", "Write volts"),
    ("A for mA", put("tests", "T1", current_mA="0.005"), QUESTIONS, "tests", 2, "current_mA",
     "Write milliamperes."),
    ("kΩ for Ω", put("tests", "T5", load_ohm="0.47"), QUESTIONS, "tests", 6, "load_ohm",
     "Is the load in ohms, not kiloohms"),
    ("F per gram for F", put("tests", "T7", capacitance_F="112"), QUESTIONS, "tests", 8,
     "capacitance_F", "Write farads of the cell, not per gram."),
    ("F per gram for F, a small one", put("tests", "T7", capacitance_F="28"), QUESTIONS, "tests", 8,
     "capacitance_F", "Write the farads of the cell, not farads per gram."),
    ("fraction for percent, binder", put("cells", "C4", binder_percent="0.1"), QUESTIONS, "cells",
     5, "binder_percent", "If it was meant as a fraction, write 10."),
    ("fraction for percent, moisture", put("feedstocks", "peel", moisture_ar_percent="0.8"),
     QUESTIONS, "feedstocks", 3, "moisture_ar_percent", "write 80"),
    ("°C per hour for °C per minute", both(*(put("design", r, ramp_C_per_min="120")
     for r in ("R1", "R2", "R3", "R4"))), QUESTIONS, "design", 2, "ramp_C_per_min", "its unit"),
    ("4 to 1 typed as a ratio", put("design", "R6a", koh_ratio="4:1"), STOPS, "design", 11,
     "koh_ratio", "four to one is 4"),
    ("4 to 1 typed the wrong way round", put("design", "R6a", koh_ratio="1:4"), STOPS, "design", 11,
     "koh_ratio", "four to one is 4"),
    ("4 to 1 typed as a quarter", put("design", "R6a", koh_ratio="0.25"), QUESTIONS, "design", 11,
     "koh_ratio", "Four parts of KOH to one part of char are written 4."),
    # masses that cannot be
    ("char above feed", put("masses", "R1", char_g="46.3"), LEAVES_OUT, "masses", 2, "char_g",
     "Was the char dry"),
    ("wet char", put("masses", "R1", char_g="31.0"), QUESTIONS, "masses", 2, "char_g",
     "Was it dry, and was the firing complete?"),
    ("damp char", put("masses", "R3", char_g="26.0"), QUESTIONS, "masses", 4, "char_g",
     "Was it dry, and was the tare taken off?"),
    ("wash skipped", put("masses", "R7a", activated_g="9.1"), LEAVES_OUT, "masses", 12,
     "activated_g", "Was it washed and dry?"),
    ("washed badly", put("masses", "R7a", activated_g="3.4"), QUESTIONS, "masses", 12,
     "activated_g", "Was it washed and dry"),
    ("wet and dry feed swapped", swap("masses", "R2", "feed_ar_g", "feed_dry_g"), LEAVES_OUT,
     "masses", 3, "feed_dry_g", "Were the two swapped?"),
    ("columns swapped", swap_columns("masses", "feed_dry_g", "char_g"), LEAVES_OUT, "masses", 2,
     "char_g", "are both in grams?"),
    ("gross and tare swapped", put("masses", "R1", char_g="", char_gross_g="61.2",
     char_tare_g="75.41"), LEAVES_OUT, "masses", 2, "char_gross_g", "swapped"),
    ("tare forgotten", put("masses", "R1", char_g="", char_gross_g="75.41"), QUESTIONS, "masses", 2,
     "char_tare_g", "Fill it."),
    ("gross written as net", put("masses", "R2", feed_dry_g="86.0"), QUESTIONS, "masses", 3,
     "feed_dry_g", "dried to constant mass"),
    ("net beside gross", put("masses", "R1", char_gross_g="75.41", char_tare_g="61.2"), STOPS,
     "masses", 2, "char_gross_g", "Keep either the net or the pair"),
    ("KOH weighed for the feed", put("masses", "R5a", feed_ar_g="50.6", feed_dry_g="45.7",
     char_g="12.9", koh_g="151.8"), QUESTIONS, "masses", 10, "koh_g",
     "It has that ratio to the feed as received"),
    ("dry matter for moisture", put("feedstocks", "peel", moisture_ar_percent="20"), QUESTIONS,
     "masses", 3, "feed_dry_g", "or correct feedstocks"),
    ("ash of the feed's mass for that of the char", put("masses", "R4", char_ash_d_percent="38"),
     QUESTIONS, "masses", 5, "char_ash_d_percent", "Ash does not grow"),
    ("ash and volatile matter over the whole", put("masses", "R4", char_volatile_d_percent="92"),
     LEAVES_OUT, "masses", 5, "char_volatile_d_percent", "percent of the dry char"),
    ("more char taken than there was", put("masses", "R8a", char_taken_g="7.1", koh_g="21.3"),
     LEAVES_OUT, "masses", 13, "char_taken_g", "more than the char of its parent"),
    # digits and signs
    ("decimal comma lost", put("masses", "R3", char_g="144.5"), LEAVES_OUT, "masses", 4, "char_g",
     "Was it 14.45 g, a decimal mark lost?"),
    ("decimal mark moved", put("masses", "R3", char_g="1.445"), QUESTIONS, "masses", 4, "char_g",
     "Was a decimal mark lost or moved?"),
    ("decimal comma among points", put("masses", "R3", char_g="14,45"), STOPS, "masses", 4,
     "char_g", "Use one kind in the whole file"),
    ("thousands mark", put("tests", "T5", meter_ohm="10,000,000"), STOPS, "tests", 6, "meter_ohm",
     "Write 10000000."),
    ("letter O for zero", put("masses", "R1", feed_ar_g="5O.2"), STOPS, "masses", 2, "feed_ar_g",
     "Write 50.2"),
    ("unit in the cell", put("masses", "R1", feed_ar_g="50.2 g"), STOPS, "masses", 2, "feed_ar_g",
     "The number alone."),
    ("minus sign before", put("masses", "R1", char_g="-14.2"), LEAVES_OUT, "masses", 2, "char_g",
     "it must be above 0 g"),
    ("digits turned in a reading", put("readings", "T6@60", voltage_V="0.853"), QUESTIONS,
     "readings", 8, "voltage_V", "mistyped digits"),
    ("a time read twice", put("readings", "T6@60", time_s="30"), QUESTIONS, "readings", 8, "time_s",
     "Correct the time"),
    ("sign for nothing measured", put("masses", "R1", feed_dry_g="n/a"), STOPS, "masses", 2,
     "feed_dry_g", "Leave the cell empty instead."),
    # ids and rows
    ("a row twice, in other capitals", add("masses", "R2", run="r2"), STOPS, "masses", 14, "run",
     "differs from 'R2' in row 3 in capitals only"),
    ("a row twice", add("masses", "R2"), STOPS, "masses", 14, "run", "stands in row 3 already"),
    ("blank within a name", put("masses", "R2", run=f"R{NBSP}2"), STOPS, "masses", 3, "run",
     "Use letters, digits, _ and - only"),
    ("cell of an unknown lot", put("cells", "C5", run="R51a"), STOPS, "cells", 6, "run",
     "Did you mean 'R5a'?"),
    ("capitals of a lot", put("cells", "C5", run="r5a"), STOPS, "cells", 6, "run",
     "Capitals count: it is 'R5a' there."),
    ("same crucible twice", put("design", "R2", crucible="1"), STOPS, "design", 3, "crucible",
     "holds run R1 in row 2 already"),
    ("more lots than crucibles", add("design", "R4", run="R9", crucible="5"), QUESTIONS, "design",
     14, "firing", "holds 5 lots, the kiln 4 crucibles"),
    ("two temperatures in one firing", put("design", "R2", peak_temperature_C="650"), STOPS,
     "design", 3, "peak_temperature_C", "All crucibles of a firing share it"),
    ("above the kiln's limit", both(*(put("design", f"R{n}a", activation_temperature_C="1050")
     for n in range(5, 9))), QUESTIONS, "design", 10, "activation_temperature_C",
     "above what the kiln is good for"),
    ("KOH ratio without KOH", put("design", "R1", koh_ratio="3"), STOPS, "design", 2, "koh_ratio",
     "Write KOH under activation"),
    ("a trace that is not there", put("tests", "T2", trace="T22.csv"), LEAVES_OUT, "tests", 3,
     "trace", "Did you mean 'T2.csv'?"),
    ("one trace for two tests", put("tests", "T2", trace="T1.csv"), LEAVES_OUT, "tests", 3, "trace",
     "of 'T1.csv'"),
    ("a trace and readings of one test", put("tests", "T5", trace="T2.csv", trace_map="plain"),
     QUESTIONS, "tests", 6, "trace", "readings in the table readings as well"),
    ("end before start", put("tests", "T1", start_s="50", end_s="20"), LEAVES_OUT, "tests", 2,
     "end_s", "20 s is not after start_s, 50 s"),
    ("aliquot unlike the feed", put("masses", "R2", moisture_ar_percent="40"), QUESTIONS, "masses",
     3, "moisture_ar_percent", "The aliquot has 40 % water, the feed lost"),
    ("KOH on a char that is not activated", put("masses", "R1", koh_g="5"), QUESTIONS, "masses", 2,
     "koh_g", "design says activation none for R1"),
    # electrodes
    ("mass of both electrodes for one", put("cells", "C1", electrode_1_mg="12.33"), QUESTIONS,
     "cells", 2, "electrode_2_mg", "each needs its own mass, not that of both"),
    ("one electrode's mass for both", one_mass_for_both, QUESTIONS, "cells", 2, "electrode_2_mg",
     "Was one electrode's mass written"),
    ("masses copied down", copy_down("cells", ("electrode_1_mg", "electrode_2_mg"), "C3", "C4",
     "C5"), QUESTIONS, "cells", 6, "electrode_1_mg", "Were the masses copied down?"),
    ("weighings copied down", copy_down("masses", ("feed_ar_g", "feed_dry_g", "char_g",
     "char_ash_d_percent"), "R1", "R2"), QUESTIONS, "masses", 3, "char_g",
     "Were they copied down?"),
    ("binder counted as carbon", put("cells", "C6", binder_percent="0", additive_percent="0"),
     QUESTIONS, "cells", 7, "binder_percent", "Write the binder of the dry coating"),
    ("collector weighed with the coating", put("cells", "C6", electrode_1_mg="46.1",
     electrode_2_mg="46.3"), QUESTIONS, "cells", 7, "electrode_1_mg", "Was the collector weighed"),
    ("collector heavier than the whole", put("cells", "C6", electrode_1_mg="",
     electrode_1_gross_mg="40.0", electrode_1_collector_mg="46.2"), LEAVES_OUT, "cells", 7,
     "electrode_1_gross_mg", "swapped"),
    ("nothing left for carbon", put("cells", "C6", binder_percent="90"), LEAVES_OUT, "cells", 7,
     "additive_percent", "percent of the dry coating"),
    ("voltage at which water splits", put("cells", "C6", upper_voltage_V="1.6"), QUESTIONS, "cells",
     7, "upper_voltage_V", "Lower the voltage"),
    ("readings above the upper voltage", scale("readings", "voltage_V", 1.3, "T5"), QUESTIONS,
     "readings", 2, "voltage_V", "above the upper voltage of cell C5"),
    ("meter beside a large load", put("tests", "T5", load_ohm="47000", meter_ohm=""), QUESTIONS,
     "tests", 6, "meter_ohm", "Write the meter's input resistance."),
    # dates
    ("cell made before its firing", put("cells", "C5", assembled="2026-03-05"), QUESTIONS, "cells",
     6, "assembled", "Correct one of the dates."),
    ("test before the cell was made", put("tests", "T1", date="2026-03-09"), QUESTIONS, "tests", 2,
     "date", "Correct one of the dates."),
    ("activation before the char", put("firings", "A1", date="2026-03-01"), QUESTIONS, "firings", 4,
     "date", "Correct one of the dates."),
    ("day first", put("tests", "T1", date="12.03.2026"), STOPS, "tests", 2, "date",
     "Write year-month-day"),
    ("month first", put("tests", "T1", date="03/12/2026"), STOPS, "tests", 2, "date",
     "Write year-month-day"),
    ("no such day", put("tests", "T1", date="2026-02-30"), STOPS, "tests", 2, "date",
     "no day of the calendar"),
    ("the wrong year", put("tests", "T1", date="2062-03-12"), QUESTIONS, "tests", 2, "date",
     "Check the year."),
]  # fmt: skip


def findings_of(folder, tables, config=CONFIG):
    """All findings, whether the screen opens or not."""
    try:
        return open_screen(write_clean_screen(folder, tables, config=config)).findings
    except ScreenError as trouble:
        return trouble.findings


def test_the_clean_screen_has_no_finding(tmp_path):
    screen = open_screen(write_clean_screen(tmp_path, clean_tables()))
    assert (screen.findings, screen.left_out, screen.notes) == ([], [], [])


def test_there_are_thirty_and_more():
    assert len({what for what, *_ in MISTAKES}) == len(MISTAKES) >= 30


@pytest.mark.parametrize(
    ("change", "severity", "table", "row", "column", "words"),
    [mistake[1:] for mistake in MISTAKES],
    ids=[mistake[0] for mistake in MISTAKES],
)
def test_mistake_is_caught(tmp_path, change, severity, table, row, column, words):
    tables = clean_tables()
    change(tables)
    findings = findings_of(tmp_path, tables)
    here = [f for f in findings if (f.table, f.row, f.column) == (table, row, column)]
    assert {f.severity for f in here} == {severity}, findings
    assert any(words in f.message for f in here), [f.message for f in here]
    assert all(f.value or f.column in ("char_tare_g", "meter_ohm") for f in here)
    # Nothing is told to be worse than it is.
    assert SEVERITIES.index(severity) == min(SEVERITIES.index(f.severity) for f in findings)


@pytest.mark.parametrize(
    "blank", [NBSP, " ", "\t", "\N{ZERO WIDTH SPACE}", "\N{NARROW NO-BREAK SPACE}"]
)
def test_blanks_around_values_do_no_harm(tmp_path, blank):
    tables = clean_tables()
    for rows in tables.values():
        for row in rows:
            for name, value in row.items():
                if value:
                    row[name] = f"{blank}{value}{blank}"
    spaced = open_screen(write_clean_screen(tmp_path, tables))
    assert spaced.findings == []
    plain = open_screen(write_clean_screen(tmp_path / "plain", clean_tables()))
    assert spaced.tables == plain.tables


def test_the_demo_has_no_finding_but_those_put_there():
    screen = open_screen(ROOT)
    assert [(f.severity, f.table, f.row, f.column) for f in screen.findings] == [
        (LEAVES_OUT, "masses", 69, "char_g"),
        (QUESTIONS, "firings", 8, "peak_temperature_C"),
    ]


# As config.yaml has them where it says nothing.
DEFAULT_LIMITS = open_screen(ROOT).config["limits"]


def summarised(capacitance_F, *, sister_F=None, typed_F=None, **changes):
    """Findings on one cell with a measured capacitance, its sister and another method beside."""
    cell = {
        "cell": "C1", "run": "R1", "electrode_1_mg": 6.2, "electrode_2_mg": 6.1,
        "binder_percent": 10.0, "additive_percent": 10.0, "area_cm2": 1.13,
        "upper_voltage_V": 0.9, "accepted": None,
    } | changes  # fmt: skip
    test = {"test": "T1", "cell": "C1", "method": "constant_current", "current_mA": 5.0}
    test |= {"capacitance_F": capacitance_F, "capacitance_F_se": 0.01}
    tests, cells = [test], [cell]
    if sister_F:
        tests.append(test | {"test": "T2", "cell": "C2", "capacitance_F": sister_F})
        cells.append(cell | {"cell": "C2", "electrode_1_mg": 6.3, "electrode_2_mg": 6.0})
    if typed_F:
        tests.append(test | {"test": "T9", "method": "direct", "capacitance_F": typed_F})
    _, findings = summarise_cells(
        tests,
        cells,
        [{"run": "R1", "parent": None, "feedstock": "husk", "activation": "none"}],
        electrode_balance={"readability_g": 0.0001},
        limits=DEFAULT_LIMITS,
        method_order=["constant_current", "direct"],
    )
    return [(f.severity, f.id, f.column, f.message) for f in findings]


def test_mistakes_that_only_show_after_the_traces_are_read():
    assert summarised(0.31) == []
    ((severity, cell, column, message),) = summarised(310.0)  # mA read as A
    assert (severity, cell, column) == (QUESTIONS, "C1", "electrode_1_mg")
    assert "the current's unit" in message
    ((severity, _, column, message),) = summarised(0.31, area_cm2=11.3)  # 1.13 without its mark
    assert (severity, column) == (QUESTIONS, "area_cm2")
    assert "check masses and area" in message


@pytest.mark.parametrize(
    ("what", "changes"),
    [
        ("minutes for seconds, or farads so much too small", {"capacitance_F": 0.31 / 60}),
        ("decimal mark of the farads lost", {"capacitance_F": 0.031}),
        ("decimal mark of both masses lost", {"electrode_1_mg": 62.0, "electrode_2_mg": 61.0}),
        ("masses of both electrodes for each", {"electrode_1_mg": 12.3, "electrode_2_mg": 12.3}),
    ],
)
def test_mistakes_that_show_beside_a_sister_cell(what, changes):
    here = {"capacitance_F": 0.31, "area_cm2": 5.0, "sister_F": 0.32} | changes
    found = [f for f in summarised(**here) if "of lot R1" in f[3]]
    ((severity, cell, column, message),) = found
    assert (severity, cell, column) == (QUESTIONS, "C1", "electrode_1_mg"), what
    assert message.startswith("C1 and C2 of lot R1 differ by a factor of")
    assert "Check times, masses, farads and currents of both." in message


def test_farads_typed_beside_a_trace_that_says_otherwise():
    assert summarised(0.50, typed_F=0.47) == []
    ((severity, cell, column, message),) = summarised(0.50, typed_F=0.31)
    assert (severity, cell, column) == (QUESTIONS, "C1", "cell")
    assert "constant_current (T1) gives 0.5 F and direct (T9) 0.31 F" in message
    assert "constant_current counts" in message
