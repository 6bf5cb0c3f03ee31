"""Costs of the candidates as one price after the other is varied."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from charscreen.arithmetic import evaluate
from charscreen.rank.cost import PRICES
from charscreen.rank.facts import Facts
from charscreen.rank.merits import MeritSource
from charscreen.rank.sensitivity import median_bounds, price_sensitivity, thinning

COSTS = ("cost_per_device_F", "cost_per_kg_d")
FEED = "price_per_kg"
PRICE_WORDS = {
    "electricity_per_kWh": ("of electricity", "kWh"),
    "labour_per_h": ("of labour", "h"),
    "koh_per_kg": ("of KOH", "kg"),
    "acid_per_L": ("of acid", "L"),
}
_SLACK = 1e-9  # of a median, so that rounding leaves no candidate out that may be the best
_TIMES = 10.0
"""Feed is tried up to so many times the price of the dearest."""


def sweep_prices(
    ranking: pd.DataFrame,
    candidates: pd.DataFrame,
    models: Mapping[str, dict],
    draws: Mapping[str, pd.DataFrame],
    *,
    merits: Sequence[str],
    facts: Facts,
    part: str,
    seed: int,
) -> tuple[str, list[pd.DataFrame]]:
    """Which candidate is chosen as each price above zero, and that of each feed, is varied.

    Parameters
    ----------
    ranking : DataFrame
        candidate, merit: who is ranked.
    candidates, models, draws, facts, part, seed
        As the ranking was made with; see `charscreen.rank.merits.MeritSource`.
    merits : sequence of str
        Those of the settings; the first among them that prices enter counts: a cost, or an
        expression that names a cost or the price of the feed.

    Returns
    -------
    merit : str
        The merit that was swept, or "" without one.
    tables : list of DataFrame
        One per price, see `charscreen.rank.sensitivity.price_sensitivity`; those of feed by the
        id of the feedstock.

    Notes
    -----
    A cost is linear in each price, so two evaluations give it at all; an expression is worked out
    from the costs at each. Feed is tried from nothing to ten times the price of the dearest feed
    or, where none has a price, of that at which feed makes up half of what the choice costs now.
    """
    merit = priced_merit(merits, facts)
    ranked = ranking.loc[ranking["merit"] == merit, "candidate"].tolist()
    if not ranked:
        return "", []
    asked = candidates[candidates["candidate"].isin(ranked)].reset_index(drop=True)
    source = MeritSource(asked, models, draws, seed=seed, facts=facts, part=part)
    found = source.draws_of(merit)
    names = source.candidates.loc[found.ranked, "candidate"].tolist()
    sign = 1.0 if found.better == "more" else -1.0
    need = _parts(merit, facts)
    fewer = source.every(thinning(source.n_draws))

    def parts_at(changed: Facts) -> dict[str, np.ndarray]:
        at = fewer.at(changed)
        return {name: at.quantity(name).values[:, found.ranked] for name in need}

    now_parts = parts_at(facts)

    def steps(changed: Facts, by: float) -> dict[str, np.ndarray]:
        return {name: (new - now_parts[name]) / by for name, new in parts_at(changed).items()}

    def swept(name: str, now: float, unit: str, slope: Mapping, top: float | None = None):
        straight = None if merit in facts.expressions else sign
        score = _scores(now_parts, slope, now, lambda p: sign * _merit(merit, p, facts), straight)
        return price_sensitivity(score, names, price=name, now=now, unit=unit, top=top)

    tables = []
    currency = facts.prices.get("currency", "money")
    for name in [name for name in PRICES if (facts.prices.get(name) or 0) > 0]:
        now = float(facts.prices[name])
        slope = steps(replace(facts, prices={**facts.prices, name: 2 * now}), now)
        tables.append(swept(name, now, f"{currency}/{PRICE_WORDS[name][1]}", slope))
    of_feed = source.candidates.loc[found.ranked, "feedstock"].to_numpy()
    slopes = {name: steps(*_dearer(facts, name)) for name in sorted(set(of_feed))}
    best = int(np.argmax(np.median(sign * _merit(merit, now_parts, facts), axis=0)))
    top = _TIMES * _scale(facts, now_parts, slopes, of_feed[best], best)
    for name, slope in slopes.items() if top > 0 else ():
        tables.append(swept(name, _feed_price(facts, name), f"{currency}/kg", slope, top))
    return (merit, tables) if tables else ("", [])


def priced_merit(merits: Sequence[str], facts: Facts) -> str:
    """The first merit that prices enter, or "" without one."""
    return next((name for name in merits if _parts(name, facts)), "")


def _parts(merit: str, facts: Facts) -> list[str]:
    """What a merit is worked out from, or nothing where no price enters it."""
    own = facts.expressions.get(merit)
    parts = list(own.expression.names) if own else [merit]
    return parts if {*COSTS, FEED} & set(parts) else []


def _merit(merit: str, parts: Mapping[str, np.ndarray], facts: Facts) -> np.ndarray:
    if merit not in facts.expressions:
        return parts[merit]
    return evaluate(facts.expressions[merit].expression, parts)


def _scores(
    now_parts: Mapping[str, np.ndarray],
    slope: Mapping[str, np.ndarray],
    now: float,
    merit_of: Callable[[Mapping[str, np.ndarray]], np.ndarray],
    straight: float | None,
) -> Callable[[float], np.ndarray]:
    """Medians (n,) of the merit by price; worked out anew only for those that the price moves.

    Where the merit is `straight` times its one part, those that cannot be the best at a price are
    minus infinity there: the bounds of their median lie below another one.
    """
    moves = np.any([(step != 0).any(axis=0) for step in slope.values()], axis=0)
    fixed = np.median(merit_of(now_parts), axis=0)
    if straight is not None:
        (part,) = now_parts
        both = straight * np.stack([now_parts[part], slope[part]], axis=2)
        low, high = median_bounds(both)
    others = fixed[~moves].max(initial=-np.inf)

    def score(amount: float) -> np.ndarray:
        found, able = fixed.copy(), moves
        if straight is not None:
            by = np.array([1.0, amount - now])
            ends = np.where(by > 0, low, high) @ by, np.where(by > 0, high, low) @ by
            least = max(others, ends[0][moves].max(initial=-np.inf))
            able = moves & (ends[1] >= least - _SLACK * abs(least))
            found[moves & ~able] = -np.inf
        if able.any():
            moved = {
                name: values[:, able] + (amount - now) * slope[name][:, able]
                for name, values in now_parts.items()
            }
            found[able] = np.median(merit_of(moved), axis=0)
        return found

    return score


def _feed_price(facts: Facts, name: str) -> float:
    return float(facts.feedstocks.get(name, {}).get(FEED) or 0.0)


def _dearer(facts: Facts, name: str) -> tuple[Facts, float]:
    """Facts with a dearer feed of one feedstock, and by how much it is dearer. [money/kg]"""
    now = _feed_price(facts, name)
    row = {**facts.feedstocks.get(name, {}), FEED: (2 * now) or 1.0}
    return replace(facts, feedstocks={**facts.feedstocks, name: row}), now or 1.0


def _scale(facts: Facts, now_parts: Mapping, slopes: Mapping, feed: str, best: int) -> float:
    """Price of the dearest feed or, without any, that which doubles the cost of the choice."""
    dearest = max((_feed_price(facts, name) for name in slopes), default=0.0)
    if dearest > 0:
        return dearest
    for name in COSTS:
        if name in now_parts and (slopes[feed][name][:, best] > 0).all():
            return float(np.median(now_parts[name][:, best] / slopes[feed][name][:, best]))
    return 0.0
