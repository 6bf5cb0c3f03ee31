"""Sheets of small pictures: every test once, marks, words, any names, the same bytes."""

import xml.etree.ElementTree as ElementTree

import numpy as np
import polars as pl
import pytest
from cell_models import cycle_rc
from charscreen.capacitance.analyse import constant_current_rows
from charscreen.capacitance.thinned import thin, write_thinned
from charscreen.report import traces as appendix
from charscreen.report.traces import traces_section
from charscreen.trace_sheets import _ticks, draw_sheets
from charscreen.traces.parts import Trace

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def batch(tmp_path):
    """Rows, records and cycles of two tests of one cell and one of another firing's."""
    t, v, i = cycle_rc(n_cycles=3)
    cycles, _ = constant_current_rows(t, v, i, upper_voltage_V=1.0)
    record = thin(Trace(t, v, i), cycles, method="constant_current", window_V=(0.8, 0.4))
    write_thinned({"T1": record, "T2": record, "T3": record}, tmp_path / "thinned.parquet")
    table = pl.DataFrame(
        [
            {"test": test, "cycle": c["cycle"], "capacitance_F": c["capacitance_F"],
             "use": "first" if c["cycle"] == 1 else "steady"}
            for test in ("T1", "T2", "T3") for c in cycles
        ]
    )  # fmt: skip
    rows = [
        {"test": test, "cell": cell, "method": "constant_current", "current_mA": "5",
         "capacitance_F": "0.5", "capacitance_F_se": "0.012", "esr_ohm": "2", "esr_ohm_se": "",
         "quality": "not straight"}
        for test, cell in (("T2", "C1"), ("T1", "C1"), ("T3", "C2"), ("T4", "C2"))
    ]  # fmt: skip
    made_of = {"C1": ["F01", "Oat <husk> & more, KOH 3 : 1"], "C2": ["F02", "Peel"]}
    return rows, pl.read_parquet(tmp_path / "thinned.parquet"), table, made_of


def draw(batch, **options):
    rows, thinned, cycles, made_of = batch
    return draw_sheets(rows, thinned, cycles, made_of=made_of, **options)


def texts(svg, tag="text"):
    return ["".join(found.itertext()) for found in ElementTree.fromstring(svg).iter(SVG + tag)]


def test_a_sheet_per_firing_with_every_test_that_has_a_record(batch):
    sheets = draw(batch)
    assert list(sheets) == ["F01", "F02"]
    titles = texts(sheets["F01"], "title")
    assert [title.split(",")[0] for title in titles] == ["T1", "T2"]
    assert titles[0] == (
        "T1, cell C1, Oat <husk> & more, KOH 3 : 1: constant current, 5.00 mA; "
        "0.500 ± 0.012 F, 2.00 Ω; not straight"
    )
    # T4 has no record, as a test typed in has none.
    assert len(texts(sheets["F02"], "title")) == 1


def test_fitted_parts_and_cycles_are_marked(batch):
    page = ElementTree.fromstring(draw(batch)["F02"])
    thick = [path for path in page.iter(SVG + "path") if path.get("stroke-width") == "2.6"]
    assert thick[-1].get("d").count("M") == 3  # three discharges
    fills = [dot.get("fill") for dot in page.iter(SVG + "circle")][2:]  # two stand in the key
    assert fills == ["#fff", "#c2611c", "#c2611c"]


def test_panels_of_one_cell_stand_in_one_frame_and_typed_figures_below(batch):
    frames = {
        firing: [
            float(rect.get("width"))
            for rect in ElementTree.fromstring(svg).iter(SVG + "rect")
            if rect.get("fill") == "none"
        ]
        for firing, svg in draw(batch).items()
    }
    assert frames == {"F01": [2 * 240 - 3], "F02": [240 - 3]}
    typed = "Typed in, without a trace: C2 T4: 0.500 ± 0.012 F, 2.00 Ω."
    assert typed in texts(draw(batch)["F02"])
    assert typed not in texts(draw(batch)["F01"])
    only_typed = batch[0][3:], *batch[1:]
    assert draw(only_typed) == {}


def test_long_names_and_many_cycles_keep_within_their_panel(batch):
    rows, thinned, _, made_of = batch
    long = "T3" + 60 * "x"
    thinned = thinned.with_columns(test=pl.col("test").replace("T3", long))
    many = pl.DataFrame(
        {"test": long, "cycle": np.arange(1, 1201), "capacitance_F": 0.5, "use": "steady"}
    )
    rows = [{**row, "test": long if row["test"] == "T3" else row["test"]} for row in rows]
    sheet = draw_sheets(rows, thinned, many, made_of=made_of)["F02"]
    heads = [text for text in texts(sheet) if text.startswith("C2 T3")]
    assert [len(head) for head in heads] == [2 + 1 + 40]
    assert heads[0].endswith("…, constant current, 5.00 mA")
    assert "cycle 1 to 1200" in texts(sheet)
    assert texts(sheet, "title")[0].startswith(long)  # the whole name


def test_invented_data_are_marked_and_bytes_repeat(batch):
    assert "Firing F01 (invented data)" in texts(draw(batch, data_are_invented=True)["F01"])
    assert "Firing F01" in texts(draw(batch)["F01"])
    assert draw(batch) == draw(batch)


def test_loops_holds_and_few_readings(batch, tmp_path):
    rows, _, cycles, made_of = batch
    phase = np.linspace(0, 4, 401)
    v = np.abs(phase % 2 - 1)
    i = np.where(phase % 2 < 1, -1e-3, 1e-3)
    records = {
        "T1": thin(Trace(phase * 50, v, i), [], method="voltammetry", window_V=(0.8, 0.4)),
        "T2": thin(Trace(phase * 9e4, np.full(401, 0.9), 1e-5 + 1e-3 * np.exp(-phase)), [],
                   method="held_voltage", window_V=(0.8, 0.4)),
        "T3": thin(Trace(np.arange(4) * 20.0, 0.9 * np.exp(-np.arange(4) / 5.0)), [],
                   method="through_resistor", window_V=(0.8, 0.4)),
    }  # fmt: skip
    write_thinned(records, tmp_path / "b.parquet")
    for row, method in zip(rows, ("held_voltage", "voltammetry", "through_resistor"), strict=False):
        row |= {"method": method, "capacitance_F": "", "esr_ohm": "", "leakage_current_mA": "0.01"}
    sheets = draw_sheets(
        rows, pl.read_parquet(tmp_path / "b.parquet"), cycles.clear(), made_of=made_of
    )
    assert texts(sheets["F01"]).count("mA") == 2  # current of the loop and of the hold
    assert "h" in texts(sheets["F01"]) or "d" in texts(sheets["F01"])
    assert "0.0100 mA" in texts(sheets["F01"])
    dots = list(ElementTree.fromstring(sheets["F02"]).iter(SVG + "circle"))
    assert len(dots) == 2 + 4


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [(0, 0.9, [0, 0.5]), (0, 1, [0, 0.5, 1]), (0, 153, [0, 50, 100, 150]), (0.88, 0.94,
     [0.88, 0.90, 0.92, 0.94]), (-3, 4, [-2, 0, 2, 4]), (1, 1, [1])],
)  # fmt: skip
def test_ticks(low, high, ticks):
    assert _ticks(low, high) == pytest.approx(ticks)


def test_appendix_keeps_the_page_light(batch, monkeypatch):
    sheets = {firing: (f"figures/{firing}.svg", svg) for firing, svg in draw(batch).items()}
    section = traces_section(sheets)
    pictures = [block for block in section.blocks if block.kind == "picture"]
    assert [picture.name for picture in pictures] == ["traces-F01", "traces-F02"]
    assert "2 tests of firing F01" in pictures[0].svg
    monkeypatch.setattr(appendix, "MOST_BYTES", len(sheets["F01"][1]))
    section = traces_section(sheets)
    assert [block.name for block in section.blocks if block.kind == "picture"] == ["traces-F01"]
    (rest,) = [block for block in section.blocks if block.kind == "bullets"]
    assert rest.items == ["figures/F02.svg"]
    assert "No test has a trace" in traces_section({}).blocks[0].text


def test_a_page_full_of_pictures_leaves_its_sheets_in_their_files():
    sheets = {f"F{k}": (f"F{k}.svg", '<svg viewBox="0 0 1 1">' + " " * 9000) for k in range(4)}
    assert [b.file for b in traces_section(sheets, taken=0).blocks[1:]] == [
        f"F{k}.svg" for k in range(4)
    ]
    *_, last = traces_section(sheets, taken=3_980_000).blocks
    assert last.items == ["F2.svg", "F3.svg"]
    *_, last = traces_section(sheets, taken=5_000_000).blocks
    assert last.items == ["F0.svg", "F1.svg", "F2.svg", "F3.svg"]
