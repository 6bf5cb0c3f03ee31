import subprocess
import sys

import numpy as np
import pytest
from cell_models import cycle_rc, decay_rc
from charscreen.capacitance import (
    analyse_constant_current,
    analyse_through_resistor,
    electrode_capacitance,
)
from charscreen.capacitance.analyse import constant_current_rows
from charscreen.capacitance.exponential import fit_exponential, measure_decay
from charscreen.curves import (
    clock_step,
    digit_step,
    find_crossing,
    independent_readings,
    noise_sd,
    reading_noise,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

INSTRUMENT = {
    "voltage_percent": 0.1,
    "voltage_offset_mV": 1.0,
    "current_percent": 0.2,
    "time_resolution_s": 0.01,
    "load_percent": 1.0,
    "stopwatch_s": 0.3,
}
few = settings(max_examples=15, deadline=None)


def analyse(record, **options):
    return analyse_constant_current(*record, **({"upper_voltage_V": 1.0} | options))


@pytest.mark.parametrize("rest", [0, 1, 20])
@pytest.mark.parametrize("logged", [True, False])
def test_cycles_of_a_series_circuit(rest, logged):
    t, v, i = cycle_rc(rest_samples=rest, n_cycles=4)
    table = analyse((t, v, i if logged else 5e-3))
    assert list(table["cycle"]) == [1, 2, 3, 4]
    np.testing.assert_allclose(table["capacitance_F"], 0.5, rtol=1e-9)
    np.testing.assert_allclose(table["capacitance_energy_F"], 0.5, rtol=1e-9)
    np.testing.assert_allclose(table["esr_ohm"], 2.0, rtol=1e-6)
    step = 5.0 if rest else 10.0
    np.testing.assert_allclose(table["current_step_mA"], step, rtol=1e-9)
    np.testing.assert_allclose(table["coulombic_efficiency_percent"].iloc[1:], 100.0, atol=1e-6)
    # A lossless capacitor loses only I²R: energy out over in is (mean V - IR)/(mean V + IR).
    ratio = table["energy_efficiency_percent"].iloc[1]
    assert ratio == pytest.approx(100.0 * (0.495 - 0.01) / (0.495 + 0.01), rel=1e-3)


@pytest.mark.parametrize("step_s", [1.0, 0.1, 0.01])
@pytest.mark.parametrize("rest", [0, 40])
def test_noise_at_several_rates(step_s, rest):
    record = cycle_rc(step_s=step_s, rest_samples=rest, noise_V=2e-3, n_cycles=3, seed=1)
    table = analyse(record)
    assert len(table) == 3
    assert (abs(table["capacitance_F"] - 0.5) < 4 * table["capacitance_F_se"]).all()
    assert (abs(table["esr_ohm"] - 2.0) < 4 * table["esr_ohm_se"]).all()
    # At one sample a second the step may lie 10 mV off: half of the drop of 10 or 20 mV.
    flag = "resistance rests on the sampling interval" if step_s == 1.0 else ""
    assert (table["quality"] == flag).all()


@pytest.mark.parametrize(
    ("step_s", "noise_V"), [(0.25, 1.5e-3), (0.05, 3e-4), (1.0, 5e-4), (1.0, 4e-3)]
)
def test_stated_scatter_covers_the_truth(step_s, noise_V):
    n, hits_r = 300, 0
    hits = dict.fromkeys(("capacitance_F", "capacitance_charge_F", "capacitance_energy_F"), 0)
    for seed in range(n):
        record = cycle_rc(
            step_s=step_s, rest_samples=8, noise_V=noise_V, n_cycles=1, seed=seed,
            capacitance_F=0.2,
        )  # fmt: skip
        row = constant_current_rows(*record, upper_voltage_V=1.0)[0][0]
        for name in hits:
            hits[name] += abs(row[name] - 0.2) < 1.96 * row[f"{name}_se_a"]
        # The raw figure, also where it is below zero and so not told.
        raw = 1e3 * row["drop_V"] / row["current_step_mA"]
        hits_r += abs(raw - 2.0) < 1.96 * row["esr_ohm_se_a"]
    # Nominal 95 %; bounds are 1 in 1,000 of the binomial law. At one sample a second the noise is
    # known from 16 samples only: normal limits then hold 93 % (Student, 14 degrees of freedom).
    low = binom.ppf(0.001, n, 0.95 if step_s < 1 else 0.93)
    assert all(count >= low for count in hits.values()), hits
    assert hits_r >= low


def test_energies_and_powers_cover_the_truth_between_samples():
    # Steps fall anywhere between two samples; charge turns straight into discharge.
    capacitance, series, current, n = 0.3, 2.0, 5e-3, 60
    half = (1.0 - 2.0 * current * series) * capacitance / current
    truth = {
        "energy_J": 0.5 * capacitance * (1.0 - 2.0 * current * series) ** 2,
        "power_mean_W": current * (0.5 - current * series),
        "energy_efficiency_percent": 100.0 * (0.5 - current * series) / (0.5 + current * series),
        "coulombic_efficiency_percent": 100.0,
    }
    hits = dict.fromkeys(truth, 0)
    for seed in range(n):
        rng = np.random.default_rng(seed)
        period = float(rng.choice([0.05, 0.5, 2.0]))
        t = np.arange(period * rng.random(), 6 * half, period)
        leg, into = np.divmod(t, half)
        up = leg % 2 == 0
        inner = current * series + current * np.where(up, into, half - into) / capacitance
        i = np.where(up, current, -current)
        v = inner + series * i + 3e-4 * rng.standard_normal(len(t))
        row = analyse((t, v, i)).iloc[1]
        for name, value in truth.items():
            hits[name] += abs(row[name] - value) < 2.0 * row[f"{name}_se"]
    assert all(count >= binom.ppf(0.001, n, 0.95) for count in hits.values()), hits


def test_instrument_part_stands_apart_and_joins():
    # 10/3 mV per sample, which no display shows: an exact line, not a rounded one.
    row = analyse(cycle_rc(n_cycles=1, step_s=1 / 3), instrument=INSTRUMENT).iloc[0]
    assert row["capacitance_F_se_a"] == pytest.approx(0.0, abs=1e-12)
    span = 0.4 * 0.5 / 5e-3
    time_part = np.sqrt(2.0) * 0.01 / np.sqrt(12.0) / span
    expected = 0.5 * np.sqrt(0.001**2 + 0.002**2 + time_part**2)
    assert row["capacitance_F_se_b"] == pytest.approx(expected, rel=1e-9)
    assert row["capacitance_F_se"] == pytest.approx(expected, rel=1e-9)


def test_resistance_knows_that_the_step_lies_between_two_samples():
    slow = analyse(cycle_rc(step_s=2.0, n_cycles=1)).iloc[0]
    fast = analyse(cycle_rc(step_s=0.2, n_cycles=1)).iloc[0]
    assert slow["esr_ohm_se_b"] == pytest.approx(10.0 * fast["esr_ohm_se_b"], rel=0.01)


@few
@given(k=st.floats(0.1, 50.0))
def test_slower_time_means_more_farads(k):
    t, v, i = cycle_rc()
    a, b = analyse((t, v, i)), analyse((k * t, v, i))
    np.testing.assert_allclose(b["capacitance_F"], k * a["capacitance_F"], rtol=1e-9)
    np.testing.assert_allclose(b["esr_ohm"], a["esr_ohm"], rtol=1e-6)


@few
@given(k=st.floats(0.01, 100.0))
def test_more_current_means_more_farads_and_fewer_ohms(k):
    t, v, i = cycle_rc(noise_V=1e-3)
    a, b = analyse((t, v, i)), analyse((t, v, k * i))
    np.testing.assert_allclose(b["capacitance_F"], k * a["capacitance_F"], rtol=1e-9)
    np.testing.assert_allclose(b["esr_ohm"], a["esr_ohm"] / k, rtol=1e-9)
    np.testing.assert_allclose(
        b["coulombic_efficiency_percent"], a["coulombic_efficiency_percent"], rtol=1e-9
    )


@few
@given(cut=st.integers(410, 780), noise=st.sampled_from([0.0, 1e-3]))
def test_a_cut_in_a_cycle_leaves_the_complete_ones_alone(cut, noise):
    t, v, i = cycle_rc(n_cycles=4, noise_V=noise)
    whole, part = analyse((t, v, i)), analyse((t[:cut], v[:cut], i[:cut]))
    complete = int((cut - 2) // 198)  # a cycle is 99 samples up and 99 down
    columns = [name for name in whole.columns if name != "quality"]
    np.testing.assert_allclose(
        part[columns].iloc[:complete].to_numpy(float),
        whole[columns].iloc[:complete].to_numpy(float),
        rtol=1e-12,
    )


def test_flags():
    drop = analyse(cycle_rc(series_ohm=12.0, n_cycles=2))
    assert (drop["quality"].str.contains("drop over 20 % of the window")).all()
    sparse = analyse(cycle_rc(step_s=15.0, n_cycles=2))
    assert (sparse["quality"].str.contains("too few points")).all()
    over = analyse(cycle_rc(n_cycles=2), upper_voltage_V=0.9)
    assert (over["quality"].str.contains("above the stable window")).all()
    t, v, i = cycle_rc(n_cycles=1)
    first = int(np.argmax(i < 0))
    headless = analyse((t[first:], v[first:], i[first:]))
    assert headless["quality"].iloc[0] == "no sample before the step"
    assert np.isnan(headless["esr_ohm"].iloc[0])
    assert headless["capacitance_F"].iloc[0] == pytest.approx(0.5, rel=1e-9)


def test_clipped_voltage_is_flagged_and_a_hold_is_not():
    t, v, i = cycle_rc(n_cycles=1, step_s=0.2, upper_V=1.0)
    clipped = analyse((t, np.minimum(v, 0.93), i))
    assert "clipped" in clipped["quality"].iloc[0]
    first = int(np.argmax(i < 0))
    hold = 200
    i_hold = 5e-3 * np.exp(-np.arange(1, hold + 1) / 20.0)
    t2 = np.concatenate([t[:first], t[first - 1] + 0.2 * np.arange(1, hold + 1),
                         t[first:] + 0.2 * hold])  # fmt: skip
    v2 = np.concatenate([v[:first], np.full(hold, v[first - 1]), v[first:] + 0.01])
    i2 = np.concatenate([i[:first], i_hold, i[first:]])
    row = analyse((t2, v2, i2)).iloc[0]
    assert row["quality"] == ""
    # After the hold no current flows, so the step is I and the 10 mV drop is 2 Ω.
    assert row["esr_ohm"] == pytest.approx(2.0, rel=0.01)


def test_no_table_where_no_discharge_covers_the_window():
    t, v, i = cycle_rc(n_cycles=1)
    first = int(np.argmax(i < 0))
    some = slice(0, first + 30)
    for record, upper, words in (
        ((t[:first], v[:first], i[:first]), 1.0, "no discharge was found"),
        ((t, v, i), 3.0, "upper_voltage_V 3 is too high"),
        ((t, v, -i), 1.0, "sign is turned round"),
        ((t[some], v[some], i[some]), 1.0, "does not cover the window 0.8 to 0.4 V"),
        ((t[:2], v[:2], i[:2]), 1.0, "2 rows only"),
        ((t[:0], v[:0], i[:0]), 1.0, "0 rows only"),
        ((t[:first], v[:first], 5e-3), 1.0, "no discharge was found"),
    ):
        with pytest.warns(UserWarning, match=words):
            table = analyse(record, upper_voltage_V=upper)
        assert table.empty


def test_a_slow_logger_says_so_or_tells_no_resistance():
    # A fast record of 4 ohm, of which a logger writes one sample a second.
    t, v, i = cycle_rc(capacitance_F=0.25, series_ohm=4.0, step_s=0.01, n_cycles=2)
    told = 0
    for offset in range(0, 100, 7):
        rows = analyse((t[offset::100], v[offset::100], i[offset::100]))
        for _, row in rows.iterrows():
            if np.isnan(row["esr_ohm"]):
                assert "resistance not resolved" in row["quality"]
                assert not row["drop_V"] < 0
            else:
                told += 1
                assert "resistance rests on the sampling interval" in row["quality"]
            assert abs(row["voltage_start_V"] - row["voltage_after_drop_V"]) < 0.1
    assert told
    assert (analyse((t, v, i))["quality"] == "").all()


def test_no_drop_below_zero_beside_an_empty_resistance():
    record = cycle_rc(series_ohm=0.05, noise_V=3e-3, n_cycles=30, rest_samples=3, seed=2)
    rows, _ = constant_current_rows(*record, upper_voltage_V=1.0)
    table = analyse(record)
    hidden = table["esr_ohm"].isna()
    assert hidden.any()
    assert not hidden.all()
    assert min(row["drop_V"] for row in rows) < 0  # the mean over cycles needs them
    assert not (table["drop_V"] < 0).any()
    assert table.loc[~hidden, "drop_V"].notna().all()


def test_wrong_arguments_are_refused():
    t, v, i = cycle_rc(n_cycles=1)
    with pytest.raises(ValueError, match="runs backward"):
        analyse((t[::-1], v, i))
    with pytest.raises(ValueError, match="one each is needed"):
        analyse((t[:-1], v, i))
    with pytest.raises(ValueError, match="finite"):
        analyse((t, v, np.where(t == 5, np.nan, i)))
    with pytest.raises(ValueError, match="upper end comes first"):
        analyse((t, v, i), window=(0.4, 0.8))


def test_stopwatch_readings_state_the_hand():
    t, v = decay_rc(capacitance_F=0.4, load_ohm=100.0, times_s=[0, 10, 20, 30, 45, 60])
    row = analyse_through_resistor(t, v, load_ohm=100.0, instrument=INSTRUMENT, by_hand=True).iloc[
        0
    ]
    assert row["capacitance_F"] == pytest.approx(0.4, rel=1e-9)
    # Line through six readings of 0.3 s each: u(τ)/τ = 0.3/√Σ(t - mean)².
    spread = np.sum((t - t.mean()) ** 2)
    assert row["capacitance_F_se_a"] == pytest.approx(0.4 * 0.3 / np.sqrt(spread), rel=1e-6)
    assert row["capacitance_F_se_b"] >= 0.004  # the resistor's 1 %


def test_tolerance_of_the_load_is_a_rectangle():
    t, v = decay_rc(capacitance_F=0.4, load_ohm=100.0, times_s=np.arange(0.0, 80.0, 1.0))
    row = analyse_through_resistor(
        t, v, load_ohm=100.0, load_tolerance_percent=5.0, series_ohm=0.0
    ).iloc[0]
    assert row["capacitance_F_se"] == pytest.approx(0.4 * 0.05 / np.sqrt(3.0), rel=1e-6)


def test_record_with_rest_before_and_recovery_after():
    t, v = decay_rc(
        capacitance_F=0.2,
        load_ohm=100.0,
        series_ohm=3.0,
        times_s=np.arange(0.0, 30.0, 0.5),
        before_s=np.arange(-10.0, 0.01, 0.5),
    )
    back = np.linspace(v[-1] + 0.08, v[-1] + 0.1, 20)
    t2 = np.concatenate([t, t[-1] + np.arange(1, 21) * 0.5])
    rng = np.random.default_rng(3)
    v2 = np.concatenate([v, back]) + 3e-4 * rng.standard_normal(len(t2))
    row = analyse_through_resistor(t2, v2, load_ohm=100.0, instrument=INSTRUMENT).iloc[0]
    assert abs(row["capacitance_F"] - 0.2) < 3 * row["capacitance_F_se"]
    assert abs(row["esr_ohm"] - 3.0) < 3 * row["esr_ohm_se"]
    assert row["quality"] == ""


def test_record_that_does_not_decay_is_refused():
    t = np.arange(20.0)
    with pytest.raises(ValueError, match="fewer than three readings"):
        analyse_through_resistor(t, 0.1 + 0.01 * t, load_ohm=100.0)
    with pytest.raises(ValueError, match="does not fall"):
        fit_exponential(t, 0.1 + 0.01 * t)
    with pytest.raises(ValueError, match="zero or below"):
        fit_exponential(t, 1.0 - 0.1 * t)
    with pytest.raises(ValueError, match="three readings"):
        fit_exponential(t[:2], [1.0, 0.9])
    with pytest.raises(ValueError, match="use line or curve"):
        fit_exponential(t, np.exp(-t), method="spline")


def test_a_reducing_job_starts_light():
    heavy = ("pandas", "scipy", "matplotlib", "statsmodels", "seaborn", "pyarrow")
    code = (
        "import sys; import charscreen.capacitance.reduce, charscreen.capacitance.quick_look; "
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    out = subprocess.run(
        [sys.executable, "-c", code],
        env={"PYTHONPATH": ":".join(p for p in sys.path if p)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert out.stdout.strip() == "[]"


def test_first_step_and_decay_cover_the_truth():
    # The resistor is connected anywhere between two samples, as with a real logger.
    hits_c, hits_r, n = 0, 0, 150
    for seed in range(n):
        rng = np.random.default_rng(seed)
        offset = 0.1 * rng.random()
        t, v = decay_rc(
            capacitance_F=0.4,
            load_ohm=50.0,
            series_ohm=2.0,
            times_s=np.arange(0.1 - offset, 60.0, 0.1),
            before_s=np.arange(-3.0 - offset, 1e-9 - offset, 0.1),
        )
        row = analyse_through_resistor(
            t, v + 1e-3 * rng.standard_normal(len(v)), load_ohm=50.0
        ).iloc[0]
        hits_c += abs(row["capacitance_F"] - 0.4) < 1.96 * row["capacitance_F_se"]
        hits_r += abs(row["esr_ohm"] - 2.0) < 1.96 * row["esr_ohm_se"]
    low = binom.ppf(0.001, n, 0.95)
    assert hits_c >= low
    assert hits_r >= low


def test_first_step_between_distant_readings_is_not_used():
    t, v = decay_rc(
        capacitance_F=0.4, load_ohm=100.0, series_ohm=2.0, times_s=np.arange(10.0, 100.0, 10.0),
        before_s=[0.0],
    )  # fmt: skip
    row = analyse_through_resistor(t, v, load_ohm=100.0, start_voltage_V=1.0).iloc[0]
    assert np.isnan(row["esr_ohm"])
    assert "first step not seen" in row["quality"]
    # Without it R_s counts as zero: the farads come out too large by R_s/R, and the type-B
    # uncertainty says so.
    assert row["capacitance_F"] == pytest.approx(0.4 * 1.02, rel=0.005)
    assert row["capacitance_F_se_b"] > 0.4 * 0.02


@pytest.mark.parametrize("period_s", [0.1, 0.5, 2.0, 4.0])
@pytest.mark.parametrize("series_ohm", [0.5, 3.0])
def test_slow_loggers_state_what_they_do_not_see(period_s, series_ohm):
    # Connected anywhere between two samples: the farads must hold their uncertainty at any rate,
    # and a resistance that is told must be there.
    hits, told, hits_r, n = 0, 0, 0, 40
    for seed in range(n):
        rng = np.random.default_rng(seed)
        offset = period_s * rng.random()
        t, v = decay_rc(
            capacitance_F=0.4,
            load_ohm=100.0,
            series_ohm=series_ohm,
            times_s=np.arange(period_s - offset, 100.0, period_s),
            before_s=np.arange(-20 * period_s - offset, 1e-9 - offset, period_s),
        )
        v = v + 5e-4 * rng.standard_normal(len(v))
        row = analyse_through_resistor(
            t - t[0], v, load_ohm=100.0, start_voltage_V=1.0,
            instrument={"voltage_percent": 0.1, "voltage_offset_mV": 1.0},
        ).iloc[0]  # fmt: skip
        hits += abs(row["capacitance_F"] - 0.4) < 2.0 * row["capacitance_F_se"]
        if not np.isnan(row["esr_ohm"]):
            told += 1
            hits_r += abs(row["esr_ohm"] - series_ohm) < 2.5 * row["esr_ohm_se"]
            assert row["esr_ohm"] > 2.0 * row["esr_ohm_se"]
        else:
            assert "first step not" in row["quality"]
    assert hits >= binom.ppf(0.001, n, 0.95)
    assert hits_r >= binom.ppf(0.001, told, 0.95)
    if period_s == 0.1:
        assert told == n
    if period_s == 4.0:
        assert told == 0  # a tenth of the time constant between two samples


def test_resistance_known_from_elsewhere_is_used_where_no_step_is_seen():
    t, v = decay_rc(
        capacitance_F=0.4, load_ohm=100.0, series_ohm=2.0, times_s=np.arange(0.0, 80.0, 1.0)
    )
    row = analyse_through_resistor(t, v, load_ohm=100.0, series_ohm=2.0, series_ohm_se=0.3).iloc[0]
    assert row["capacitance_F"] == pytest.approx(0.4, rel=1e-9)
    assert row["capacitance_F_se_b"] == pytest.approx(0.4 * 0.3 / 102.0, rel=1e-6)
    assert row["quality"] == "series resistance from another test"
    assert np.isnan(row["esr_ohm"])  # this record does not show it
    # A step that is seen says more.
    t, v = decay_rc(
        capacitance_F=0.4, load_ohm=100.0, series_ohm=2.0, times_s=np.arange(0.0, 80.0, 0.1),
        before_s=np.arange(-5.0, 0.01, 0.1),
    )  # fmt: skip
    row = analyse_through_resistor(t, v, load_ohm=100.0, series_ohm=5.0, series_ohm_se=0.3).iloc[0]
    assert row["esr_ohm"] == pytest.approx(2.0, rel=1e-3)


def test_voltage_charged_to_bounds_the_step_that_is_not_seen():
    t, v = decay_rc(
        capacitance_F=0.4, load_ohm=100.0, series_ohm=1.0, times_s=np.arange(0.0, 80.0, 1.0)
    )
    free = analyse_through_resistor(t, v, load_ohm=100.0).iloc[0]
    bound = analyse_through_resistor(t, v, load_ohm=100.0, start_voltage_V=1.0).iloc[0]
    # 5 % at most where nothing is known (common practice, no source), 1 % from the voltage.
    assert free["series_ohm_used_se"] == pytest.approx(5.0 / np.sqrt(3.0))
    assert bound["series_ohm_used_se"] == pytest.approx(1.0 / np.sqrt(3.0), rel=1e-6)
    wrong = analyse_through_resistor(t, v, load_ohm=100.0, start_voltage_V=0.7).iloc[0]
    assert wrong["series_ohm_used_se"] == free["series_ohm_used_se"]


@few
@given(k=st.floats(0.1, 50.0))
def test_resistor_scales(k):
    t, v = decay_rc(capacitance_F=0.4, load_ohm=100.0, times_s=np.arange(0.0, 80.0, 1.0))
    a = analyse_through_resistor(t, v, load_ohm=100.0).iloc[0]
    slower = analyse_through_resistor(k * t, v, load_ohm=100.0).iloc[0]
    assert slower["capacitance_F"] == pytest.approx(k * a["capacitance_F"], rel=1e-9)
    heavier = analyse_through_resistor(t, v, load_ohm=k * 100.0).iloc[0]
    assert heavier["capacitance_F"] == pytest.approx(a["capacitance_F"] / k, rel=1e-9)
    higher = analyse_through_resistor(t, k * v, load_ohm=100.0).iloc[0]
    assert higher["capacitance_F"] == pytest.approx(a["capacitance_F"], rel=1e-9)


@few
@given(k=st.floats(0.1, 50.0))
def test_mass_scales(k):
    once = electrode_capacitance(0.5, mass_1_g=4e-3, mass_2_g=6e-3)
    assert electrode_capacitance(0.5, mass_1_g=k * 4e-3, mass_2_g=k * 6e-3) == pytest.approx(
        once / k
    )
    assert electrode_capacitance(k * 0.5, mass_1_g=4e-3, mass_2_g=6e-3) == pytest.approx(k * once)


@pytest.mark.parametrize(
    ("times", "used"),
    [
        ([0, 375, 750, 1125, 1500], 4),  # the last lies under 5 % of the first
        ([0, 375, 750, 1125, 1450], 5),
        ([30, 60, 120, 240, 480, 960], 6),
        ([0, 300, 600, 900], 4),
        ([0, 500, 1000], 3),
        ([0, 10, 20, 30, 40], 5),
    ],
)
def test_a_handful_of_exact_readings_is_read_exactly(times, used):
    t = np.array(times, dtype=float)
    row = analyse_through_resistor(t, 0.9 * np.exp(-t / 500.0), load_ohm=1000.0).iloc[0]
    assert row["n_points"] == used
    assert row["capacitance_F"] == pytest.approx(0.5, rel=1e-9)


def test_a_meter_without_end_counts_as_none():
    t = np.linspace(0.0, 1000.0, 50)
    v = np.exp(-t / 500.0)
    rows = [
        analyse_through_resistor(t, v, load_ohm=1000.0, meter_ohm=meter).iloc[0]
        for meter in (None, np.inf)
    ]
    assert rows[0]["capacitance_F"] == rows[1]["capacitance_F"] == pytest.approx(0.5, rel=1e-9)


TIMES = np.linspace(0.0, 1000.0, 50)
DECAY = np.exp(-TIMES / 500.0)


def through(t=TIMES, v=DECAY, **options):
    return analyse_through_resistor(t, v, **({"load_ohm": 1000.0} | options))


def with_nan(values):
    return np.where(np.arange(len(values)) == 3, np.nan, values)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: through(load_ohm=0.0), "load_ohm is 0.0"),
        (lambda: through(load_ohm=-5.0), "load_ohm is -5.0"),
        (lambda: through(load_ohm=np.nan), "load_ohm is nan"),
        (lambda: through(load_ohm=None), "load_ohm is None"),
        (lambda: through(load_ohm="1k"), "load_ohm is 1k"),
        (lambda: through(meter_ohm=0.0), "meter_ohm is 0.0"),
        (lambda: through(meter_ohm=-np.inf), "meter_ohm is -inf"),
        (lambda: through(series_ohm=-1.0), "series_ohm is -1.0"),
        (lambda: through(load_tolerance_percent=-1.0), "load_tolerance_percent is -1.0"),
        (lambda: through(start_voltage_V=0.0), "start_voltage_V is 0.0"),
        (lambda: through(v=DECAY[:-1]), "voltage_V has 49 values and time_s has 50"),
        (lambda: through(v=with_nan(DECAY)), "voltage_V needs finite values: nan at index 3"),
        (lambda: through(t=with_nan(TIMES)), "time_s needs finite values"),
        (lambda: through(t=TIMES[::-1]), "time_s runs backward: .* at index 1"),
        (lambda: through(t=[], v=[]), "time_s is empty"),
        (lambda: through(v=None), "voltage_V is None"),
        (lambda: through(t=["a"] * 50), "time_s is not an array of numbers"),
        (lambda: through(v=DECAY[:, None]), "voltage_V has 2 dimensions"),
        (lambda: analyse((TIMES, DECAY, with_nan(DECAY))), "current_A needs finite values"),
        (lambda: analyse((TIMES, DECAY, DECAY[:4])), "current_A has 4 values"),
        (lambda: analyse((TIMES, DECAY, np.nan)), "current_A is nan"),
        (lambda: analyse((TIMES, DECAY, 0.0)), "current_A is 0.0"),
        (lambda: analyse((TIMES, DECAY, None)), "current_A is None"),
        (lambda: analyse((TIMES, DECAY, -DECAY), window=(0.4, 0.8)), "window is .* comes first"),
        (lambda: analyse((TIMES, DECAY, -DECAY), window=0.8), "window is 0.8"),
        (lambda: analyse((TIMES, DECAY, -DECAY), upper_voltage_V=0), "upper_voltage_V is 0"),
        (lambda: electrode_capacitance(0.5, mass_1_g=0, mass_2_g=1e-3), "mass_1_g is 0"),
        (lambda: electrode_capacitance(0.5, mass_1_g=1e-3, mass_2_g=-1e-3), "mass_2_g is -0.001"),
        (lambda: electrode_capacitance(0.5, mass_1_g=1e-3, mass_2_g=np.nan), "mass_2_g is nan"),
        (lambda: electrode_capacitance(np.nan, mass_1_g=1e-3, mass_2_g=1e-3), "capacitance_F is"),
    ],
)
def test_an_argument_out_of_its_range_is_named(call, words):
    with pytest.raises(ValueError, match=words):
        call()


@pytest.mark.parametrize("digit_V", [1e-3, 1e-2])
@pytest.mark.parametrize("step_s", [0.01, 0.1, 1.0])
@pytest.mark.parametrize("rest", [0, 20])
def test_a_rounded_voltage_is_not_exact(rest, step_s, digit_V):
    n, hits_c, hits_r = 40, 0, 0
    for seed in range(n):
        rng = np.random.default_rng(seed)
        true = rng.uniform(0.3, 0.4)
        t, v, i = cycle_rc(capacitance_F=true, step_s=step_s, rest_samples=rest, n_cycles=1)
        offset = digit_V * rng.random()  # where on its digits the meter stands
        row = analyse((t, digit_V * np.round((v + offset) / digit_V), i)).iloc[0]
        share = row["capacitance_F_se_a"] / row["capacitance_F"]
        # Two ends, each within a rectangle one digit wide, over a window of 0.4 V. Bends of one
        # digit in every other place make the noise 1.4826/√6 of a digit: 1.4826·√2 of the
        # rectangle's 1/√12. A line through several digits at either end is surer.
        bound = np.sqrt(2.0 / 12.0) * digit_V / 0.4
        assert 0.1 * bound < share < 1.01 * bound * np.sqrt(2.0) * 1.4826
        hits_c += abs(row["capacitance_F"] - true) < 2.0 * row["capacitance_F_se_a"]
        hits_r += abs(1e3 * row["drop_V"] / row["current_step_mA"] - 2.0) < 2.0 * row["esr_ohm_se"]
    assert hits_c >= binom.ppf(0.001, n, 0.95)
    assert hits_r >= binom.ppf(0.001, n, 0.95)


@pytest.mark.parametrize("every_s", [0.5, 20.0, 100.0])
@pytest.mark.parametrize("by_hand", [False, True])
def test_a_voltage_rounded_through_a_resistor_is_not_exact(every_s, by_hand):
    n, hits, bends = 100, 0, 0
    for seed in range(n):
        rng = np.random.default_rng(seed)
        tau = rng.uniform(300.0, 700.0)
        t = np.arange(0.0, 1500.0, every_s)
        pressed = t + (0.3 * rng.standard_normal(len(t)) if by_hand else 0.0)
        v = 0.01 * np.round(np.exp(-pressed / tau) / 0.01)
        instrument = {"stopwatch_s": 0.3} if by_hand else None
        row = measure_decay(t, v, load_ohm=1000.0, instrument=instrument, by_hand=by_hand)
        assert row["esr_ohm"] is None  # a digit is not a step at connecting
        bends += "not one exponential" in row["quality"]
        hits += (
            abs(row["tau_s"] - tau) < 2.0 * tau * row["capacitance_F_se_a"] / row["capacitance_F"]
        )
    assert bends <= binom.ppf(0.999, n, 0.003)  # three standard errors
    # Two standard errors hold 95 %; 93 % where few readings stand for the scatter.
    assert hits >= binom.ppf(0.001, n, 0.95 if every_s < 20.0 else 0.93)


def test_a_step_of_the_digits_is_told_from_noise_and_from_lines():
    n = np.arange(200)
    slow = 1.0 - 1e-3 * np.sqrt(2.0) * n
    assert reading_noise(np.round(slow, 2)) == pytest.approx((0.01 / 12**0.5, 0.01))
    assert reading_noise(np.round(1.0 - 0.01594 * n, 3))[1] == pytest.approx(0.001)
    # One digit each time may be an exact line as well: the display is the likelier.
    assert reading_noise(1.0 - 0.01 * n[:90])[1] == pytest.approx(0.01)
    # A digitiser whose steps are no digits of ours, printed in full.
    assert digit_step(0.3052e-3 * np.round(slow / 0.3052e-3)) == pytest.approx(0.3052e-3)
    for smooth in (slow, np.exp(-n / 50.0), np.concatenate([np.ones(50), slow]), np.ones(200)):
        assert reading_noise(smooth) == (noise_sd(smooth), 0.0)
    noisy = slow + 5e-3 * np.random.default_rng(0).standard_normal(200)
    assert reading_noise(noisy) == (noise_sd(noisy), 0.0)
    # Rounding much finer than the noise changes nothing.
    assert reading_noise(np.round(noisy, 4))[1] == 0.0
    assert reading_noise(np.array([1.0, 0.9])) == (0.0, 0.0)
    # The times at which the voltage passed round values say nothing on the meter's digits.
    assert digit_step(np.round(np.linspace(0.9, 0.1, 9), 1)) == 0.0
    assert digit_step(np.round(np.linspace(1.0, 0.05, 20), 2)) == 0.0


def test_a_step_of_zero_changes_nothing():
    t = np.arange(300.0)
    v = 1.0 - 1e-3 * t + 3e-3 * np.random.default_rng(0).standard_normal(300)
    plain = find_crossing(t, v, 0.8, noise=3e-3, edge=0.0)
    assert find_crossing(t, v, 0.8, noise=3e-3, edge=0.0, step=0.0) == plain
    assert find_crossing(t, v, 0.8, noise=3e-3, edge=0.0, step=1e-2).se_s > plain.se_s
    assert independent_readings(v, 0.0) == 300
    assert independent_readings(np.round(1.0 - 1e-3 * t, 2), 0.01) == pytest.approx(31.0)


def test_a_rounded_current_counts():
    rng = np.random.default_rng(3)
    t, v, i = cycle_rc(step_s=0.1, n_cycles=1)
    flickers = i + 0.05e-3 * (rng.random(len(i)) < 0.2)
    row = analyse((t, v, flickers)).iloc[0]
    # The median stands on one of the meter's levels: half a step to either side.
    assert row["capacitance_F_se_a"] / row["capacitance_F"] == pytest.approx(
        0.05 / 5.0 / 12**0.5, rel=0.05
    )


def test_a_coarse_clock_counts():
    n, hits = 100, 0
    for seed in range(n):
        rng = np.random.default_rng(seed)
        true = rng.uniform(0.3, 0.4)
        t, v, i = cycle_rc(capacitance_F=true, step_s=0.7, noise_V=1e-4, n_cycles=1, seed=seed)
        row = analyse((np.floor(t + rng.random()), v, i)).iloc[0]
        # A window of 24 to 32 s between two moments, each within a rectangle of one second.
        expected = np.sqrt(2.0 / 12.0) / (0.4 * true / 5e-3)
        assert row["capacitance_F_se_b"] / true == pytest.approx(expected, rel=0.1)
        hits += abs(row["capacitance_F"] - true) < 2.0 * row["capacitance_F_se"]
    assert hits >= binom.ppf(0.001, n, 0.95)
    assert clock_step(np.arange(100.0)) == 0.0
    assert clock_step(np.floor(0.7 * np.arange(100.0))) == 1.0
    assert clock_step(np.concatenate([np.arange(50.0), 50.0 + 0.1 * np.arange(50.0)])) == 0.0


def test_many_rows_to_a_stamp():
    t, v, i = cycle_rc(step_s=0.1, noise_V=1e-3)
    table = analyse((np.floor(t), np.round(v, 3), i))
    assert len(table) == 3
    assert (abs(table["capacitance_F"] - 0.5) < 3.0 * table["capacitance_F_se"]).all()
    # Two moments within a second each, over 40 s.
    assert table["capacitance_F_se_b"].to_numpy() == pytest.approx(0.5 / 40.0 / 6**0.5, rel=0.05)


@pytest.mark.parametrize("noise_V", [0.0, 1e-3])
@pytest.mark.parametrize("step_s", [0.01, 1.0])
def test_a_charge_from_zero_before_the_resistor(step_s, noise_V):
    t = np.arange(-100.0, 2500.0, step_s)
    v = np.where(t < -60.0, (t + 100.0) / 40.0, 1.0)
    v = np.where(t >= 0.0, np.exp(-t / 505.0) * 1000.0 / 1010.0, v)
    v = np.where(t > 1800.0, 0.06, v) + noise_V * np.random.default_rng(2).standard_normal(len(t))
    row = analyse_through_resistor(t, v, load_ohm=1000.0).iloc[0]
    assert abs(row["capacitance_F"] - 0.5) < 3.0 * row["capacitance_F_se"] < 0.02
    assert abs(row["esr_ohm"] - 10.0) < 3.0 * row["esr_ohm_se"]


@pytest.mark.parametrize("hold_samples", [10, 20, 40])
def test_step_after_a_hold_is_from_the_current_that_was_left(hold_samples):
    """2 Ω and 0.5 F hold with a time constant of 1 s: after 1 s 1.84 of 5 mA still flow in."""
    t, v, i = cycle_rc(step_s=0.1, hold_samples=hold_samples, n_cycles=2)
    table = analyse_constant_current(t, v, i, upper_voltage_V=1.0)
    assert table["esr_ohm"].to_numpy() == pytest.approx([2.0, 2.0], rel=1e-6)


@pytest.mark.parametrize("noise_V", [0.0, 1e-3])
def test_no_efficiency_where_a_hold_was_not_logged(noise_V):
    # What flows during a hold is not in a nominal current: over 100 % would come out.
    held = cycle_rc(step_s=0.1, hold_samples=100, noise_V=noise_V)
    rested = cycle_rc(step_s=0.1, rest_samples=100, noise_V=noise_V)
    assert analyse(held)["coulombic_efficiency_percent"].notna().all()  # logged
    assert analyse((*held[:2], 5e-3))["coulombic_efficiency_percent"].isna().all()
    assert analyse((*held[:2], 5e-3))["energy_efficiency_percent"].isna().all()
    told = analyse((*rested[:2], 5e-3))["coulombic_efficiency_percent"]
    np.testing.assert_allclose(told, 100.0, atol=2.0)


def test_a_step_seen_in_noisy_voltage_alone_is_as_unsure_as_its_moment():
    """Derived: noise s on a slope b places the step within 2 s/b: b·(2 s/b)/√3/I of resistance."""
    noise_V, current_A = 1e-3, 5e-3
    t, v, i = cycle_rc(step_s=0.1, noise_V=noise_V, series_ohm=8.0, seed=1)
    nominal, logged = analyse((t, v, current_A)), analyse((t, v, i))
    slope_gap = 0.1 * current_A / 0.5
    moment = np.hypot(slope_gap, 2 * noise_V) / np.sqrt(3) / current_A
    np.testing.assert_allclose(nominal["esr_ohm_se_b"], moment, rtol=0.15)
    np.testing.assert_allclose(
        logged["esr_ohm_se_b"], slope_gap / np.sqrt(3) / current_A, rtol=0.05
    )
    assert (np.abs(nominal["esr_ohm"] - 8.0) < 4 * nominal["esr_ohm_se"]).all()


def test_three_samples_in_the_window_are_enough_for_a_line_of_their_own():
    down = [0.82, 0.70, 0.59, 0.45, 0.33, 0.20, 0.07]
    t = np.arange(12.0 + len(down))
    v = np.concatenate([np.linspace(0.0, 1.0, 12), down])
    found = analyse((t, v, np.where(t < 12, 5e-3, -5e-3))).iloc[0]
    inside = slice(13, 16)  # 0.70, 0.59 and 0.45 V lie between 0.8 and 0.4 V
    assert found["n_points"] == 3
    slope, at_zero = np.polyfit(t[inside], v[inside], 1)
    assert found["drop_V"] == pytest.approx(v[11] - (at_zero + slope * t[11]), rel=1e-9)
    assert found["esr_ohm"] == pytest.approx(found["drop_V"] / 10e-3, rel=1e-9)
