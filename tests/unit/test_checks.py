"""Checks across the tables: references, exclusions and what hangs on them, the usual mistakes."""

import pytest
from charscreen.findings import LEAVES_OUT, QUESTIONS
from charscreen.screen import ScreenError, open_screen
from charscreen.screen.accepting import reason_for
from tiny_screen import CONFIG, TABLES, spoil, write_screen


@pytest.fixture
def opened(tmp_path):
    """Function from replaced tables to the opened screen."""

    def of(**tables):
        return open_screen(write_screen(tmp_path, **tables))

    return of


@pytest.fixture
def stopped(tmp_path):
    """Function from replaced tables to the findings that stop, as (table, row, column, message)."""

    def of(**tables):
        with pytest.raises(ScreenError) as trouble:
            open_screen(write_screen(tmp_path, **tables))
        return [(f.table, f.row, f.column, f.message) for f in trouble.value.findings]

    return of


def places(screen):
    """(severity, table, row, column) of all findings."""
    return [(f.severity, f.table, f.row, f.column) for f in screen.findings]


def ids(screen, table, column):
    return [row[column] for row in screen.tables[table]]


def test_the_small_screen_is_without_a_finding(opened):
    screen = opened()
    assert screen.findings == []
    assert screen.left_out == []
    assert {name: len(rows) for name, rows in screen.tables.items()} == {
        "feedstocks": 2,
        "design": 4,
        "firings": 3,
        "firing_readings": 2,
        "masses": 4,
        "cells": 3,
        "tests": 3,
        "readings": 3,
    }


@pytest.mark.parametrize(
    ("table", "old", "new", "row", "column", "message"),
    [
        (
            "design",
            "R02,screen,peel",
            "R02,screen,peal",
            3,
            "feedstock",
            "'peal' is no feedstock of the table feedstocks. Did you mean 'peel'? Correct it, or "
            "add it there.",
        ),
        (
            "masses",
            "R02,120",
            "r02,120",
            3,
            "run",
            "'r02' is no run of the table design. Capitals count: it is 'R02' there. Correct it, "
            "or add it there.",
        ),
        (
            "cells",
            "C02,R02",
            "C02,X99",
            3,
            "run",
            "'X99' is no run of the table design. Correct it, or add it there.",
        ),
        (
            "tests",
            "T02,C02",
            "T02,C022",
            3,
            "cell",
            "'C022' is no cell of the table cells. Did you mean 'C02'? Correct it, or add it "
            "there.",
        ),
        (
            "readings",
            "T02,60,0.71",
            "T2,60,0.71",
            3,
            "test",
            "'T2' is no test of the table tests. Did you mean 'T02'? Correct it, or add it there.",
        ),
        (
            "firing_readings",
            "F01,300,604",
            "F1,300,604",
            3,
            "firing",
            "'F1' is no firing of the table firings. Did you mean 'F01'? Correct it, or add it "
            "there.",
        ),
        (
            "design",
            "60,R03,KOH",
            "60,R30,KOH",
            5,
            "parent",
            "'R30' is no run of the table design. Did you mean 'R03'? Correct it, or add it there.",
        ),
        (
            "masses",
            "R01,50,45.1,,14.2,12,,,,bench",
            "R01,50,45.1,,14.2,12,,,,bensh",
            2,
            "balance",
            "'bensh' is not under balances in config.yaml. Did you mean 'bench'? Known are bench, "
            "fine.",
        ),
        (
            "tests",
            "T01.csv,plain",
            "T01.csv,plane",
            2,
            "trace_map",
            "'plane' is not under column_maps in config.yaml. Did you mean 'plain'? Known are "
            "plain, voltage_only.",
        ),
        (
            "firings",
            "F02,carbonise",
            "f02,carbonise",
            3,
            "firing",
            "'f02' is 'F02' in design; capitals count. Write it alike.",
        ),
        (
            "firings",
            "A01,activate",
            "A01,carbonise",
            4,
            "kind",
            "'carbonise' does not fit: design row 5 has A01 as activation firing. Correct one of "
            "them.",
        ),
        (
            "design",
            "peel,F01,2,600",
            "peel,F01,2,650",
            3,
            "peak_temperature_C",
            "650 differs from 600 in row 2, which is in the same firing F01. All crucibles of a "
            "firing share it: correct one, or name another firing.",
        ),
        (
            "design",
            "peel,F01,2,600,60",
            "peel,F01,2,600,6",
            3,
            "hold_min",
            "6 differs from 60 in row 2, which is in the same firing F01. All crucibles of a "
            "firing share it: correct one, or name another firing.",
        ),
        (
            "design",
            "peel,F01,2",
            "peel,F01,1",
            3,
            "crucible",
            "Crucible '1' of firing F01 holds run R01 in row 2 already. Correct the crucible or "
            "the firing of one of them; an aliquot names its parent instead.",
        ),
        (
            "design",
            "KOH,3,A01",
            "KOH,,A01",
            5,
            "koh_ratio",
            "The cell is empty, but activation is KOH. Write the grams of KOH per gram of char, or "
            "none under activation.",
        ),
        (
            "design",
            "KOH,3,A01",
            "KOH,3,",
            5,
            "activation_firing",
            "The cell is empty, but activation is KOH. Write it, or none under activation.",
        ),
        (
            "design",
            "KOH,3,A01",
            "KOH,3,F02",
            5,
            "activation_firing",
            "'F02' is the char firing of this lot as well. Activation is a firing of its own: "
            "name it.",
        ),
        (
            "design",
            "R02,screen,peel,F01,2,600,60,,none,,",
            "R02,screen,peel,F01,2,600,60,,none,3,",
            3,
            "koh_ratio",
            "'3' is given, but activation is none. Write KOH under activation, or empty this cell.",
        ),
        (
            "design",
            "R03a,screen,husk",
            "R03a,screen,peel",
            5,
            "feedstock",
            "'peel' differs from 'husk' of its parent R03 (row 4). An aliquot carries its "
            "parent's; correct one.",
        ),
        (
            "design",
            "60,R03,KOH",
            "60,R03a,KOH",
            5,
            "parent",
            "'R03a' is itself an aliquot of 'R03a'. Name the run that was fired.",
        ),
    ],
)
def test_what_stops(stopped, table, old, new, row, column, message):
    assert (table, row, column, message) in stopped(**spoil(table, old, new))


def test_a_table_without_rows_is_said_once(stopped):
    found = stopped(design=None, firings=None, firing_readings=None, masses=None, tests=None)
    assert [entry for entry in found if entry[0] == "cells"] == [
        (
            "cells",
            None,
            "run",
            "The table design has no rows, so no run is known. Fill it first, or leave this "
            "table empty.",
        )
    ]


def test_a_broken_table_does_not_make_its_ids_unknown(stopped):
    found = stopped(feedstocks="feedstock,nam\nhusk,Oat husk\n")
    assert [entry[:3] for entry in found] == [
        ("feedstocks", 1, "nam"),
        ("feedstocks", 1, "name"),
    ]


def test_many_unknown_names_are_shortened(stopped):
    rows = "".join(f"X{i},50\n" for i in range(300))
    found = stopped(masses=f"run,feed_ar_g\n{rows}")
    assert len(found) == 11
    assert found[-1][3].endswith("More rows of this column have the same kind of problem.")


@pytest.mark.parametrize(
    ("table", "old", "new", "row", "column", "message"),
    [
        (
            "masses",
            "R01,50,45.1,,14.2",
            "R01,50,45.1,,46",
            2,
            "char_g",
            "46 g is more than the dry feed, 45.1 g. Was the char dry, and are both in grams? The "
            "row is left out until it is mended.",
        ),
        (
            "masses",
            "R01,50,45.1,,14.2",
            "R01,45.1,50,,14.2",
            2,
            "feed_dry_g",
            "50 g is more than the feed as received, 45.1 g. Were the two swapped? The row is left "
            "out until it is mended.",
        ),
        (
            "masses",
            "R02,120,,79,7.4",
            "R02,120,,79,30",
            3,
            "char_g",
            "30 g is more than the dry feed (moisture 79 % of the aliquot), 25.2 g. Was the char "
            "dry, and are both in grams? The row is left out until it is mended.",
        ),
        (
            "masses",
            "R02,120,,79,7.4",
            "R02,120,,,30",
            3,
            "char_g",
            "30 g is more than the dry feed (moisture 80 % as stated in feedstocks), 24 g. Was the "
            "char dry, and are both in grams? The row is left out until it is mended.",
        ),
        (
            "masses",
            "R03a,,,,,,5,15.1,1.4",
            "R03a,,,,,,5,15.1,6.4",
            5,
            "activated_g",
            "6.4 g is more than the char it came from, 5 g. Was it washed and dry? The row is left "
            "out until it is mended.",
        ),
        (
            "masses",
            "R03a,,,,,,5,15.1,1.4",
            "R03a,,,,,,13,39,1.4",
            5,
            "char_taken_g",
            "13 g is more than the char of its parent R03, 12.9 g (row 4). The row is left out "
            "until one is mended.",
        ),
        (
            "masses",
            "R01,50,45.1,,14.2,12,,,",
            "R01,50,45.1,,14.2,12,5,15,2",
            2,
            "activated_g",
            "2 g was activated, but design says activation none for R01. The row is left out; "
            "correct one of the two.",
        ),
        (
            "cells",
            "6.2,6.1,10,10",
            "6.2,6.1,90,10",
            2,
            "additive_percent",
            "Binder 90 % and additive 10 % leave no carbon. Both are percent of the dry coating; "
            "the cell is left out until they are mended.",
        ),
        (
            "tests",
            "T01.csv",
            "T10.csv",
            2,
            "trace",
            "There is no file 'T10.csv' in config/traces. Did you mean 'T01.csv'? Put it there or "
            "correct the name. The test is left out until then.",
        ),
        (
            "tests",
            "T01.csv,plain",
            "T01.csv,",
            2,
            "trace_map",
            "The cell is empty, and a trace needs a column map. Name one. The test is left out "
            "until then.",
        ),
        (
            "tests",
            "T01.csv,plain",
            "T01.csv,voltage_only",
            2,
            "current_mA",
            "The cell is empty and the column map voltage_only names no current. Write the "
            "current, or name its column. The test is left out until then.",
        ),
        (
            "tests",
            "T02,C02,through_resistor,,,,1000",
            "T02,C02,through_resistor,,,,",
            3,
            "load_ohm",
            "The cell is empty, and the method needs the load. Write its ohms. The test is left "
            "out until then.",
        ),
        (
            "tests",
            "T02,C02,through_resistor,,,,1000",
            "T02,C02,constant_current,,,,",
            3,
            "current_mA",
            "The cell is empty and the readings carry no current. Write the current. The test is "
            "left out until then.",
        ),
        (
            "tests",
            "T03,C03,direct,,,,,0.31",
            "T03,C03,direct,,,,,",
            4,
            "capacitance_F",
            "The cell is empty, and the method direct needs it. Write it. The test is left out "
            "until then.",
        ),
        (
            "tests",
            "T03,C03,direct",
            "T03,C03,constant_current",
            4,
            "trace",
            "The method constant_current needs a trace, or rows in the table readings. Give one. "
            "The test is left out until then.",
        ),
        (
            "tests",
            "T03,C03,direct",
            "T03,C03,voltammetry",
            4,
            "trace",
            "The method voltammetry needs a trace, or rows in the table readings. Give one. The "
            "test is left out until then.",
        ),
        (
            "tests",
            "T02,C02,through_resistor,,,,1000",
            "T02,C02,voltammetry,,,,",
            3,
            "method",
            "For this method the readings carry no current. Voltammetry needs it. The test is left "
            "out until then.",
        ),
        (
            "tests",
            "T02,C02,through_resistor,,,,1000",
            "T02,C02,held_voltage,,,,",
            3,
            "load_ohm",
            "The cell is empty and the readings carry no current. Write the charging resistor "
            "whose voltage was logged. The test is left out until then.",
        ),
    ],
)
def test_what_leaves_out(opened, table, old, new, row, column, message):
    screen = opened(**spoil(table, old, new))
    found = [f for f in screen.findings if f.severity == LEAVES_OUT]
    assert [(f.table, f.row, f.column, f.message) for f in found] == [(table, row, column, message)]
    entry = next(e for e in screen.left_out if e["table"] == table)
    assert (entry["row"], entry["reason"]) == (row, message)
    assert row not in [kept["row"] for kept in screen.tables[table]]


@pytest.mark.parametrize(
    ("table", "old", "new", "row", "column", "words"),
    [
        ("masses", "R01,50,45.1,,14.2", "R01,50,45.1,,0.0142", 2, "char_g", "milligrams for grams"),
        ("masses", "R01,50,45.1,,14.2", "R01,50,45.1,,40", 2, "char_g", "Was it dry"),
        ("masses", "R01,50,45.1,", "R01,50,30,", 2, "feed_dry_g", "feedstocks states 10 %"),
        ("masses", "R02,120,,79", "R02,120,,60", 3, "moisture_ar_percent", "states 80 %"),
        ("masses", "R02,120,,79", "R02,120,,0.79", 3, "moisture_ar_percent", "fraction, write 79"),
        ("masses", "5,15.1,1.4", "5,10,1.4", 5, "koh_g", "is 2.00 to 1, planned was 3 to 1"),
        ("masses", "5,15.1,1.4", "5,15.1,0.0014", 5, "activated_g", "0.028 % of its char"),
        ("masses", "R02,120,", "R02,120000,", 3, "feed_ar_g", "is unusual"),
        ("cells", "6.2,6.1,10", "6.2,61,10", 2, "electrode_2_mg", "its own mass"),
        ("cells", "6.2,6.1,10", "0.0062,0.0061,10", 2, "electrode_1_mg", "Write milligrams"),
        ("cells", "5.9,6.4,10,10", "5.9,6.4,0.1,10", 3, "binder_percent", "fraction, write 10"),
        ("cells", "0.9,2026-03-11", "1.2,2026-03-11", 4, "upper_voltage_V", "Water splits"),
        ("cells", "0.9,2026-03-11", "0.9,2026-03-05", 4, "assembled", "the day of firing A01"),
        ("tests", "1000,,,2026-03-12", "1000,,,2025-03-12", 3, "date", "before 2026-03-10"),
        ("firings", "2026-03-06,750", "2026-03-03,750", 4, "date", "made the char of run R03a"),
        ("firings", "702,61", "755,61", 3, "peak_temperature_C", "typed is 755 °C where 700"),
        ("firings", "702,61", "702,1", 3, "hold_min", "minutes, not hours"),
        ("firings", "F02,carbonise", "F09,carbonise", 3, "firing", "No lot of design"),
        ("design", "KOH,3,A01", "KOH,0.25,A01", 5, "koh_ratio", "are written 4"),
        (
            "feedstocks",
            "0.6,yes",
            "0.6,no",
            5,
            "activation",
            "1 lot of husk goes with KOH, but feedstocks says may_activate no",
        ),
        ("feedstocks", "0.6,yes", "3.1,yes", 5, "activation", "hydrogen cyanide"),
        ("design", "750,60", "1050,60", 5, "activation_temperature_C", "good for (1000 °C"),
        ("readings", "T02,0,0.9", "T02,0,900e-2", 2, "voltage_V", "not millivolts"),
    ],
)
def test_what_is_questioned(opened, table, old, new, row, column, words):
    screen = opened(**spoil(table, old, new))
    assert not screen.left_out
    found = [f for f in screen.findings if f.row == row and f.column == column]
    assert found, places(screen)
    assert {f.severity for f in found} == {QUESTIONS}
    assert any(words in f.message for f in found), [f.message for f in found]


def test_a_water_free_electrolyte_is_not_asked_about(opened):
    text = TABLES["cells"].replace("6 mol/L KOH,0.9", "TEABF4 in acetonitrile,2.5")
    assert opened(cells=text).findings == []
    text = TABLES["cells"].replace("6 mol/L KOH,0.9,2026-03-11", ",1.6,2026-03-11")
    screen = opened(cells=text)
    assert places(screen) == [(QUESTIONS, "cells", 4, "upper_voltage_V")]
    assert "an electrolyte that is not named" in screen.findings[0].message


def test_more_lots_than_crucibles(tmp_path):
    folder = write_screen(tmp_path, config=CONFIG.replace("crucibles: 3", "crucibles: 1"))
    screen = open_screen(folder)
    assert places(screen) == [(QUESTIONS, "design", 3, "firing")]
    assert screen.findings[0].message == (
        "Firing F01 holds 2 lots, the kiln 1 crucibles. Check the firings, or kiln.crucibles in "
        "config.yaml."
    )


def test_the_same_part_of_a_trace_twice(opened):
    text = TABLES["tests"] + "T04,C02,constant_current,T01.csv,plain,,,,,2026-03-12\n"
    screen = opened(tests=text)
    # Of two cells, so neither can be believed.
    assert places(screen) == [(LEAVES_OUT, "tests", 2, "trace"), (LEAVES_OUT, "tests", 5, "trace")]
    assert "Test T04 in row 5 reads the same part" in screen.findings[0].message
    assert "Test T01 in row 2 reads the same part" in screen.findings[1].message
    screen = opened(tests=text.replace("T04,C02", "T04,C01"))
    assert places(screen) == [(LEAVES_OUT, "tests", 5, "trace")]
    assert [row["test"] for row in screen.tables["tests"]] == ["T01", "T02", "T03"]


def test_gross_and_tare(opened, stopped):
    head = "run,char_g,char_gross_g,char_tare_g\n"
    screen = opened(masses=head + "R01,,64.2,50\n")
    assert screen.findings == []
    screen = opened(masses=head + "R01,,50,64.2\n")
    assert places(screen) == [(LEAVES_OUT, "masses", 2, "char_gross_g")]
    screen = opened(masses=head + "R01,,64.2,\n")
    assert places(screen) == [(QUESTIONS, "masses", 2, "char_tare_g")]
    found = stopped(masses=head + "R01,14.2,64.2,50\n")
    assert found == [
        (
            "masses",
            2,
            "char_gross_g",
            "char_g is given as well. Keep either the net or the pair of weighings.",
        )
    ]


@pytest.mark.parametrize(
    ("table", "row_text", "gone"),
    [
        (
            "design",
            "R03,screen,husk,F02,1,700,60,,none,,,,",
            {"design": ["R03", "R03a"], "masses": ["R03", "R03a"], "cells": ["C03"]},
        ),
        (
            "firings",
            "F01,carbonise,2026-03-02,604,60",
            {
                "firings": ["F01"],
                "firing_readings": ["F01"],
                "design": ["R01", "R02"],
                "masses": ["R01", "R02"],
                "cells": ["C01", "C02"],
            },
        ),
        (
            "firings",
            "A01,activate,2026-03-06,750,60",
            {"firings": ["A01"], "design": ["R03a"], "masses": ["R03a"], "cells": ["C03"]},
        ),
        ("masses", "R02,120,,79,7.4,,,,,", {"masses": ["R02"]}),
        (
            "cells",
            "C02,R02,5.9,6.4,10,10,1.13,6 mol/L KOH,0.9,2026-03-10",
            {"cells": ["C02"]},
        ),
        ("tests", "T02,C02,through_resistor,,,,1000,,,2026-03-12", {}),
    ],
)
def test_an_exclusion_takes_what_hangs_on_it(opened, table, row_text, gone):
    tests_of_cell = {"C01": "T01", "C02": "T02", "C03": "T03"}
    gone = dict(gone)
    tests = [tests_of_cell[cell] for cell in gone.get("cells", [])]
    if table == "tests":
        tests = ["T02"]
    if tests:
        gone["tests"] = tests
    if "T02" in tests:
        gone["readings"] = ["T02"]
    lines = TABLES[table].splitlines()
    lines = [
        f"{lines[0]},exclude_reason",
        *(f"{line},{'it broke' if line == row_text else ''}" for line in lines[1:]),
    ]
    screen = opened(**{table: "\n".join(lines) + "\n"})
    found = {}
    for entry in screen.left_out:
        found.setdefault(entry["table"], []).append(entry["id"])
        assert "it broke" in entry["reason"]
    assert found == gone
    assert screen.findings == []
    for name, words in gone.items():
        key = "firing" if name == "firing_readings" else "test" if name == "readings" else None
        column = key or {"design": "run", "masses": "run", "cells": "cell", "tests": "test"}.get(
            name, "firing"
        )
        assert not set(words) & set(ids(screen, name, column))


def test_reasons_of_what_hangs_on_an_exclusion(opened):
    text = TABLES["design"].replace("activation_hold_min\n", "activation_hold_min,exclude_reason\n")
    text = text.replace("600,60,,none,,,,\nR03,", "600,60,,none,,,,,boiled over\nR03,")
    screen = opened(design=text)
    assert {(e["table"], e["id"]): e["reason"] for e in screen.left_out} == {
        ("design", "R02"): "boiled over",
        ("masses", "R02"): "Its lot R02 is left out: boiled over",
        ("cells", "C02"): "Its lot R02 is left out: boiled over",
        ("tests", "T02"): "Its cell C02 is left out: Its lot R02 is left out: boiled over",
        ("readings", "T02"): (
            "Its test T02 is left out: Its cell C02 is left out: Its lot R02 is left out: boiled "
            "over (3 readings)"
        ),
    }


def test_an_impossible_feedstock_takes_its_lots(opened):
    screen = opened(**spoil("feedstocks", "Fruit peel,80", "Fruit peel,180"))
    assert places(screen) == [(LEAVES_OUT, "feedstocks", 3, "moisture_ar_percent")]
    assert ids(screen, "design", "run") == ["R01", "R03", "R03a"]
    assert ids(screen, "cells", "cell") == ["C01", "C03"]


def test_an_impossible_firing_row_takes_no_lots(opened):
    screen = opened(**spoil("firings", "702,61", "70200,61"))
    assert places(screen) == [(LEAVES_OUT, "firings", 3, "peak_temperature_C")]
    assert len(screen.tables["design"]) == 4
    assert ids(screen, "firings", "firing") == ["A01", "F01"]


def test_a_second_weighing_after_an_excluded_one(opened):
    text = TABLES["masses"].replace("balance\n", "balance,exclude_reason\n")
    text = text.replace("R03,50,45,,12.9,,,,,", "R03,50,45,,46,,,,,,char was wet")
    screen = opened(masses=text + "R03,50,45,,12.9,,,,,,\n")
    assert screen.findings == []
    assert [e["id"] for e in screen.left_out] == ["R03"]
    assert ids(screen, "masses", "run") == ["R01", "R02", "R03", "R03a"]


def test_accepted_questions(opened):
    text = TABLES["cells"].replace("assembled\n", "assembled,accepted\n")
    text = text.replace(
        "0.9,2026-03-11", "1.2,2026-03-05,upper_voltage_V: vented and watched; run: none"
    )
    screen = opened(cells=text)
    assert {f.column: f.accepted for f in screen.findings} == {
        "upper_voltage_V": "vented and watched",
        "assembled": "",
    }
    assert screen.accepted == {("cells", 4): "upper_voltage_V: vented and watched; run: none"}
    screen = opened(cells=text.replace("upper_voltage_V: vented and watched; run: none", "I know"))
    assert [f.accepted for f in screen.findings] == ["I know", "I know"]


def test_a_mistyped_column_under_accepted_accepts_nothing_and_is_told(opened):
    text = TABLES["cells"].replace("assembled\n", "assembled,accepted\n")
    text = text.replace("0.9,2026-03-11", "1.2,2026-03-05,uper_voltage_V: watched")
    found = {f.column: f for f in opened(cells=text).findings}
    assert [found[name].accepted for name in ("upper_voltage_V", "assembled", "accepted")] == [
        ""
    ] * 3
    assert (found["accepted"].row, found["accepted"].severity) == (4, QUESTIONS)
    assert found["accepted"].message == (
        "'uper_voltage_V' before the colon is no column of cells, so this reason accepts nothing. "
        "Did you mean 'upper_voltage_V'? Correct the name, or write the reason without a colon "
        "for the whole row."
    )
    mended = text.replace("uper_voltage_V: watched", "seen by two people: fine")
    assert {f.accepted for f in opened(cells=mended).findings} == {"seen by two people: fine"}


def test_which_column_a_reason_is_for():
    assert reason_for("weighed twice", "char_g", "masses") == "weighed twice"
    assert reason_for("char_g: weighed twice", "char_g", "masses") == "weighed twice"
    assert reason_for("char_g: weighed twice", "koh_g", "masses") == ""
    assert reason_for("seen: twice", "koh_g", "masses") == "seen: twice"
    assert reason_for("char_g: a; koh_g: b", "koh_g", "masses") == "b"
    assert reason_for("char_g: a; b", "koh_g", "masses") == "char_g: a; b"
    assert reason_for("chr_g: a", "char_g", "masses") == ""
    assert reason_for("chr_g: a; koh_g: b", "koh_g", "masses") == "b"


def test_plan_names_feedstocks(tmp_path):
    config = CONFIG + "plan: {feedstocks: [husk, shell], reference: Peel}\n"
    with pytest.raises(ScreenError) as trouble:
        open_screen(write_screen(tmp_path, config=config))
    assert str(trouble.value) == (
        "2 problems in config/config.yaml\n"
        "  key plan.feedstocks: 'shell' is no feedstock of the table feedstocks. Correct it, or "
        "add it there.\n"
        "  key plan.reference: 'Peel' is no feedstock of the table feedstocks. Capitals count: it "
        "is 'peel' there. Correct it, or add it there."
    )
