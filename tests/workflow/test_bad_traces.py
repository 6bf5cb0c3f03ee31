"""A screen full of bad traces: the run ends well, each is told, the good ones count."""

import csv

import pytest
from cell_models import cycle_rc
from tiny_screen import write_screen


def lines(t, v, i):
    return "time_s,voltage_V,current_A\n" + "".join(
        f"{a:.9g},{b:.9g},{c:.9g}\n" for a, b, c in zip(t, v, i, strict=True)
    )


@pytest.fixture
def bad_screen(empty_screen):
    """The tiny screen with one good trace of three cycles and one trace of each bad kind."""
    t, v, i = cycle_rc(n_cycles=3, upper_V=0.9, current_A=2e-3)
    good = lines(t, v, i)
    traces = {
        "T01.csv": good.encode(),
        "binary.csv": bytes(range(256)) * 50,
        "empty.csv": b"",
        "columns.csv": good.replace("voltage_V", "volts").encode(),
        "turned.csv": lines(t, v, -i).encode(),
        "rise.csv": lines(t[:150], v[:150], i[:150]).encode(),
        "high.csv": lines(t, 0.5 + v / 2, i).encode(),
        "cut.csv": good[:-8].encode(),
        "ampere.csv": lines(t, v, i * 1e3).encode(),
    }
    head = "test,cell,method,trace,trace_map,start_s,end_s,capacitance_F,capacitance_F_se"
    tests = [
        head,
        "T01,C01,constant_current,T01.csv,plain,,,,",
        "T03,C03,direct,,,,,0.31,0.01",
        "part,C01,constant_current,T01.csv,plain,0,300,,",
        "huge,C02,constant_current,huge.csv,plain,,,,",
    ]
    tests += [
        f"{name.removesuffix('.csv')},C02,constant_current,{name},plain,,,,"
        for name in list(traces)[1:]
    ]
    folder = write_screen(empty_screen.folder, tests="\n".join(tests) + "\n", readings=None)
    for name, data in traces.items():
        (folder / "config" / "traces" / name).write_bytes(data)
    with (folder / "config" / "traces" / "huge.csv").open("wb") as stream:
        stream.truncate(2 * 1024**3)
    return empty_screen


def read(path):
    with path.open(newline="") as stream:
        return list(csv.DictReader(stream))


def test_bad_traces_leave_themselves_out_alone(bad_screen):
    bad_screen.must_run("collect")
    out = {
        row["id"]: row["reason"]
        for row in read(bad_screen.results / "collect" / "left_out.csv")
        if row["table"] == "tests"
    }
    assert sorted(out) == [
        "binary", "columns", "empty", "high", "huge", "part", "rise", "turned",
    ]  # fmt: skip
    assert all(len(reason) > 20 for reason in out.values())
    results = {row["test"]: row for row in read(bad_screen.results / "collect/test_results.csv")}
    assert sorted(results) == ["T01", "T03", "ampere", "cut"]
    assert float(results["T01"]["capacitance_F"]) == pytest.approx(0.5, rel=1e-4)
    assert float(results["cut"]["capacitance_F"]) == pytest.approx(0.5, rel=1e-4)
    asked = {
        int(row["row"]): row["message"]
        for row in read(bad_screen.results / "collect" / "findings.csv")
        if row["table"] == "tests" and row["severity"] == "questions"
    }
    assert any("A per gram of carbon" in message for message in asked.values())
