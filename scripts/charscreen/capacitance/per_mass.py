"""Figures per gram and kilogram of carbon."""

import numpy as np


def electrode_capacitance(
    capacitance_F: float, *, mass_1_g: float, mass_2_g: float
) -> float | np.ndarray:
    """Capacitance of one electrode per gram of its carbon, from that of a symmetric cell.

    Parameters
    ----------
    capacitance_F : float or array
        Of the cell. [F]
    mass_1_g, mass_2_g : float or array
        Carbon on each electrode, without binder, additive and collector. [g]

    Returns
    -------
    float or array
        [F/g], about four times the cell figure C/(m₁ + m₂).

    Raises
    ------
    ValueError
        A mass that is not above zero, or a capacitance or mass that is not a finite number.

    Notes
    -----
    Two electrodes of one material in series: 1/C = 1/(c·m₁) + 1/(c·m₂), so
    c = C·(1/m₁ + 1/m₂).
    """
    for name, value in (("mass_1_g", mass_1_g), ("mass_2_g", mass_2_g)):
        if not _is_finite(value) or not np.all(np.asarray(value, dtype=float) > 0):
            raise ValueError(f"{name} is {value}: a mass above zero, in grams, is needed")
    if not _is_finite(capacitance_F):
        raise ValueError(f"capacitance_F is {capacitance_F}: a finite number is needed")
    return capacitance_F * (1.0 / mass_1_g + 1.0 / mass_2_g)


def _is_finite(value) -> bool:
    try:
        return bool(np.isfinite(np.asarray(value, dtype=float)).all())
    except (TypeError, ValueError):
        return False


def energy_Wh_per_kg(capacitance_F, *, voltage_V, carbon_g):
    """Stored energy per carbon of both electrodes: ½·C·V²/(3.6·m). [Wh/kg]

    Parameters
    ----------
    capacitance_F : float or array
        Of the cell. [F]
    voltage_V : float or array
        After the drop at the start of the discharge. [V]
    carbon_g : float or array
        Carbon of both electrodes. [g]
    """
    return 0.5 * capacitance_F * voltage_V**2 / (3.6 * carbon_g)


def power_mean_W_per_kg(energy_Wh_per_kg, *, discharge_s):
    """Mean power of a discharge: 3600·E/Δt. [W/kg]

    Parameters
    ----------
    energy_Wh_per_kg : float or array
        [Wh/kg]
    discharge_s : float or array
        Duration. [s]
    """
    return 3600.0 * energy_Wh_per_kg / discharge_s


def power_max_W_per_kg(voltage_V, *, esr_ohm, carbon_g):
    """Greatest power, into a matched load: V²/(4·ESR·m). [W/kg]

    Parameters
    ----------
    voltage_V : float or array
        Before the drop. [V]
    esr_ohm : float or array
        [Ω]
    carbon_g : float or array
        Carbon of both electrodes. [g]
    """
    return voltage_V**2 / (4.0 * esr_ohm * carbon_g * 1e-3)
