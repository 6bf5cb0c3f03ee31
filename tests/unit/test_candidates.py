"""Which candidates a screen has."""

import numpy as np
import pandas as pd
from charscreen.rank.candidates import COLUMNS, list_candidates


def design_rows():
    columns = [
        "run",
        "feedstock",
        "firing",
        "peak_temperature_C",
        "hold_min",
        "parent",
        "activation",
        "koh_ratio",
        "activation_firing",
        "activation_temperature_C",
        "activation_hold_min",
    ]
    rows = [
        ("R1", "rice_husk", "C1", 700.0, 60.0, None, "none", np.nan, None, np.nan, np.nan),
        ("R2", "rice_husk", "C2", 700.0, 60.0, None, None, np.nan, None, np.nan, np.nan),
        ("R1k", "rice_husk", "C1", 700.0, 60.0, "R1", "KOH", 3.0, "A1", 700.0, 60.0),
        ("R3", "walnut_shell", "C1", 700.0, 60.0, None, "KOH", 2.5, "A1", np.nan, np.nan),
        ("R4", "walnut_shell", "C2", 700.0, 60.0, None, "none", np.nan, None, np.nan, np.nan),
        ("R5", "pea_pod", "C3", 612.5, 30.0, None, "none", np.nan, None, np.nan, np.nan),
    ]
    return pd.DataFrame(rows, columns=columns)


FIRINGS = pd.DataFrame(
    {
        "firing": ["C1", "C2", "A1"],
        "kind": ["carbonise", "carbonise", "activate"],
        "peak_temperature_C": [706.0, 694.0, 690.0],
        "hold_min": [60.0, 60.0, 55.0],
    }
)


def measured(run_yields, run_activated, run_cells):
    yields = pd.DataFrame(
        [
            {
                "run": run,
                "yield_char_d_percent": 30.0 if run in run_yields else np.nan,
                "yield_activated_percent": 60.0 if run in run_activated else np.nan,
            }
            for run in [*run_yields, *run_activated]
        ],
        columns=["run", "yield_char_d_percent", "yield_activated_percent"],
    ).drop_duplicates("run")
    cells = pd.DataFrame(
        [{"cell": f"{r}-{k}", "run": r, "electrode_F_per_g": 100.0} for r, k in run_cells],
        columns=["cell", "run", "electrode_F_per_g"],
    )
    return yields, cells


def test_counts_and_names_by_planned_condition():
    yields, cells = measured(["R1", "R2", "R3", "R4"], ["R1k"], [("R1", 1), ("R1", 2), ("R1k", 1)])
    found = list_candidates(design_rows(), FIRINGS, yields, cells)
    assert list(found.columns) == COLUMNS
    assert found["candidate"].tolist() == [
        "rice_husk_700C_60min",
        "rice_husk_700C_60min_KOH3",
        "walnut_shell_700C_60min",
        "walnut_shell_700C_60min_KOH2.5",
    ]
    counts = found.set_index("candidate")[["n_firings", "n_lots", "n_yields", "n_cells"]]
    # Two firings, 706 and 694 °C, of one plan are one candidate.
    assert counts.loc["rice_husk_700C_60min"].tolist() == [2, 2, 2, 2]
    # The aliquot has the char yield of its parent and its own activation yield.
    assert counts.loc["rice_husk_700C_60min_KOH3"].tolist() == [1, 1, 1, 1]
    # Activated lot whose activation is not weighed yet: measured, but its last yield is not.
    assert counts.loc["walnut_shell_700C_60min_KOH2.5"].tolist() == [1, 1, 0, 0]


def test_nothing_measured_gives_no_candidates():
    yields, cells = measured([], [], [])
    found = list_candidates(design_rows(), None, yields, cells)
    assert found.empty
    assert list(found.columns) == COLUMNS


def test_cells_alone_make_a_candidate():
    yields, cells = measured([], [], [("R5", 1)])
    found = list_candidates(design_rows(), FIRINGS, yields, cells)
    assert found["candidate"].tolist() == ["pea_pod_612.5C_30min"]
    assert found["n_yields"].tolist() == [0]


def test_open_activation_condition_is_taken_from_the_firing_done():
    yields, cells = measured(["R3"], [], [])
    found = list_candidates(design_rows(), FIRINGS, yields, cells)
    assert found["activation_temperature_C"].tolist() == [690.0]
    assert found["activation_hold_min"].tolist() == [55.0]
    assert np.isnan(list_candidates(design_rows(), None, yields, cells)["activation_hold_min"][0])


def test_same_name_at_two_activation_temperatures_is_told_apart():
    design = design_rows()
    extra = design[design["run"] == "R1k"].assign(run="R1m", activation_temperature_C=800.0)
    design = pd.concat([design, extra], ignore_index=True)
    yields, cells = measured([], ["R1k", "R1m"], [])
    names = list_candidates(design, FIRINGS, yields, cells)["candidate"].tolist()
    assert names == ["rice_husk_700C_60min_KOH3_700C_60min", "rice_husk_700C_60min_KOH3_800C_60min"]


def test_design_without_optional_columns():
    design = design_rows()[["run", "feedstock", "firing", "peak_temperature_C", "hold_min"]]
    yields, cells = measured(["R1"], [], [])
    found = list_candidates(design, FIRINGS, yields, cells)
    assert found["activation"].tolist() == ["none"]


def test_empty_design():
    yields, cells = measured([], [], [])
    assert list_candidates(pd.DataFrame(), None, yields, cells).empty


def test_a_firing_that_missed_its_plan_is_told():
    """Only where every firing of a candidate ended far from its plan is it off plan."""
    missed = FIRINGS.assign(peak_temperature_C=[706.0, 761.0, 690.0])
    yields, cells = measured(["R1", "R2", "R4"], [], [])
    table = list_candidates(design_rows(), missed, yields, cells).set_index("candidate")
    assert bool(table.loc["walnut_shell_700C_60min", "off_plan"])  # C2 alone
    assert not table.loc["rice_husk_700C_60min", "off_plan"]  # C1 kept to its plan
    assert not list_candidates(design_rows(), FIRINGS, yields, cells)["off_plan"].any()
