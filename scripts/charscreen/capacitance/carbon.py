"""Carbon on the electrodes of a cell, from the weighed coating."""

import numpy as np


def coating_mass(cell: dict, k: int, balance: dict) -> tuple[float, float] | None:
    """Dry coating of one electrode and its standard uncertainty without calibration.

    Parameters
    ----------
    cell : dict
        Row of cells.csv.
    k : int
        1 or 2.
    balance : dict
        ``readability_g``, ``repeatability_g``. [g]

    Returns
    -------
    tuple of float or None
        Mass and uncertainty [mg]; None where no mass is given.

    Notes
    -----
    A coating cannot be weighed without its collector: its mass is a difference of two readings,
    also where only the difference was written down. Each reading has u² = r²/12 + s², r the
    readability (rectangular), s the repeatability.
    """
    mass = cell.get(f"electrode_{k}_mg")
    if mass is None:
        gross, collector = (cell.get(f"electrode_{k}_{part}_mg") for part in ("gross", "collector"))
        if gross is None or collector is None:
            return None
        mass = gross - collector
    readability = 1e3 * (balance.get("readability_g") or 0.0)
    repeatability = 1e3 * (balance.get("repeatability_g") or 0.0)
    return float(mass), float(np.sqrt(2.0 * (readability**2 / 12.0 + repeatability**2)))


def rough_carbon_g(cell: dict) -> float | None:
    """Carbon on both electrodes of a cell without uncertainty, or None where not given. [g]"""
    total = 0.0
    for k in (1, 2):
        coating = cell.get(f"electrode_{k}_mg")
        gross, collector = (cell.get(f"electrode_{k}_{part}_mg") for part in ("gross", "collector"))
        if coating is None and gross is not None and collector is not None:
            coating = gross - collector
        if not coating or coating <= 0:
            return None
        total += coating
    share = 1.0 - ((cell.get("binder_percent") or 0) + (cell.get("additive_percent") or 0)) / 100.0
    return total * share * 1e-3 if share > 0 else None
