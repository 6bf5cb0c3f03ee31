import numpy as np
import pandas as pd
import pytest
from charscreen.capacitance.cells import CELL_COLUMNS, summarise_cells
from charscreen.findings import LEAVES_OUT, QUESTIONS

BALANCE = {"readability_g": 1e-4, "repeatability_g": 1e-4, "calibration_percent": 0.1}
LIMITS = {"electrode_F_per_g": 400, "loading_mg_per_cm2": 1.0, "mass_u_percent": 10}
ORDER = ["constant_current", "through_resistor", "voltammetry", "direct"]
DESIGN = [
    {"row": 2, "run": "R1", "parent": None, "feedstock": "husk", "role": "screen", "firing": "F1",
     "activation": "none", "koh_ratio": None, "activation_firing": None,
     "peak_temperature_C": 700.0, "hold_min": 60.0},
    {"row": 3, "run": "R1a", "parent": "R1", "feedstock": "husk", "role": "screen",
     "firing": "F1", "activation": "KOH", "koh_ratio": 3.0, "activation_firing": "A1",
     "peak_temperature_C": 700.0, "hold_min": 60.0},
]  # fmt: skip


def a_cell(**values):
    return {
        "row": 2, "cell": "C1", "run": "R1", "electrode_1_mg": 6.25, "electrode_2_mg": 6.25,
        "binder_percent": 10.0, "additive_percent": 10.0, "area_cm2": 2.0,
        "upper_voltage_V": 1.0, "accepted": None,
    } | values  # fmt: skip


def a_result(**values):
    return {
        "test": "T1", "cell": "C1", "method": "constant_current", "current_mA": 5.0,
        "capacitance_F": 0.5, "capacitance_F_se": 0.002, "esr_ohm": 4.0, "esr_ohm_se": 0.1,
        "upper_voltage_V": 1.0,
    } | values  # fmt: skip


def summarise(results=None, cells=None, balance=BALANCE, limits=LIMITS, design=DESIGN):
    return summarise_cells(
        results if results is not None else [a_result()],
        cells or [a_cell()],
        design,
        electrode_balance=balance,
        limits=limits,
        method_order=ORDER,
    )


def test_figures_of_the_textbook_cell():
    # Two electrodes of 5 mg carbon: electrode 200, cell 50 F/g, 6.669 Wh/kg, 6250 W/kg (derived).
    frame, findings = summarise()
    assert findings == []
    assert tuple(frame.columns) == CELL_COLUMNS
    row = frame.iloc[0]
    assert row["carbon_1_mg"] == pytest.approx(5.0)
    assert row["electrode_F_per_g"] == pytest.approx(200.0)
    assert row["cell_F_per_g"] == pytest.approx(50.0)
    assert row["areal_F_per_cm2"] == pytest.approx(0.25)
    assert row["esr_area_ohm_cm2"] == pytest.approx(8.0)
    assert row["loading_mg_per_cm2"] == pytest.approx(2.5)
    assert row["energy_Wh_per_kg"] == pytest.approx(6.669, abs=5e-4)
    assert row["power_max_W_per_kg"] == pytest.approx(6250.0)
    assert (row["lot"], row["feedstock"], row["tests"], row["n_tests"]) == ("R1", "husk", "T1", 1)


def test_uncertainty_by_hand():
    row = summarise()[0].iloc[0]
    # Two readings of 0.1 mg readability and repeatability each; 80 % of the coating is carbon.
    reading = 0.8 * np.sqrt(2 * (0.1**2 / 12 + 0.1**2))
    assert row["carbon_1_mg_se"] == pytest.approx(np.hypot(reading, 0.001 * 5.0), rel=1e-9)
    share = reading / 5.0
    electrode = np.sqrt((0.002 / 0.5) ** 2 + 0.5 * share**2 + 0.001**2)
    assert row["electrode_F_per_g_se"] == pytest.approx(200.0 * electrode, rel=1e-9)
    assert row["cell_F_per_g_se"] == pytest.approx(50.0 * electrode, rel=1e-9)
    assert row["areal_F_per_cm2_se"] == pytest.approx(0.001)


def test_uncertainty_agrees_with_random_draws():
    row = summarise(cells=[a_cell(electrode_1_mg=4.0, electrode_2_mg=9.0)])[0].iloc[0]
    rng = np.random.default_rng(7)
    n = 200_000
    reading = np.sqrt(2 * (0.1**2 / 12 + 0.1**2))
    gain = 1 + 0.001 * rng.standard_normal(n)
    m1, m2 = (0.8 * gain * (m + reading * rng.standard_normal(n)) * 1e-3 for m in (4.0, 9.0))
    c = 0.5 + 0.002 * rng.standard_normal(n)
    # First order against the full law at 4 % mass error; Monte Carlo error 0.2 %.
    assert row["electrode_F_per_g_se"] == pytest.approx(np.std(c * (1 / m1 + 1 / m2)), rel=0.02)
    assert row["cell_F_per_g_se"] == pytest.approx(np.std(c / (m1 + m2)), rel=0.02)


def test_gross_weighing_equals_net():
    gross = a_cell(electrode_1_mg=None, electrode_1_gross_mg=56.25, electrode_1_collector_mg=50.0)
    pd.testing.assert_frame_equal(summarise(cells=[gross])[0], summarise()[0])


def test_lot_of_an_aliquot_is_its_parent():
    row = summarise(cells=[a_cell(run="R1a")])[0].iloc[0]
    assert (row["lot"], row["activation"], row["koh_ratio"]) == ("R1", "KOH", 3.0)
    assert row["activation_firing"] == "A1"


def test_cells_of_a_pool_are_cells_of_one_lot():
    """Char mixed before coating is one lot, whichever of its runs the cell names."""
    design = [row | {"pool": "P1"} for row in DESIGN]
    rows = [summarise(cells=[a_cell(run=run)], design=design)[0].iloc[0] for run in ("R1", "R1a")]
    assert [row["lot"] for row in rows] == ["P1", "P1"]
    assert [row["run"] for row in rows] == ["R1", "R1a"]


def test_several_tests_of_the_first_method():
    results = [
        a_result(),
        a_result(test="T2", capacitance_F=0.52, esr_ohm=None, esr_ohm_se=None),
        a_result(test="T3", method="direct", capacitance_F=0.9),
    ]
    row = summarise(results)[0].iloc[0]
    assert (row["capacitance_method"], row["n_tests"], row["tests"]) == (
        "constant_current", 2, "T1 T2",
    )  # fmt: skip
    assert row["capacitance_F"] == pytest.approx(0.51)
    scatter = np.std([0.5, 0.52], ddof=1) / np.sqrt(2)
    assert row["capacitance_F_se"] == pytest.approx(np.hypot(scatter, 0.002))
    assert row["esr_ohm"] == 4.0


def test_resistance_from_another_method_where_the_first_has_none():
    results = [
        a_result(method="through_resistor", esr_ohm=None, esr_ohm_se=None, current_mA=None),
        a_result(test="T2", method="direct", esr_ohm=1.5, esr_ohm_se=None),
    ]
    row = summarise(results)[0].iloc[0]
    assert row["capacitance_method"] == "through_resistor"
    assert row["esr_ohm"] == 1.5
    assert np.isnan(row["esr_ohm_se"])
    assert np.isnan(row["power_max_W_per_kg_se"])
    # No current is known, so the energy is that at the upper voltage: 0.5·0.5/(3.6·0.01).
    assert row["energy_Wh_per_kg"] == pytest.approx(0.25 / 0.036)


def test_table_of_results_as_frame_gives_the_same():
    frame = pd.DataFrame([a_result(esr_ohm=np.nan, esr_ohm_se=np.nan), a_result(test="T2")])
    rows = [a_result(esr_ohm=None, esr_ohm_se=None), a_result(test="T2")]
    pd.testing.assert_frame_equal(summarise(frame)[0], summarise(rows)[0])


def test_figure_that_does_not_apply_is_empty():
    cell = a_cell(area_cm2=None)
    row = summarise([a_result(esr_ohm=None, esr_ohm_se=None)], [cell])[0].iloc[0]
    for name in ("areal_F_per_cm2", "loading_mg_per_cm2", "esr_area_ohm_cm2", "esr_ohm",
                 "power_max_W_per_kg"):  # fmt: skip
        assert np.isnan(row[name])


@pytest.mark.parametrize("additive", [None, 0.0])
def test_no_additive_given_is_none_there(additive):
    # 6.25 mg of coating, 10 % of it binder: 5.625 mg of carbon (by hand).
    frame, findings = summarise(
        cells=[a_cell(electrode_1_mg=6.25, electrode_2_mg=6.25, additive_percent=additive)]
    )
    assert findings == []
    assert frame["carbon_1_mg"].tolist() == pytest.approx([5.625])


def test_cells_without_tests_are_no_rows():
    frame, findings = summarise(results=[])
    assert frame.empty
    assert tuple(frame.columns) == CELL_COLUMNS
    assert findings == []


@pytest.mark.parametrize(
    ("cell", "column", "says"),
    [
        (a_cell(run="R9"), "run", "not in the design"),
        (a_cell(electrode_2_mg=None), "electrode_2_mg", "no coating mass above zero"),
        (a_cell(binder_percent=60.0, additive_percent=40.0), "binder_percent", "leave no carbon"),
    ],
)
def test_impossible_cells_are_left_out(cell, column, says):
    frame, findings = summarise(cells=[cell])
    assert frame.empty
    (finding,) = findings
    assert (finding.severity, finding.table, finding.row) == (LEAVES_OUT, "cells", 2)
    assert finding.column == column
    assert says in finding.message


@pytest.mark.parametrize(
    ("cell", "column", "says"),
    [
        (a_cell(electrode_1_mg=2.0), "electrode_1_mg", "above 400"),
        (a_cell(area_cm2=8.0), "area_cm2", "under 1"),
    ],
)
def test_implausible_cells_are_questioned_until_accepted(cell, column, says):
    frame, findings = summarise(cells=[cell])
    assert len(frame) == 1
    (finding,) = findings
    assert (finding.severity, finding.column, finding.accepted) == (QUESTIONS, column, "")
    assert says in finding.message
    (accepted,) = summarise(cells=[cell | {"accepted": "weighed twice"}])[1]
    assert accepted.accepted == "weighed twice"


def test_coarse_balance_is_questioned():
    coarse = {"readability_g": 1e-3, "repeatability_g": 1e-3, "calibration_percent": 0.0}
    findings = summarise(balance=coarse)[1]
    assert [f.column for f in findings] == ["electrode_1_mg", "electrode_2_mg"]
    assert "is only known to 23.6 %, over 10 %" in findings[0].message


def test_method_that_is_not_listed():
    frame, findings = summarise([a_result(method="held_voltage")])
    assert frame.empty
    assert "method listed in method_order" in findings[0].message
