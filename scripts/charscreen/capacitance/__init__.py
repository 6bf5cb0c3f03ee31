"""From a trace to farads, ohms and efficiencies, and from tests to cells."""

from charscreen.capacitance.analyse import (
    analyse_constant_current,
    analyse_through_resistor,
    constant_current_rows,
    electrode_capacitance,
    energy_Wh_per_kg,
    power_max_W_per_kg,
    power_mean_W_per_kg,
)

__all__ = [
    "analyse_constant_current",
    "analyse_through_resistor",
    "constant_current_rows",
    "electrode_capacitance",
    "energy_Wh_per_kg",
    "power_max_W_per_kg",
    "power_mean_W_per_kg",
]
