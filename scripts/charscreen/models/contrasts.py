"""Differences of candidates with feedstock fixed, from a table that the fit leaves behind."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.mixed.fit import MixedFit
from charscreen.models.covariates import is_activated, term_columns
from charscreen.models.tables import INFERENCE_COLUMNS

ESTIMATE, COVARIANCE, PLAIN, SLOPE, VARIANCES = (
    "estimate",
    "covariance",
    "plain_covariance",
    "slope",
    "variance_covariance",
)


def inference_table(fit: MixedFit) -> pd.DataFrame:
    """All that tests of any contrast of a fit need, as one long table.

    Parameters
    ----------
    fit : MixedFit

    Returns
    -------
    DataFrame
        quantity, level, row, column, value. ``estimate``: coefficient `row`. ``covariance``: of
        coefficients by Kenward and Roger. ``plain_covariance``: F over the residual variance,
        unadjusted. ``slope``: of the same by the variance `level`. ``variance_covariance``: of
        the variances `row` and `column`. Symmetric: lower triangles only.

    Notes
    -----
    The degrees of freedom of a contrast c are 2 v² / (g' A g) with v = c'Fc, g_k = c' S_k c (the
    slopes) and A the covariance of the variances; see `charscreen.mixed.inference.Inference`.
    """
    inference = fit.inference
    names = [str(name) for name in fit.fixed_effects.index]
    levels = [*map(str, fit.random), "residual"]
    back = np.linalg.inv(inference._R)
    plain = back @ inference.F @ back.T
    rows = [
        (ESTIMATE, "", name, "", value)
        for name, value in zip(names, fit.fixed_effects.to_numpy(), strict=True)
    ]
    rows += _triangle(COVARIANCE, "", names, inference.covariance("kenward_roger"))
    rows += _triangle(PLAIN, "", names, plain)
    for level, P in zip(levels, inference.P, strict=True):
        slope = back @ inference.F @ P @ inference.F @ back.T
        rows += _triangle(SLOPE, level, names, slope)
    rows += _triangle(VARIANCES, "", levels, inference.variance_cov)
    return pd.DataFrame(rows, columns=INFERENCE_COLUMNS)


def _triangle(quantity: str, level: str, names: list[str], matrix: np.ndarray) -> list[tuple]:
    return [
        (quantity, level, names[i], names[j], matrix[i, j])
        for i in range(len(names))
        for j in range(i + 1)
    ]


@dataclass(frozen=True)
class FixedMeans:
    """Estimated means of candidates and what their differences are worth.

    Parameters
    ----------
    estimate : (n,) array
        On the scale of the model.
    covariance : (n, n) array
        By Kenward and Roger.
    df : (n, n) array
        Degrees of freedom of the differences; infinite where two are one and the same.
    """

    estimate: np.ndarray
    covariance: np.ndarray
    df: np.ndarray


def fixed_means(model: Mapping, table: pd.DataFrame, candidates: pd.DataFrame) -> FixedMeans | None:
    """Means of candidates with feedstock fixed, for a new firing and a new lot.

    Parameters
    ----------
    model : mapping
        Record of a fitted model.
    table : DataFrame
        From `inference_table`.
    candidates : DataFrame
        feedstock, activation and the conditions; each covered by the model.

    Returns
    -------
    FixedMeans or None
        None where the view with feedstock fixed was not fitted, or lacks a feedstock.
    """
    if not model.get("fitted") or not len(table):
        return None
    of = {name: part for name, part in table.groupby("quantity", sort=False)}
    names = of[ESTIMATE]["row"].tolist()
    contrasts = _contrasts(model, names, candidates.reset_index(drop=True))
    if contrasts is None:
        return None
    plain = _matrix(of[PLAIN], names)
    slopes = {level: _matrix(part, names) for level, part in of[SLOPE].groupby("level", sort=False)}
    variances = _matrix(of[VARIANCES], list(slopes))
    estimate = contrasts @ of[ESTIMATE]["value"].to_numpy(float)
    covariance = contrasts @ _matrix(of[COVARIANCE], names) @ contrasts.T
    v = _of_differences(contrasts, plain)
    g = np.array([_of_differences(contrasts, slope) for slope in slopes.values()])
    with np.errstate(divide="ignore", invalid="ignore"):
        df = 2 * v**2 / np.einsum("kij,kl,lij->ij", g, variances, g)
    df = np.where((v > 1e-10 * np.diag(plain).max()) & np.isfinite(df), df, np.inf)
    return FixedMeans(estimate, covariance, df)


def _of_differences(contrasts: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """(a - b)' M (a - b) for all pairs of rows."""
    product = contrasts @ matrix @ contrasts.T
    own = np.diag(product)
    return own[:, None] + own[None, :] - 2 * product


def _matrix(part: pd.DataFrame, names: list[str]) -> np.ndarray:
    place = {name: k for k, name in enumerate(names)}
    matrix = np.zeros((len(names), len(names)))
    i = part["row"].map(place).to_numpy(int)
    j = part["column"].map(place).to_numpy(int)
    matrix[i, j] = matrix[j, i] = part["value"].to_numpy(float)
    return matrix


def _contrasts(model: Mapping, names: list[str], candidates: pd.DataFrame) -> np.ndarray | None:
    """Coefficients (n, p) of the candidates' means."""
    if not set(candidates["feedstock"]) <= set(model["feedstocks"]):
        return None
    place = {name: k for k, name in enumerate(names)}
    contrasts = np.zeros((len(candidates), len(names)))
    contrasts[:, place["Intercept"]] = 1.0
    terms = [term for term in model["terms"] if term["name"] in place]
    columns = term_columns(candidates, model["covariates"], terms)
    for name in columns:
        contrasts[:, place[name]] = columns[name]
    activated = is_activated(candidates["activation"])
    for k, feedstock in enumerate(candidates["feedstock"]):
        own = f"feedstock[T.{feedstock}]"
        for name, on in ((own, True), (f"{own}:activated", activated[k])):
            if on and name in place:
                contrasts[k, place[name]] = 1.0
    return contrasts
