"""From a trace to farads, ohms and efficiencies, and from tests to cells."""

from charscreen.capacitance.analyse import (
    analyse_constant_current,
    analyse_held_voltage,
    analyse_open_circuit,
    analyse_through_resistor,
    analyse_voltammetry,
    constant_current_rows,
)
from charscreen.capacitance.fitting import fit_exponential, fit_separable
from charscreen.capacitance.per_mass import (
    electrode_capacitance,
    energy_Wh_per_kg,
    power_max_W_per_kg,
    power_mean_W_per_kg,
)
from charscreen.capacitance.rate import fit_rate
from charscreen.capacitance.standard_currents import class_current_mA, efficient_currents_A

__all__ = [
    "analyse_constant_current",
    "analyse_held_voltage",
    "analyse_open_circuit",
    "analyse_through_resistor",
    "analyse_voltammetry",
    "class_current_mA",
    "constant_current_rows",
    "efficient_currents_A",
    "electrode_capacitance",
    "energy_Wh_per_kg",
    "fit_exponential",
    "fit_rate",
    "fit_separable",
    "power_max_W_per_kg",
    "power_mean_W_per_kg",
]
