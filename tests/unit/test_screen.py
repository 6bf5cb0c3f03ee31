"""A screen as a whole: ten wrong tables, order, what is printed, what is left untouched."""

import hashlib

import pytest
from charscreen.findings import LEAVES_OUT, STOPS, sort_key
from charscreen.screen import ScreenError, open_screen, render_check
from tiny_screen import CONFIG, TABLES, spoil, write_screen

STOPPING = [
    pytest.param(
        spoil("masses", "char_g,", "char,"),
        "1 problem in config/masses.csv\n"
        "  row 1, column char: The column is unknown. Did you mean 'char_g'? Rename it, or delete "
        "it.",
        id="wrong column",
    ),
    pytest.param(
        spoil("masses", "7.4", "about 7"),
        "1 problem in config/masses.csv\n"
        "  row 3, column char_g: 'about 7' is not a number. Write grams, for example 10.52.",
        id="text in a number",
    ),
    pytest.param(
        spoil("masses", "R02,120", "R01,120"),
        "1 problem in config/masses.csv\n"
        "  row 3, column run: 'R01' stands in row 2 already. Each run has one row.",
        id="duplicate id",
    ),
    pytest.param(
        spoil("design", "R02,screen,peel", "R02,screen,Peel"),
        "1 problem in config/design.csv\n"
        "  row 3, column feedstock: 'Peel' is no feedstock of the table feedstocks. Capitals "
        "count: it is 'peel' there. Correct it, or add it there.",
        id="unknown feedstock",
    ),
    pytest.param(
        {"masses": ""},
        "1 problem in config/masses.csv\n"
        "  The file is empty. Write at least the header, or delete the file.",
        id="empty file",
    ),
    pytest.param(
        {"masses": TABLES["masses"].encode("utf-16")},
        "1 problem in config/masses.csv\n"
        "  The file is in UTF-16, which is not read. Save it as CSV UTF-8.",
        id="UTF-16 file",
    ),
    pytest.param(
        {"masses": TABLES["masses"].replace(",", ";").replace("7.4", "7,4")},
        "1 problem in config/masses.csv\n"
        "  row 3, column char_g: '7,4' has a decimal comma, but '45.1' (row 2, column feed_dry_g) "
        "a decimal point. Use one kind in the whole file, and no thousands marks.",
        id="decimal commas mixed",
    ),
]
LEAVING_OUT = [
    pytest.param(
        spoil("masses", "45.1,,14.2", "45.1,,142"),
        ("masses", 2, "char_g", "142"),
        "142 g is more than the dry feed, 45.1 g. Was the char dry, and are both in grams? Was it "
        "14.2 g, a decimal mark lost? The row is left out until it is mended.",
        {"masses": 3},
        id="char heavier than feed",
    ),
    pytest.param(
        spoil("tests", "T01.csv", "T1.csv"),
        ("tests", 2, "trace", "T1.csv"),
        "There is no file 'T1.csv' in config/traces. Did you mean 'T01.csv'? Put it there or "
        "correct the name. The test is left out until then.",
        {"tests": 2},
        id="missing trace",
    ),
    pytest.param(
        spoil("tests", "T01.csv,plain,", "T01.csv,plain,-5"),
        ("tests", 2, "current_mA", "-5"),
        "-5 is impossible: it must be above 0 mA. The row is left out until it is mended. Write "
        "milliamperes, for example 5.",
        {"tests": 2},
        id="negative current",
    ),
]


@pytest.mark.parametrize(("tables", "message"), STOPPING)
def test_wrong_tables_that_stop(tmp_path, tables, message):
    with pytest.raises(ScreenError) as trouble:
        open_screen(write_screen(tmp_path, **tables))
    assert message in str(trouble.value)
    assert all(finding.severity == STOPS for finding in trouble.value.findings)
    if "empty" not in message and "UTF-16" not in message:
        assert str(trouble.value) == message


@pytest.mark.parametrize(("tables", "place", "message", "kept"), LEAVING_OUT)
def test_wrong_tables_that_leave_out(tmp_path, tables, place, message, kept):
    screen = open_screen(write_screen(tmp_path, **tables))
    assert len(screen.findings) == 1
    finding = screen.findings[0]
    assert (finding.table, finding.row, finding.column, finding.value) == place
    assert (finding.severity, finding.message) == (LEAVES_OUT, message)
    counts = {name: len(rows) for name, rows in screen.tables.items()}
    assert counts == {name: text.count("\n") - 1 for name, text in TABLES.items()} | kept


def test_all_problems_of_all_files_come_together(tmp_path):
    folder = write_screen(
        tmp_path,
        config=CONFIG.replace("title:", "titel:"),
        masses="run,chr_g\nR01,1\n",
        cells="cell\nC1\n",
        feedstocks=b"\xff\xfe",
    )
    with pytest.raises(ScreenError) as trouble:
        open_screen(folder)
    text = str(trouble.value)
    for head in (
        "2 problems in config/config.yaml",
        "1 problem in config/masses.csv",
        "problems in config/cells.csv",
        "1 problem in config/feedstocks.csv",
    ):
        assert head in text
    assert "Did you mean 'title'?" in text
    assert "Traceback" not in text


def test_what_bears_the_name_of_a_table_and_is_no_file_stops(tmp_path):
    folder = write_screen(tmp_path)
    config = folder / "config"
    for name in ("masses", "tests"):
        (config / f"{name}.csv").unlink(missing_ok=True)
    (config / "masses.csv").mkdir()
    (config / "tests.csv").symlink_to("elsewhere/tests.csv")
    (config / "forms.xlsx").mkdir()
    (config / "old").mkdir()
    with pytest.raises(ScreenError) as trouble:
        open_screen(folder)
    assert str(trouble.value) == (
        "1 problem in config/forms.xlsx\n"
        "  It is a folder and no table. Put the file in its place, or rename the folder.\n"
        "1 problem in config/masses.csv\n"
        "  It is a folder and no table. Put the file in its place, or rename the folder.\n"
        "1 problem in config/tests.csv\n"
        "  It is a link to elsewhere/tests.csv, and nothing is there. Mend the link."
    )


def test_no_screen_says_how_to_get_one(tmp_path):
    with pytest.raises(ScreenError, match="so this is no screen") as trouble:
        open_screen(tmp_path)
    assert "python scripts/new_screen.py my_screen" in str(trouble.value)
    with pytest.raises(ScreenError, match="so this is no screen"):
        open_screen(tmp_path / "absent")
    (tmp_path / "config").mkdir()
    (tmp_path / "config" / "config.yml").write_text(CONFIG, encoding="utf-8")
    with pytest.raises(ScreenError, match=r"named 'config.yml'. Rename the file to config.yaml"):
        open_screen(tmp_path)


def test_a_screen_half_measured_opens(tmp_path):
    rest = dict.fromkeys(TABLES) | {"feedstocks": TABLES["feedstocks"]}
    screen = open_screen(write_screen(tmp_path, **rest))
    assert screen.findings == []
    assert len(screen.tables["feedstocks"]) == 2
    assert all(screen.tables[name] == [] for name in TABLES if name != "feedstocks")
    assert screen.files == ["config/config.yaml", "config/feedstocks.csv"]


def test_order_does_not_hang_on_the_order_of_rows(tmp_path):
    first = open_screen(write_screen(tmp_path / "a"))
    turned = {}
    for name, text in TABLES.items():
        head, *rows = text.splitlines()
        turned[name] = "\n".join([head, *reversed(rows)]) + "\n"
    second = open_screen(write_screen(tmp_path / "b", **turned))

    def without_row(screen):
        return {
            name: [{k: v for k, v in row.items() if k != "row"} for row in rows]
            for name, rows in screen.tables.items()
        }

    assert without_row(first) == without_row(second)
    assert [row["run"] for row in second.tables["design"]] == ["R01", "R02", "R03", "R03a"]
    assert [row["time_s"] for row in second.tables["readings"]] == [0, 60, 120]


def test_findings_are_sorted_and_inputs_untouched(tmp_path):
    folder = write_screen(
        tmp_path,
        **spoil("masses", "45.1,,14.2", "45.1,,142"),
        **spoil("cells", "0.9,2026-03-11", "1.3,2026-03-01"),
        **spoil("tests", "T01.csv", "T1.csv"),
    )

    def digests():
        return {
            path: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(folder.rglob("*"))
            if path.is_file()
        }

    before = digests()
    screen = open_screen(folder)
    assert screen.findings == sorted(screen.findings, key=sort_key)
    assert [f.severity for f in screen.findings] == ["leaves out"] * 2 + ["questions"] * 2
    assert digests() == before


def test_unused_columns_are_named(tmp_path):
    head, *rows = TABLES["masses"].splitlines()
    text = "\n".join([f"{head},activated_ash_d_percent", *(f"{row},1.5" for row in rows)]) + "\n"
    screen = open_screen(write_screen(tmp_path, masses=text))
    assert screen.unused == ["masses.activated_ash_d_percent"]


def test_a_column_that_an_expression_may_name_is_not_said_to_be_unused(tmp_path):
    head, *rows = TABLES["feedstocks"].splitlines()
    text = "\n".join([f"{head},volatile_d_percent", *(f"{row},70" for row in rows)]) + "\n"
    assert open_screen(write_screen(tmp_path, feedstocks=text)).unused == []


def test_what_the_check_prints(tmp_path):
    folder = write_screen(
        tmp_path,
        masses=TABLES["masses"]
        .replace("balance\n", "balance,exclude_reason,accepted\n")
        .replace("R01,50,45.1,,14.2,12,,,,bench", "R01,50,45.1,,142,12,,,,bench,,")
        .replace("R03,50,45,,12.9,,,,,", "R03,50,45,,12.9,,,,,,spilt,")
        .replace("5,15.1,1.4,bench", "5,10,1.4,bench,,char was oily"),
        **spoil("cells", "0.9,2026-03-11", "0.9,2026-03-05"),
    )
    assert render_check(open_screen(folder)).splitlines() == [
        "Checked: Two wastes",
        "",
        "table            rows read  kept",
        "feedstocks               2     2",
        "design                   4     4",
        "firings                  3     3",
        "firing_readings          2     2",
        "masses                   4     2",
        "cells                    3     3",
        "tests                    3     3",
        "readings                 3     3",
        "",
        "1 left out, since impossible or absent:",
        "  masses.csv, row 2, column char_g: 142 g is more than the dry feed, 45.1 g. Was the char "
        "dry, and are both in grams? Was it 14.2 g, a decimal mark lost? The row is left out until "
        "it is mended.",
        "",
        "1 left out by a reason of yours or with another row:",
        "  masses, row 4 (R03): spilt",
        "",
        "1 questioned and kept; correct it, or write a reason under accepted:",
        "  cells.csv, row 4, column assembled: 2026-03-05 lies before 2026-03-06, the day of "
        "firing A01. Correct one of the dates.",
        "",
        "1 questioned and accepted:",
        "  masses.csv, row 5, column koh_g: 10 g KOH on 5 g char is 2.00 to 1, planned was 3 to 1. "
        "Check both weighings, or correct koh_ratio in design. Accepted: char was oily",
    ]


def test_nothing_found(tmp_path):
    screen = open_screen(write_screen(tmp_path, firing_readings=None))
    assert render_check(screen).splitlines()[-1] == "Nothing found."
    assert "firing_readings      empty" in render_check(screen)


def test_overrides_reach_the_config(tmp_path):
    screen = open_screen(write_screen(tmp_path), {"seed": 9})
    assert screen.config["seed"] == 9
    with pytest.raises(ScreenError, match="given on the command line"):
        open_screen(write_screen(tmp_path), {"sede": 9})


def test_a_file_named_in_an_xlsx_finding(tmp_path):
    folder = write_screen(tmp_path, masses=None)
    (folder / "config" / "masses.xlsx").write_bytes(b"no workbook")
    with pytest.raises(ScreenError, match=r"1 problem in config/masses\.xlsx"):
        open_screen(folder)


def test_a_long_list_is_shortened_on_the_terminal(tmp_path):
    rows = "".join(f"T02,{1 + n / 10:g},9\n" for n in range(250))
    screen = open_screen(write_screen(tmp_path, readings="test,time_s,voltage_V\n" + rows))
    lines = render_check(screen).splitlines()
    assert sum("readings.csv, row" in line for line in lines) == 200
    assert {f.severity for f in screen.findings} == {"questions"}
    rest = len(screen.findings) - 200
    assert rest > 50
    assert any(f"and {rest} more; the target collect writes all" in line for line in lines)
