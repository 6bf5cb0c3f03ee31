import numpy as np
import pandas as pd
import pytest
from charscreen.capacitance.cells import CELL_COLUMNS, summarise_cells
from charscreen.findings import LEAVES_OUT, QUESTIONS
from charscreen.uncertainty import shortest_interval

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


def summarise(results=None, cells=None, balance=BALANCE, limits=LIMITS, design=DESIGN, **options):
    """The rows as a table, NaN where empty, and the findings."""
    rows, findings = summarise_cells(
        results if results is not None else [a_result()],
        cells or [a_cell()],
        design,
        electrode_balance=balance,
        limits=limits,
        method_order=ORDER,
        **options,
    )
    assert all(tuple(row) == CELL_COLUMNS for row in rows)
    frame = pd.DataFrame(rows, columns=list(CELL_COLUMNS))
    return frame.where(frame.notna(), np.nan), findings


def test_figures_of_the_textbook_cell():
    # Two electrodes of 5 mg carbon: electrode 200, cell 50 F/g, 6.669 Wh/kg, 6250 W/kg (derived).
    frame, findings = summarise()
    assert findings == []
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


def test_value_of_a_finding_is_what_was_typed():
    """Not the carbon it comes to; and whole, however many digits it has."""
    heavy = a_cell(electrode_1_mg=2.0001234567, electrode_2_mg=6.25)
    assert [f.value for f in summarise(cells=[heavy])[1]] == ["2.0001234567"]
    gross = a_cell(electrode_1_mg=None, electrode_1_gross_mg=52.0, electrode_1_collector_mg=50.0)
    found = summarise(cells=[gross])[1]
    assert [(f.column, f.value) for f in found] == [("electrode_1_gross_mg", "52")]
    lost = a_cell(electrode_1_mg=None, electrode_1_gross_mg=50.0, electrode_1_collector_mg=50.0)
    (finding,) = summarise(cells=[lost])[1]
    assert (finding.column, finding.value) == ("electrode_1_gross_mg", "50")
    (finding,) = summarise(cells=[a_cell(binder_percent=100.5)])[1]
    assert (finding.column, finding.value) == ("binder_percent", "100.5")


def test_coarse_balance_is_questioned():
    coarse = {"readability_g": 1e-3, "repeatability_g": 1e-3, "calibration_percent": 0.0}
    findings = summarise(balance=coarse)[1]
    assert [f.column for f in findings] == ["electrode_1_mg", "electrode_2_mg"]
    assert [f.value for f in findings] == ["6.25", "6.25"]
    assert "is only known to 23.6 %, over 10 %" in findings[0].message


def test_method_that_is_not_listed():
    frame, findings = summarise([a_result(method="held_voltage")])
    assert frame.empty
    assert "method listed in method_order" in findings[0].message


def test_types_a_and_b_stand_apart():
    result = a_result(capacitance_F_se_a=0.003, capacitance_F_se_b=0.004, capacitance_F_se=0.005)
    row = summarise([result])[0].iloc[0]
    assert (row["capacitance_F_se_a"], row["capacitance_F_se_b"]) == (0.003, 0.004)
    assert row["electrode_F_per_g_se_a"] == pytest.approx(200.0 * 0.003 / 0.5)
    whole = np.hypot(row["electrode_F_per_g_se_a"], row["electrode_F_per_g_se_b"])
    assert row["electrode_F_per_g_se"] == pytest.approx(whole)
    assert row["uncertainty_by"] == "propagation"
    reach = 1.959964 * row["electrode_F_per_g_se"]
    assert row["electrode_F_per_g_lo"] == pytest.approx(200.0 - reach)
    # Two tests: their own scatter shrinks by √2, the instrument's part does not.
    pair = summarise([result, result | {"test": "T2"}])[0].iloc[0]
    assert pair["capacitance_F_se_a"] == pytest.approx(0.003 / np.sqrt(2.0))
    assert pair["capacitance_F_se_b"] == pytest.approx(0.004)


def test_light_electrodes_are_carried_through_by_draws():
    # 1 mg readings of 0.1 mg: 15 % of the mass, where the first order falls short.
    cell = a_cell(electrode_1_mg=1.0, electrode_2_mg=1.0, area_cm2=None)
    row = summarise([a_result(capacitance_F=0.08)], [cell])[0].iloc[0]
    assert row["uncertainty_by"] == "Monte Carlo"
    share = np.sqrt(2 * (0.1**2 / 12 + 0.1**2))
    first_order = row["electrode_F_per_g"] * np.sqrt(0.5 * share**2 + (0.002 / 0.08) ** 2 + 1e-6)
    assert row["electrode_F_per_g_se"] > 1.03 * first_order
    # 1/m is skew: the shortest 95 % interval reaches further up than down, unlike ± 1.96 se.
    n = 400_000
    rng = np.random.default_rng(11)
    gain = 1 + 0.001 * rng.standard_normal(n)
    m1, m2 = (0.8e-3 * gain * (1 + share * rng.standard_normal(n)) for _ in (1, 2))
    draws = (0.08 + 0.002 * rng.standard_normal(n)) * (1 / m1 + 1 / m2)
    keep = (m1 > 0.8e-4) & (m2 > 0.8e-4)
    lo, hi = shortest_interval(draws[keep], coverage=0.95)
    # Tolerances: scatter of such an interval over 100,000 draws.
    assert row["electrode_F_per_g_lo"] == pytest.approx(lo, rel=0.01)
    assert row["electrode_F_per_g_hi"] == pytest.approx(hi, rel=0.01)
    assert hi - row["electrode_F_per_g"] > 1.2 * (row["electrode_F_per_g"] - lo)
    # The same cell gives the same figures whatever stands beside it.
    beside = summarise(
        [a_result(cell="C0"), a_result(capacitance_F=0.08)], [a_cell(cell="C0"), cell]
    )[0].iloc[1]
    assert beside["electrode_F_per_g_se"] == row["electrode_F_per_g_se"]


def test_area_is_uncertain_too():
    row = summarise(area_u_percent=3.0)[0].iloc[0]
    assert row["areal_F_per_cm2_se"] == pytest.approx(0.25 * np.hypot(0.004, 0.03))
    assert row["esr_area_ohm_cm2_se"] == pytest.approx(8.0 * np.hypot(0.025, 0.03))


def several_currents(cell, exponent, at_5_mA=0.5):
    return [
        a_result(test=f"{cell}-{mA}", cell=cell, current_mA=float(mA),
                 capacitance_F=at_5_mA * (mA / 5.0) ** -exponent, capacitance_F_se_a=0.001,
                 capacitance_F_se_b=0.002)
        for mA in (2, 5, 20)
    ]  # fmt: skip


def test_cells_are_brought_to_one_current():
    # 10 mg of carbon: 1 A/g is 10 mA.
    names = ("C1", "C2", "C3")
    results = [row for name, b in zip(names, (0.08, 0.10, 0.12), strict=True)
               for row in several_currents(name, b)]  # fmt: skip
    results.append(
        a_result(test="T9", cell="C4", current_mA=2.0, capacitance_F=0.6,
                 capacitance_F_se_a=0.004, capacitance_F_se_b=0.002)
    )  # fmt: skip
    cells = [a_cell(cell=name) for name in (*names, "C4")]
    frame, findings = summarise(results, cells, reference_current_A_per_g=1.0)
    assert findings == []
    assert list(frame["capacitance_at"]) == ["reference"] * 3 + ["reference, slope of other cells"]
    np.testing.assert_allclose(
        frame["capacitance_F"].iloc[:3], 0.5 * 2.0 ** -np.array([0.08, 0.10, 0.12])
    )
    np.testing.assert_allclose(frame["rate_exponent"].iloc[:3], [0.08, 0.10, 0.12])
    lent = frame.iloc[3]
    assert lent["capacitance_F"] == pytest.approx(0.6 * 5.0**-0.10)
    slope_part = np.log(5.0) * 0.02 * np.sqrt(1 + 1 / 3) * lent["capacitance_F"]
    # What was uncertain of the test's own figure is so in the same proportion.
    own = np.array([0.004, 0.002]) * 5.0**-0.10
    assert lent["capacitance_F_se_a"] == pytest.approx(own[0])
    assert lent["capacitance_F_se_b"] == pytest.approx(np.hypot(own[1], slope_part))
    assert lent["capacitance_F_se"] == pytest.approx(np.hypot(own[0], lent["capacitance_F_se_b"]))
    assert (frame["current_A_per_g"] == 1.0).all()
    np.testing.assert_allclose(
        frame["electrode_F_per_g"], frame["capacitance_F"] * (2.0 / 5e-3), rtol=1e-9
    )


def test_reference_beyond_the_currents_and_out_of_reach():
    results = [*several_currents("C1", 0.1), a_result(test="T9", cell="C2", current_mA=2.0)]
    cells = [a_cell(), a_cell(cell="C2", row=3)]
    frame, findings = summarise(results, cells, reference_current_A_per_g=4.0)
    assert list(frame["capacitance_at"]) == ["reference, extrapolated", "tests' currents"]
    assert frame["current_A_per_g"].iloc[1] == pytest.approx(0.2)
    (finding,) = findings
    assert (finding.severity, finding.row) == (QUESTIONS, 3)
    assert "cannot be brought to reference_current_A_per_g (4 A/g)" in finding.message
    assert "second current" in finding.message
    # Without a reference nothing is moved, but the slope is still told.
    row = summarise(results, cells)[0].iloc[0]
    assert row["capacitance_F"] == pytest.approx(np.mean([r["capacitance_F"] for r in results[:3]]))
    assert row["rate_exponent"] == pytest.approx(0.1)
    near, none = summarise([a_result()], [a_cell()], reference_current_A_per_g=0.52)
    assert (near["capacitance_at"].iloc[0], none) == ("reference", [])


def test_measured_voltages_make_energy_and_power():
    # Charge turned into discharge: the drop is 2·I·R, which the upper voltage alone cannot tell.
    result = a_result(voltage_start_V=1.0, voltage_after_drop_V=0.96)
    row = summarise([result])[0].iloc[0]
    assert row["energy_Wh_per_kg"] == pytest.approx(0.5 * 0.5 * 0.96**2 / 0.036)
    # Mean power: half the voltage after the drop times the current.
    assert row["power_mean_W_per_kg"] == pytest.approx(0.48 * 5e-3 / 1e-5)
    assert row["power_max_W_per_kg"] == pytest.approx(6250.0)


def test_leakage_comes_from_the_hold_first():
    results = [
        a_result(),
        a_result(test="T2", method="open_circuit", capacitance_F=None, leakage_current_mA=0.02,
                 leakage_current_mA_se=0.001, leakage_resistance_ohm=4e4),
        a_result(test="T3", method="held_voltage", capacitance_F=None, leakage_current_mA=0.03,
                 leakage_resistance_ohm=3e4),
    ]  # fmt: skip
    row = summarise(results)[0].iloc[0]
    assert (row["leakage_method"], row["leakage_current_mA"]) == ("held_voltage", 0.03)
    assert row["n_tests"] == 1
    row = summarise(results[:2])[0].iloc[0]
    assert (row["leakage_method"], row["leakage_resistance_ohm"]) == ("open_circuit", 4e4)


FACTORS = {"lot_mates_factor": 1.6, "like_cells_factor": 3}
LOTS = [
    {"run": f"R{n}", "feedstock": "husk", "activation": "none", "firing": f"F{n}"}
    for n in range(1, 5)
]


def asked_of_cells(*cells, design=LOTS, **options):
    """Findings on cells given as (run, farads); a cell of 0.5 F has 200 F/g."""
    rows = [a_cell(cell=f"C{n}", row=n + 1, run=run) for n, (run, _) in enumerate(cells, 1)]
    results = [
        a_result(test=f"T{n}", cell=f"C{n}", capacitance_F=farads)
        for n, (_, farads) in enumerate(cells, 1)
    ]
    found = summarise(results, rows, limits=FACTORS, design=design, **options)[1]
    assert {(f.table, f.severity, f.column, f.value) for f in found} <= {
        ("cells", QUESTIONS, "electrode_1_mg", "6.25")
    }
    return [(f.id, f.message) for f in found]


def test_two_cells_of_a_lot_that_differ_are_named_once():
    ((cell, message),) = asked_of_cells(("R1", 0.5), ("R1", 0.5 / 15))
    assert cell == "C2"
    assert message == (
        "C1 and C2 of lot R1 differ by a factor of 15 (200 and 13.3 F/g). Check times, masses, "
        "farads and currents of both."
    )
    assert asked_of_cells(("R1", 0.5), ("R1", 0.5 / 1.59)) == []
    # Other lots of the kind say which of the two it is.
    ((cell, _),) = asked_of_cells(("R1", 0.5 / 15), ("R1", 0.5), ("R2", 0.55), ("R2", 0.45))
    assert cell == "C1"


def test_the_one_cell_apart_from_its_mates_is_asked_about():
    ((cell, message),) = asked_of_cells(("R1", 0.5), ("R1", 0.5 / 60), ("R1", 0.45))
    assert cell == "C2"
    assert "C2 gives 3.33 F/g, a factor of 54 below the 180 F/g" in message
    assert "in the middle of the 3 cells of lot R1" in message
    ((cell, message),) = asked_of_cells(*[("R1", 0.5)] * 4, ("R1", 1.0))
    assert cell == "C5"
    assert "a factor of 2 above" in message


def test_a_cell_alone_in_its_lot_is_set_beside_those_of_its_kind():
    ((cell, message),) = asked_of_cells(("R1", 0.5), ("R1", 0.55), ("R2", 0.15))
    assert cell == "C3"
    assert "in the middle of the 3 cells of husk, not activated" in message
    assert asked_of_cells(("R1", 0.5), ("R1", 0.55), ("R2", 0.2)) == []
    ((cell, message),) = asked_of_cells(("R1", 0.05), ("R2", 0.5))
    assert cell == "C1"
    assert "C1 and C2 of husk, not activated differ by a factor of 10" in message
    koh = [LOTS[0], LOTS[1] | {"activation": "KOH"}]
    assert asked_of_cells(("R1", 0.05), ("R2", 0.5), design=koh) == []


def test_lots_are_told_apart_as_they_were_made():
    """An aliquot is no mate of its untreated parent; runs of one pool are mates."""
    aliquot = [LOTS[0], LOTS[1] | {"run": "R1a", "parent": "R1", "activation": "KOH"}]
    assert asked_of_cells(("R1", 0.2), ("R1a", 0.5), design=aliquot) == []
    pool = [lot | {"pool": "P1"} for lot in LOTS[:2]]
    ((_, message),) = asked_of_cells(("R1", 0.25), ("R2", 0.5), design=pool)
    assert "C1 and C2 of lot P1" in message


def test_without_limits_nothing_is_asked():
    cells = [a_cell(), a_cell(cell="C2", row=3)]
    results = [a_result(), a_result(test="T2", cell="C2", capacitance_F=0.05)]
    assert summarise(results, cells, limits={})[1] == []


def test_methods_that_disagree_are_named_with_the_one_that_counts():
    typed = a_result(test="T2", method="direct", capacitance_F=0.31, capacitance_F_se=0.01)
    frame, findings = summarise([a_result(), typed])
    assert frame["capacitance_F"].tolist() == [0.5]
    (finding,) = findings
    assert (finding.table, finding.column, finding.value) == ("cells", "cell", "C1")
    assert finding.message == (
        "constant_current (T1) gives 0.5 F and direct (T2) 0.31 F: they differ by 47 %, more than "
        "their uncertainties allow. constant_current counts, as the first in method_order that "
        "this cell has. Check the typed farads, loads, currents and times, and exclude the wrong "
        "test (exclude_reason)."
    )


@pytest.mark.parametrize(("other", "se"), [(0.42, 0.001), (0.31, 0.07), (0.31, None)])
def test_methods_are_asked_about_beyond_a_fifth_and_three_uncertainties(other, se):
    typed = a_result(test="T2", method="direct", capacitance_F=other, capacitance_F_se=se)
    # Stated without uncertainty: that of the other test alone is known.
    assert len(summarise([a_result(), typed])[1]) == (1 if se is None else 0)
