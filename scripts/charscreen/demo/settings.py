"""The settings file of the demo screen."""

TEXT = """\
# Settings of the demo screen. All of its data are invented: an imaginary workshop that screens
# kitchen and farm wastes. Written by scripts/make_demo.py from seed {seed}.
# Every key is explained in config/README.md.

title: Kitchen and farm wastes, first screen (invented data)
question: Which waste is worth collecting, and how should it be fired?
data_are_invented: true        # every page then says so; leave it out of a real screen
results: results
seed: {seed}

kiln:
  crucibles: 6
  crucible_volume_mL: 250
  max_temperature_C: 1000
  ramp_C_per_min: 2
  cooling_h: 8
  power_kW: 3

# Standard uncertainties of the balances.
balances:
  bench: {{readability_g: 0.01, repeatability_g: 0.01, calibration_percent: 0.02}}
  fine: {{readability_g: 0.0001, repeatability_g: 0.0001, calibration_percent: 0.005}}
default_balance: bench         # for masses.csv
electrode_balance: fine        # for cells.csv
moisture_u_percent: 1.0        # of a moisture that was stated, not weighed
ash_u_percent: 0.5

instrument:
  voltage_percent: 0.1
  voltage_offset_mV: 1
  current_percent: 0.2
  time_resolution_s: 0.01
  load_percent: 1.0
  stopwatch_s: 0.3

# How each logger of the bench writes its files.
column_maps:
  plain:
    delimiter: ","
    decimal: "."
    skip_lines: 0
    comment: "#"
    time: {{column: time_s, unit: s}}
    voltage: {{column: voltage_V, unit: V}}
    current: {{column: current_A, unit: A, positive_is: charge}}
  semicolon_comma:             # four lines above the header, decimal comma
    delimiter: ";"
    decimal: ","
    skip_lines: 4
    comment: "#"
    time: {{column: seconds, unit: s}}
    voltage: {{column: cell voltage (V), unit: V}}
    current: {{column: current (A), unit: A, positive_is: charge}}
  minutes_tab:
    delimiter: "\\t"
    decimal: "."
    skip_lines: 1
    comment: "#"
    time: {{column: t/min, unit: min}}
    voltage: {{column: U/mV, unit: mV}}
    current: {{column: I/mA, unit: mA, positive_is: charge}}
  discharge_positive:          # columns by number; a current out of the cell is written positive
    delimiter: ","
    decimal: "."
    skip_lines: 0
    comment: "#"
    time: {{column: 2, unit: s}}
    voltage: {{column: 4, unit: V}}
    current: {{column: 3, unit: mA, positive_is: discharge}}
  packed:                      # compressed, with step and cycle
    delimiter: ","
    decimal: "."
    skip_lines: 0
    comment: "#"
    time: {{column: time, unit: s}}
    voltage: {{column: potential, unit: V}}
    current: {{column: milliampere, unit: mA, positive_is: charge}}
    step: {{column: part}}
    cycle: {{column: round}}
  kiln:                        # temperature log of the kiln
    delimiter: ","
    decimal: "."
    skip_lines: 0
    comment: "#"
    time: {{column: time_s, unit: s}}
    temperature: {{column: temperature_C, unit: C}}
  kiln_two_probes:             # the same kiln with two thermocouples; their mean counts
    delimiter: ";"
    decimal: ","
    skip_lines: 1
    comment: "#"
    time: {{column: minutes, unit: min}}
    temperature: {{column: [upper (°C), lower (°C)], unit: C}}
  voltage_only:                # the current stands in tests.csv
    delimiter: ","
    decimal: "."
    skip_lines: 0
    comment: "#"
    time: {{column: t_s, unit: s}}
    voltage: {{column: U_V, unit: V}}

capacitance:
  window: [0.8, 0.4]           # of the upper voltage
  skip_cycles: 1
  method_order: [constant_current, through_resistor, voltammetry, direct]

# Beyond these a value is questioned.
limits:
  electrode_F_per_g: 400
  loading_mg_per_cm2: 1.0
  mass_u_percent: 10
  aqueous_voltage_V: 1.0
  nitrogen_d_percent: 2.0
  koh_warning_C: 650

model:
  draws: 4000
  prior_scale: 1.0
# What things cost, in a currency that does not exist.
prices:
  currency: tokens
  koh_per_kg: 6
  acid_per_L: 1.5
  acid_mL_per_g_char: 20
  electricity_per_kWh: 0.3
  labour_per_h: 20
  labour_h_per_firing: 1
  labour_h_per_lot: 0.25
  labour_h_per_cell: 0.5

merits: [electrode_F_per_g, device_F_per_kg_d, cost_per_device_F]
ranking:
  interval_percent: 90
  group_probability: 0.9       # told apart once the best beats it with this probability
  must:
    esr_area_ohm_cm2: {{at_most: 3.5}}

# The next firing is worth its work while it is expected to gain so much.
next:
  worth: 2                     # F/g, the unit of the first merit

# What the planner lays out: a next round of firings like the ones done.
plan:
  feedstocks: all
  peak_temperature_C: [600, 700, 800]
  hold_min: [30, 60]
  activation: [none, KOH]
  koh_ratio: 3
  activation_temperature_C: 700
  activation_hold_min: 60
  replicates: 1
  firings: 12
  reference: walnut_shell
  reference_every: 1
  wanted_carbon_g: 1.0
  short_chance_percent: 10
  expected_char_yield_d_percent: 28
  char_yield_spread_percent: 20
  expected_activation_yield_percent: 20
  activation_yield_spread_percent: 25
  max_koh_g: 40
"""


def settings_text(seed: int) -> str:
    """config.yaml of the demo screen made from this seed."""
    return TEXT.format(seed=seed)
