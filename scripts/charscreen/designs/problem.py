"""A plan as a search sees it: what may be chosen, what is fixed, how a choice is judged."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from charscreen.designs.terms import (
    ACTIVATION_FACTORS,
    FIRING_FACTORS,
    LOT_FACTORS,
    Terms,
)

DETERMINANT, PREDICTION, COMPARISON = "D", "I", "A"
# A weak prior on slopes, in lots, so that a start with too few settings has an inverse too.
_RIDGE = 1e-4


@dataclass(frozen=True)
class Problem:
    """What the search chooses from and within which limits.

    Parameters
    ----------
    terms : Terms
        The model.
    firing_settings, lot_settings, activation_settings : tuple of dict
        What a char firing, a lot and an activation firing may be set to, factor by factor.
        A lot setting holds ``activation``; where that is none it holds no ``koh_ratio``.
    activated : (n_lot_settings,) bool array
        Which lot settings are activated.
    allowed : (n_feedstocks, n_firing_settings, n_lot_settings, n_activation_settings) bool array
        What no condition forbids.
    sizes : (n_firings,) int array
        Lots of each char firing, reference lots among them.
    activation_firings, activation_size : int
        Activation firings at most, and lots in each at most.
    fixed : (n_lots,) int array
        Feedstock of a lot that is given (a reference), -1 for one to be chosen; lots stand firing
        by firing.
    fixed_setting : (n_lots,) int array
        Lot setting of a given lot, else -1.
    kinds : tuple of (int, bool)
        Feedstock and activation of each lot to be chosen, as the search starts.
    least : (n_feedstocks, 2) int array
        Lots to be chosen at least, without and with activation.
    most : (n_feedstocks,) int array
        Lots at most, for example for the stock.
    ratios : tuple of float
        Variance of firings over that of lots, each as likely.
    criterion : str
        D, I or A.
    prior : (n_ratios, p, p) array
        What is known already, for example from lots that are kept.
    weights : (p, p) array
        For I and A: the criterion is the trace of this times the inverse information.
    """

    terms: Terms
    firing_settings: tuple[dict, ...]
    lot_settings: tuple[dict, ...]
    activation_settings: tuple[dict, ...]
    activated: np.ndarray
    allowed: np.ndarray
    sizes: np.ndarray
    activation_firings: int
    activation_size: int
    fixed: np.ndarray
    fixed_setting: np.ndarray
    kinds: tuple[tuple[int, bool], ...]
    least: np.ndarray
    most: np.ndarray
    ratios: tuple[float, ...]
    criterion: str
    prior: np.ndarray
    weights: np.ndarray
    firing_coded: np.ndarray = field(init=False)
    lot_coded: np.ndarray = field(init=False)
    activation_coded: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        for name, settings, factors in (
            ("firing_coded", self.firing_settings, FIRING_FACTORS),
            ("lot_coded", self.lot_settings, LOT_FACTORS),
            ("activation_coded", self.activation_settings, ACTIVATION_FACTORS),
        ):
            object.__setattr__(self, name, code_settings(self.terms, settings, factors))

    def rows(
        self, feed: np.ndarray, firing: np.ndarray, lot: np.ndarray, activation: np.ndarray
    ) -> np.ndarray:
        """Model rows of lots given by the positions of their settings.

        Parameters
        ----------
        feed, firing, lot, activation : (n,) int arrays
            Feedstock and settings; the last is not looked at where the lot is not activated.

        Returns
        -------
        (n, p) array
        """
        coded = self.firing_coded[firing] + self.lot_coded[lot]
        if len(self.activation_coded):
            on = self.activated[lot]
            coded = coded + np.where(on[:, None], self.activation_coded[activation], 0.0)
        return self.terms.columns(feed, coded)

    def may(
        self, feed: np.ndarray, firing: np.ndarray, lot: np.ndarray, activation: np.ndarray
    ) -> np.ndarray:
        """Whether lots are allowed; settings as in `rows`, broadcast."""
        return self.allowed[feed, firing, lot, np.maximum(activation, 0)]


def code_settings(terms: Terms, settings: Sequence[Mapping], factors: Sequence[str]) -> np.ndarray:
    """Coded factors of settings, 0 for those they do not hold: (n_settings, n_scales)."""
    out = np.zeros((len(settings), len(terms.scales)))
    for j, scale in enumerate(terms.scales):
        if scale.name in factors:
            values = [setting.get(scale.name, np.nan) for setting in settings]
            out[:, j] = scale.code(np.array(values, dtype=object))
    return out


def weights_of(problem_rows: np.ndarray, *, n_feedstocks: int, criterion: str) -> np.ndarray:
    """What a criterion weighs the covariance of the estimates with.

    Parameters
    ----------
    problem_rows : (n_points, p) array
        Model rows of points spread over everything that is allowed.
    n_feedstocks : int
        The first columns are their means.
    criterion : str
        I: mean variance of a prediction over the points. A: mean variance of a difference between
        two feedstocks, and the variance of each slope, added. D: not used.

    Returns
    -------
    (p, p) array
    """
    p = problem_rows.shape[1]
    if criterion == PREDICTION:
        return problem_rows.T @ problem_rows / len(problem_rows)
    weights = np.eye(p)
    if n_feedstocks > 1:
        centred = np.eye(n_feedstocks) - 1.0 / n_feedstocks
        weights[:n_feedstocks, :n_feedstocks] = 2.0 / (n_feedstocks - 1) * centred
    else:
        weights[0, 0] = 0.0
    return weights


def weak_prior(n_ratios: int, *, n_feedstocks: int, p: int) -> np.ndarray:
    """A prior that only keeps the search from failing: (n_ratios, p, p)."""
    return np.broadcast_to(np.eye(p) * _RIDGE, (n_ratios, p, p)).copy()
