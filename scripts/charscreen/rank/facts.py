"""What a screen states beside its measurements, as far as merits need it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from charscreen.arithmetic import Expression, parse_expression
from charscreen.words import EXPRESSION_NAMES


@dataclass(frozen=True)
class UserMerit:
    """A merit that the user wrote as an expression.

    Parameters
    ----------
    expression : Expression
        From `charscreen.arithmetic.parse_expression`.
    unit : str
        Its unit.
    better : str
        ``more`` or ``less``.
    """

    expression: Expression
    unit: str
    better: str


@dataclass(frozen=True)
class Facts:
    """Settings and stated figures that merits are made with.

    Parameters
    ----------
    kiln, prices : mapping
        The config's parts of these names.
    feedstocks : mapping of str to mapping
        Rows of the feedstock table by id.
    koh_purity_percent : float
        KOH in the pellets. [%]
    max_koh_g : float
        Most KOH in one crucible, as weighed. [g]
    voltage_V : float or None
        Upper voltage for the energy. [V]
    drop_A_per_cm2 : float or None
        Current density at whose ohmic drop the energy is taken; None for no drop. [A/cm²]
    voltage_words : str
        Where the two come from, a sentence.
    expressions : mapping of str to UserMerit
        Merits of the user by name.
    """

    kiln: Mapping = field(default_factory=dict)
    prices: Mapping = field(default_factory=dict)
    feedstocks: Mapping[str, Mapping] = field(default_factory=dict)
    koh_purity_percent: float = 100.0
    max_koh_g: float = np.inf
    voltage_V: float | None = None
    drop_A_per_cm2: float | None = None
    voltage_words: str = ""
    expressions: Mapping[str, UserMerit] = field(default_factory=dict)


def make_facts(cells: pd.DataFrame, upper_voltages: Mapping[str, float], given: Mapping) -> Facts:
    """Facts from the collected cells and the settings.

    Parameters
    ----------
    cells : DataFrame
        cell, electrode_F_per_g, esr_area_ohm_cm2, current_A_per_g, carbon_1_mg, carbon_2_mg,
        area_cm2. [F/g, Ω·cm², A/g, mg, cm²]
    upper_voltages : mapping of str to float
        Upper voltage of each cell. [V]
    given : mapping
        kiln, prices, feedstocks (list of rows), koh_purity_percent, max_koh_g, expressions
        (the config's part of that name).

    Returns
    -------
    Facts

    Notes
    -----
    Voltage: median upper voltage of the cells with a capacitance. Current density of the drop:
    median over the cells that have a series resistance, at the current of their tests.
    """
    voltage = density = None
    words = ""
    if len(cells):
        known = cells[pd.to_numeric(cells["electrode_F_per_g"], errors="coerce").notna()]
        volts = pd.to_numeric(known["cell"].astype(str).map(dict(upper_voltages))).dropna()
        if len(volts):
            voltage = float(volts.median())
            words = f"{voltage:g} V, the median upper voltage of {len(volts)} cells"
            if volts.max() > volts.min():
                words += f" ({volts.min():g} to {volts.max():g} V)"
        density, n = _current_density(known)
        if n and voltage is not None:
            words += (
                f", less the drop of the series resistance at {1000 * density:.3g} mA/cm², the "
                f"median current of the {n} cells that have one"
            )
    expressions = {
        name: UserMerit(
            parse_expression(row["expression"], EXPRESSION_NAMES), row["unit"], row["better"]
        )
        for name, row in given["expressions"].items()
    }
    return Facts(
        kiln=given["kiln"],
        prices=given["prices"],
        feedstocks={row["feedstock"]: row for row in given["feedstocks"]},
        koh_purity_percent=given["koh_purity_percent"],
        max_koh_g=given["max_koh_g"],
        voltage_V=voltage,
        drop_A_per_cm2=density,
        voltage_words=words,
        expressions=expressions,
    )


def _current_density(cells: pd.DataFrame) -> tuple[float | None, int]:
    """Median current per electrode area of the cells with a resistance [A/cm²], and their count."""
    names = ("esr_area_ohm_cm2", "current_A_per_g", "carbon_1_mg", "carbon_2_mg", "area_cm2")
    if not set(names) <= set(cells):
        return None, 0
    esr, per_g, first, second, area = (
        pd.to_numeric(cells[name], errors="coerce").astype(float) for name in names
    )
    density = (per_g * (first + second) / 1000 / area)[esr.notna()].dropna()
    return (float(density.median()), len(density)) if len(density) else (None, 0)
