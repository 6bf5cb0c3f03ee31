"""Reading one table: encodings, delimiters, numbers, dates, ids, header and rows."""

import csv
import math
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest
from charscreen.findings import LEAVES_OUT, QUESTIONS, STOPS, render
from charscreen.screen.parsing import trim
from charscreen.screen.schemas import table_schemas
from charscreen.screen.tables import read_table
from hypothesis import given
from hypothesis import strategies as st

SCHEMAS = table_schemas()
SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.fixture
def read(tmp_path):
    """Function from text or bytes to (rows, findings) of a table of masses, or of another."""

    def of(text, table="masses", ending=".csv"):
        path = tmp_path / f"{table}{ending}"
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
        found = read_table(path, SCHEMAS[table])
        return found.rows, found.findings

    return of


def only(findings):
    """The one finding there is."""
    assert len(findings) == 1, render(findings)
    return findings[0]


def test_rows_have_the_spreadsheet_row_and_every_column(read):
    rows, findings = read("run,char_g,koh_g\nR1,1.25,\n,,\n  \nR2,,1\n")
    assert findings == []
    assert [row["row"] for row in rows] == [2, 5]
    assert set(rows[0]) == {"row", *SCHEMAS["masses"].columns}
    assert rows[0]["char_g"] == 1.25
    assert rows[1]["char_g"] is None
    assert rows[0]["feed_ar_gross_g"] is None


def test_a_cell_with_a_line_break_is_one_row(read):
    rows, findings = read('run,note,char_g\nR1,"two\nlines",1\nR2,,2\n')
    assert findings == []
    assert [(row["row"], row["char_g"]) for row in rows] == [(2, 1.0), (3, 2.0)]
    assert rows[0]["note"] == "two\nlines"


@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_delimiters_line_ends_and_byte_order_mark(read, delimiter, mark, ends):
    lines = ["run,feed_ar_g,char_g", "R1,50,12.5", "R2,60,"]
    rows, findings = read(mark + ends.join(lines).replace(",", delimiter))
    assert findings == []
    assert [(row["run"], row["feed_ar_g"], row["char_g"]) for row in rows] == [
        ("R1", 50.0, 12.5),
        ("R2", 60.0, None),
    ]


def test_blanks_of_all_kinds_are_trimmed(read):
    rows, findings = read("\u00a0run , char_g\n R1\u00a0,\u202f1.5 \n")
    assert findings == []
    assert (rows[0]["run"], rows[0]["char_g"]) == ("R1", 1.5)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1", 1.0),
        ("1.", 1.0),
        (".5", 0.5),
        ("+2.5", 2.5),
        ("1e1", 10.0),
        ("2.5E-1", 0.25),
        ("007", 7.0),
    ],
)
def test_numbers(read, text, value):
    rows, findings = read(f"run,char_g\nR1,{text}\n")
    assert findings == []
    assert rows[0]["char_g"] == value


def test_minus_sign_of_the_typesetter_is_a_minus(read):
    rows, findings = read("test,time_s,voltage_V\nT1,0,\u22120.05\n", "readings")
    assert findings == []
    assert rows[0]["voltage_V"] == -0.05


def test_decimal_commas(read):
    rows, findings = read("run;feed_ar_g;char_g\nR1;50,5;1,250\n")
    assert findings == []
    assert (rows[0]["feed_ar_g"], rows[0]["char_g"]) == (50.5, 1.25)
    rows, findings = read('run,feed_ar_g\nR1,"50,5"\n')
    assert findings == []
    assert rows[0]["feed_ar_g"] == 50.5


def test_decimal_marks_mixed_name_the_rarer_kind(read):
    _, findings = read("run;feed_ar_g;char_g\nR1;50.5;12.5\nR2;50,5;\n")
    finding = only(findings)
    assert (finding.row, finding.column, finding.value) == (3, "feed_ar_g", "50,5")
    assert finding.severity == STOPS
    assert finding.message == (
        "'50,5' has a decimal comma, but '50.5' (row 2, column feed_ar_g) a decimal point. Use "
        "one kind in the whole file, and no thousands marks."
    )


def test_unquoted_decimal_comma_in_a_comma_file(read):
    _, findings = read("run,feed_ar_g,char_g\nR1,50,5,12\n")
    finding = only(findings)
    assert (finding.row, finding.severity) == (2, STOPS)
    assert finding.message == (
        "The row has 4 cells, the header 3. A decimal comma in a file parted by commas must be "
        'quoted: "1,25". Bring each value under its column.'
    )


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        ("1 250", "1250"),
        ("1\u00a0250", "1250"),
        ("1'250.5", "1250.5"),
        ("1,250.5", "1250.5"),
        ("1.250,5", "1250,5"),
        ("1,250,000", "1250000"),
    ],
)
def test_thousands_marks_are_refused(read, text, plain):
    _, findings = read(f"run;feed_ar_g\nR1;{text}\n")
    finding = only(findings)
    assert finding.severity == STOPS
    assert finding.message.endswith(f"has a thousands mark. Write {plain}.")


def test_a_comma_that_may_be_a_thousands_mark_is_refused_in_a_comma_file(read):
    _, findings = read('run,feed_ar_g\nR1,"1,250"\n')
    assert only(findings).message == (
        "'1,250' may mean 1250 or 1.250. Write it without a thousands mark and with a decimal "
        "point."
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("abc", "'abc' is not a number. Write grams, for example 10.52."),
        (
            "12 g",
            "'12 g' carries letters or signs. Write grams, for example 10.52. The number alone.",
        ),
        ("inf", "'inf' is not a number. Write grams, for example 10.52."),
        ("1e999", "'1e999' is too large for a number. Write grams, for example 10.52."),
        ("NaN", "'NaN' stands for no value. Leave the cell empty instead."),
        ("NA", "'NA' stands for no value. Leave the cell empty instead."),
        ("n/a", "'n/a' stands for no value. Leave the cell empty instead."),
        ("-", "'-' stands for no value. Leave the cell empty instead."),
        ("١٢", "'١٢' is not a number. Write grams, for example 10.52."),
        ("=1+1", "'=1+1' is not a number. Write grams, for example 10.52."),
    ],
)
def test_what_is_no_number(read, text, message):
    rows, findings = read(f"run,char_g\nR1,{text}\n")
    finding = only(findings)
    assert (finding.row, finding.column, finding.severity) == (2, "char_g", STOPS)
    assert finding.message == message
    assert rows[0]["char_g"] is None


def test_ratio_of_koh_typed_as_a_ratio(read):
    header = ",".join(SCHEMAS["design"].columns)
    row = dict.fromkeys(SCHEMAS["design"].columns, "")
    row |= {"run": "R1", "role": "screen", "feedstock": "husk", "firing": "F1"}
    row |= {"peak_temperature_C": "600", "hold_min": "60", "koh_ratio": "4:1"}
    _, findings = read(f"{header}\n{','.join(row.values())}\n", "design")
    assert only(findings).message == (
        "'4:1' is not a number. Write the grams of KOH for one gram of char: four to one is 4."
    )


def test_limits_leave_out_and_plausible_ranges_question(read):
    _, findings = read("run,char_g,moisture_ar_percent\nR1,-3,0.08\nR2,2400,100\n")
    found = {(f.row, f.column): f for f in findings}
    assert found[(2, "char_g")].severity == LEAVES_OUT
    assert found[(2, "char_g")].message == (
        "-3 is impossible: it must be above 0 g. The row is left out until it is mended. Write "
        "grams, for example 10.52."
    )
    assert found[(2, "moisture_ar_percent")].severity == QUESTIONS
    assert found[(2, "moisture_ar_percent")].message == (
        "0.08 % is very little. If it was meant as a fraction, write 8."
    )
    assert found[(3, "char_g")].severity == QUESTIONS
    assert found[(3, "char_g")].message == (
        "2400 g is unusual (expected between 0.01 and 2000 g). Check the value and its unit."
    )
    assert found[(3, "moisture_ar_percent")].severity == LEAVES_OUT


def test_header_faults_are_all_listed(read):
    _, findings = read("run,Char_g,char_ash_percent,char_g,char_g,zzz\nR1,1,2,3,4,5\n")
    assert {(f.row, f.column): f.message for f in findings} == {
        (1, "Char_g"): "The column is unknown. Did you mean 'char_g'? Rename it, or delete it.",
        (1, "char_ash_percent"): (
            "The column is unknown. Did you mean 'char_ash_d_percent'? Rename it, or delete it."
        ),
        (1, "char_g"): "The column stands twice, in places 4 and 5. Keep one.",
        (1, "zzz"): (
            f"The column is unknown. Known are {', '.join(SCHEMAS['masses'].columns)}. Rename it, "
            "or delete it."
        ),
    }
    assert all(finding.severity == STOPS for finding in findings)


def test_missing_required_column_and_cell(read):
    _, findings = read("run,role,firing,hold_min,peak_temperature_C\nR1,screen,,60,600\n", "design")
    assert {(f.row, f.column): f.message for f in findings} == {
        (1, "feedstock"): "The required column is missing. Add it.",
        (2, "firing"): (
            "The cell is empty and its value is required. Use letters, digits, _ and - only, "
            "beginning with a letter or digit, for example F02."
        ),
    }


def test_gross_and_collector_stand_for_a_required_mass(read):
    text = (
        "cell,run,electrode_1_gross_mg,electrode_1_collector_mg,electrode_2_mg,binder_percent,"
        "additive_percent,upper_voltage_V\nC1,R1,12.1,6,6,10,10,1\nC2,R1,12.1,,6,10,10,1\n"
    )
    _, findings = read(text, "cells")
    finding = only(findings)
    assert (finding.row, finding.column) == (3, "electrode_1_mg")
    assert "(or electrode_1_gross_mg and electrode_1_collector_mg)" in finding.message


def test_ids(read):
    _, findings = read("run,char_g\nR 1,1\n../x,1\n_R,1\nR1,1\nr1,1\nR1,1\n")
    found = {f.row: f.message for f in findings}
    assert sorted(found) == [2, 3, 4, 6, 7]
    assert found[2] == (
        "'R 1' cannot be a name of run. Use letters, digits, _ and - only, beginning with a letter "
        "or digit, for example R07."
    )
    assert found[6] == (
        "'r1' differs from 'R1' in row 5 in capitals only. Each run has one row and one spelling."
    )
    assert found[7] == "'R1' stands in row 5 already. Each run has one row."


def test_an_excluded_row_may_be_odd_and_stand_twice(read):
    rows, findings = read("run,char_g,exclude_reason\nR1,-3,balance not set to zero\nR1,3,\n")
    assert findings == []
    assert [row["char_g"] for row in rows] == [-3.0, 3.0]


@pytest.mark.parametrize("word", ["no", "x", "0", "TRUE"])
def test_a_reason_is_given_in_words(read, word):
    _, findings = read(f"run,exclude_reason\nR1,{word}\n")
    assert only(findings).message == (
        f"'{word}' is no reason. Write the reason in words; leave the cell empty for none."
    )


@pytest.mark.parametrize("word", ["2026-02-30", "14.03.2026", "3/14/26", "20260314", "today"])
def test_bad_dates(read, word):
    _, findings = read(f"firing,kind,date\nF1,carbonise,{word}\n", "firings")
    assert only(findings).message.endswith("Write year-month-day, for example 2026-03-14.")


def test_dates_and_choices(read):
    text = "firing,kind,date\nF1,carbonise,2026-03-14\nF2,carbonize,2026-03-14T10:30\n"
    rows, findings = read(text, "firings")
    assert [row["date"] for row in rows] == ["2026-03-14", "2026-03-14"]
    assert only(findings).message == (
        "'carbonize' is not a choice. Did you mean 'carbonise'? Write one of: carbonise, activate."
    )


@pytest.mark.parametrize(
    "path", ["../secret.csv", "/etc/passwd", "a/../../b.csv", "C:\\t.csv", "~/t.csv", "..\\t.csv"]
)
def test_a_trace_outside_its_folder_stops(read, path):
    _, findings = read(f"test,cell,method,trace\nT1,C1,direct,{path}\n", "tests")
    assert only(findings).severity == STOPS
    assert "lies outside config/traces" in only(findings).message


@pytest.mark.parametrize("path", ["{a}.csv", "a*.csv", "a//b.csv", "./a.csv", "a/", "a\u202eb.csv"])
def test_a_trace_with_an_odd_name_stops(read, path):
    _, findings = read(f"test,cell,method,trace\nT1,C1,direct,{path}\n", "tests")
    assert "is no file name to work with" in only(findings).message


def test_a_trace_in_a_folder_below(read):
    rows, findings = read("test,cell,method,trace\nT1,C1,direct,F1\\T 1.csv.gz\n", "tests")
    assert findings == []
    assert rows[0]["trace"] == "F1/T 1.csv.gz"


@pytest.mark.parametrize(
    ("data", "row", "words"),
    [
        (b"", None, "The file is empty."),
        (b"\n \n", None, "The file is empty."),
        ("run,char_g\nR1,1\n".encode("utf-16"), None, "in UTF-16"),
        ("run,char_g\nR1,1\n".encode("utf-16-le"), 1, "holds zero bytes"),
        ("run,note\nR1,\nR2,sch\u00f6n\n".encode("latin-1"), 3, "0xf6 is not UTF-8"),
        (b'run,note\nR1,\nR2,"open\n', 3, "a quotation mark is opened and never closed"),
        (b'run,note\nR1,"a"b\n', 2, "the quotation marks do not pair up"),
        (b"PK\x03\x04rest", None, "a workbook under the name of a CSV file"),
        (b"\x00\x01\x02", 1, "holds zero bytes"),
        (b"run|char_g\nR1|1\n", 1, "is no header of this table"),
        (b",,\nR1,1,2\n", 1, "The first row is empty"),
        (b"1;2;3\n", 1, "The column is unknown"),
    ],
)
def test_files_that_cannot_be_read(read, data, row, words):
    _, findings = read(data)
    assert findings[0].severity == STOPS
    assert findings[0].row == row
    assert words in findings[0].message


def test_a_header_alone_is_an_empty_table(read):
    assert read("run,char_g") == ([], [])


def test_nameless_columns(read):
    rows, findings = read("run,char_g,,\nR1,1,,\n")
    assert (len(rows), findings) == (1, [])
    _, findings = read("run,,char_g\nR1,7,1\n")
    assert only(findings).message == "Column 2 has values and no name. Name it."


@given(st.binary(max_size=300))
def test_any_bytes_give_findings_and_no_traceback(data):
    with tempfile.TemporaryDirectory() as folder:
        for ending in (".csv", ".xlsx"):
            path = Path(folder) / f"masses{ending}"
            path.write_bytes(data)
            findings = read_table(path, SCHEMAS["masses"]).findings
            assert findings


@given(st.text(max_size=40))
def test_any_text_in_a_number_is_taken_or_refused(text):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "masses.csv"
        with path.open("w", encoding="utf-8", errors="replace", newline="") as stream:
            csv.writer(stream).writerows([["run", "koh_g", "char_g"], ["R1", 1, text]])
        found = read_table(path, SCHEMAS["masses"])
        rows, findings = found.rows, found.findings
    assert all(row["char_g"] is None or math.isfinite(row["char_g"]) for row in rows)
    if not findings:
        assert rows[0]["char_g"] is not None or trim(text) == ""


def test_rows_of_a_form_that_nobody_filled_in_are_no_rows(tmp_path):
    path = tmp_path / "cells.csv"
    path.write_text(
        "cell,run,electrode_1_mg,electrode_2_mg,binder_percent,additive_percent,upper_voltage_V,"
        "note\nC1,R1,6.1,6.2,10,10,0.9,\nC2,R1,,,,,,\nC3,R2,,,,,,not coated yet\n"
    )
    found = read_table(path, SCHEMAS["cells"])
    assert [row["cell"] for row in found.rows] == ["C1"]
    assert (found.findings, found.n_planned) == ([], 2)
    path.write_text(path.read_text().replace("C2,R1,,", "C2,R1,6.0,"))
    found = read_table(path, SCHEMAS["cells"])
    assert {f.row for f in found.findings} == {3}
    assert {f.column for f in found.findings} == {
        *("electrode_2_mg", "binder_percent", "upper_voltage_V")
    }


def test_a_file_that_breaks_off(read):
    whole = "run,feed_ar_g,feed_dry_g,char_g\nR1,50,45.1,14.2\nR2,50,45.3,14.1\n"
    assert read(whole)[1] == []
    for cut in range(len(whole) - len("R2,50,45.3,14.1\n") + 1, len(whole) - len("14.1\n")):
        _, findings = read(whole[:cut])
        finding = only(findings)
        assert (finding.row, finding.severity) == (3, STOPS), whole[:cut]
        assert "The file breaks off in this row: it has" in finding.message
        assert "close it where it is open and save it again" in finding.message
    # Other short rows: the writer leaves empty cells away, as some editors do.
    rows, findings = read("run,feed_ar_g,feed_dry_g,char_g\nR1,50\nR2,50,45")
    assert (len(rows), findings) == (2, [])


def test_many_like_problems_are_counted_not_listed(read):
    _, findings = read("run,char_g\n" + "".join(f"R{i},abc\n" for i in range(500)))
    assert len(findings) == 11
    assert findings[-1].row == 501
    assert findings[-1].message.startswith("and 490 more in this column up to here. 'abc' is not")


def test_a_hundred_thousand_rows(read):
    text = "run,feed_ar_g,char_g\n" + "".join(f"R{i},50.5,{12 + i % 3}\n" for i in range(100_000))
    began = time.perf_counter()
    rows, findings = read(text)
    print(f"100,000 rows read in {time.perf_counter() - began:.1f} s")
    assert (len(rows), findings) == (100_000, [])


def test_light_start():
    """Reading tables must not pull in the heavy libraries: every start of the graph pays."""
    code = (
        "import sys; import charscreen.screen, charscreen.screen.layout; "
        "print([m for m in ('pandas', 'numpy', 'polars', 'scipy', 'matplotlib', 'jsonschema', "
        "'python_calamine') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=SCRIPTS, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_schemas_are_sound():
    for schema in SCHEMAS.values():
        for column in schema.columns.values():
            assert column.description
            assert column.is_number or not column.unit
            if column.refers_to:
                table, key = column.refers_to.split(".")
                assert SCHEMAS[table].key == key
        names = set(schema.columns)
        assert "note" in names
        expected = schema.name != "feedstocks"
        assert ("exclude_reason" in names and "accepted" in names) is expected
