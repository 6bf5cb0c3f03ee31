"""One random term of a mixed model, as its levels lie over the rows."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class RandomTerm:
    """One random term: each observation touches one level of it, or none.

    Parameters
    ----------
    name : str
        As given, for example ``firing:run`` or ``feedstock|peak_temperature_C``.
    columns : tuple of str
        Crossed grouping columns.
    covariate : str or None
        Column of a random slope.
    centre, scale : float
        The slope multiplies (covariate - centre) / scale; 0 and 1 for an intercept.
    levels : list of str
        Names of the levels, crossed columns joined by a colon.
    codes : (n,) int array
        Level of each row; -1 where the row belongs to no level (its row of Z is zero).
    values : (n,) array
        The entry of Z: 1 for an intercept, the scaled covariate for a slope, 0 for no level.
    """

    name: str
    columns: tuple[str, ...]
    covariate: str | None
    centre: float
    scale: float
    levels: list[str]
    codes: np.ndarray
    values: np.ndarray
