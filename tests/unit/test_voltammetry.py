import numpy as np
import pytest
from cell_models import sweep_rc
from charscreen.capacitance import analyse_voltammetry
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

few = settings(max_examples=15, deadline=None)


def analyse(record, **options):
    return analyse_voltammetry(*record, **({"scan_rate_V_s": 0.02} | options))


def test_scans_of_a_series_circuit():
    table = analyse(sweep_rc(n_scans=3))
    assert list(table["cycle"]) == [1, 2, 3]
    assert (table["quality"] == "").all()
    np.testing.assert_allclose(table["scan_rate_found_mV_per_s"], 20.0, rtol=1e-6)
    np.testing.assert_allclose(table["coulombic_efficiency_percent"].iloc[1:], 100.0, atol=1e-6)
    # Less than a rectangle only by the current's rounding near the ends of the middle part.
    assert ((table["rectangularity"] > 0.97) & (table["rectangularity"] < 1.0)).all()


def test_noise_is_covered():
    hits, n = 0, 120
    truth = analyse(sweep_rc(n_scans=2))["capacitance_F"].iloc[1]
    for seed in range(n):
        rng = np.random.default_rng(seed)
        t, v, i = sweep_rc(n_scans=2)
        i = i + 3e-4 * rng.standard_normal(len(i))
        row = analyse((t, v, i)).iloc[1]
        hits += abs(row["capacitance_F"] - truth) < 1.96 * row["capacitance_F_se_a"]
    # The size of the current is integrated, so its noise is not white at the very ends.
    assert binom.ppf(0.001, n, 0.93) <= hits


@pytest.mark.parametrize("digit_A", [1e-4, 5e-4])
def test_a_rounded_current_is_covered(digit_A):
    hits, n = 0, 60
    for seed in range(n):
        gain = 1.0 + 0.2 * np.random.default_rng(seed).random()
        t, v, i = sweep_rc(n_scans=2)
        truth = analyse((t, v, gain * i))["capacitance_F"].iloc[1]
        shown = digit_A * np.round(gain * i / digit_A)
        row = analyse((t, v, shown)).iloc[1]
        hits += abs(row["capacitance_F"] - truth) < 2.0 * row["capacitance_F_se_a"]
        assert row["capacitance_F_se_a"] < digit_A / 8e-3  # never more than a digit of the current
    assert hits >= binom.ppf(0.001, n, 0.95)


@few
@given(k=st.floats(0.1, 50.0))
def test_scales(k):
    t, v, i = sweep_rc(n_scans=2)
    a = analyse((t, v, i))["capacitance_F"]
    np.testing.assert_allclose(analyse((t, v, k * i))["capacitance_F"], k * a, rtol=1e-9)
    # Time stretched and the scan rate slowed alike: the same charge per volt, k times the time.
    slower = analyse((k * t, v, i), scan_rate_V_s=0.02 / k)["capacitance_F"]
    np.testing.assert_allclose(slower, k * a, rtol=1e-9)


@few
@given(cut=st.integers(700, 2300))
def test_a_cut_leaves_complete_scans_alone(cut):
    t, v, i = sweep_rc(n_scans=3, step_s=0.1, noise_V=1e-3)
    whole, part = analyse((t, v, i)), analyse((t[:cut], v[:cut], i[:cut]))
    # A scan ends where the next sweep has turned clearly upward: 1,000 samples and a little.
    complete = max(0, (cut - 300) // 1000)
    columns = [name for name in whole.columns if name != "quality"]
    np.testing.assert_allclose(
        part[columns].iloc[:complete].to_numpy(float),
        whole[columns].iloc[:complete].to_numpy(float),
        rtol=1e-9,
    )


def test_a_constant_error_of_the_current_drops_out():
    t, v, i = sweep_rc(n_scans=2, series_ohm=0.1)
    row = analyse((t, v, i + 1e-3)).iloc[1]
    assert row["capacitance_F"] == pytest.approx(0.4, rel=1e-3)
    assert row["coulombic_efficiency_percent"] == pytest.approx(100.0 * 7 / 9, rel=1e-3)


def test_leak_tilts_the_loop():
    t, v, i = sweep_rc(n_scans=2, series_ohm=0.1)
    row = analyse((t, v, i + v / 100.0)).iloc[1]
    assert row["rectangularity"] < 0.7
    row = analyse((t, v, i + v / 20.0)).iloc[1]
    assert "loop far from a rectangle" in row["quality"]
    assert "current changes sign" in row["quality"]


def test_scan_rate_of_the_record_and_a_wrong_one():
    record = sweep_rc(n_scans=2)
    found = analyse(record, scan_rate_V_s=None)
    assert found["scan_rate_mV_per_s"].iloc[1] == pytest.approx(20.0, rel=1e-6)
    wrong = analyse(record, scan_rate_V_s=0.05)
    assert (wrong["quality"] == "scan rate differs from the record").all()
    np.testing.assert_allclose(wrong["capacitance_F"], 0.4 * found["capacitance_F"], rtol=1e-6)


def test_lone_sweep_and_no_sweep():
    t, v, i = sweep_rc(n_scans=1)
    half = len(t) // 2
    (row,) = analyse((t[:half], v[:half], i[:half])).to_dict("records")
    assert row["quality"] == "one sweep only"
    assert np.isnan(row["rectangularity"])
    assert analyse((t, np.full(len(t), 0.5), i)).empty
    assert analyse((t[:5], v[:5], i[:5])).empty


def test_refusals():
    t, v, i = sweep_rc(n_scans=1)
    with pytest.raises(ValueError, match="current_A"):
        analyse((t, v, i[:-1]))
    with pytest.raises(ValueError, match="scan_rate_V_s"):
        analyse((t, v, i), scan_rate_V_s=-1.0)
    with pytest.raises(ValueError, match="middle_share"):
        analyse((t, v, i), middle_share=0.0)
