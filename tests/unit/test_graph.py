"""How the work is cut: stable batches, and the code each rule hangs on."""

from pathlib import Path

from charscreen.graph import (
    batch_name,
    code_of,
    count_batches,
    cut_batches,
    latest_snapshot,
    load_of,
    logs_of,
    made_of,
    maps_with,
    nitrogen_rich,
    plain_rows,
    planned_firings,
    rows_where,
    table_schema_files,
    traces_of,
)


def small_screen(n_firings, tests_per_firing):
    design = [{"run": f"R{i}", "firing": f"F{i:02d}"} for i in range(n_firings)]
    cells = [{"cell": f"C{i}", "run": f"R{i}"} for i in range(n_firings)]
    tests = [
        {"test": f"T{i}_{k}", "cell": f"C{i}", "trace": f"T{i}_{k}.csv"}
        for i in range(n_firings)
        for k in range(tests_per_firing)
    ]
    return tests, cells, design


def test_number_of_batches():
    loads = (0, 6e6, 7e6, 256e6, 257e6, 600e6, 10e9)
    assert [count_batches(load) for load in loads] == [1, 1, 2, 2, 4, 8, 128]


def test_load_counts_each_file_once_and_packed_ones_more(tmp_path):
    (tmp_path / "a.csv").write_bytes(bytes(1000))
    (tmp_path / "b.csv.gz").write_bytes(bytes(1000))
    names = ["a.csv", "a.csv", "b.csv.gz", "absent.csv", None]
    assert load_of([{"trace": name} for name in names], tmp_path) == 5 * 100e3 + 1000 + 4000


def test_every_test_stands_in_one_batch_and_a_firing_is_never_split():
    tests, cells, design = small_screen(12, 14)
    batches = cut_batches(tests, cells, design, load_bytes=150e6)
    assert sorted(t["test"] for part in batches.values() for t in part) == sorted(
        t["test"] for t in tests
    )
    homes = {}
    for name, part in batches.items():
        for test in part:
            homes.setdefault(test["cell"], set()).add(name)
    assert all(len(home) == 1 for home in homes.values())


def test_a_new_firing_moves_no_old_one():
    tests, cells, design = small_screen(12, 14)
    more_tests, more_cells, more_design = small_screen(13, 14)
    before = cut_batches(tests, cells, design, load_bytes=150e6)
    after = cut_batches(more_tests, more_cells, more_design, load_bytes=170e6)
    for name, part in before.items():
        assert [t for t in after[name] if t["cell"] != "C12"] == part


def test_batch_names_do_not_depend_on_the_process():
    # CRC-32 of "123456789" is cbf43926 (the check value every description of CRC-32 gives).
    assert batch_name("123456789", 1000) == f"{0xCBF43926 % 1000:03d}"


def test_no_tests_no_batches():
    assert cut_batches([], [], [], load_bytes=0) == {}
    assert traces_of([{"trace": None}, {"trace": "b.csv"}, {"trace": "b.csv"}]) == [
        "config/traces/b.csv"
    ]


def test_rows_are_cut_to_what_a_rule_needs():
    rows = [{"test": "T1", "cell": "C1", "row": 7}, {"test": "T2", "cell": "C2", "row": 3}]
    assert plain_rows(rows) == [{"test": "T1", "cell": "C1"}, {"test": "T2", "cell": "C2"}]
    assert rows_where(rows, "cell", {"C2", "C9"}) == [rows[1]]
    logs = [{"log": "b.csv", "log_map": "m"}, {"log": "a.csv", "log_map": "m"},
            {"log": "a.csv", "log_map": "m"}, {"log": "c.csv", "log_map": None},
            {"log": None, "log_map": None}]  # fmt: skip
    assert logs_of(logs) == ["config/traces/a.csv", "config/traces/b.csv"]


def test_cells_that_tests_name_are_told_in_words():
    design = [{"run": "R1", "feedstock": "husk", "firing": "F1", "activation": "KOH",
               "koh_ratio": 3.0}]  # fmt: skip
    cells = [{"cell": name, "run": "R1"} for name in ("C2", "C1", "C3")]
    tests = [{"cell": "C2"}, {"cell": "C1"}]
    found = made_of(tests, cells, design, {"husk": "Oat husk"})
    assert list(found) == ["C1", "C2"]
    firing, words = found["C1"]
    assert firing == "F1"
    assert words.startswith("Oat husk, KOH")


def test_what_the_design_plans_for_each_firing():
    lot = {"run": "R1", "firing": "F2", "peak_temperature_C": 700.0, "hold_min": None,
           "ramp_C_per_min": None, "parent": None, "activation_firing": None,
           "activation_temperature_C": None, "activation_hold_min": None}  # fmt: skip
    design = [
        lot,
        lot | {"run": "R2", "firing": "F1", "peak_temperature_C": 600.0, "hold_min": 30.0},
        # An aliquot names the firing of its parent; its own is the activation.
        lot | {"run": "R2a", "firing": "F9", "parent": "R2", "activation_firing": "A1",
               "activation_temperature_C": 800.0, "activation_hold_min": 60.0},
        lot | {"run": "R3", "hold_min": 45.0},
    ]  # fmt: skip
    assert [tuple(row.values()) for row in planned_firings(design)] == [
        ("A1", "activate", 800.0, 60.0, None),
        ("F1", "carbonise", 600.0, 30.0, None),
        ("F2", "carbonise", 700.0, 45.0, None),
    ]


def test_maps_schemas_and_nitrogen():
    maps = {"b": {"voltage": {"column": "V"}}, "a": {"voltage": {"column": 2}},
            "log": {"temperature": {"column": "T"}}}  # fmt: skip
    assert (maps_with(maps, "voltage"), maps_with(maps, "temperature")) == (["a", "b"], ["log"])
    files = [Path(name) for name in table_schema_files()]
    assert files[0].name == "common.yaml"
    assert all(file.is_file() for file in files)
    feeds = [{"name": name, "nitrogen_d_percent": value}
             for name, value in (("bean", 2.1), ("husk", 2.0), ("peel", None))]  # fmt: skip
    assert nitrogen_rich(feeds, 2.0) == ["bean"]


def test_the_newest_kept_ranking_goes_by_date_then_number(tmp_path):
    assert latest_snapshot(tmp_path / "history") == []
    names = ["ranking_2026-03-02.json", "ranking_2026-03-02_10.json", "ranking_2026-03-02_9.json",
             "ranking_2025-12-30_11.json", "ranking_copy.json"]  # fmt: skip
    for name in names:
        (tmp_path / name).write_text("{}")
    assert latest_snapshot(tmp_path) == [(tmp_path / names[1]).as_posix()]


def test_code_of_a_rule_follows_imports():
    names = {Path(file).name for file in code_of("compute_yields")}
    assert {"chain.py", "weighings.py", "uncertainty.py", "files.py", "job.py"} <= names
    assert "ranking.py" not in names


def test_no_rule_hangs_on_the_ledger_for_its_checks_alone():
    """The checks use the stoichiometry of the ledger; its chain concerns yields and plan only."""
    chain = [name for name in ("compute_yields", "make_plan", "gather_tests", "reduce_traces")
             if any(path.endswith("ledger/chain.py") for path in code_of(name))]  # fmt: skip
    assert chain == ["compute_yields"]
    assert any(path.endswith("firing_log/summary.py") for path in code_of("summarise_firings"))
