"""What a fitted model knows, exactly: predictors and lots to come as one normal distribution."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from charscreen.models.covariates import covariate_columns, term_columns
from charscreen.models.device import device_of_lots
from charscreen.models.observations import observation_rows, one_per_lot
from charscreen.models.tables import to_scale
from charscreen.propose.covariance import Levels, Solved, solve

MOST_NUMBERS = 2e7
"""In one array over nodes, observations and targets: 160 MB."""
NODES = 32
"""Draws of the variances that stand for all of them."""


def model_rows(
    model: Mapping,
    residuals: pd.DataFrame,
    *,
    cells: pd.DataFrame,
    yields: pd.DataFrame,
    design: pd.DataFrame,
    firings: pd.DataFrame,
) -> pd.DataFrame:
    """The rows a model was fitted to, with levels, conditions, value and weight.

    Parameters
    ----------
    model : mapping
        Record of a fitted model.
    residuals : DataFrame
        Its residuals: id, weight.
    cells, yields, design, firings : DataFrame
        As for `charscreen.models.observations.observation_rows`.

    Returns
    -------
    DataFrame
        As `observation_rows`, with ``weight``, in the order of `residuals`; n_cells where the
        value of a lot is the mean of its cells.
    """
    of_cells = model["unit"] == "cell"
    table = cells if of_cells else yields
    if model["name"] == "device_farads":
        table = device_of_lots(yields, cells)
    rows = observation_rows(
        table,
        design,
        firings,
        value=model["response"],
        identity="cell" if of_cells else "run",
    )
    if model["name"] == "char_yield":
        rows = one_per_lot(rows)
        rows["activation"], rows["activation_firing"] = "none", None
    weight = pd.Series(residuals["weight"].to_numpy(float), index=residuals["id"].astype(str))
    rows = rows[rows["id"].isin(weight.index)].reset_index(drop=True)
    rows = rows.assign(weight=rows["id"].map(weight).astype(float))
    if model["name"] == "device_farads":
        known = cells[pd.to_numeric(cells["cell_F_per_g"], errors="coerce") > 0]
        rows["n_cells"] = rows["id"].map(known["run"].astype(str).value_counts()).astype(float)
    return rows


@dataclass(frozen=True)
class Readings:
    """What stands behind the values of lots that are means of readings.

    Parameters
    ----------
    variance : (R,) array
        Of one reading about what its lot has, at each draw of the variances.
    count : (n,) array
        Readings behind each row.
    """

    variance: np.ndarray
    count: np.ndarray


class Knowledge:
    """Posterior of linear predictors of one model, given its data and draws of its variances.

    Parameters
    ----------
    model : mapping
        Record of a fitted model.
    rows : DataFrame
        From `model_rows`.
    variances : DataFrame, (R, K + 1)
        Draws of the variances: one column per random term of the model, ``residual`` last.
    readings : Readings, optional
        Where rows are lots whose values are means of readings. Then more readings of a lot can be
        looked at: they share with the value at hand what is left of its residual variance when
        that of its readings over their number is taken off (nothing where that is less than
        none), and add a reading's own variance each.

    Notes
    -----
    On its scale an observation is y = x'b + sum over random terms of effects + reading, b with
    a flat prior. Given the variances, b, effects and every observation to come are jointly
    normal, so the posterior of any of them is the generalised least squares one (universal
    kriging): with V the covariance of the data, c that of the data with a target t,

        E t = x_t'b* + c'V^-1 (y - X b*),  b* = (X'V^-1 X)^-1 X'V^-1 y,
        cov(s, t) = k(s, t) - c_s'V^-1 c_t + d_s'(X'V^-1 X)^-1 d_t,  d_t = x_t - X'V^-1 c_t.

    Cells of one aliquot differ in nothing but their reading: their weighted mean tells all of
    it, so it stands for them. The data enter exactly; only the mixture over the variances is
    made of R draws out of the posterior.
    """

    def __init__(
        self,
        model: Mapping,
        rows: pd.DataFrame,
        variances: pd.DataFrame,
        readings: Readings | None = None,
    ):
        self.model, self.readings = model, readings
        self.terms = [term["name"] for term in model["pooled"]] + list(model["random"])
        labels = ["aliquot", *(n for n in model["random"] if n not in ("aliquot", "lot"))]
        y = to_scale(model["scale"], rows["value"])
        weight = rows["weight"].to_numpy(float)
        place = rows.groupby(labels, dropna=False, sort=False).ngroup().to_numpy()
        total = np.bincount(place, weight)
        self.rows = rows.loc[~pd.Series(place).duplicated().to_numpy()].reset_index(drop=True)
        self.y = np.bincount(place, weight * y) / total
        self.weight = total
        self.reading_factor = float(np.mean(1 / weight))
        self.variances = variances[self.terms].to_numpy(float)
        self.residual = variances["residual"].to_numpy(float)
        self.own = np.zeros((len(self.residual), len(self.rows)))
        if readings:
            of_cells = readings.variance[:, None] / np.bincount(place, readings.count)
            self.own = np.maximum(self.residual[:, None] / self.weight - of_cells, 0.0)
        self._solved: dict[int, Solved] = {}

    @cached_property
    def fixed_rows(self) -> np.ndarray:
        """Columns of the fixed effects (n, p) of the data."""
        return self.fixed(self.rows)

    def fixed(self, frame: pd.DataFrame) -> np.ndarray:
        """Columns of the fixed effects (len(frame), p)."""
        columns = term_columns(frame, self.model["covariates"], self.model["terms"])
        return np.column_stack([np.ones(len(frame)), *(columns[c] for c in columns)])

    @cached_property
    def _levels(self) -> Levels:
        return Levels([self.tie(name, self.rows)[0] for name in self.terms], len(self.rows))

    def solved(self, r: int) -> Solved:
        """The data under one draw of the variances; kept where that takes little room."""
        if r not in self._solved:
            root = self._levels.root(self.variances[r], self.residual[r] / self.weight)
            found = solve(root, self.fixed_rows, self.y)
            if len(self.residual) * found.size > MOST_NUMBERS:
                return found
            self._solved[r] = found
        return self._solved[r]

    def tie(self, name: str, targets: pd.DataFrame) -> tuple[tuple, tuple]:
        """Level codes and weights of a random term, of the data and of targets."""
        level, _, slope = name.partition("|")
        labels, weights = [], []
        for frame in (self.rows, targets):
            parts = [
                frame[part] if part in frame else pd.Series([None] * len(frame), dtype=object)
                for part in level.split(":")
            ]
            present = np.logical_and.reduce([part.notna().to_numpy() for part in parts])
            text = parts[0].astype(str).str.cat([p.astype(str) for p in parts[1:]], sep=":")
            labels.append(text.where(present, None))
            weight = np.ones(len(frame))
            if slope:
                spec = next(term for term in self.model["pooled"] if term["name"] == name)
                base = covariate_columns(frame, self.model["covariates"])[slope].to_numpy()
                weight = (base - spec["centre"]) / spec["scale"]
            weights.append(weight)
        codes, _ = pd.factorize(pd.concat(labels, ignore_index=True))
        n = len(self.rows)
        return (codes[:n], weights[0]), (codes[n:], weights[1])


def node_variances(draws: pd.DataFrame, *, nodes: int = NODES, seed: int = 0) -> pd.DataFrame:
    """Draws of the variances that stand for all, spread over their total.

    Parameters
    ----------
    draws : DataFrame
        Posterior draws of a model; columns ``v[<term>]`` are read.
    nodes : int
        How many.
    seed : int
        Orders them, so that those of different models pair at random.

    Returns
    -------
    DataFrame, (nodes, K + 1)
        Columns without the ``v[...]``.
    """
    table = draws[[name for name in draws if name.startswith("v[")]]
    table = table.rename(columns=lambda name: name[2:-1])
    order = np.argsort(table.to_numpy(float).sum(axis=1), kind="stable")
    places = ((np.arange(nodes) + 0.5) * len(order) / nodes).astype(int)
    picked = np.random.default_rng(seed).permutation(order[places])
    return table.iloc[picked].reset_index(drop=True)
