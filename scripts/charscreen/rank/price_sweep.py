"""Costs of the candidates as one price after the other is varied."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from charscreen.rank.cost import PRICES
from charscreen.rank.facts import Facts
from charscreen.rank.merits import MeritSource
from charscreen.rank.sensitivity import price_sensitivity

COSTS = ("cost_per_device_F", "cost_per_kg_d")
PRICE_WORDS = {
    "electricity_per_kWh": ("of electricity", "kWh"),
    "labour_per_h": ("of labour", "h"),
    "koh_per_kg": ("of KOH", "kg"),
    "acid_per_L": ("of acid", "L"),
}


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
    """Which candidate is cheapest as each price above zero is varied.

    Parameters
    ----------
    ranking : DataFrame
        candidate, merit: who is ranked.
    candidates, models, draws, facts, part, seed
        As the ranking was made with; see `charscreen.rank.merits.MeritSource`.
    merits : sequence of str
        Those of the settings; the first cost among them counts.

    Returns
    -------
    merit : str
        The cost that was swept, or "" without one.
    tables : list of DataFrame
        One per price, see `charscreen.rank.sensitivity.price_sensitivity`.

    Notes
    -----
    A cost is linear in each price, so two evaluations give it at all.
    """
    merit = next((name for name in merits if name in COSTS), "")
    given = [name for name in PRICES if (facts.prices.get(name) or 0) > 0]
    ranked = ranking.loc[ranking["merit"] == merit, "candidate"].tolist()
    if not ranked or not given:
        return "", []
    asked = candidates[candidates["candidate"].isin(ranked)].reset_index(drop=True)

    def cost(changed: Mapping[str, float]) -> tuple[list[str], np.ndarray]:
        at = replace(facts, prices={**facts.prices, **changed})
        source = MeritSource(asked, models, draws, seed=seed, facts=at, part=part)
        found = source.draws_of(merit)
        return source.candidates.loc[found.ranked, "candidate"].tolist(), found.values

    names, now = cost({})
    tables = []
    currency = facts.prices.get("currency", "money")
    for name in given:
        price = float(facts.prices[name])
        slope = (now - cost({name: 0.0})[1]) / price

        def values(amount: float, slope: np.ndarray = slope, price: float = price) -> np.ndarray:
            return -(now + (amount - price) * slope)

        unit = f"{currency}/{PRICE_WORDS[name][1]}"
        tables.append(price_sensitivity(values, names, price=name, now=price, unit=unit))
    return merit, tables
