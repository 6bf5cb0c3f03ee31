"""The table in a file of unknown layout: text, workbook and Parquet."""

import io

import polars as pl
import pytest
from charscreen.traces.files import TraceFileError
from charscreen.traces.sniff import sniff_table
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
        (b"PAR1" + b"rubbish" * 20, "damaged Parquet file. Export it again"),
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
