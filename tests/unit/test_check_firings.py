"""Checks of firings, kiln logs, pools and washes before anything is computed."""

import pytest
from charscreen.findings import QUESTIONS, STOPS
from charscreen.screen import ScreenError, open_screen
from tiny_screen import CONFIG, TABLES, write_screen

KILN_MAP = "  kiln:\n    time: {column: min, unit: min}\n    temperature: {column: T}\n"


def found(tmp_path, **changes):
    """Findings of a changed small screen as (severity, table, row, column, message)."""
    tables = {"config": CONFIG} | changes
    folder = write_screen(tmp_path, **tables)
    (folder / "config" / "traces" / "F02.csv").write_text("min,T\n0,20\n350,700\n", "utf-8")
    try:
        findings = open_screen(folder).findings
    except ScreenError as trouble:
        findings = trouble.findings
    return [(f.severity, f.table, f.row, f.column, f.message) for f in findings]


def firings(log, log_map):
    lines = TABLES["firings"].splitlines()
    rows = [lines[0] + ",log,log_map", lines[1] + ",,", f"{lines[2]},{log},{log_map}", lines[3]]
    return "\n".join(rows) + ",,\n"


@pytest.mark.parametrize(
    ("log", "log_map", "severity", "column", "words"),
    [
        ("F2.csv", "kiln", QUESTIONS, "log", "Did you mean 'F02.csv'? Put it there or correct"),
        ("F02.csv", "", QUESTIONS, "log_map", "a log needs a column map"),
        ("", "kiln", QUESTIONS, "log_map", "Name the log's file"),
        ("F02.csv", "kiin", STOPS, "log_map", "Did you mean 'kiln'? Known are"),
        ("F02.csv", "plain", STOPS, "log_map", "names no temperature"),
    ],
)
def test_a_log_needs_its_file_and_its_map(tmp_path, log, log_map, severity, column, words):
    (only,) = found(tmp_path, config=CONFIG + KILN_MAP, firings=firings(log, log_map))
    assert only[:4] == (severity, "firings", 3, column)
    assert words in only[4]


def test_a_log_in_place_is_not_asked_about(tmp_path):
    assert not found(tmp_path, config=CONFIG + KILN_MAP, firings=firings("F02.csv", "kiln"))


def test_a_typed_peak_beside_a_log_is_not_said_to_count(tmp_path):
    beside = firings("F02.csv", "kiln").replace("702,61", "760,61")
    (only,) = found(tmp_path, config=CONFIG + KILN_MAP, firings=beside)
    assert "The peak typed is 760 °C where 700 °C was planned." in only[4]
    assert "the models take the log, which is given here" in only[4]
    (only,) = found(tmp_path / "bare", firings=TABLES["firings"].replace("702,61", "760,61"))
    assert "the models take what was reached" in only[4]


def test_limits_of_the_config_decide_what_is_asked(tmp_path):
    changed = TABLES["firings"].replace("702,61", "716,61")
    assert not found(tmp_path, firings=changed)
    limits = "limits: {peak_off_C: 10, hold_off_percent: 5, ramp_off_percent: 10}\n"
    (only,) = found(tmp_path, config=CONFIG + limits, firings=changed)
    assert only[:4] == (QUESTIONS, "firings", 3, "peak_temperature_C")


def test_a_heating_rate_far_from_the_plan_is_asked_about(tmp_path):
    lines = TABLES["design"].splitlines()
    design = "\n".join([lines[0] + ",ramp_C_per_min", *(line + ",2" for line in lines[1:])])
    lines = TABLES["firings"].splitlines()
    rates = ["ramp_C_per_min", "2.2", "4.5", "9"]
    done = "\n".join(f"{line},{rate}" for line, rate in zip(lines, rates, strict=True))
    # An activation firing has no planned rate, so nothing is said of A01.
    (only,) = found(tmp_path, design=design + "\n", firings=done + "\n")
    assert only[:4] == (QUESTIONS, "firings", 3, "ramp_C_per_min")
    assert "4.5 °C/min where 2 °C/min" in only[4]


def with_pool(*pools):
    lines = TABLES["design"].splitlines()
    return "\n".join(f"{a},{b}" for a, b in zip(lines, ("pool", *pools), strict=True)) + "\n"


def test_a_pool_holds_one_kind_of_carbon(tmp_path):
    (only,) = found(tmp_path, design=with_pool("P1", "P1", "", ""))
    assert only[:4] == (STOPS, "design", 3, "feedstock")
    assert "A pool is one kind of carbon" in only[4]
    (only,) = found(tmp_path, design=with_pool("R02", "", "", ""))
    assert only[:4] == (STOPS, "design", 2, "pool")
    assert "a name of its own" in only[4]


def test_a_pool_over_two_firings_is_kept_and_asked_about(tmp_path):
    (only,) = found(tmp_path, design=with_pool("P1", "", "P1", ""))
    assert only[:4] == (QUESTIONS, "design", 4, "firing")
    assert "the scatter between firings comes out too small" in only[4]


def weighed(old, new, *columns):
    head, *rows = TABLES["masses"].splitlines()
    rows = [row + "," * len(columns) for row in rows]
    text = "\n".join([",".join([head, *columns]), *rows]) + "\n"
    assert old in text
    return text.replace(old, new)


@pytest.mark.parametrize(
    ("columns", "old", "new", "row", "column", "words"),
    [
        (["char_washed_g"], "14.2,12,,,,bench,", "14.2,12,,,,bench,15", 2, "char_washed_g", "dry"),
        (
            ["activated_unwashed_g"],
            "1.4,bench,",
            "1.4,bench,1.2",
            5,
            "activated_g",
            "more than the carbon before its wash",
        ),
    ],
)
def test_a_wash_adds_no_mass(tmp_path, columns, old, new, row, column, words):
    (only,) = found(tmp_path, masses=weighed(old, new, *columns))
    assert only[:4] == ("leaves out", "masses", row, column)
    assert words in only[4]


def test_purity_of_the_koh_counts_in_the_ratio(tmp_path):
    assert not found(tmp_path)
    config = CONFIG + "koh_purity_percent: 70\n"
    (only,) = found(tmp_path, config=config)
    assert only[:4] == (QUESTIONS, "masses", 5, "koh_g")
    # 15.1 g of pellets at 70 % on 5 g.
    assert "15.1 g KOH (70 % pure) on 5 g char is 2.11 to 1, planned was 3 to 1" in only[4]


def test_more_koh_than_the_char_can_bear_is_asked_about(tmp_path):
    design = TABLES["design"].replace("KOH,3,A01", "KOH,8,A01")
    masses = TABLES["masses"].replace("5,15.1,1.4", "5,40,1.4")
    messages = [m for *_, column, m in found(tmp_path, design=design, masses=masses)
                if column == "koh_g"]  # fmt: skip
    # 40 g KOH can consume 2.85 g of carbon: 0.0714 g per g (Lillo-Ródenas et al. 2003).
    assert any("can consume 57 % of 5 g char (limit 50 %)" in m for m in messages)


def test_a_map_reads_a_test_or_a_kiln(tmp_path):
    config = CONFIG + "  empty:\n    time: {column: t}\n"
    (only,) = found(tmp_path, config=config)
    assert only[0] == STOPS
    assert only[3] == "column_maps.empty"
