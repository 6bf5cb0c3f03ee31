"""Columns of the tables of tests and of cycles."""

#: One row per test. ``_se`` is the standard uncertainty of the column before, ``_se_a`` its part
#: from scatter (type A), ``_se_b`` the part from instrument and method (type B). ``n_points``
#: counts the readings that the figure rests on: of the steady cycles within the window, of the
#: decay, of the fall at open circuit, about the moment of the leakage current.
TEST_RESULT_COLUMNS = (
    "test", "cell", "method", "cycles", "cycles_outlying", "n_points", "current_mA",
    "scan_rate_mV_per_s",
    "capacitance_F", "capacitance_F_se", "capacitance_F_se_a", "capacitance_F_se_b",
    "capacitance_charge_F", "capacitance_charge_F_se", "capacitance_charge_F_se_a",
    "capacitance_charge_F_se_b", "capacitance_energy_F", "capacitance_energy_F_se",
    "capacitance_energy_F_se_a", "capacitance_energy_F_se_b",
    "capacitance_early_F", "capacitance_early_F_se", "capacitance_late_F", "capacitance_late_F_se",
    "esr_ohm", "esr_ohm_se", "esr_ohm_se_a", "esr_ohm_se_b", "drop_first_sample_V",
    "coulombic_efficiency_percent", "coulombic_efficiency_percent_se",
    "energy_efficiency_percent", "energy_efficiency_percent_se",
    "retention_percent", "retention_percent_se",
    "drift_percent_per_cycle", "drift_percent_per_cycle_se", "rectangularity",
    "voltage_start_V", "voltage_after_drop_V", "discharge_s",
    "energy_J", "energy_J_se", "power_mean_W", "power_mean_W_se", "power_max_W", "power_max_W_se",
    "self_discharge_model", "aicc_activation", "aicc_diffusion", "aicc_leakage",
    "time_to_80_percent_s", "time_to_80_percent_s_se", "time_to_half_s", "time_to_half_s_se",
    "leakage_resistance_ohm", "leakage_resistance_ohm_se",
    "leakage_current_mA", "leakage_current_mA_se", "leakage_time_s",
    "leakage_trend_percent_per_h", "leakage_trend_percent_per_h_se",
    "upper_voltage_V", "quality",
)  # fmt: skip

#: One row per cycle (a discharge at constant current, or a scan).
CYCLE_TABLE_COLUMNS = (
    "test", "cell", "method", "cycle", "use", "start_s", "discharge_s", "n_points", "current_mA",
    "scan_rate_mV_per_s", "capacitance_F", "capacitance_F_se", "capacitance_F_se_a",
    "capacitance_F_se_b", "capacitance_charge_F", "capacitance_charge_F_se",
    "capacitance_charge_F_se_a", "capacitance_charge_F_se_b",
    "capacitance_energy_F", "capacitance_energy_F_se",
    "capacitance_energy_F_se_a", "capacitance_energy_F_se_b",
    "esr_ohm", "esr_ohm_se", "esr_ohm_se_a", "esr_ohm_se_b",
    "drop_V", "drop_first_sample_V", "current_step_mA",
    "coulombic_efficiency_percent", "coulombic_efficiency_percent_se",
    "energy_efficiency_percent", "energy_efficiency_percent_se", "retention_percent",
    "rectangularity", "voltage_start_V", "voltage_after_drop_V",
    "energy_J", "energy_J_se", "energy_delivered_J", "power_mean_W", "power_mean_W_se",
    "power_max_W", "power_max_W_se", "quality",
)  # fmt: skip

TEST_TEXT_COLUMNS = frozenset({"test", "cell", "method", "self_discharge_model", "quality"})
TEXT_COLUMNS = frozenset({"test", "cell", "method", "use", "quality"})
WHOLE_COLUMNS = frozenset({"cycle", "n_points"})
