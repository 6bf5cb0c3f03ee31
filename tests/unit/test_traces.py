import gzip

import numpy as np
import polars as pl
import pytest
from cell_models import cycle_rc
from charscreen.findings import LEAVES_OUT, QUESTIONS
from charscreen.traces import read_trace
from charscreen.traces.maps import check_map, describe_map
from charscreen.traces.suggest import suggest_column_map
from charscreen.traces.times import parse_times
from charscreen.units import parse_unit, unit_in_header
from hypothesis import given, settings
from hypothesis import strategies as st
from small_workbook import write_workbook

PLAIN = {
    "delimiter": ",",
    "decimal": ".",
    "skip_lines": 0,
    "comment": "#",
    "time": {"column": "t", "unit": "s"},
    "voltage": {"column": "v", "unit": "V"},
    "current": {"column": "i", "unit": "A", "positive_is": "charge"},
}
TEXT = "t,v,i\n0,0.1,0.005\n1,0.2,0.005\n2,0.3,-0.005\n3,0.2,-0.005\n"


@pytest.fixture
def read(tmp_path):
    """Writes content to a file and reads it."""

    def reader(content, changes=None, name="a.csv", **part):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_trace(path, PLAIN | (changes or {}), **part)

    return reader


def only(findings, severity=LEAVES_OUT):
    """The one finding there must be."""
    assert [f.severity for f in findings] == [severity]
    return findings[0]


def test_plain_file(read):
    trace, findings = read(TEXT)
    assert findings == []
    np.testing.assert_array_equal(trace.time_s, [0, 1, 2, 3])
    np.testing.assert_array_equal(trace.voltage_V, [0.1, 0.2, 0.3, 0.2])
    np.testing.assert_array_equal(trace.current_A, [5e-3, 5e-3, -5e-3, -5e-3])
    assert trace.step is None


@pytest.mark.parametrize(
    ("content", "changes"),
    [
        (TEXT.replace(",", ";").replace(".", ","), {"delimiter": ";", "decimal": ","}),
        (TEXT.replace(",", "\t"), {"delimiter": "\t"}),
        (TEXT.replace(",", "   "), {"delimiter": " "}),
        ("\ufeff" + TEXT, {}),
        (TEXT.replace("\n", "\r\n"), {}),
        (TEXT.replace("\n", "\r"), {}),
        (TEXT.replace("\n1,", "\n\n# pause\n1,"), {}),
        ("Logger; 25 \xb0C\nfive,four,three,two,one\n\n".encode("latin-1") + TEXT.encode(),
         {"skip_lines": 2}),
        (TEXT.replace("t,v,i", "t,v,i\ns,V,A"), {}),
        (TEXT.replace("t,v,i", "# t,v,i"), {}),
        (TEXT.replace(",", ", "), {}),
        (TEXT.replace("t,v,i\n", "t,v,i\n\n \n# no more\n\n"), {}),
        (TEXT.replace("\n", "\n\n"), {}),
        (TEXT.replace(",", " , "), {}),
        (TEXT.replace("0,0.1", '"0","0.1"'), {}),
        (TEXT.replace("0.3,-0.005", "0.3,-5e-3"), {}),
        (TEXT.replace("t,v,i\n", ""),
         {"time": {"column": 1}, "voltage": {"column": 2}, "current": {"column": 3}}),
        (TEXT, {"time": {"column": 1}, "voltage": {"column": 2}, "current": {"column": 3}}),
        (gzip.compress(TEXT.encode(), mtime=0), {}),
    ],
    ids=["semicolon-comma", "tab", "blanks", "bom", "crlf", "cr", "comments", "latin-1",
         "units row", "header in comment", "blank after comma", "blank lines below the header",
         "a blank line below each", "blanks about commas", "quoted", "exponent",
         "no header", "numbers", "gz"],
)  # fmt: skip
def test_layouts_read_alike(read, content, changes):
    trace, findings = read(content, changes)
    assert findings == []
    np.testing.assert_array_equal(trace.time_s, [0, 1, 2, 3])
    np.testing.assert_array_equal(trace.voltage_V, [0.1, 0.2, 0.3, 0.2])
    np.testing.assert_array_equal(trace.current_A, [5e-3, 5e-3, -5e-3, -5e-3])


def test_units_and_sign(read):
    changes = {
        "time": {"column": "t", "unit": "min"},
        "voltage": {"column": "v", "unit": "mV"},
        "current": {"column": "i", "unit": "uA", "positive_is": "discharge"},
    }
    trace, _ = read("t,v,i\n0.5,900,2000\n1,800,2000\n", changes)
    np.testing.assert_allclose(trace.time_s, [30, 60])
    np.testing.assert_allclose(trace.voltage_V, [0.9, 0.8])
    np.testing.assert_allclose(trace.current_A, [-2e-3, -2e-3])


def test_units_row_that_says_otherwise_is_questioned(read):
    trace, findings = read(TEXT.replace("t,v,i", "t,v,i\nmin,V,A"))
    finding = only(findings, QUESTIONS)
    assert "units row says min for time, the column map says s" in finding.message
    assert len(trace) == 4


def test_parquet_and_workbook_read_alike(tmp_path):
    frame = pl.read_csv(TEXT.encode())
    frame.write_parquet(tmp_path / "a.parquet")
    trace, findings = read_trace(tmp_path / "a.parquet", PLAIN)
    assert findings == []
    np.testing.assert_array_equal(trace.voltage_V, [0.1, 0.2, 0.3, 0.2])
    write_workbook(tmp_path / "a.xlsx", [["Logger"], ["t", "v", "i"], *frame.rows()])
    trace, findings = read_trace(tmp_path / "a.xlsx", PLAIN | {"skip_lines": 1})
    assert findings == []
    np.testing.assert_array_equal(trace.current_A, [5e-3, 5e-3, -5e-3, -5e-3])


def test_workbook_with_units_row_and_a_word_among_the_numbers(tmp_path):
    rows = [[k, 0.1 + k / 1000, 0.005] for k in range(120)]
    rows[50][1] = "off"
    write_workbook(tmp_path / "a.xlsx", [["t", "v", "i"], ["s", "V", "A"], *rows])
    trace, findings = read_trace(tmp_path / "a.xlsx", PLAIN)
    finding = only(findings, QUESTIONS)
    assert (finding.row, finding.column, finding.value) == (53, "v", "off")
    assert len(trace) == 119
    assert suggest_column_map(tmp_path / "a.xlsx")[0]["voltage"] == {"column": "v", "unit": "V"}


def test_missing_column_offers_the_nearest(read):
    trace, findings = read("time_s,voltage,i\n0,1,2\n", {"voltage": {"column": "Voltagge"}})
    assert trace is None
    messages = [f.message for f in findings]
    assert any("no column 't' for time" in m for m in messages)
    assert any(
        "no column 'Voltagge' for voltage. Did you mean 'voltage'?" in m
        and "Columns found: 'time_s', 'voltage', 'i'" in m
        for m in messages
    )


def test_header_further_down_is_pointed_at(read):
    _, findings = read("Logger\nfirst,second\n" + TEXT)
    assert all("the names stand in line 3: set skip_lines to 2" in f.message for f in findings)


def test_column_number_beyond_the_file(read):
    _, findings = read(TEXT, {"voltage": {"column": 7}})
    assert "no column number 7 for voltage" in only(findings).message


def test_name_twice_wants_a_number(read):
    _, findings = read("t,v,v,i\n0,1,2,3\n")
    assert "more than once. Give its number instead (2 and 3)" in only(findings).message


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b" \n \n", "is empty"),
        (TEXT.encode("utf-16"), "UTF-16 text. Save it as UTF-8"),
        (TEXT.encode("utf-16-le"), "UTF-16 text. Save it as UTF-8"),
        (bytes(range(256)) * 40, "not text (binary file)"),
        (b"t,v,i\n", "no data below its header"),
        (b"PAR1 broken", "damaged Parquet"),
        (b"PK\x03\x04 broken", "not a workbook"),
        (gzip.compress(TEXT.encode(), mtime=0)[:40], "damaged gz"),
    ],
)
def test_files_that_are_no_table(read, content, says):
    trace, findings = read(content)
    assert trace is None
    assert says in only(findings).message


def test_absent_file(tmp_path):
    trace, findings = read_trace(tmp_path / "no.csv", PLAIN)
    assert trace is None
    assert "there is no such file" in only(findings).message
    trace, findings = read_trace(tmp_path, PLAIN)
    assert trace is None
    assert "Name a file" in only(findings).message


def test_decimal_comma_where_a_point_is_told(read):
    content = "t;v;i\n" + "".join(f"{k};0,{k};1,5\n" for k in range(1, 9))
    trace, findings = read(content, {"delimiter": ";"})
    assert trace is None
    assert findings[0].row == 2
    assert "'0,1' is not a number. A decimal comma? Then set decimal: ','" in findings[0].message


def test_one_bad_cell_costs_one_row(read):
    rows = [f"{k},{k / 100},0.005" for k in range(150)]
    rows[70] = "70,o.7,0.005"
    trace, findings = read("t,v,i\n" + "\n".join(rows) + "\n")
    finding = only(findings, QUESTIONS)
    assert (finding.row, finding.column, finding.value) == (72, "v", "o.7")
    assert len(trace) == 149


def test_missing_values(read):
    rows = [f"{k},{k / 100},0.005" for k in range(30)]
    rows[4], rows[9] = "4,NaN,0.005", "9,,0.005"
    trace, findings = read("t,v,i\n" + "\n".join(rows) + "\n")
    assert "2 of 30 rows lack a value" in only(findings, QUESTIONS).message
    assert len(trace) == 28
    trace, findings = read("t,v,i\n" + "0,,1\n1,,1\n2,0.5,1\n")
    assert trace is None
    assert "2 of 3 rows lack" in only(findings).message


@pytest.mark.parametrize("tail", ["4,0.1", "4,0.1,", "4,0.1,-0.", "4,0.1,-5e-"])
def test_cut_last_line_is_dropped_with_a_note(read, tail):
    trace, findings = read(TEXT + tail)
    assert "last line is cut off" in only(findings, QUESTIONS).message
    assert len(trace) == 4


def test_whole_last_line_without_line_feed_is_kept(read):
    trace, findings = read(TEXT + "4,0.1,-0.005")
    assert findings == []
    assert len(trace) == 5


def test_backward_time(read):
    twice = TEXT + TEXT.split("\n", 1)[1]
    trace, findings = read(twice + twice.split("\n", 1)[1])
    assert trace is None
    assert "time runs backward 3 times, first from 3 to 0 s" in only(findings).message
    trace, findings = read(TEXT + "2.5,0.1,-0.005\n4,0.1,-0.005\n")
    assert "1 row whose time runs backward" in only(findings, QUESTIONS).message
    np.testing.assert_array_equal(trace.time_s, [0, 1, 2, 3, 4])


def test_repeated_time_of_a_step_is_kept_and_a_coarse_clock_questioned(read):
    trace, findings = read(TEXT + "3,0.19,0.005\n")
    assert findings == []
    assert len(trace) == 5
    coarse = "t,v,i\n" + "".join(f"{k // 5},{k / 100},0.005\n" for k in range(100))
    trace, findings = read(coarse)
    assert "The clock is coarse" in only(findings, QUESTIONS).message
    assert len(trace) == 100


MANY = "t,v,i,s,c\n" + "".join(
    f"{k},0.{k % 9 + 1},0.005,{k // 10},{k // 20 + 1}\n" for k in range(60)
)
MARKS = {"step": {"column": "s"}, "cycle": {"column": "c"}}


@pytest.mark.parametrize(
    ("part", "first", "last"),
    [
        ({"start_s": 12, "end_s": 31}, 12, 31),
        ({"step": 3}, 30, 39),
        ({"step": 3.0}, 30, 39),
        ({"step": "2-4"}, 20, 49),
        ({"step": "2 to 4"}, 20, 49),
        ({"step": "3"}, 30, 39),
        ({"cycle": "2;3"}, 20, 59),
        ({"cycle": 2, "step": 3, "end_s": 35}, 30, 35),
    ],
)
def test_parts_of_a_file(read, part, first, last):
    trace, findings = read(MANY, MARKS, **part)
    assert findings == []
    np.testing.assert_array_equal(trace.time_s, np.arange(first, last + 1))


def test_parts_that_are_not_there(read):
    assert "step 9 does not occur. Found: 0, 1, 2" in only(read(MANY, MARKS, step=9)[1]).message
    says = only(read(MANY, start_s=100)[1]).message
    assert "no rows lie in the part asked for" in says
    assert "runs from 0 to 59 s" in says
    says = only(read(MANY, cycle=1)[1]).message
    assert "the column map names no cycle column" in says


def test_named_steps(read):
    content = "t,v,i,s\n0,0.1,1,up\n1,0.2,1,up\n2,0.2,-1,down\n3,0.1,-1,down\n"
    trace, findings = read(content, {"step": {"column": "s"}}, step="down")
    assert findings == []
    np.testing.assert_array_equal(trace.time_s, [2, 3])


def test_clock_times(read):
    content = "t,v,i\n23:59:58,0.1,1\n23:59:59.5,0.2,1\n00:00:01,0.3,1\n"
    trace, findings = read(content)
    assert findings == []
    np.testing.assert_allclose(trace.time_s, [0, 1.5, 3])
    trace, findings = read("t,v,i\nnoon,0.1,1\nlater,0.2,1\n")
    assert trace is None
    assert "'noon' is no time" in only(findings).message


@pytest.mark.parametrize(
    "texts",
    [
        ["2024-05-01 13:45:10", "2024-05-01T13:45:11.5", "2024-05-02 13:45:10"],
        ["2024/05/01 13:45:10", "2024/05/01 13:45:11,5", "2024/05/02 13:45:10"],
    ],
)
def test_stamps(texts):
    seconds, wrong = parse_times(texts)
    assert wrong is None
    np.testing.assert_allclose(seconds, [0, 1.5, 86400])


def test_other_clock_forms():
    np.testing.assert_allclose(parse_times(["00:10.5", "01:00.0"])[0], [0, 49.5])
    np.testing.assert_allclose(parse_times(["01.05.2024 11:59:59 PM", "02.05.2024 12:00:01 AM"])[0],
                               [0, 2])  # fmt: skip
    np.testing.assert_allclose(parse_times(["0d 23:00:00", "1d 01:00:00"])[0], [0, 7200])


def test_stamps_with_time_zones_and_gaps():
    seconds, wrong = parse_times(
        ["2024-03-31T00:59:59Z", "", "2024-03-31T03:00:01+02:00", "2024-03-30 20:00:03-0500"]
    )
    assert wrong is None
    np.testing.assert_allclose(seconds, [0, np.nan, 2, 4])
    assert parse_times(["2024-05-01 13:45", "2024-05-32 13:46"])[1] == 1
    assert parse_times(["2024-05-01 13:45:00", "2024-05-01 27:46:00"])[1] == 1
    assert parse_times(["", ""])[1] is None


def test_midnight_passes_twice():
    clocks = ["22:00:00", "04:00:00", "21:00:00", "03:00:00"]
    np.testing.assert_allclose(parse_times(clocks)[0] / 3600.0, [0, 6, 23, 29])


def test_column_map_problems_are_all_told():
    checked, problems = check_map(
        {"delimitter": ";", "time": {"column": "t", "unit": "sec"}, "decimal": ";",
         "current": {"column": "i", "positive_is": "up"}}
    )  # fmt: skip
    assert checked is None
    text = "\n".join(problems)
    assert "unknown key 'delimitter'. Did you mean 'delimiter'?" in text
    assert "no voltage column" in text
    assert "'sec' is no unit of time. Use s, min, h, ms" in text
    assert "positive_is is 'up'" in text
    assert "decimal is ';'" in text


@settings(max_examples=12, deadline=None)
@given(
    delimiter=st.sampled_from([",", ";", "\t", " "]),
    decimal=st.sampled_from([".", ","]),
    units=st.sampled_from([("s", "V", "A"), ("min", "mV", "mA"), ("h", "V", "uA")]),
    positive=st.sampled_from(["charge", "discharge"]),
    title=st.booleans(),
)
def test_guessed_map_reads_the_same_numbers(
    tmp_path_factory, delimiter, decimal, units, positive, title
):
    if delimiter == decimal:
        decimal = "."
    t, v, i = cycle_rc(n_cycles=1)
    factor = {"s": 1, "min": 60, "h": 3600, "V": 1, "mV": 1e-3, "A": 1, "mA": 1e-3, "uA": 1e-6}
    sign = 1 if positive == "charge" else -1
    columns = [t / factor[units[0]], v / factor[units[1]], sign * i / factor[units[2]]]
    lines = ["bench log, cell 3"] if title else []
    lines.append(
        delimiter.join(f"{n}({u})" for n, u in zip(("time", "U", "I"), units, strict=True))
    )
    rows = zip(*columns, strict=True)
    lines += [delimiter.join(f"{x:.9g}".replace(".", decimal) for x in row) for row in rows]
    path = tmp_path_factory.mktemp("guess") / "a.txt"
    path.write_text("\n".join(lines) + "\n")
    column_map, _ = suggest_column_map(path)
    assert column_map["current"]["positive_is"] == positive
    trace, findings = read_trace(path, column_map)
    assert findings == []
    np.testing.assert_allclose(trace.time_s, t, atol=1e-4)
    np.testing.assert_allclose(trace.voltage_V, v, atol=1e-8)
    np.testing.assert_allclose(trace.current_A, i, rtol=1e-7)


def test_guess_without_names(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("".join(f"{k},{1 - k / 50}\n" for k in range(40)))
    column_map, notes = suggest_column_map(path)
    assert column_map["time"] == {"column": 1, "unit": "s"}
    assert column_map["voltage"] == {"column": 2, "unit": "V"}
    assert any("voltage is guessed" in note for note in notes)
    assert len(read_trace(path, column_map)[0]) == 40


def test_guess_gives_up_with_a_reason(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("just words\nand more words\n")
    column_map, notes = suggest_column_map(path)
    assert column_map is None
    assert "holds no table of numbers" in notes[0]
    path.write_text("alpha,beta,gamma\n3,9,1\n1,8,2\n2,7,0\n")
    column_map, notes = suggest_column_map(path)
    assert column_map is None
    assert "no column for time and voltage could be told (alpha, beta, gamma)" in notes[0]


@pytest.mark.parametrize(
    ("rows", "read_as"),
    [
        (["Date,Time,Volts", *(f"2025-03-13,10:00:{k:02d},{1 - k / 99}" for k in range(0, 50, 10))],
         "column 'Time' is read as hours:minutes:seconds; from '10:00:00' to '10:00:40' is 40 s"),
        (["Time;V", *(f"0:{k:02d};{1 - k / 99}".replace(".", ",") for k in range(0, 50, 10))],
         "is read as minutes:seconds (write 1:30:00 where 1:30 means hours and minutes); from "
         "'0:00' to '0:40' is 40 s"),
        (["stamp,mV", *(f"2025-03-13T10:00:{k:02d},{999 - k}" for k in range(0, 50, 10))],
         "is read as date and clock time"),
        (["when,mV", *(f"13.03.2025 10:00:{k:02d},{999 - k}" for k in range(0, 50, 10))],
         "hours:minutes:seconds (without the date"),
    ],
)  # fmt: skip
def test_guess_of_clock_times_says_how_they_are_read(tmp_path, rows, read_as):
    path = tmp_path / "a.csv"
    path.write_text("\n".join(rows) + "\n")
    column_map, notes = suggest_column_map(path)
    assert any(read_as in note for note in notes)
    assert not any("no unit found for time" in note for note in notes)
    assert "unit" not in column_map["time"]
    trace, findings = read_trace(path, column_map)
    assert findings == []
    np.testing.assert_allclose(trace.time_s, [0, 10, 20, 30, 40])


def test_guess_of_a_current_by_its_unit_and_of_its_sign(tmp_path):
    t, v, i = cycle_rc(n_cycles=1)
    path = tmp_path / "a.csv"
    rows = zip(range(len(t)), t, -1e3 * i, v, strict=True)
    lines = [f"{n},{a:g},{b:.6g},{c:.6g}" for n, a, b, c in rows]
    path.write_text("\n".join(["sample,elapsed_s,load_mA,volts", *lines]) + "\n")
    column_map, notes = suggest_column_map(path)
    assert column_map["current"] == {"column": "load_mA", "unit": "mA", "positive_is": "discharge"}
    assert "current is taken from column 'load_mA', by its unit" in notes
    assert "columns not used: 'sample'" in notes
    # A current without sign: which way is charge cannot be told from it.
    lines = [f"{n},{a:g},{abs(b):.6g},{c:.6g}" for n, a, b, c in
             zip(range(len(t)), t, 1e3 * i, v, strict=True)]  # fmt: skip
    path.write_text("\n".join(["sample,elapsed_s,load_mA,volts", *lines]) + "\n")
    assert any("sign of the current could not be told" in n for n in suggest_column_map(path)[1])


def test_guess_names_columns_that_may_number_steps_and_cycles(tmp_path):
    path = tmp_path / "a.csv"
    rows = [f"{k},{k // 10},{k // 40},{k % 7},{k / 99}" for k in range(90)]
    path.write_text("\n".join(["time_s,part,round,range,volts", *rows]) + "\n")
    column_map, notes = suggest_column_map(path)
    assert not {"step", "cycle"} & set(column_map)
    assert any("add step: {column: part} and cycle: {column: round} to the map" in n for n in notes)
    assert "columns not used: 'part', 'round', 'range'" in notes


def test_guess_names_the_absent_file(tmp_path):
    notes = suggest_column_map(tmp_path / "nothere.csv")[1]
    assert notes[0].startswith("nothere.csv: there is no such file. ")


def test_described_map_can_be_pasted(tmp_path):
    import yaml

    text = describe_map(PLAIN | {"delimiter": "\t"}, "bench")
    assert yaml.safe_load(text) == {"column_maps": {"bench": PLAIN | {"delimiter": "\t"}}}


def test_units_in_headers():
    assert unit_in_header("Voltage (mV)", "voltage") == "mV"
    assert unit_in_header("U/V", "voltage") == "V"
    assert unit_in_header("current_mA", "current") == "mA"
    assert unit_in_header("I [\N{MICRO SIGN}A]", "current") == "uA"
    assert unit_in_header("elapsed, min", "time") == "min"
    assert unit_in_header("seconds", "time") == "s"
    assert unit_in_header("current", "current") is None
    assert parse_unit("MA", "current") is None


@settings(max_examples=80, deadline=None)
@given(content=st.one_of(
    st.binary(max_size=300),
    st.text(alphabet="tvi,;.#-0123456789eE\"\n\r \t:", max_size=300).map(str.encode),
    st.text(alphabet="tvi,;.#-0123456789eE\"\n\r \t:", max_size=300).map(
        lambda text: b"t,v,i\n0,1,1\n" + text.encode()),
))  # fmt: skip
def test_no_file_raises(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("any") / "a.csv"
    path.write_bytes(content)
    trace, findings = read_trace(path, PLAIN)
    if trace is None:
        assert any(f.severity == LEAVES_OUT for f in findings)
    else:
        assert len(trace) == len(trace.voltage_V) == len(trace.current_A) > 0
        assert (np.diff(trace.time_s) >= 0).all()
    suggest_column_map(path)
