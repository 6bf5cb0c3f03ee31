"""How the work is cut: stable batches, and the code each rule hangs on."""

from pathlib import Path

from charscreen.graph import batch_name, code_of, count_batches, cut_batches, load_of, traces_of


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
