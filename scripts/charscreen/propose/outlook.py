"""Targets under what a model knows: means and covariances of lots and readings to come."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.linalg import solve_triangular

from charscreen.propose.knowledge import MOST_NUMBERS, Knowledge

#: Levels that a lot to come has to itself.
OWN_LEVELS = ("lot", "aliquot", "feed_batch")


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


class Outlook:
    """Joint posterior of targets under every draw of the variances.

    Parameters
    ----------
    known : Knowledge
        What the model knows of the data.
    targets : DataFrame
        Conditions (feedstock, activation, peak_temperature_C, hold_min ...); a column for each
        level of the model's random terms where a target shares it, empty where not; ``readings``:
        number of readings an observation is the mean of, 0 where it is not observed; ``own_lot``:
        True where an observation brings a lot of its own; aliquot: the lot at hand that further
        readings are of, where the model has `Readings`.
    """

    def __init__(self, known: Knowledge, targets: pd.DataFrame):
        targets = targets.reset_index(drop=True)
        self.known, self.targets = known, targets
        n, n_targets = len(known.rows), len(targets)
        most = int(MOST_NUMBERS // max(n * n_targets, 1))
        self.n_nodes = min(len(known.variances), max(4, most))
        x = known.fixed(targets)
        ties = [known.tie(name, targets) for name in known.terms]
        self._ties = [tie for _, tie in ties]
        self._row = self._row_read_again()
        parts, of_part, self._share = self._made_of(ties)
        # What targets share with the data is made of a few parts; where of more than there are
        # targets, each target is taken whole.
        if len(of_part) >= n_targets:
            self._share, again = None, np.flatnonzero(self._row >= 0)
            cross = [shared(rows, asked) for rows, asked in ties]
        self.mean = np.empty((self.n_nodes, n_targets))
        self._told = []
        self._e = np.empty((self.n_nodes, x.shape[1], n_targets))
        for r in range(self.n_nodes):
            data, v = known.solved(r), known.variances[r]
            if self._share is None:
                c = sum((vk * g for vk, g in zip(v, cross, strict=True)), np.zeros((n, n_targets)))
                c[self._row[again], again] += known.own[r, self._row[again]]
            else:
                c = parts * np.concatenate([v, known.own[r]])[of_part]
            w = data.root.times(c)
            self._told.append(w.T @ w)
            of_x, of_rest = data.x.T @ w, data.rest @ w
            if self._share is not None:
                of_x, of_rest = of_x @ self._share, of_rest @ self._share
            self._e[r] = solve_triangular(data.gram, x.T - of_x, lower=True)
            self.mean[r] = x @ data.b + of_rest

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
        e = self._e[:, :, at]
        cov = e.swapaxes(1, 2) @ e - np.array([self._told_of(told, at) for told in self._told])
        v = self.known.variances[: self.n_nodes]
        for k, tie in enumerate(self._ties):
            part = tie[0][at], tie[1][at]
            cov += v[:, k, None, None] * shared(part, part)
        if self.known.readings:
            cov += self._own_again(at)
        return Block(self.mean[:, at], cov, self.noise[:, at])

    def collapsed(self, chosen: Sequence[int]) -> Block:
        """The same over all draws together: mean and covariance of the mixture (R = 1)."""
        at = np.asarray(chosen, dtype=int)
        e, mean = self._e[:, :, at].reshape(-1, len(at)), self.mean[:, at]
        off = mean - mean.mean(axis=0)
        cov = (e.T @ e + off.T @ off) / self.n_nodes - self._told_of(self._told_on_average, at)
        for v, tie in zip(
            self.known.variances[: self.n_nodes].mean(axis=0), self._ties, strict=True
        ):
            part = tie[0][at], tie[1][at]
            cov += v * shared(part, part)
        if self.known.readings:
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

    @cached_property
    def _told_on_average(self) -> np.ndarray:
        return sum(self._told) / self.n_nodes

    def _told_of(self, told: np.ndarray, at: np.ndarray) -> np.ndarray:
        """What the data tell of some targets (T, T), from what they tell of all parts."""
        if self._share is None:
            return told[np.ix_(at, at)]
        return self._share[:, at].T @ told @ self._share[:, at]

    def _made_of(self, ties: Sequence[tuple]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """What targets share with the data, of one part per level of a random term.

        Returns
        -------
        parts : (n, q) array
            Covariance of the data with each part of variance 1.
        of_part : (q,) int array
            The variance of each part: place among those of the random terms, then of the rows.
        share : (q, T) array
            What each target holds of each part.
        """
        known = self.known
        n, n_targets = len(known.rows), len(self.targets)
        terms = [*ties, ((np.arange(n), np.ones(n)), (self._row, np.ones(n_targets)))]
        parts, of_part, shares = [], [], []
        for k, ((codes, weight), (asked, held)) in enumerate(terms):
            levels = np.intersect1d(asked[asked >= 0], codes)
            parts.append((codes[:, None] == levels) * weight[:, None])
            of_part.append(k + levels if k == len(ties) else np.full(len(levels), k))
            shares.append((levels[:, None] == asked) * held)
        return np.hstack(parts), np.concatenate(of_part).astype(int), np.vstack(shares)


def shared(a: tuple, b: tuple) -> np.ndarray:
    """Covariance of a random term with variance 1 between two sets of rows."""
    same = (a[0][:, None] == b[0][None, :]) & (a[0] >= 0)[:, None]
    return np.where(same, a[1][:, None] * b[1][None, :], 0.0)
