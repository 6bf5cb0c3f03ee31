import polars as pl
from charscreen.capacitance.cycle_table import gather_cycles, write_cycles
from charscreen.capacitance.result_columns import CYCLE_TABLE_COLUMNS


def a_cycle(**values):
    return {"test": "T1", "cell": "C1", "method": "constant_current", "cycle": 1,
            "use": "steady", "capacitance_F": 0.5, "other": 1} | values  # fmt: skip


def test_written_and_joined(tmp_path):
    write_cycles([a_cycle(test="T2"), a_cycle(test="T2", cycle=2)], tmp_path / "a.parquet")
    write_cycles([a_cycle(cycle=2, esr_ohm=None), a_cycle()], tmp_path / "b.parquet")
    write_cycles([], tmp_path / "c.parquet")
    sources = [str(tmp_path / f"{name}.parquet") for name in "abc"]
    gather_cycles(sources, tmp_path / "deep" / "cycles.parquet")
    frame = pl.read_parquet(tmp_path / "deep" / "cycles.parquet")
    assert tuple(frame.columns) == CYCLE_TABLE_COLUMNS
    assert frame.select("test", "cycle").rows() == [("T1", 1), ("T1", 2), ("T2", 1), ("T2", 2)]
    assert frame["esr_ohm"].null_count() == 4
    assert frame["esr_ohm"].dtype == pl.Float64
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.parquet", "b.parquet", "c.parquet",
                                                          "deep"]  # fmt: skip


def test_a_drop_below_zero_is_not_shown(tmp_path):
    drops = [a_cycle(drop_V=-1e-3, esr_ohm=None), a_cycle(cycle=2, drop_V=2e-3, esr_ohm=1.0)]
    write_cycles(drops, tmp_path / "a.parquet")
    assert pl.read_parquet(tmp_path / "a.parquet")["drop_V"].to_list() == [None, 2e-3]
    assert drops[0]["drop_V"] == -1e-3


def test_same_cycles_same_bytes(tmp_path):
    for name in ("a", "b"):
        write_cycles([a_cycle()], tmp_path / name)
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_nothing_to_join(tmp_path):
    gather_cycles([], tmp_path / "cycles.parquet")
    assert pl.read_parquet(tmp_path / "cycles.parquet").is_empty()
