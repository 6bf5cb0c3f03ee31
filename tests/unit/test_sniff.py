"""The table in a file of unknown layout: text, workbook and Parquet."""

import io

import polars as pl
import pytest
from charscreen.traces.files import TraceFileError
from charscreen.traces.sniff import sniff_table
from charscreen.traces.suggest import suggest_column_map
from charscreen.traces.text import parse_text
from small_workbook import write_workbook

TIMES, VOLTS = [0.0, 1.0, 2.0], [1.0, 0.9, 0.8]


def test_a_workbook_is_read_below_its_notes(tmp_path):
    rows = [["Cell C1"], ["Time (s)", "Voltage (V)"], *map(list, zip(TIMES, VOLTS, strict=True))]
    write_workbook(tmp_path / "a.xlsx", rows)
    table = sniff_table((tmp_path / "a.xlsx").read_bytes())
    assert [header.lower() for header in table.headers] == ["time (s)", "voltage (v)"]
    assert table.samples == [TIMES, VOLTS]
    assert table.frame == {"skip_lines": 1}
    write_workbook(tmp_path / "b.xlsx", [["only"], ["words"]])
    assert sniff_table((tmp_path / "b.xlsx").read_bytes()) is None


def test_parquet_tells_its_columns():
    stream = io.BytesIO()
    pl.DataFrame({"t": TIMES, "U": VOLTS, "note": [None, "a", "b"]}).write_parquet(stream)
    table = sniff_table(stream.getvalue())
    assert (table.headers, table.frame) == (["t", "U", "note"], {})
    assert table.samples[:2] == [TIMES, VOLTS]
    assert table.cells[2] == ["", "a", "b"]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"PAR1" + b"rubbish" * 20, "damaged Parquet file .* Copy it again"),
        (b"PK\x03\x04" + b"rubbish" * 20, "workbook"),
    ],
)
def test_damaged_files_are_told(data, words):
    with pytest.raises(TraceFileError, match=words):
        sniff_table(data)


@pytest.mark.parametrize(
    ("text", "frame", "headers", "units"),
    [
        ("# t;U\n0,0;1,0\n1,0;0,9\n2,0;0,8\n",
         {"delimiter": ";", "decimal": ",", "skip_lines": 0, "comment": "#"}, ["t", "U"], []),
        ("note\nt,U\ns,V\n0,1.0\n1,0.9\n\n2,0.8\n",
         {"delimiter": ",", "decimal": ".", "skip_lines": 1}, ["t", "U"], ["s", "V"]),
        ("0 1.0\n1 0.9\n2 0.8\n", {"delimiter": " ", "decimal": ".", "skip_lines": 0}, [], []),
    ],
)  # fmt: skip
def test_text_tells_its_layout(text, frame, headers, units):
    table = sniff_table(text.encode())
    assert table.frame == frame
    assert (table.headers, table.units_row) == (headers, units)
    assert table.samples == [TIMES, VOLTS]


@pytest.mark.parametrize("text", ["", "one\ntwo\n", "a,b\nc,d\n", "1\n2\n3\n"])
def test_no_rows_of_numbers_no_table(text):
    assert sniff_table(text.encode()) is None


# --- the map guessed from it


def suggest(tmp_path, text):
    (tmp_path / "log.csv").write_text(text, encoding="utf-8")
    return suggest_column_map(tmp_path / "log.csv")


def test_columns_without_a_name_are_guessed_by_their_place_and_said_so(tmp_path):
    rows = [f"{k},{1.0 - 0.01 * k:.3f},{-5.0 - 0.001 * (k % 3):.3f}" for k in range(60)]
    found, notes = suggest(tmp_path, "\n".join(rows))
    assert found["voltage"]["column"] == 2
    assert found["current"]["column"] == 3
    assert "voltage is guessed to be column 2: check it" in notes
    assert "current is guessed to be column 3: check it" in notes
    found, notes = suggest(tmp_path, "\n".join(row.rpartition(",")[0] for row in rows))
    assert found["voltage"]["column"] == 2
    assert "current" not in found


def test_of_two_columns_of_one_quantity_the_first_is_taken_and_the_other_named(tmp_path):
    rows = [f"{k},{1 - 0.01 * k:.3f},{0.9 - 0.01 * k:.3f},-5,{1 + k // 30}" for k in range(60)]
    head = "Time (s),Voltage (V),Voltage 2 (V),Current (mA),Cycle"
    found, notes = suggest(tmp_path, "\n".join([head, *rows]))
    assert found["voltage"]["column"] == "Voltage (V)"
    assert any(
        note.startswith("voltage is taken from 'Voltage (V)' (not from Voltage 2 (V))")
        for note in notes
    )
    assert found["cycle"] == {"column": "Cycle"}


@pytest.mark.parametrize(
    ("layout", "words"),
    [
        ({"delimiter": ",", "decimal": ","}, "delimiter and decimal mark are both ','"),
        ({"skip_lines": 9}, "has fewer than the 9 lines the column map skips"),
    ],
)
def test_text_that_the_layout_cannot_split_is_told(layout, words):
    given = {"delimiter": ",", "decimal": ".", "skip_lines": 0, "comment": None} | layout
    with pytest.raises(TraceFileError, match=words):
        parse_text("t,U\n0,1\n1,2\n", ["t", "U"], text_columns=[], **given)
