"""What a fitted model knows, exactly: predictors and lots to come as one normal distribution."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.linalg import cho_solve, cholesky, solve_triangular

from charscreen.models.covariates import covariate_columns, term_columns
from charscreen.models.device import device_of_lots
from charscreen.models.observations import observation_rows, one_per_lot
from charscreen.models.tables import to_scale

NODES = 32
"""Draws of the variances that stand for all of them."""
_MOST_NUMBERS = 2e7  # in one array over nodes, observations and targets: 160 MB
#: Levels that a lot to come has to itself.
OWN_LEVELS = ("lot", "aliquot", "feed_batch")


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
class Block:
    """Means and covariances of targets at one or several draws of the variances.

    Parameters
    ----------
    mean : (R, T) array
        Posterior means on the scale of the model.
    cov : (R, T, T) array
        Posterior covariances.
    noise : (R, T) array
        Variance of an observation about its target.
    """

    mean: np.ndarray
    cov: np.ndarray
    noise: np.ndarray


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

    def at(self, targets: pd.DataFrame) -> "Outlook":
        """Joint posterior of targets.

        Parameters
        ----------
        targets : DataFrame
            Conditions (feedstock, activation, peak_temperature_C, hold_min ...); a column for
            each level of the model's random terms where a target shares it, empty where not;
            ``readings``: number of readings an observation is the mean of, 0 where it is not
            observed; ``own_lot``: True where an observation brings a lot of its own; aliquot:
            the lot at hand that further readings are of, where the model has `Readings`.
        """
        return Outlook(self, targets.reset_index(drop=True))


class Outlook:
    """Joint posterior of targets under every draw of the variances; see `Knowledge`."""

    def __init__(self, known: Knowledge, targets: pd.DataFrame):
        self.known, self.targets = known, targets
        n, n_targets = len(known.rows), len(targets)
        most = int(_MOST_NUMBERS // max(n * n_targets, 1))
        self.n_nodes = min(len(known.variances), max(4, most))
        x_rows, x = self._fixed(known.rows), self._fixed(targets)
        ties = [self._tie(name) for name in known.terms]
        prior = [_shared(a, a) for a, _ in ties]
        cross = [_shared(a, b) for a, b in ties]
        self._ties = [b for _, b in ties]
        self._row = self._row_read_again()
        again = np.flatnonzero(self._row >= 0)
        self.mean = np.empty((self.n_nodes, n_targets))
        self._w = np.empty((self.n_nodes, n, n_targets))
        self._e = np.empty((self.n_nodes, x.shape[1], n_targets))
        for r in range(self.n_nodes):
            v = known.variances[r]
            data = sum(vk * g for vk, g in zip(v, prior, strict=True))
            data = data + np.diag(known.residual[r] / known.weight)
            lower = cholesky(data, lower=True)
            c = sum(vk * g for vk, g in zip(v, cross, strict=True))
            c = c if len(known.terms) else np.zeros((n, n_targets))
            c[self._row[again], again] += known.own[r, self._row[again]]
            w, xw = (solve_triangular(lower, m, lower=True) for m in (c, x_rows))
            yw = solve_triangular(lower, known.y, lower=True)
            gram = cholesky(xw.T @ xw, lower=True)
            b = cho_solve((gram, True), xw.T @ yw)
            d = x.T - xw.T @ w
            self._w[r], self._e[r] = w, solve_triangular(gram, d, lower=True)
            self.mean[r] = x @ b + w.T @ (yw - xw @ b)

    @cached_property
    def noise(self) -> np.ndarray:
        """Variance (R, T) of an observation about its target; infinite where none is made."""
        known, targets = self.known, self.targets
        own = np.array([name in OWN_LEVELS for name in known.terms])
        lots = known.variances[: self.n_nodes] @ own
        readings = targets["readings"].to_numpy(float)
        residual, own_lot = known.residual[: self.n_nodes], targets["own_lot"].to_numpy(bool)
        factor = known.reading_factor
        if known.readings:
            lots = lots + known.own[: self.n_nodes].mean(axis=1)
            residual, factor = known.readings.variance[: self.n_nodes], 1.0
        with np.errstate(divide="ignore"):
            noise = residual[:, None] * (factor / readings)
        return noise + lots[:, None] * own_lot

    def block(self, chosen: Sequence[int]) -> Block:
        """Means and covariances of some targets, at every draw."""
        at = np.asarray(chosen, dtype=int)
        w, e = self._w[:, :, at], self._e[:, :, at]
        cov = np.einsum("rpi,rpj->rij", e, e) - np.einsum("rni,rnj->rij", w, w)
        v = self.known.variances[: self.n_nodes]
        for k, tie in enumerate(self._ties):
            part = tie[0][at], tie[1][at]
            cov += v[:, k, None, None] * _shared(part, part)
        cov += self._own_again(at)
        return Block(self.mean[:, at], cov, self.noise[:, at])

    def collapsed(self, chosen: Sequence[int]) -> Block:
        """The same over all draws together: mean and covariance of the mixture (R = 1)."""
        at = np.asarray(chosen, dtype=int)
        w, e, mean = self._w[:, :, at], self._e[:, :, at], self.mean[:, at]
        w, e = w.reshape(-1, len(at)), e.reshape(-1, len(at))
        off = mean - mean.mean(axis=0)
        cov = (e.T @ e - w.T @ w + off.T @ off) / self.n_nodes
        for v, tie in zip(
            self.known.variances[: self.n_nodes].mean(axis=0), self._ties, strict=True
        ):
            part = tie[0][at], tie[1][at]
            cov += v * _shared(part, part)
        cov += self._own_again(at).mean(axis=0)
        noise = self.noise[:, at].mean(axis=0)
        return Block(mean.mean(axis=0)[None], cov[None], noise[None])

    def _row_read_again(self) -> np.ndarray:
        """Row (T,) of the data that a target reads again, -1 for none."""
        none = np.full(len(self.targets), -1)
        if not self.known.readings or "aliquot" not in self.targets:
            return none
        rows = pd.Series(np.arange(len(self.known.rows)), index=self.known.rows["aliquot"])
        found = self.targets["aliquot"].map(rows).fillna(-1).to_numpy(int)
        return np.where(self.targets["own_lot"].to_numpy(bool), none, found)

    def _own_again(self, at: np.ndarray) -> np.ndarray:
        """Covariance (R, T, T) that targets have by being of the same lot at hand."""
        row, own = self._row[at], self.known.own[: self.n_nodes]
        same = (row[:, None] == row) & (row >= 0)
        return own[:, np.maximum(row, 0)][:, None, :] * same

    def _fixed(self, frame: pd.DataFrame) -> np.ndarray:
        model = self.known.model
        columns = term_columns(frame, model["covariates"], model["terms"])
        return np.column_stack([np.ones(len(frame)), *(columns[c] for c in columns)])

    def _tie(self, name: str) -> tuple[tuple, tuple]:
        """Level codes and weights of a random term, of the data and of the targets."""
        model, both = self.known.model, (self.known.rows, self.targets)
        level, _, slope = name.partition("|")
        labels, weights = [], []
        for frame in both:
            parts = [
                frame[part] if part in frame else pd.Series([None] * len(frame), dtype=object)
                for part in level.split(":")
            ]
            present = np.logical_and.reduce([part.notna().to_numpy() for part in parts])
            text = parts[0].astype(str).str.cat([p.astype(str) for p in parts[1:]], sep=":")
            labels.append(text.where(present, None))
            weight = np.ones(len(frame))
            if slope:
                spec = next(term for term in model["pooled"] if term["name"] == name)
                base = covariate_columns(frame, model["covariates"])[slope].to_numpy()
                weight = (base - spec["centre"]) / spec["scale"]
            weights.append(weight)
        codes, _ = pd.factorize(pd.concat(labels, ignore_index=True))
        n = len(both[0])
        return (codes[:n], weights[0]), (codes[n:], weights[1])


def _shared(a: tuple, b: tuple) -> np.ndarray:
    """Covariance of a random term with variance 1 between two sets of rows."""
    same = (a[0][:, None] == b[0][None, :]) & (a[0] >= 0)[:, None]
    return np.where(same, a[1][:, None] * b[1][None, :], 0.0)


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
