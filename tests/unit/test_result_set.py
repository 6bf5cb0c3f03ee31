"""Results read back by the names that the rules give them."""

import pandas as pd
import pytest
from charscreen.files import write_csv, write_json
from charscreen.graph import MODEL_NAMES, MODEL_TABLES, figure_files, model_files
from charscreen.result_set import (
    COMPARISON_TABLES,
    NEXT_TABLES,
    read_comparison,
    read_models,
    read_next,
)


def write_all(folder, names, record):
    """A table that holds its own name for each name, and a record; name to path."""
    paths = {}
    for name in names:
        paths[name] = str(folder / f"{name}.csv")
        write_csv(pd.DataFrame({"held": [name]}), paths[name])
    paths[record] = str(folder / f"{record}.json")
    write_json({"held": record}, paths[record])
    return paths


def test_models_are_read_by_the_names_of_their_files(tmp_path):
    paths = {}
    for model in MODEL_NAMES:
        paths |= write_all(tmp_path, [f"{model}_{name}" for name in MODEL_TABLES], f"{model}_model")
        assert set(model_files("results/fit", model)) >= {
            f"{model}_{name}" for name in (*MODEL_TABLES, "model")
        }
    models = read_models(paths)
    assert list(models) == list(MODEL_NAMES)
    for model, tables in models.items():
        assert tables.pop("json") == {"held": f"{model}_model"}
        assert {name: table["held"][0] for name, table in tables.items()} == {
            name: f"{model}_{name}" for name in MODEL_TABLES
        }


@pytest.mark.parametrize(
    ("read", "tables", "start", "record", "key"),
    [
        (read_comparison, COMPARISON_TABLES, "", "comparison", "json"),
        (read_next, NEXT_TABLES, "next_", "next_summary", "summary"),
    ],
)
def test_tables_and_record_come_back(tmp_path, read, tables, start, record, key):
    found = read(write_all(tmp_path, [start + name for name in tables], record))
    assert found.pop(key) == {"held": record}
    assert {name: table["held"][0] for name, table in found.items()} == {
        name: start + name for name in tables
    }


def test_every_merit_and_model_has_its_figure():
    files = figure_files("results/figures", ["electrode_F_per_g"])
    assert files["figure_ranking_electrode_F_per_g"] == (
        "results/figures/ranking_electrode_F_per_g.svg"
    )
    assert {f"figure_checks_{name}" for name in MODEL_NAMES} < set(files)
