"""Matrices of a planned analysis: what scatters together, what is true, what data make of it."""

import numpy as np
import pandas as pd
from scipy.linalg import cho_factor, cho_solve

from charscreen.quality.planned import Planned, activated_rows, base_columns, fixed_columns
from charscreen.quality.scatter import BETWEEN, Scatter

# Figure of the stated scatter that says how large the effect of each covariate may be.
_EFFECTS = {
    "temperature": "temperature_percent",
    "log2_hold": "hold_percent",
    "activated": "activation_percent",
    "koh_ratio": "koh_ratio_percent",
    "activation_temperature": "temperature_percent",
    "activation_log2_hold": "hold_percent",
}
SLOPE, GAIN, BEND = "slope_percent", "activation_gain_percent", "bend_percent"
FIRING, ACTIVATION_FIRING = "firing_percent", "activation_firing_percent"
LOT, CELL = "lot_percent", "cell_percent"


def same_label(left: pd.Series, right: pd.Series) -> np.ndarray:
    """1.0 where two rows carry the same label, (n_left, n_right); an empty label is like none."""
    codes, _ = pd.factorize(np.concatenate([left.to_numpy(object), right.to_numpy(object)]))
    one, two = codes[: len(left)], codes[len(left) :]
    return ((one[:, None] == two[None, :]) & (one >= 0)[:, None]).astype(float)


def experiment_parts(planned: Planned) -> dict[str, np.ndarray]:
    """What firings, lots and cells add to the covariance of the means of lots.

    Parameters
    ----------
    planned : Planned

    Returns
    -------
    dict of str to (n, n) array
        By key of the stated scatter; each times its variance, added up, is the covariance.
    """
    lots = planned.lots
    return {
        FIRING: same_label(lots["firing"], lots["firing"]),
        ACTIVATION_FIRING: same_label(lots["activation_firing"], lots["activation_firing"]),
        LOT: same_label(lots["lot"], lots["lot"]),
        CELL: np.eye(len(lots)) / planned.cells_per_lot,
    }


def experiment_covariance(planned: Planned, scatter: Scatter) -> np.ndarray:
    """Covariance of the means of lots given feedstock and condition, (n, n), log scale."""
    parts = experiment_parts(planned)
    return sum(scatter.variance(key) * part for key, part in parts.items())


def pooled_covariance(planned: Planned, scatter: Scatter, rows: pd.DataFrame) -> np.ndarray:
    """Covariance of rows with the lots through what differs between feedstocks.

    Parameters
    ----------
    planned : Planned
        Its pooled levels say which of feedstock, slope and gain the analysis holds.
    scatter : Scatter
    rows : DataFrame
        feedstock, activation and the conditions.

    Returns
    -------
    (n_rows, n_lots) array
        Log scale.
    """
    lots, pooled = planned.lots, set(planned.levels.pooled)
    same = same_label(rows["feedstock"], lots["feedstock"])
    out = np.zeros(same.shape)
    if "feedstock" in pooled:
        out += scatter.variance(BETWEEN) * same
    if "feedstock|temperature" in pooled:
        there = base_columns(planned, rows)["temperature"].to_numpy()
        here = base_columns(planned, lots)["temperature"].to_numpy()
        out += scatter.variance(SLOPE) * same * np.outer(there, here)
    if "feedstock:activation" in pooled:
        both = activated_rows(rows)[:, None] == activated_rows(lots)[None, :]
        out += scatter.variance(GAIN) * same * both
    return out


def gain_matrix(planned: Planned, scatter: Scatter, rows: pd.DataFrame) -> np.ndarray:
    """What the pooled analysis makes of the means of lots: predictions at rows.

    Parameters
    ----------
    planned : Planned
    scatter : Scatter
        Taken as known.
    rows : DataFrame
        Where to predict.

    Returns
    -------
    (n_rows, n_lots) array
        Predictions are this times the means of the lots, log scale.

    Notes
    -----
    Best linear unbiased prediction: x'b + c'V⁻¹(y - Xb), b = (X'V⁻¹X)⁻¹X'V⁻¹y, with V the
    covariance of the lots, feedstocks included, and c that of the row with them (Henderson 1975,
    Biometrics 31, 423; from memory).
    """
    covariance = experiment_covariance(planned, scatter)
    covariance += pooled_covariance(planned, scatter, planned.lots)
    factor = cho_factor(covariance + 1e-10 * np.eye(len(covariance)), lower=True)
    X = fixed_columns(planned, planned.lots)
    weighted = cho_solve(factor, X).T
    to_effects = np.linalg.pinv(weighted @ X) @ weighted
    shrunk = cho_solve(factor, pooled_covariance(planned, scatter, rows).T).T
    return fixed_columns(planned, rows) @ to_effects + shrunk - (shrunk @ X) @ to_effects


def truth_matrix(planned: Planned, scatter: Scatter, rows: pd.DataFrame) -> np.ndarray:
    """True values at rows as a matrix on independent standard normal quantities.

    Parameters
    ----------
    planned : Planned
        Analysis of the whole plan: its centres are where the spreads are stated for.
    scatter : Scatter
    rows : DataFrame
        feedstock, activation and the conditions.

    Returns
    -------
    (n_rows, q) array
        Log scale; columns of the common effects first, then of feedstocks, slopes and gains.
    """
    base = base_columns(planned, rows)
    temperature = base["temperature"].to_numpy()
    columns = [
        scatter.sd(_EFFECTS.get(name, "temperature_percent")) * base[name].to_numpy()
        for name in planned.covariates
    ]
    columns.append(scatter.sd(BEND) * temperature**2)
    names = planned.record["feedstocks"]
    of = np.column_stack([(rows["feedstock"] == name).to_numpy(float) for name in names])
    activated = activated_rows(rows)[:, None]
    parts = [np.column_stack(columns), scatter.sd(BETWEEN) * of]
    parts.append(scatter.sd(SLOPE) * of * temperature[:, None])
    if len(planned.record["activations"]) > 1:
        parts += [scatter.sd(GAIN) * of * activated, scatter.sd(GAIN) * of * ~activated]
    return np.hstack(parts)
