"""Parquet files that would end the process they are read in are told, and the others are read."""

import base64
import subprocess
import sys
import time
import zlib
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from charscreen.capacitance.reduce import reduce_tests
from charscreen.traces import parquet
from charscreen.traces.files import TraceFileError
from charscreen.traces.parquet import CRASHED, ParquetReader
from charscreen.traces.reading import TraceReader, read_trace
from charscreen.traces.suggest import suggest_column_map

#: Found by `tests/bench/bench_fuzz.py`: a changed byte in the header of a page makes the package
#: ask for 2 ** 61 bytes.
ENDS_ITS_READER = zlib.decompress(base64.b85decode(
    "c-jka3^EjD5cLuD(GleUGT21fWXu>eI2gcy!$AVdVrT$jCXf&#0}A+H4`n#Ow1{#^sxq)iO0bn==BCCMi!z9Dh|O"
    "aJA~g;hTt;Ja!r3z*@Wx((W7bR%*l7=U0!+&9;>4JL&QI)9V(+*yS6sJ;DTFzJvn)TSBr!cTJ`BkfeM~mEjE6ZxA"
    "ITZjBJ12AR+a3RfV1GvfC=ED;m$}dEh<XQD~WeRa>g7M8(hXq3NlF|LI=(S1}%f67)%=GY9JHl6=Z3cX-G_{w2T;"
    "sD9{NEU}hf^f<1=?$`)mk^zmRR%FizmWn&QKQe}e0C4_?rRVW|sJ)rL-Wh8CXmNCkZlM2M1u#1X`tzr|kV^CYeEJ"
    "JQAiv402l@NOYHf9&A47sr&Hi-jh%rbVMF=Drv#W>VBfRqR*q$GG8gM$3St%{Q~Qgag}HZbXffMu~G5V(Q}i!va;"
    "A`r?43wb*_7CSnF=|D&A0HAz%IY`{o(J>vW&KF2IferBo5so1J&b}a{JwRM1N2q#`l&>QMID3QSAx30_6lJAEcvV"
    "J)n;JwIfb4a)AfVq2O}|l+QH4QdcuG!$VI+|6QVfy@t9Ax!h=l70n&+AhbT^0&gqZ6BHB}qr|8h@9r*ubmkUyM2="
    "6eJcB!!2iC6_zeGD!FZ<mV(76)R{IRF-7q=V>aGr4|)u=I1FG=^5%7C}<>=X6B?Qn5S797$v0`r=_JBnWv>$7^N7"
    "R7@1on8dxS8S(>J$8Ks#grlwdLX-eA2Ffc$6!#-f<3;-5u07^GCwE"
))  # fmt: skip
MAP = {"time": {"column": "time_s"}, "voltage": {"column": "voltage_V"},
       "current": {"column": "current_A"}}  # fmt: skip
WHOLE = {"start_s": None, "end_s": None, "step": None, "cycle": None}
TIMES = [0.0, 1.0, 2.0, 3.0, 4.0]


def good_file(path: Path, **columns) -> Path:
    voltage = [0.5, 0.4, 0.3, 0.2, 0.1]
    always = {"time_s": TIMES, "voltage_V": voltage, "current_A": [-0.005] * 5}
    pl.DataFrame(always | columns).write_parquet(path)
    return path


@pytest.fixture
def folder(tmp_path):
    """A damaged file between two good ones."""
    good_file(tmp_path / "a.parquet")
    (tmp_path / "b.parquet").write_bytes(ENDS_ITS_READER)
    good_file(tmp_path / "c.parquet")
    return tmp_path


def test_a_file_that_ends_its_reader_is_told_and_the_next_is_read(folder):
    reader = TraceReader(folder, [], {"plain": MAP})
    read = [
        reader.read(f"{name}.parquet", "plain", user="T", kind="constant current", **WHOLE)
        for name in "abc"
    ]
    assert [trace is None for trace, *_ in read] == [False, True, False]
    (finding,) = read[1][1]
    assert (finding.severity, finding.file) == ("leaves out", "b.parquet")
    assert finding.message.startswith("the file is a damaged Parquet file")
    assert "Copy it again from the logger, or export it as text." in finding.message


def test_a_batch_goes_on_after_such_a_file(folder):
    tests = [
        {"test": name, "cell": "C", "method": "constant_current", "trace": f"{name}.parquet",
         "row": k}
        for k, name in enumerate("abc")
    ]  # fmt: skip
    cell = {"cell": "C", "upper_voltage_V": 0.5}
    *_, findings = reduce_tests(
        tests,
        [cell],
        [],
        column_maps={"plain": MAP},
        instrument=None,
        settings={"window": (0.8, 0.4), "skip_cycles": 0},
        trace_folder=folder,
    )
    told = {finding.id: finding.message for finding in findings}
    assert told["b"].startswith("'b.parquet': the file is a damaged Parquet file")
    assert not any("damaged" in told.get(name, "") for name in "ac")


@pytest.mark.parametrize("keep", [4, 11, 200])
def test_a_file_that_was_cut_off_starts_no_helper(folder, monkeypatch, keep):
    path = folder / "a.parquet"
    path.write_bytes(path.read_bytes()[:keep])
    monkeypatch.setattr(parquet, "_start", None)
    trace, (finding,) = read_trace(path, MAP)
    assert trace is None
    assert "damaged Parquet file (its end is not there). Copy it again" in finding.message


def test_the_quick_look_tells_of_such_a_file(folder):
    column_map, notes = suggest_column_map(folder / "b.parquet")
    assert column_map is None or read_trace(folder / "b.parquet", MAP)[0] is None
    assert notes


def helper_that(monkeypatch, body: str) -> None:
    """Put another program in the place of the helper."""
    monkeypatch.setattr(parquet, "_HELPER", body)


def test_a_crash_of_any_kind_is_told(folder, monkeypatch):
    reader, data = ParquetReader(), (folder / "a.parquet").read_bytes()
    half = "import sys; sys.stdin.buffer.read(99); print(end='\\x09' + '\\0' * 7 + 'half')"
    for body in ("import os; os.abort()", "raise SystemExit(0)", half):
        helper_that(monkeypatch, body)
        with pytest.raises(TraceFileError) as caught:
            reader.read(data, ["time_s"], text_columns=[])
        assert str(caught.value) == CRASHED
    monkeypatch.undo()
    raw = reader.read(data, ["time_s"], text_columns=[])
    np.testing.assert_array_equal(raw.values["time_s"], TIMES)


def test_a_file_that_never_ends_is_given_up(folder, monkeypatch):
    helper_that(monkeypatch, "import sys, time; sys.stdin.buffer.read(99); time.sleep(600)")
    reader = ParquetReader(longest_s=0.5)
    with pytest.raises(TraceFileError, match="could not be read within 0 s"):
        reader.read((folder / "a.parquet").read_bytes(), ["time_s"], text_columns=[])


def test_numbers_times_and_words_come_through(tmp_path):
    path = good_file(
        tmp_path / "a.parquet",
        whole=[1, 2, None, 4, 5],
        yes=[True, False, None, True, True],
        word=["a", None, "b", "\u2028", "x"],
        day=pl.Series(TIMES).cast(pl.Int64).cast(pl.Date),
        parts=[[1], [2], [], [3], [4]],
    )
    wanted = ["whole", 5, "word", "day", "absent", 99]
    raw = ParquetReader().read(path.read_bytes(), wanted, text_columns=["word"])
    assert list(raw.values) == ["whole", 5, "word", "day"]
    assert raw.names == ["time_s", "voltage_V", "current_A", "whole", "yes", "word", "day", "parts"]
    np.testing.assert_array_equal(raw.values["whole"], [1, 2, np.nan, 4, 5])
    np.testing.assert_array_equal(raw.values[5], [1, 0, np.nan, 1, 1])
    assert raw.values["word"] == ["a", "", "b", "", "x"]
    assert raw.values["day"][1] == "1970-01-02"
    assert raw.values["whole"].flags.writeable
    names, cells = ParquetReader().read_head(path.read_bytes(), 2)
    assert names == raw.names
    assert [column[:2] for column in cells[:2]] == [["0.0", "1.0"], ["0.5", "0.4"]]


def test_too_many_rows_are_refused(tmp_path):
    n = parquet.MOST_ROWS + 1
    frame = pl.select(time_s=pl.repeat(0.0, n), voltage_V=pl.repeat(0.0, n), current_A=0.0)
    frame.write_parquet(tmp_path / "a.parquet")
    trace, (finding,) = read_trace(tmp_path / "a.parquet", MAP)
    assert trace is None
    assert "holds 10000001 rows, more than 10 million" in finding.message


def test_no_helper_is_started_for_text_and_none_outlives_its_reader(tmp_path):
    (tmp_path / "a.csv").write_text("time_s,voltage_V,current_A\n0,0.5,-1\n1,0.4,-1\n2,0.3,-1\n")
    reader = TraceReader(tmp_path, [], {"plain": MAP})
    assert reader.read("a.csv", "plain", user="T", kind="x", **WHOLE)[0] is not None
    assert reader._parquet._helper is None
    good_file(tmp_path / "a.parquet")
    reader.read("a.parquet", "plain", user="T", kind="x", **WHOLE)
    helper = reader._parquet._helper
    assert helper.poll() is None
    del reader
    assert helper.poll() is not None


def test_the_helper_ends_with_a_parent_that_is_killed(tmp_path):
    library = Path(parquet.__file__).parents[2]
    program = (
        f"import sys, os; sys.path.insert(0, {str(library)!r})\n"
        "from charscreen.traces.parquet import _start\n"
        "print(_start().pid, flush=True); os.kill(os.getpid(), 9)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    proc = Path("/proc") / done.stdout.strip()
    if not Path("/proc/self").exists():
        pytest.skip("no list of processes here")
    deadline = time.monotonic() + 30
    while proc.exists() and "State:\tZ" not in proc.joinpath("status").read_text():
        assert time.monotonic() < deadline, "the helper is still there"
        time.sleep(0.05)


def test_the_helper_takes_no_module_from_the_working_folder(tmp_path, monkeypatch):
    good_file(tmp_path / "a.parquet")
    (tmp_path / "json.py").write_text("open('was_here', 'w')\n")
    (tmp_path / "polars.py").write_text("open('was_here', 'w')\n")
    monkeypatch.chdir(tmp_path)
    assert read_trace("a.parquet", MAP)[0] is not None
    assert not (tmp_path / "was_here").exists()
