"""Capacitance against current: a power law, and the figure at a common reference current."""

from dataclasses import dataclass

import numpy as np

from charscreen.curves import line_fit

DISTINCT = 1.1  # currents nearer than this ratio count as one
BENDS_SHARE = 0.03  # scatter about the line above this (and three times the noise): it bends
EDGE = 1.05  # the reference may lie so far outside the currents without being extrapolated


@dataclass(frozen=True)
class RateFit:
    """C = C_ref·(I/I_ref)^(-b).

    Parameters
    ----------
    capacitance_F, se_a, se_b : float
        At the reference current; standard uncertainty from scatter, and from the instrument. [F]
    exponent, exponent_se : float
        b; 0 for a cell that does not mind the current.
    n_currents : int
        Different currents.
    extrapolated : bool
        Whether the reference lies outside the currents measured.
    bends : bool
        Whether the readings leave the power law.
    """

    capacitance_F: float
    se_a: float
    se_b: float
    exponent: float
    exponent_se: float
    n_currents: int
    extrapolated: bool
    bends: bool


def count_currents(current_A: np.ndarray) -> int:
    """How many currents lie at least a tenth apart."""
    n, last = 0, 0.0
    for current in np.sort(np.asarray(current_A, float)):
        if current > DISTINCT * last:
            n, last = n + 1, current
    return n


def fit_rate(
    current_A: np.ndarray,
    capacitance_F: np.ndarray,
    *,
    reference_A: float,
    se_a: np.ndarray | None = None,
    se_b: np.ndarray | None = None,
) -> RateFit:
    """Capacitance at a reference current from tests at several currents.

    Parameters
    ----------
    current_A, capacitance_F : (n,) arrays
        Of the tests of one cell, all positive. [A], [F]
    reference_A : float
        [A]
    se_a, se_b : (n,) arrays, optional
        Standard uncertainties of each capacitance from scatter, and from the instrument, which
        all tests share. [F]

    Returns
    -------
    RateFit

    Raises
    ------
    ValueError
        Fewer than two different currents, or values that are not above zero.

    Notes
    -----
    ln C = ln C_ref - b·ln(I/I_ref), a straight line by ordinary least squares. For a
    constant-phase element of exponent α without series resistance the two-point capacitance
    follows it exactly with b = 1/α - 1. The scatter about the line counts, not less than that
    stated for the tests; with two tests only the latter is there.
    """
    current, c = np.asarray(current_A, float), np.asarray(capacitance_F, float)
    if not ((current > 0).all() and (c > 0).all() and reference_A > 0):
        raise ValueError("currents and capacitances need to be above zero")
    distinct = count_currents(current)
    if distinct < 2:
        raise ValueError("capacitance against current needs two different currents")
    a = np.zeros(len(c)) if se_a is None else np.asarray(se_a, float) / c
    b = np.zeros(len(c)) if se_b is None else np.asarray(se_b, float) / c
    x, y = np.log(current / reference_A), np.log(c)
    value, slope, mean, spread = line_fit(x, y)
    residual = y - value - slope * (x - mean)
    stated2 = float(np.mean(a**2))
    found2 = float(np.sum(residual**2)) / (len(x) - 2) if len(x) > 2 else 0.0
    var = max(found2, stated2)
    at_reference = float(np.exp(value - slope * mean))
    return RateFit(
        capacitance_F=at_reference,
        se_a=float(at_reference * np.sqrt(var * (1.0 / len(x) + mean**2 / spread))),
        se_b=float(at_reference * np.sqrt(np.mean(b**2))),
        exponent=-slope,
        exponent_se=float(np.sqrt(var / spread)),
        n_currents=distinct,
        extrapolated=bool(reference_A > EDGE * current.max() or reference_A < current.min() / EDGE),
        bends=bool(distinct > 2 and found2 > max(BENDS_SHARE**2, 9.0 * stated2)),
    )
