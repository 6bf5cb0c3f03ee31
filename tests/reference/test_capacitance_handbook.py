"""Check values derived from the formulas of the trade, recomputed through the public calls.

Marks: "derived" means the figure follows from the formula named; formulas are those of
IEC 62391-1 (constant current) and of elementary circuits.
"""

import numpy as np
import pytest
from cell_models import decay_rc, sweep_rc
from charscreen.capacitance import (
    analyse_constant_current,
    analyse_open_circuit,
    analyse_through_resistor,
    analyse_voltammetry,
    class_current_mA,
    efficient_currents_A,
    electrode_capacitance,
    energy_Wh_per_kg,
    power_max_W_per_kg,
    power_mean_W_per_kg,
)
from scipy.integrate import solve_ivp

EXACT = 1e-9  # the closed form is a straight line: only rounding is left


def falling_line(before):
    """5 mA; rest or charge at 1.00 V, at once 0.98 V, then 98 s to 0 V; one sample a second."""
    t = np.concatenate([[0.0], np.linspace(0.0, 98.0, 99)])
    v = np.concatenate([[1.0], np.linspace(0.98, 0.0, 99)])
    i = np.concatenate([[before], np.full(99, -5e-3)])
    return t, v, i


def test_discharge_from_rest():
    # Derived: C = I·Δt/ΔV, ESR = ΔV/I, E = ½·C·V²/(3.6·m), P = 3600·E/Δt, P_max = V²/(4·R·m).
    row = analyse_constant_current(*falling_line(0.0), upper_voltage_V=1.0).iloc[0]
    for name in ("capacitance_F", "capacitance_charge_F", "capacitance_energy_F"):
        assert row[name] == pytest.approx(0.500, rel=EXACT)
    assert row["esr_ohm"] == pytest.approx(4.0, rel=EXACT)
    assert row["drop_first_sample_V"] == pytest.approx(0.02, rel=EXACT)
    half = 5e-3  # 10 mg of carbon on two equal electrodes [g]
    assert electrode_capacitance(
        row["capacitance_F"], mass_1_g=half, mass_2_g=half
    ) == pytest.approx(200.0, rel=EXACT)
    assert row["capacitance_F"] / 0.010 == pytest.approx(50.0, rel=EXACT)
    energy = energy_Wh_per_kg(
        row["capacitance_F"], voltage_V=row["voltage_after_drop_V"], carbon_g=0.010
    )
    assert energy == pytest.approx(6.669, abs=5e-4)  # as rounded
    assert row["energy_J"] / 3.6 / 0.010 == pytest.approx(energy, rel=EXACT)
    assert power_mean_W_per_kg(energy, discharge_s=row["discharge_s"]) == pytest.approx(
        245.0, abs=0.5
    )
    assert power_max_W_per_kg(
        row["voltage_start_V"], esr_ohm=row["esr_ohm"], carbon_g=0.010
    ) == pytest.approx(6250.0, rel=EXACT)
    assert row["power_max_W"] / 1e-5 == pytest.approx(6250.0, rel=EXACT)
    assert row["power_mean_W"] / 1e-5 == pytest.approx(245.0, rel=EXACT)


def test_same_drop_where_charge_turns_into_discharge():
    # Derived: the current steps by 2·I, so the same drop is half the resistance.
    t, v, i = falling_line(5e-3)
    t = np.concatenate([[-2.0, -1.0], t])
    v = np.concatenate([[0.98, 0.99], v])
    i = np.concatenate([[5e-3, 5e-3], i])
    row = analyse_constant_current(t, v, i, upper_voltage_V=1.0).iloc[0]
    assert row["esr_ohm"] == pytest.approx(2.0, rel=EXACT)
    assert row["current_step_mA"] == pytest.approx(10.0, rel=EXACT)


@pytest.mark.parametrize(
    ("window", "charge_F", "energy_F"),
    [
        # Derived from q = V + V²/4 (C₀ = 1 F, a = 0.5 /V): charge C₀·(1 + a·(U₁ + U₂)/2),
        # energy C₀·(1 + (2a/3)·(U₁³ - U₂³)/(U₁² - U₂²)).
        ((1.0, 0.0), 1.25, 4.0 / 3.0),
        ((0.8, 0.4), 1.30, 1.0 + (0.512 - 0.064) / (0.64 - 0.16) / 3.0),
    ],
)
def test_capacitor_that_is_not_linear(window, charge_F, energy_F):
    current, v = 0.01, np.linspace(1.0, 0.0, 2001)
    t = (1.25 - (v + v**2 / 4.0)) / current
    i = np.full(len(v), -current)
    row = analyse_constant_current(t, v, i, upper_voltage_V=1.0, window=window).iloc[0]
    # Trapezoids and linear interpolation over 2,000 steps leave less than 1e-6.
    assert row["capacitance_F"] == pytest.approx(charge_F, rel=1e-6)
    assert row["capacitance_charge_F"] == pytest.approx(charge_F, rel=1e-6)
    assert row["capacitance_energy_F"] == pytest.approx(energy_F, rel=1e-6)


def test_half_time_through_a_resistor():
    # Derived: t½ = ln 2·R·C = 346.57 s for 0.5 F and 1 kΩ.
    t, v = decay_rc(capacitance_F=0.5, load_ohm=1000.0, times_s=np.arange(0.0, 1200.0, 10.0))
    row = analyse_through_resistor(t, v, load_ohm=1000.0).iloc[0]
    assert row["tau_s"] * np.log(2.0) == pytest.approx(346.57, abs=0.005)
    assert row["capacitance_F"] == pytest.approx(0.5, rel=EXACT)


@pytest.mark.parametrize(("meter_ohm", "left"), [(1e6, 0.178), (1e7, 0.841)])
def test_meter_alone_empties_a_small_cell(meter_ohm, left):
    # Derived: 0.05 F with a meter alone keeps exp(-24 h/(R·C)) of its voltage.
    t = np.arange(0.0, 24.1, 2.0) * 3600.0
    t, v = decay_rc(capacitance_F=0.05, load_ohm=meter_ohm, times_s=t)
    row = analyse_through_resistor(t, v, load_ohm=1e15, meter_ohm=meter_ohm).iloc[0]
    assert np.exp(-24 * 3600.0 / row["tau_s"]) == pytest.approx(left, abs=5e-4)
    assert row["capacitance_F"] == pytest.approx(0.05, rel=1e-6)


def test_first_step_gives_series_resistance():
    # Derived: the voltage falls at once by V₀·R_s/(R + R_s), and τ = (R + R_s)·C.
    t, v = decay_rc(
        capacitance_F=0.4,
        load_ohm=50.0,
        series_ohm=2.5,
        times_s=np.arange(0.0, 40.0, 0.1),
        before_s=np.arange(-5.0, 0.01, 0.5),
    )
    row = analyse_through_resistor(t, v, load_ohm=50.0).iloc[0]
    assert row["esr_ohm"] == pytest.approx(2.5, rel=1e-6)
    assert row["capacitance_F"] == pytest.approx(0.4, rel=1e-6)
    assert row["drop_first_sample_V"] == pytest.approx(2.5 / 52.5, rel=1e-6)


@pytest.mark.parametrize("alpha", [0.8, 0.9, 1.0])
def test_constant_phase_element(alpha):
    # Derived: V = V₀ - I·(R_s + t^α/Q): window times t(U) = (Q·((V₀ - U)/I - R_s))^(1/α).
    current, series, q = 5e-3, 2.0, 0.3
    t = np.linspace(0.0, 400.0, 40001)
    v = 1.0 - current * (series + t**alpha / q)
    keep = v > 0
    time = np.concatenate([[0.0], t[keep]])
    volt = np.concatenate([[1.0], v[keep]])
    amps = np.concatenate([[0.0], np.full(keep.sum(), -current)])
    row = analyse_constant_current(time, volt, amps, upper_voltage_V=1.0).iloc[0]
    t1, t2 = ((q * ((1.0 - u) / current - series)) ** (1.0 / alpha) for u in (0.8, 0.4))
    # Linear interpolation over 10 ms steps of a curve that bends over minutes.
    assert row["capacitance_F"] == pytest.approx(current * (t2 - t1) / 0.4, rel=1e-6)
    if alpha == 1.0:
        assert row["esr_ohm"] == pytest.approx(series, rel=1e-6)
        assert "not straight" not in row["quality"]
    if alpha == 0.8:
        assert "not straight" in row["quality"]


def test_pores_as_a_line_of_five_rungs():
    # Derived: far from the step a uniform ladder falls along a line that starts lower by
    # I·(R_s + R_p·(n + 1)(2n + 1)/(6n²)): each rung's resistor carries (j/n) of the current.
    n, series, pore, total, current = 5, 1.0, 3.0, 0.4, 8e-3
    r, c = pore / n, total / n

    def fall(_, v, drive):
        flow = np.empty(n)
        inner = np.concatenate([(v[:-1] - v[1:]) / r, [0.0]])
        flow[0] = drive - inner[0]
        flow[1:] = inner[:-1] - inner[1:]
        return flow / c

    t = np.arange(0.0, 45.0, 0.05)
    solved = solve_ivp(fall, (0.0, 45.0), np.ones(n), t_eval=t, args=(-current,), rtol=1e-9,
                       atol=1e-12)  # fmt: skip
    volt = solved.y[0] - current * (series + r)
    time, volt = np.concatenate([[0.0], t]), np.concatenate([[1.0], volt])
    amps = np.concatenate([[0.0], np.full(len(t), -current)])
    row = analyse_constant_current(time, volt, amps, upper_voltage_V=1.0).iloc[0]
    lag = pore * (n + 1) * (2 * n + 1) / (6 * n**2)
    # Fast modes have died away (slowest e^-20) before the window opens.
    assert row["capacitance_F"] == pytest.approx(total, rel=1e-4)
    assert row["esr_ohm"] == pytest.approx(series + lag, rel=1e-3)
    assert row["drop_first_sample_V"] == pytest.approx(current * (series + r), rel=1e-6)


@pytest.mark.parametrize(("middle_share", "farads"), [(1.0, 0.378), (0.8, 0.397)])
def test_loop_of_a_cell_with_resistance(middle_share, farads):
    # Derived: 5 Ω, 0.4 F at 20 mV/s over 1 V (RC = 2 s): the second scan is the steady one.
    row = analyse_voltammetry(
        *sweep_rc(n_scans=2, step_s=0.02), scan_rate_V_s=0.02, middle_share=middle_share
    ).iloc[1]
    assert row["capacitance_F"] == pytest.approx(farads, abs=5e-4)  # as rounded


def test_area_of_a_loop():
    # Derived: an ideal 0.5 F at 10 mV/s over 1 V encloses 2·C·ν·ΔV = 0.010 A·V.
    row = analyse_voltammetry(
        *sweep_rc(capacitance_F=0.5, series_ohm=1e-6, rate_V_s=0.01, n_scans=2),
        scan_rate_V_s=0.01,
        middle_share=1.0,
    ).iloc[1]
    # The corner samples cut off half a step of 0.5 mV in 1 V on either side.
    assert row["loop_area_W"] == pytest.approx(0.010, rel=1e-3)
    assert row["capacitance_F"] == pytest.approx(0.5, rel=1e-3)


@pytest.mark.parametrize(("meter_ohm", "left"), [(1e6, 0.178), (1e7, 0.841)])
def test_meter_alone_at_open_circuit(meter_ohm, left):
    # Derived: exp(-24 h/(R·C)) of an ideal 0.05 F beside its meter; τ = 13.9 h at 1 MΩ.
    t = np.arange(0.0, 24.01, 0.5) * 3600.0
    v = np.exp(-t / (meter_ohm * 0.05))
    row = analyse_open_circuit(t, v, capacitance_F=0.05).iloc[0]
    assert row["self_discharge_model"] == "leakage"
    assert row["voltage_end_V"] / row["voltage_start_V"] == pytest.approx(left, abs=5e-4)
    assert row["leakage_resistance_ohm"] == pytest.approx(meter_ohm, rel=1e-6)


def test_currents_of_the_standards():
    # IEC 62576, U = 3 V and R = 25 mΩ: 3.158 and 3.000 A (derived). IEC 62391-1, 25 F and 3 V:
    # 30, 300, 3000 mA for classes 2 to 4 (derived from a published table); class 1 is C in mA.
    charge, discharge = efficient_currents_A(voltage_V=3.0, esr_ohm=0.025)
    assert (charge, discharge) == pytest.approx((3.158, 3.000), abs=5e-4)
    found = [class_current_mA(25.0, voltage_V=3.0, number=k) for k in (1, 2, 3, 4)]
    assert found == pytest.approx([25.0, 30.0, 300.0, 3000.0])
    with pytest.raises(ValueError, match="class 5"):
        class_current_mA(25.0, voltage_V=3.0, number=5)


def test_efficient_currents_pass_95_percent():
    # Derived: of a discharge from U the share 1 - 2·R·I/U comes out; into U 1/(1 + 2·R·I/U).
    charge, discharge = efficient_currents_A(voltage_V=1.0, esr_ohm=2.0)
    assert 1.0 - 2.0 * 2.0 * discharge == pytest.approx(0.95)
    assert 1.0 / (1.0 + 2.0 * 2.0 * charge) == pytest.approx(0.95)


def test_current_that_does_not_stand_still():
    # Derived: charge-based C is ∫I dt/ΔV whatever the current does; here it falls by a fifth.
    t = np.linspace(0.0, 100.0, 2001)
    i = -5e-3 * (1.0 - 0.2 * t / 100.0)
    q = 5e-3 * (t - 0.1 * t**2 / 100.0)
    v = 1.0 - q / 0.4
    row = analyse_constant_current(t, v, i, upper_voltage_V=1.0, window=(0.9, 0.2)).iloc[0]
    assert row["capacitance_charge_F"] == pytest.approx(0.4, rel=1e-6)
    assert row["capacitance_energy_F"] == pytest.approx(0.4, rel=1e-6)
