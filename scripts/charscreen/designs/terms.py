"""What a planned model holds, and its matrix: feedstocks, factors coded -1 to 1, products."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

#: Factors by what carries them, in the order in which they stand in models and tables.
FIRING_FACTORS = ("peak_temperature_C", "hold_min", "ramp_C_per_min")
LOT_FACTORS = ("activation", "koh_ratio", "particle_size_mm", "drying_C")
ACTIVATION_FACTORS = ("activation_temperature_C", "activation_hold_min")
FACTORS = (*FIRING_FACTORS, *LOT_FACTORS, *ACTIVATION_FACTORS)
#: Factors that only an activated lot has; of the others they are no number.
ONLY_ACTIVATED = ("koh_ratio", *ACTIVATION_FACTORS)
NONE, KOH = "none", "KOH"
MAIN, INTERACTIONS, QUADRATIC = "main", "interactions", "quadratic"
MODELS = (MAIN, INTERACTIONS, QUADRATIC)


@dataclass(frozen=True)
class Scale:
    """How a factor is coded: its lowest value becomes -1, its highest +1.

    Parameters
    ----------
    name : str
        A column of the design.
    low, high : float
        Ends of its range, in its own unit; not used for `activation` (none -1, KOH +1).
    """

    name: str
    low: float = -1.0
    high: float = 1.0

    def code(self, values: np.ndarray) -> np.ndarray:
        """Values coded; what is missing (no activation) becomes 0, the middle of the range."""
        if self.name == "activation":
            return np.where(np.asarray(values, dtype=object) == KOH, 1.0, -1.0)
        coded = (2.0 * np.asarray(values, dtype=float) - self.low - self.high) / (
            self.high - self.low
        )
        return np.where(np.isnan(coded), 0.0, coded)


@dataclass(frozen=True)
class Terms:
    """The fixed part of a planned model: a mean for each feedstock, and products of factors.

    Parameters
    ----------
    feedstocks : tuple of str
        Each has a mean of its own (so there is no intercept).
    scales : tuple of Scale
        The factors that vary.
    products : tuple of tuple of str
        ``("hold_min",)`` a slope, ``("hold_min", "hold_min")`` its curvature,
        ``("peak_temperature_C", "hold_min")`` an interaction.
    """

    feedstocks: tuple[str, ...]
    scales: tuple[Scale, ...]
    products: tuple[tuple[str, ...], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns: feedstock[husk], hold_min, hold_min^2, hold_min:activation."""
        return (*(f"feedstock[{name}]" for name in self.feedstocks), *map(name_of, self.products))

    @cached_property
    def indices(self) -> np.ndarray:
        """Products as two positions among `scales`; one after the last for no second factor."""
        at = {scale.name: i for i, scale in enumerate(self.scales)}
        none = len(self.scales)
        pairs = [
            (at[product[0]], at[product[1]] if len(product) > 1 else none)
            for product in self.products
        ]
        return np.array(pairs, dtype=int).reshape(-1, 2)

    def columns(self, feed: np.ndarray, coded: np.ndarray) -> np.ndarray:
        """The model matrix from codes.

        Parameters
        ----------
        feed : (n,) int array
            Position of each lot's feedstock.
        coded : (n, n_scales) array
            Coded factors.

        Returns
        -------
        (n, p) array
        """
        out = np.zeros((len(feed), len(self.feedstocks) + len(self.products)))
        out[np.arange(len(feed)), feed] = 1.0
        padded = np.ones((len(feed), coded.shape[1] + 1))
        padded[:, :-1] = coded
        first, second = self.indices.T
        out[:, len(self.feedstocks) :] = padded[:, first] * padded[:, second]
        return out


def name_of(product: Sequence[str]) -> str:
    """Name of a term, for example hold_min^2."""
    if len(product) == 2 and product[0] == product[1]:
        return f"{product[0]}^2"
    return ":".join(product)


def terms_of(
    feedstocks: Sequence[str],
    factors: Mapping[str, Sequence],
    *,
    model: str = QUADRATIC,
    both_activations: bool | None = None,
) -> Terms:
    """Terms of a model over the factors that vary.

    Parameters
    ----------
    feedstocks : sequence of str
        Feedstocks of the plan, the reference among them.
    factors : mapping of str to sequence
        Levels of each factor, or the ends and any points between of a range.
    model : str
        `main`, `interactions` (of two factors, as well) or `quadratic` (curvature as well, of the
        factors with three levels or more).
    both_activations : bool, optional
        Whether lots with and without activation are planned; from the levels by default. The
        factors of activation are left out where none is activated.

    Notes
    -----
    Factors that only an activated lot has interact with `activation` by their coding: they are 0
    without it, so no such product is formed.
    """
    activation = list(factors.get("activation", (NONE,)))
    both = {NONE, KOH} <= set(activation) if both_activations is None else both_activations
    scales = []
    for name in FACTORS:
        levels = list(dict.fromkeys(factors.get(name, ())))
        if name == "activation":
            if both:
                scales.append(Scale("activation"))
        elif len(levels) > 1 and (name not in ONLY_ACTIVATED or KOH in activation):
            scales.append(Scale(name, float(min(levels)), float(max(levels))))
    names = [scale.name for scale in scales]
    products: list[tuple[str, ...]] = [(name,) for name in names]
    if model in (INTERACTIONS, QUADRATIC):
        products += [
            (first, second)
            for i, first in enumerate(names)
            for second in names[i + 1 :]
            if not (first == "activation" and second in ONLY_ACTIVATED)
        ]
    if model == QUADRATIC:
        products += [
            (name, name) for name in names if name != "activation" and len(set(factors[name])) > 2
        ]
    return Terms(tuple(feedstocks), tuple(scales), tuple(products))


def model_matrix(design: pd.DataFrame, terms: Terms) -> tuple[np.ndarray, tuple[str, ...]]:
    """Model matrix of a design and the names of its columns.

    Parameters
    ----------
    design : DataFrame
        A row per lot: feedstock and the factors of `terms`.
    terms : Terms
        What the model holds.

    Returns
    -------
    X : (n_lots, p) array
    names : tuple of p str

    Raises
    ------
    KeyError
        Where the design holds a feedstock that the terms do not know.
    """
    at = {name: i for i, name in enumerate(terms.feedstocks)}
    feed = np.array([at[name] for name in design["feedstock"]], dtype=int)
    coded = np.zeros((len(design), len(terms.scales)))
    for j, scale in enumerate(terms.scales):
        coded[:, j] = scale.code(design[scale.name].to_numpy())
    return terms.columns(feed, coded), terms.names
