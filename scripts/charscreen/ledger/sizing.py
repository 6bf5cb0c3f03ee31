"""How much feed to weigh so that enough finished carbon is left."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import ndtr, ndtri

#: What may keep the feed below what the wanted carbon would need.
CRUCIBLE, KOH = "crucible volume", "KOH per crucible"
# Nodes of the mean over the activation yield; 200 midpoints of probability give 4 digits.
_NODES = (np.arange(200) + 0.5) / 200


@dataclass(frozen=True)
class Sizing:
    """Feed of one lot and what it is expected to give.

    Parameters
    ----------
    feed_ar_g, feed_dry_g : float
        Feed to weigh as received, and the dry matter in it. [g]
    expected_char_g : float
        Mean char. [g]
    koh_g : float or None
        KOH to weigh for the expected char, within the limit per crucible; None without
        activation. [g]
    expected_carbon_g : float
        Mean finished carbon, losses through a KOH limit included. [g]
    chance_of_falling_short_percent : float
        Chance that less than the wanted carbon is left. [%]
    limited_by : str
        `CRUCIBLE` or `KOH` where that keeps the feed below what was wanted, else empty.
    """

    feed_ar_g: float
    feed_dry_g: float
    expected_char_g: float
    koh_g: float | None
    expected_carbon_g: float
    chance_of_falling_short_percent: float
    limited_by: str


def size_feed(
    wanted_carbon_g: float,
    *,
    moisture_ar_percent: float,
    yield_char_d_percent: float,
    yield_char_spread_percent: float,
    yield_activated_percent: float | None = None,
    yield_activated_spread_percent: float | None = None,
    moisture_u_percent: float = 1.0,
    short_chance_percent: float = 10.0,
    bulk_density_g_per_L: float | None = None,
    crucible_volume_mL: float | None = None,
    koh_ratio: float | None = None,
    max_koh_g: float | None = None,
    koh_purity_percent: float = 100.0,
) -> Sizing:
    """Feed to weigh for a wanted mass of carbon with a stated chance of falling short.

    Parameters
    ----------
    wanted_carbon_g : float
        Finished carbon wanted from the lot. [g]
    moisture_ar_percent : float
        Water in the feed as received. [%]
    yield_char_d_percent : float
        Expected (mean) char yield on dry feed. [%]
    yield_char_spread_percent : float
        Standard deviation of that yield from lot to lot, relative to it. [%]
    yield_activated_percent, yield_activated_spread_percent : float, optional
        The same for the activation; None: the char is the finished carbon. [%]
    moisture_u_percent : float
        Standard uncertainty of the moisture. [percentage points]
    short_chance_percent : float
        Chance of falling short that is accepted. [%]
    bulk_density_g_per_L, crucible_volume_mL : float, optional
        Bulk density of the feed as received [g/L] and volume of a crucible [mL]; the feed is
        capped where both are given.
    koh_ratio, max_koh_g : float, optional
        Pure KOH per gram of char [g/g] and the most KOH one crucible takes, as weighed [g]; where
        both are given no more char than that is activated, and no more is made.
    koh_purity_percent : float
        KOH in the pellets; their mass is the pure KOH over this. [%]

    Returns
    -------
    Sizing

    Raises
    ------
    ValueError
        Where a figure is missing, not above zero, or a percentage out of its range.

    Notes
    -----
    Carbon = feed · (1 − w) · Y_char · Y_act with independent lognormal factors of the stated
    means and relative standard deviations c, σ² = ln(1 + c²); with a KOH limit the char that
    goes on is min(char, KOH limit/ratio), the ratio being pellets per char.
    The feed solves P(carbon < wanted) = chance. The lognormal form is common practice, no source.
    """
    chain = _Chain(
        wanted_carbon_g,
        moisture_ar_percent=moisture_ar_percent,
        moisture_u_percent=moisture_u_percent,
        yield_char_d_percent=yield_char_d_percent,
        yield_char_spread_percent=yield_char_spread_percent,
        yield_activated_percent=yield_activated_percent,
        yield_activated_spread_percent=yield_activated_spread_percent,
        koh_ratio=koh_ratio,
        max_koh_g=max_koh_g,
        koh_purity_percent=koh_purity_percent,
    )
    if not 0 < short_chance_percent < 100:
        raise ValueError(f"short_chance_percent is {short_chance_percent}, not between 0 and 100")
    target = short_chance_percent / 100.0
    caps = []
    if bulk_density_g_per_L is not None and crucible_volume_mL is not None:
        _require_positive(
            bulk_density_g_per_L=bulk_density_g_per_L, crucible_volume_mL=crucible_volume_mL
        )
        caps.append((bulk_density_g_per_L * crucible_volume_mL / 1000.0, CRUCIBLE))
    if np.isfinite(chain.char_limit_g):
        caps.append((chain.char_limit_g / chain.char_per_feed, KOH))
    free = wanted_carbon_g / chain.carbon_per_feed
    # Without a KOH limit this is the answer; with one it is a start for the search.
    free *= np.exp(chain.sigma**2 / 2.0 - chain.sigma * ndtri(target))
    cap, reason = min(caps, default=(np.inf, ""))
    if cap < np.inf and chain.chance_short(cap) > target:
        return chain.sizing(cap, reason)
    if np.isfinite(chain.char_limit_g):
        free = chain.least_feed(target, free / 1e3, min(cap, free * 1e3))
    return chain.sizing(float(free), "")


def carbon_from_feed(
    feed_ar_g: float,
    wanted_carbon_g: float,
    *,
    moisture_ar_percent: float,
    yield_char_d_percent: float,
    yield_char_spread_percent: float,
    yield_activated_percent: float | None = None,
    yield_activated_spread_percent: float | None = None,
    moisture_u_percent: float = 1.0,
    koh_ratio: float | None = None,
    max_koh_g: float | None = None,
    koh_purity_percent: float = 100.0,
) -> Sizing:
    """What a given feed is expected to leave: `size_feed` run forward.

    Parameters
    ----------
    feed_ar_g : float
        Feed as received. [g]
    wanted_carbon_g : float
        Carbon against which falling short is counted. [g]

    Notes
    -----
    Other parameters, errors and the model as in `size_feed`.
    """
    _require_positive(feed_ar_g=feed_ar_g)
    chain = _Chain(
        wanted_carbon_g,
        moisture_ar_percent=moisture_ar_percent,
        moisture_u_percent=moisture_u_percent,
        yield_char_d_percent=yield_char_d_percent,
        yield_char_spread_percent=yield_char_spread_percent,
        yield_activated_percent=yield_activated_percent,
        yield_activated_spread_percent=yield_activated_spread_percent,
        koh_ratio=koh_ratio,
        max_koh_g=max_koh_g,
        koh_purity_percent=koh_purity_percent,
    )
    return chain.sizing(feed_ar_g, "")


def carbon_for_cells(
    cells: int,
    *,
    coating_mg: float,
    carbon_percent: float,
    loss_percent: float = 0.0,
) -> float:
    """Finished carbon that a number of two-electrode cells takes. [g]

    Parameters
    ----------
    cells : int
        Cells, two electrodes each.
    coating_mg : float
        Dry coating of one electrode. [mg]
    carbon_percent : float
        Carbon in the dry coating. [%]
    loss_percent : float
        Carbon lost on the way into the coating. [%]

    Raises
    ------
    ValueError
        Where a figure is not above zero or a percentage out of its range.

    Notes
    -----
    carbon = 2 · cells · coating · share of carbon / (1 − loss)
    """
    _require_positive(cells=cells, coating_mg=coating_mg, carbon_percent=carbon_percent)
    if carbon_percent > 100:
        raise ValueError(f"carbon_percent is {carbon_percent}, more than the whole coating")
    if not 0 <= loss_percent < 100:
        raise ValueError(f"loss_percent is {loss_percent}, not from 0 to below 100")
    share = carbon_percent / 100.0 / (1.0 - loss_percent / 100.0)
    return 2.0 * cells * coating_mg / 1000.0 * share


class _Chain:
    """The lognormal chain from a gram of feed to finished carbon."""

    def __init__(
        self,
        wanted_carbon_g: float,
        *,
        moisture_ar_percent: float,
        moisture_u_percent: float,
        yield_char_d_percent: float,
        yield_char_spread_percent: float,
        yield_activated_percent: float | None,
        yield_activated_spread_percent: float | None,
        koh_ratio: float | None,
        max_koh_g: float | None,
        koh_purity_percent: float,
    ) -> None:
        _require_positive(
            wanted_carbon_g=wanted_carbon_g, yield_char_d_percent=yield_char_d_percent
        )
        if not 0 <= moisture_ar_percent < 100:
            raise ValueError(
                f"moisture_ar_percent is {moisture_ar_percent}, not from 0 to below 100"
            )
        for name, value in (
            ("yield_char_d_percent", yield_char_d_percent),
            ("yield_activated_percent", yield_activated_percent),
        ):
            if value is not None and value > 100:
                raise ValueError(f"{name} is {value}, more than the material put in")
        for name, value in (
            ("moisture_u_percent", moisture_u_percent),
            ("yield_char_spread_percent", yield_char_spread_percent),
            ("yield_activated_spread_percent", yield_activated_spread_percent),
        ):
            if value is not None and not value >= 0:
                raise ValueError(f"{name} is {value}, below zero")
        self.wanted_carbon_g = wanted_carbon_g
        self.solids = 1.0 - moisture_ar_percent / 100.0
        self.char_per_feed = self.solids * yield_char_d_percent / 100.0
        self.sigma_char = np.hypot(
            _log_sd(moisture_u_percent / 100.0 / self.solids),
            _log_sd(yield_char_spread_percent / 100.0),
        )
        self.activated = yield_activated_percent is not None
        self.yield_activated, self.sigma_act = 1.0, 0.0
        self.koh_ratio, self.max_koh_g, self.char_limit_g = None, None, np.inf
        if self.activated:
            _require_positive(yield_activated_percent=yield_activated_percent)
            if yield_activated_spread_percent is None:
                raise ValueError("yield_activated_spread_percent is missing beside the yield")
            self.yield_activated = yield_activated_percent / 100.0
            self.sigma_act = _log_sd(yield_activated_spread_percent / 100.0)
            if not 0 < koh_purity_percent <= 100:
                raise ValueError(
                    f"koh_purity_percent is {koh_purity_percent}, not above 0 and up to 100"
                )
            # From here on pellets as weighed per char.
            koh_ratio = None if koh_ratio is None else koh_ratio / (koh_purity_percent / 100.0)
            self.koh_ratio = koh_ratio
            if koh_ratio is not None and max_koh_g is not None:
                _require_positive(koh_ratio=koh_ratio, max_koh_g=max_koh_g)
                self.max_koh_g = max_koh_g
                self.char_limit_g = max_koh_g / koh_ratio
        self.carbon_per_feed = self.char_per_feed * self.yield_activated
        self.sigma = float(np.hypot(self.sigma_char, self.sigma_act))

    def chance_short(self, feed_ar_g: float) -> float:
        """P(carbon < wanted) from a feed."""
        if np.isinf(self.char_limit_g):
            return _below(self.wanted_carbon_g, feed_ar_g * self.carbon_per_feed, self.sigma)
        within = self._needed_g[self._needed_g <= self.char_limit_g]
        short = _below(within, feed_ar_g * self.char_per_feed, self.sigma_char)
        return float((len(_NODES) - len(within) + short.sum()) / len(_NODES))

    @cached_property
    def _needed_g(self) -> np.ndarray:
        """For each activation yield, the char that would just do; above the limit none will. [g]"""
        yields = self.yield_activated * np.exp(
            self.sigma_act * ndtri(_NODES) - self.sigma_act**2 / 2.0
        )
        return self.wanted_carbon_g / yields

    def least_feed(self, chance: float, lo: float, hi: float) -> float:
        """Least feed between two bounds whose chance of falling short is no larger. [g]"""
        for _ in range(60):
            middle = float(np.sqrt(lo * hi))
            lo, hi = (middle, hi) if self.chance_short(middle) > chance else (lo, middle)
        return hi

    def sizing(self, feed_ar_g: float, limited_by: str) -> Sizing:
        char = feed_ar_g * self.char_per_feed
        on = char
        if np.isfinite(self.char_limit_g):
            on = self._mean_of_capped(char)
        koh = None
        if self.koh_ratio is not None:
            koh = min(char, self.char_limit_g) * self.koh_ratio
        return Sizing(
            feed_ar_g=float(feed_ar_g),
            feed_dry_g=float(feed_ar_g * self.solids),
            expected_char_g=float(char),
            koh_g=None if koh is None else float(koh),
            expected_carbon_g=float(on * self.yield_activated),
            chance_of_falling_short_percent=100.0 * float(self.chance_short(feed_ar_g)),
            limited_by=limited_by,
        )

    def _mean_of_capped(self, mean_char_g: float) -> float:
        """E[min(char, limit)] of a lognormal char of a given mean. [g]"""
        limit, s = self.char_limit_g, self.sigma_char
        if s == 0:
            return min(mean_char_g, limit)
        z = (np.log(limit / mean_char_g) + s**2 / 2.0) / s
        return float(mean_char_g * ndtr(z - s) + limit * ndtr(-z))


def _log_sd(relative: float) -> float:
    return float(np.sqrt(np.log1p(relative**2)))


def _below(limit: np.ndarray, mean: float, sigma: float) -> np.ndarray:
    """P(X < limit) of a lognormal X with a mean and a log standard deviation."""
    if sigma == 0:
        return np.where(np.asarray(limit) > mean * (1 + 1e-12), 1.0, 0.0)
    return ndtr((np.log(limit / mean) + sigma**2 / 2.0) / sigma)


def _require_positive(**values: float) -> None:
    for name, value in values.items():
        if value is None or not np.isfinite(value) or value <= 0:
            raise ValueError(f"{name} is {value}; it must be above zero")
