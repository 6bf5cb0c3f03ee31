import numpy as np
import pytest
from charscreen.capacitance import analyse_held_voltage, analyse_open_circuit
from scipy.stats import binom

HOUR = 3600.0
TIME = np.arange(0.0, 24.0 * HOUR + 1.0, 30.0)
# Model, voltage, time to 80 % and to half from the closed form of each model.
CASES = {
    "leakage": (np.exp(-TIME / 5e4), 5e4 * np.log(1.25), 5e4 * np.log(2.0)),
    "activation": (
        1.0 - 0.05 * np.log1p(TIME / 300.0), 300.0 * np.expm1(4.0), 300.0 * np.expm1(10.0),
    ),
    "diffusion": (1.0 - 1e-3 * np.sqrt(TIME), 200.0**2, 500.0**2),
}  # fmt: skip


def noisy(voltage, seed, sd=1e-3):
    return voltage + sd * np.random.default_rng(seed).standard_normal(len(voltage))


@pytest.mark.parametrize("model", CASES)
def test_the_model_behind_the_record_is_found(model):
    voltage, to_80, _ = CASES[model]
    hits, covered, n = 0, 0, 40
    for seed in range(n):
        row = analyse_open_circuit(TIME, noisy(voltage, seed), capacitance_F=0.05).iloc[0]
        hits += row["self_discharge_model"] == model
        gap = abs(row["time_to_80_percent_s"] - to_80)
        covered += gap < 1.96 * row["time_to_80_percent_s_se"]
    assert hits == n  # 2,881 readings tell them apart by hundreds in AICc
    assert covered >= binom.ppf(0.001, n, 0.95)


@pytest.mark.parametrize("digit_V", [1e-3, 1e-2])
@pytest.mark.parametrize("model", CASES)
def test_a_rounded_voltage_is_not_exact(model, digit_V):
    _, to_80, _ = CASES[model]
    covered, n = 0, 60
    for seed in range(n):
        scale, offset = 1.0 + 0.2 * np.random.default_rng(seed).random(2)
        voltage = {
            "leakage": scale * np.exp(-TIME / 5e4),
            "activation": scale * (1.0 - 0.05 * np.log1p(TIME / 300.0)),
            "diffusion": scale * (1.0 - 1e-3 * np.sqrt(TIME)),
        }[model]
        shown = digit_V * np.round(voltage / digit_V + offset) - digit_V * offset
        row = analyse_open_circuit(TIME, shown, capacitance_F=0.05).iloc[0]
        gap = abs(row["time_to_80_percent_s"] - to_80)
        covered += gap < 2.0 * row["time_to_80_percent_s_se"]
        assert row["time_to_80_percent_s_se"] < 0.2 * to_80
    assert covered >= binom.ppf(0.001, n, 0.95)


@pytest.mark.parametrize("model", CASES)
def test_time_to_half_is_read_off_or_extrapolated(model):
    voltage, _, to_half = CASES[model]
    row = analyse_open_circuit(TIME, noisy(voltage, 1), capacitance_F=0.05).iloc[0]
    assert abs(row["time_to_half_s"] - to_half) < 4.0 * row["time_to_half_s_se"]
    assert ("extrapolated" in row["quality"]) == (to_half > TIME[-1])


def test_far_extrapolation_is_not_told():
    short = TIME < 600.0
    row = analyse_open_circuit(TIME[short], CASES["activation"][0][short], capacitance_F=0.05).iloc[
        0
    ]
    assert np.isnan(row["time_to_half_s"])


def test_equivalent_leakage():
    # Derived: R = Δt/(C·ln(V₁/V₂)) gives the leak back; mean current C·ΔV/Δt.
    voltage = CASES["leakage"][0]
    row = analyse_open_circuit(TIME, voltage, capacitance_F=0.05, capacitance_F_se=0.001).iloc[0]
    assert row["leakage_resistance_ohm"] == pytest.approx(1e6, rel=1e-6)
    assert row["leakage_resistance_ohm_se"] == pytest.approx(2e4, rel=1e-3)  # 2 % of C
    current = 0.05 * (voltage[0] - voltage[-1]) / TIME[-1]
    assert row["leakage_current_mA"] == pytest.approx(1e3 * current, rel=1e-6)


def test_meter_takes_its_share():
    voltage = np.exp(-TIME / (0.05 * 5e5))  # 1 MΩ of the cell beside a meter of 1 MΩ
    row = analyse_open_circuit(TIME, voltage, capacitance_F=0.05, meter_ohm=1e6).iloc[0]
    assert row["leakage_resistance_ohm"] == pytest.approx(1e6, rel=1e-5)
    meter_alone = analyse_open_circuit(
        TIME, CASES["leakage"][0], capacitance_F=0.05, capacitance_F_se=1e-3, meter_ohm=1e6
    ).iloc[0]
    assert np.isnan(meter_alone["leakage_resistance_ohm"])
    assert meter_alone["quality"] == "the meter explains the fall"


def test_charge_before_and_few_readings():
    up = np.linspace(0.0, 1.0, 50, endpoint=False)
    t = np.concatenate([np.arange(50) * 10.0, 500.0 + TIME])
    v = np.concatenate([up, CASES["diffusion"][0]])
    row = analyse_open_circuit(t, v, capacitance_F=0.05).iloc[0]
    assert (row["self_discharge_model"], row["duration_s"]) == ("diffusion", TIME[-1])
    by_hand = analyse_open_circuit(
        TIME[::360], CASES["leakage"][0][::360], capacitance_F=None
    ).iloc[0]
    assert by_hand["quality"] == "no capacitance of this cell; too few points"
    assert np.isnan(by_hand["leakage_current_mA"])
    assert by_hand["time_to_half_s"] == pytest.approx(CASES["leakage"][2], rel=0.01)


def test_refusals():
    with pytest.raises(ValueError, match="too few"):
        analyse_open_circuit([0.0, 1.0, 2.0], [1.0, 0.9, 0.8], capacitance_F=1.0)
    with pytest.raises(ValueError, match="too few"):
        analyse_open_circuit(TIME, 0.5 + TIME / 1e6, capacitance_F=1.0)
    with pytest.raises(ValueError, match="backward"):
        analyse_open_circuit(TIME[::-1], CASES["leakage"][0], capacitance_F=1.0)


def hold(time, leak_A=2e-5, tau_s=600.0):
    """A charge to 1 V and a hold there, its current dying to a leak."""
    up = np.arange(0.0, 100.0, 10.0)
    t = np.concatenate([up, 100.0 + time])
    v = np.concatenate([up / 100.0, np.ones(len(time))])
    i = np.concatenate([np.full(len(up), 5e-3), leak_A + 1e-3 * np.exp(-time / tau_s)])
    return t, v, i


def test_leakage_of_a_hold_after_half_an_hour():
    time = np.arange(0.0, 2.0 * HOUR, 10.0)
    row = analyse_held_voltage(*hold(time)).iloc[0]
    truth = 2e-5 + 1e-3 * np.exp(-3.0)
    # A straight line over a twentieth of the time either way of a curve of 600 s: under 1 %.
    assert row["leakage_current_mA"] == pytest.approx(1e3 * truth, rel=0.01)
    assert row["leakage_time_s"] == 1800.0
    slope = -1e-3 * np.exp(-3.0) / 600.0
    assert row["leakage_trend_percent_per_h"] == pytest.approx(3.6e5 * slope / truth, rel=0.02)
    assert row["quality"] == "current still falling"
    assert row["leakage_resistance_ohm"] == pytest.approx(1.0 / truth, rel=0.01)


def test_leakage_that_has_settled_and_noise():
    time = np.arange(0.0, 4.0 * HOUR, 10.0)
    hits, n = 0, 100
    for seed in range(n):
        t, v, i = hold(time)
        i = i + 2e-6 * np.random.default_rng(seed).standard_normal(len(i))
        row = analyse_held_voltage(t, v, i, read_at_s=3.5 * HOUR).iloc[0]
        hits += abs(row["leakage_current_mA"] - 0.02) < 1.96 * row["leakage_current_mA_se"]
        assert row["quality"] == ""
    assert hits >= binom.ppf(0.001, n, 0.95)


def test_short_hold_and_leak_lost_in_noise():
    time = np.arange(0.0, 600.0, 10.0)
    row = analyse_held_voltage(*hold(time)).iloc[0]
    assert "hold shorter than asked" in row["quality"]
    assert row["leakage_time_s"] == 590.0
    time = np.arange(0.0, 8.0 * HOUR, 10.0)
    t, v, i = hold(time, leak_A=0.0)
    i = i + 1e-5 * np.random.default_rng(2).standard_normal(len(i))
    row = analyse_held_voltage(t, v, i, read_at_s=7 * HOUR).iloc[0]
    assert "leakage not resolved" in row["quality"]
    assert np.isnan(row["leakage_current_mA"])
    assert row["leakage_current_mA_se"] > 0


@pytest.mark.parametrize("sd", [0.0, 1e-4])
@pytest.mark.parametrize(("leak_ohm", "is_told"), [(np.inf, False), (2e8, False), (5e7, True)])
def test_a_meter_that_takes_nearly_all_leaves_nothing_to_tell(leak_ohm, is_told, sd):
    time = TIME[TIME <= 8 * HOUR]
    voltage = noisy(np.exp(-time * (1 / leak_ohm + 1e-6) / 0.5), 1, sd)
    row = analyse_open_circuit(time, voltage, capacitance_F=0.5, meter_ohm=1e6).iloc[0]
    names = ["leakage_resistance_ohm", "leakage_current_mA"]
    names += [f"{name}_se" for name in names]
    assert row[names].notna().all() if is_told else row[names].isna().all()
    assert ("the meter explains the fall" in row["quality"]) != is_told


def test_a_time_beyond_the_record_is_never_exact():
    time = TIME[TIME <= 2 * HOUR]
    for sd, is_told in ((0.0, False), (1e-4, True)):
        row = analyse_open_circuit(time, noisy(np.exp(-time / 5e4), 1, sd), capacitance_F=0.05)
        row = row.iloc[0]
        assert "extrapolated" in row["quality"]
        assert row["time_to_half_s"] == pytest.approx(5e4 * np.log(2.0), rel=0.1)
        assert (row["time_to_half_s_se"] > 0) == is_told
