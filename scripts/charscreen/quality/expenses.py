"""What a plan takes: hours, energy, chemicals, feed, money, days."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.costs import firing_cost, lot_cost
from charscreen.plan.summary import firing_hours
from charscreen.plan.timetable import calendar_of_firings
from charscreen.rounding import is_number

# Price of the settings and what it is of, in a sentence; labour by the hours it is asked for.
_PRICES = {
    "electricity_per_kWh": "electricity",
    "labour_per_h": "labour",
    "koh_per_kg": "KOH",
    "acid_per_L": "acid",
}


def plan_expenses(
    design: pd.DataFrame,
    lots: pd.DataFrame,
    *,
    feedstocks: Sequence[Mapping],
    plan: Mapping,
    kiln: Mapping,
    prices: Mapping,
    cells_per_lot: int,
) -> dict:
    """What the lots of a plan take, as plain data.

    Parameters
    ----------
    design, lots : DataFrame
        Tables of a plan.
    feedstocks : sequence of mappings
        feedstock, price_per_kg.
    plan, kiln, prices : mapping
        Those parts of the settings.
    cells_per_lot : int
        Cells made from each lot.

    Returns
    -------
    dict
        firings, activation_firings, lots, cells, kiln_hours, kWh, koh_g, acid_L, feed_ar_kg (by
        feedstock), work_hours, days, money, currency, money_without (what has no price). None
        where it cannot be reckoned. [h, kWh, g, L, kg, h, days, money]
    """
    firings = firing_hours(design, kiln)
    power = kiln.get("power_kW")
    n_cells = len(design) * cells_per_lot
    activated = lots["koh_g"].notna()
    char_g = lots["expected_char_g"].where(activated, 0.0)
    feed_g = lots.groupby("feedstock", sort=True)["feed_ar_g"].sum(min_count=1)
    per_g = prices.get("acid_mL_per_g_char")
    acid = float(char_g.sum()) * float(per_g) / 1000 if is_number(per_g) else None
    work = (
        _price(prices, "labour_h_per_firing") * len(firings)
        + _price(prices, "labour_h_per_lot") * len(design)
        + _price(prices, "labour_h_per_cell") * n_cells
    )
    feed_prices = {row["feedstock"]: row.get("price_per_kg") for row in feedstocks}
    return {
        "firings": int((firings["kind"] == "carbonise").sum()),
        "activation_firings": int((firings["kind"] == "activate").sum()),
        "lots": len(design),
        "cells": n_cells,
        "kiln_hours": _plain(firings["kiln_h"].sum(skipna=False)),
        "kWh": _plain(firings["heating_h"].sum(skipna=False) * float(power)) if power else None,
        "koh_g": _plain(lots["koh_g"].sum()),
        "acid_L": None if acid is None or not activated.any() else _plain(acid),
        "feed_ar_kg": {name: _plain(grams / 1000) for name, grams in feed_g.items()},
        "work_hours": _plain(work),
        "days": _days(design, firings, plan=plan, kiln=kiln),
        "money": _plain(
            _money(firings, lots, char_g, feed_prices, power, prices)
            + _price(prices, "labour_per_h") * _price(prices, "labour_h_per_cell") * n_cells
        ),
        "currency": str(prices.get("currency") or "money"),
        "money_without": _unpriced(lots, feed_prices, prices, work=work, activated=activated.any()),
    }


def _days(
    design: pd.DataFrame, firings: pd.DataFrame, *, plan: Mapping, kiln: Mapping
) -> int | None:
    """Working days until the last firing starts; None where a firing has no known length."""
    if not len(firings):
        return 0
    if firings["kiln_h"].isna().any():
        return None
    return int(calendar_of_firings(design, plan=plan, kiln=kiln)["day"].max())


def _money(firings, lots, char_g, feed_prices: Mapping, power, prices: Mapping) -> float:
    """Firings and lots; cells come on top."""
    of_firings = firing_cost(firings["heating_h"], power_kW=float(power or 0), prices=prices).sum()
    per_kg = [_number(feed_prices.get(name)) for name in lots["feedstock"]]
    of_lots = lot_cost(
        feed_ar_kg=lots["feed_ar_g"].fillna(0.0) / 1000,
        feed_price_per_kg=per_kg,
        koh_g=lots["koh_g"].fillna(0.0),
        char_taken_g=char_g.fillna(0.0),
        firing_share=0.0,
        prices=prices,
    ).sum()
    return float(of_firings + of_lots)


def _unpriced(lots, feed_prices: Mapping, prices: Mapping, *, work, activated) -> list[str]:
    """What counts as nothing because its price is not given."""
    missing = []
    for name, words in _PRICES.items():
        asked = activated if name in ("koh_per_kg", "acid_per_L") else True
        if asked and not is_number(prices.get(name)):
            missing.append(words)
    if activated and "acid" not in missing and not is_number(prices.get("acid_mL_per_g_char")):
        missing.append("acid")
    if is_number(prices.get("labour_per_h")) and not work:
        missing.append("labour (no hours given)")
    feeds = [name for name in sorted(set(lots["feedstock"])) if feed_prices.get(name) is None]
    if feeds:
        every = len(feeds) == lots["feedstock"].nunique()
        missing.append("feed" if every else f"feed of {', '.join(feeds)}")
    if not lots["feed_ar_g"].notna().all():
        missing.append("feed of unknown moisture")
    return missing


def _price(prices: Mapping, name: str) -> float:
    return float(prices.get(name) or 0.0)


def _number(value: object) -> float:
    return float(value) if is_number(value) else np.nan


def _plain(value: float) -> float | None:
    """Four significant digits; None where there is no number."""
    return float(f"{float(value):.4g}") if np.isfinite(value) else None
