"""What it costs to turn feed into carbon at a condition, from prices and yields."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.costs import firing_cost, heating_hours, lot_cost
from charscreen.models.covariates import is_activated
from charscreen.rank.facts import Facts
from charscreen.words import PRICES

NO_PRICE = (
    "no price is given: write some under prices in config/config.yaml (electricity_per_kWh, "
    "koh_per_kg, acid_per_L, labour_per_h), or price_per_kg in config/feedstocks.csv"
)


def cost_per_kg(
    candidates: pd.DataFrame, char_percent: np.ndarray, facts: Facts
) -> tuple[np.ndarray, list[str]]:
    """Cost of turning one kilogram of dry feed into finished carbon, and why it is not known.

    Parameters
    ----------
    candidates : DataFrame, n rows
        feedstock, activation, koh_ratio, peak_temperature_C, hold_min, activation_temperature_C,
        activation_hold_min. [°C, min, g per g char]
    char_percent : (n_draws, n) array
        Draws of the char yield, dry basis. [%]
    facts : Facts
        Kiln, prices, feedstocks.

    Returns
    -------
    cost : (n_draws, n) array
        [money/kg dry feed]
    reasons : list of str
        Per candidate why it has none, or "".

    Notes
    -----
    A lot is one crucible filled with feed to its volume. It takes 1/k of a char firing of k
    crucibles. Activated, its char goes into as many crucibles as the KOH of one allows
    (``plan.max_koh_g``), one at least, and each takes 1/k of an activation firing. Electricity is
    power times heating time (from 20 °C at the kiln's rate, and the hold). Prices that are left
    empty count as nothing.
    """
    n = len(candidates)
    feeds = [facts.feedstocks.get(name, {}) for name in candidates["feedstock"]]
    activated = is_activated(candidates["activation"])
    reasons = _reasons(candidates, feeds, activated, facts)
    known = [not reason for reason in reasons]
    cost = np.full((len(char_percent), n), np.nan)
    if not any(known):
        return cost, reasons
    rows = np.flatnonzero(known)
    at = candidates.iloc[rows]
    wet = np.array([feeds[k]["moisture_ar_percent"] for k in rows], dtype=float) / 100
    density = np.array([feeds[k]["bulk_density_g_per_L"] for k in rows], dtype=float)
    price = np.array([_number(feeds[k].get("price_per_kg")) for k in rows], dtype=float)
    feed_ar_kg = density * facts.kiln["crucible_volume_mL"] / 1e6
    dry_kg = feed_ar_kg * (1 - wet)
    char_g = 10 * char_percent[:, rows] * dry_kg
    on = activated[rows]
    ratio = np.where(on, pd.to_numeric(at["koh_ratio"]).to_numpy(float), 0.0)
    koh_g = char_g * ratio / (facts.koh_purity_percent / 100)
    share = _share(at["peak_temperature_C"], at["hold_min"], facts)
    second = _share(at["activation_temperature_C"], at["activation_hold_min"], facts)
    crucibles = np.maximum(koh_g / facts.max_koh_g, 1.0)
    lot = lot_cost(
        feed_ar_kg=feed_ar_kg,
        feed_price_per_kg=price,
        koh_g=koh_g,
        char_taken_g=np.where(on, char_g, 0.0),
        firing_share=share + np.where(on, crucibles * second, 0.0),
        prices=facts.prices,
    )
    cost[:, rows] = lot / dry_kg
    return cost, reasons


def cost_sentences(facts: Facts) -> list[str]:
    """What the cost counts and what it leaves out, in plain sentences."""
    prices, kiln = facts.prices, facts.kiln
    words = {
        "electricity_per_kWh": "electricity {:g} {}/kWh",
        "labour_per_h": "labour {:g} {}/h",
        "koh_per_kg": "KOH {:g} {}/kg",
        "acid_per_L": "acid {:g} {}/L",
    }
    money = prices.get("currency", "money")
    given = [words[name].format(prices[name], money) for name in PRICES if prices.get(name)]
    idle = [words[name].split(" {")[0] for name in PRICES if not prices.get(name)]
    if prices.get("acid_per_L") and not prices.get("acid_mL_per_g_char"):
        idle.append("acid (acid_mL_per_g_char is empty)")
    if prices.get("labour_per_h") and not (
        prices.get("labour_h_per_firing") or prices.get("labour_h_per_lot")
    ):
        idle.append("labour (labour_h_per_firing and labour_h_per_lot are 0)")
    free = sorted(name for name, row in facts.feedstocks.items() if row.get("price_per_kg") is None)
    text = (
        f"Cost: crucibles filled to {kiln['crucible_volume_mL']:g} mL by bulk density, firings of "
        f"{kiln['crucibles']} crucibles at {kiln['power_kW']:g} kW while heating; making cells is "
        "not counted"
    )
    sentences = [f"{text}; {', '.join(given)}." if given else f"{text}."]
    if idle:
        sentences.append(f"Counted as nothing, since no price is given: {', '.join(idle)}.")
    if free:
        sentences.append(f"Feed counted as free, since no price is given: {', '.join(free)}.")
    return sentences


def has_prices(prices: Mapping, feedstocks: Sequence[Mapping]) -> bool:
    """Whether anything has a price at all; a price of 0 is one."""
    given = any(prices.get(name) is not None for name in PRICES)
    return given or any(row.get("price_per_kg") is not None for row in feedstocks)


def _reasons(candidates, feeds, activated, facts: Facts) -> list[str]:
    """Per candidate what is not stated that its cost needs, or ""."""
    if not facts.kiln or not has_prices(facts.prices, list(facts.feedstocks.values())):
        return [NO_PRICE] * len(candidates)
    reasons = []
    conditions = ("koh_ratio", "activation_temperature_C", "activation_hold_min")
    for row, feed, on in zip(candidates.to_dict("records"), feeds, activated, strict=True):
        missing = [
            name
            for name in ("moisture_ar_percent", "bulk_density_g_per_L")
            if feed.get(name) is None
        ]
        open_at = [name for name in conditions if on and not np.isfinite(_number(row[name]))]
        reason = ""
        if missing:
            reason = f"its cost needs {' and '.join(missing)} in config/feedstocks.csv"
        elif open_at:
            reason = f"its cost needs {' and '.join(open_at)} in config/design.csv"
        reasons.append(reason)
    return reasons


def _share(peak, hold, facts: Facts) -> np.ndarray:
    """Cost of a firing for one of its crucibles. [money]"""
    hours = heating_hours(
        np.asarray(peak, float),
        np.asarray(hold, float),
        ramp_C_per_min=facts.kiln["ramp_C_per_min"],
    )
    cost = firing_cost(hours, power_kW=facts.kiln["power_kW"], prices=facts.prices)
    return cost / facts.kiln["crucibles"]


def _number(value: object) -> float:
    return np.nan if value is None else float(value)
