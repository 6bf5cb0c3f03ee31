"""Figures of one cell per gram, area and kilogram, with standard uncertainties."""

import zlib

import numpy as np

from charscreen.capacitance.per_mass import (
    electrode_capacitance,
    energy_Wh_per_kg,
    power_max_W_per_kg,
    power_mean_W_per_kg,
)
from charscreen.uncertainty import shortest_interval

MONTE_CARLO_FROM_PERCENT = 5.0  # relative uncertainty of a mass from which the first order errs
DRAWS = 100_000
COVERAGE = 0.95
_NORMAL_95 = 1.959964
LEAST_MASS_SHARE = 0.1  # draws of a mass under this share of it would not have been coated


def fill_mass(row, cell, *, carbon, reading, calibration, start_V, after_V, seconds) -> None:
    """Writes all figures per gram and kilogram into the row of a cell.

    Parameters
    ----------
    row : dict
        With ``capacitance_F`` and ``esr_ohm``, their ``_se`` and the parts ``_se_a``, ``_se_b`` of
        the former; changed in place.
    cell : str
        Name of the cell: seeds its draws, so that they do not hang on other cells.
    carbon, reading : pair of float
        Carbon on each electrode, and its standard uncertainty without calibration. [mg]
    calibration : float
        Relative standard uncertainty of the balance's scale, common to both.
    start_V, after_V, seconds : float or None
        Voltage before and after the drop [V], duration of the discharge [s]: for power and energy.

    Notes
    -----
    Law of propagation, JCGM 100:2008, 5.1.2, where both masses are known to 5 %: errors of C, m₁
    and m₂ are independent, that of the calibration is common. Above 5 % by Monte Carlo, JCGM
    101:2008, clause 7: 100,000 draws, normal; a mass drawn under a tenth of its value is drawn
    anew. The estimate stays that of the measured values; standard uncertainty and the shortest
    95 % interval are those of the draws.
    """
    m = np.array(carbon) * 1e-3
    u = np.array(reading) * 1e-3
    shares = np.hypot(u / m, calibration)
    c, u_c = row["capacitance_F"], row["capacitance_F_se"]
    esr, u_esr = row["esr_ohm"], row["esr_ohm_se"]
    row["electrode_F_per_g"] = electrode_capacitance(c, mass_1_g=m[0], mass_2_g=m[1])
    row["cell_F_per_g"] = c / m.sum()
    energy = after_V is not None and after_V > 0
    if energy:
        row["energy_Wh_per_kg"] = energy_Wh_per_kg(c, voltage_V=after_V, carbon_g=m.sum())
        if seconds:
            row["power_mean_W_per_kg"] = power_mean_W_per_kg(
                row["energy_Wh_per_kg"], discharge_s=seconds
            )
    power = esr is not None and esr > 0 and esr > 2.0 * (u_esr or 0.0)
    if power:
        row["power_max_W_per_kg"] = float(
            power_max_W_per_kg(start_V, esr_ohm=esr, carbon_g=m.sum())
        )
    row["uncertainty_by"] = None
    u_after = (start_V - after_V) * (u_esr or 0.0) / esr if energy and esr else 0.0
    # Shares of 1/m₁ + 1/m₂ and of m₁ + m₂: first order, or from draws.
    if 100.0 * shares.max() <= MONTE_CARLO_FROM_PERCENT:
        inverse = (1.0 / m).sum()
        share_electrode = np.hypot(np.hypot(*(u / m**2)) / inverse, calibration)
        share_sum = np.hypot(np.hypot(*u) / m.sum(), calibration)
        draws = None
    else:
        draws = _mass_draws(cell, m, u, calibration)
        share_electrode = float(np.std((1.0 / draws).sum(axis=0)) / (1.0 / m).sum())
        share_sum = float(np.std(m.sum() / draws.sum(axis=0)))
    if power and u_esr is not None:
        row["power_max_W_per_kg_se"] = float(
            row["power_max_W_per_kg"] * np.hypot(u_esr / esr, share_sum)
        )
    if u_c is None:
        return
    row["uncertainty_by"] = "propagation" if draws is None else "Monte Carlo"
    share_c = u_c / c
    if draws is None:
        reach = _NORMAL_95 * row["electrode_F_per_g"] * np.hypot(share_c, share_electrode)
        ends = (row["electrode_F_per_g"] - reach, row["electrode_F_per_g"] + reach)
    else:
        rng = np.random.default_rng(zlib.crc32(f"{cell} capacitance".encode()))
        drawn = c * (1.0 + share_c * rng.standard_normal(DRAWS)) * (1.0 / draws).sum(axis=0)
        share_electrode = float(np.sqrt((np.std(drawn) / row["electrode_F_per_g"]) ** 2
                                        - share_c**2))  # fmt: skip
        ends = shortest_interval(drawn, coverage=COVERAGE)
    row["electrode_F_per_g_lo"], row["electrode_F_per_g_hi"] = map(float, ends)
    for name, share in (("electrode_F_per_g", share_electrode), ("cell_F_per_g", share_sum)):
        row[f"{name}_se"] = float(row[name] * np.hypot(share_c, share))
    row["electrode_F_per_g_se_a"] = row["electrode_F_per_g"] * (row["capacitance_F_se_a"] / c)
    row["electrode_F_per_g_se_b"] = float(
        np.sqrt(row["electrode_F_per_g_se"] ** 2 - row["electrode_F_per_g_se_a"] ** 2)
    )
    for name in ("energy_Wh_per_kg", "power_mean_W_per_kg"):
        if row.get(name) is not None:
            share = np.sqrt(share_c**2 + share_sum**2 + (2.0 * u_after / after_V) ** 2)
            row[f"{name}_se"] = float(row[name] * share)


def _mass_draws(cell: str, m: np.ndarray, u: np.ndarray, calibration: float) -> np.ndarray:
    """(2, DRAWS) masses, never near zero. [g]"""
    rng = np.random.default_rng(zlib.crc32(cell.encode("utf-8")))
    gain = 1.0 + calibration * rng.standard_normal(DRAWS)
    out = np.empty((2, DRAWS))
    for k in (0, 1):
        drawn = m[k] + u[k] * rng.standard_normal(DRAWS)
        for _ in range(1000):
            low = np.flatnonzero(drawn < LEAST_MASS_SHARE * m[k])
            if not len(low):
                break
            drawn[low] = m[k] + u[k] * rng.standard_normal(len(low))
        out[k] = drawn * gain
    return out


def fill_area(row, *, area_u_percent: float) -> None:
    """Writes the figures per area into the row of a cell; none where the area is not given.

    Parameters
    ----------
    row : dict
        With ``area_cm2``, carbon masses, capacitance and resistance; changed in place.
    area_u_percent : float
        Standard uncertainty of the area, of the area. [%]
    """
    area = row["area_cm2"]
    if not area:
        return
    u_area = area_u_percent / 100.0
    row["loading_mg_per_cm2"] = 0.5 * (row["carbon_1_mg"] + row["carbon_2_mg"]) / area
    row["areal_F_per_cm2"] = row["capacitance_F"] / area
    if row["capacitance_F_se"] is not None:
        share = np.hypot(row["capacitance_F_se"] / row["capacitance_F"], u_area)
        row["areal_F_per_cm2_se"] = float(row["areal_F_per_cm2"] * share)
    if row["esr_ohm"] is not None:
        row["esr_area_ohm_cm2"] = row["esr_ohm"] * area
        if row["esr_ohm_se"] is not None:
            parts = (row["esr_ohm_se"] * area, row["esr_area_ohm_cm2"] * u_area)
            row["esr_area_ohm_cm2_se"] = float(np.hypot(*parts))
