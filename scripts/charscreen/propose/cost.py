"""What a move costs: work, kiln hours, and money where prices are given."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.costs import firing_cost, heating_hours, lot_cost
from charscreen.plan.settings import KOH

#: Unit of what is reckoned by the config's part `costs`.
WORK = "costs"
#: Prices; without any of them money is not reckoned.
PRICES = ("koh_per_kg", "acid_per_L", "electricity_per_kWh", "labour_per_h")


def move_cost(
    firings: list[pd.DataFrame],
    *,
    n_cells: int,
    costs: Mapping,
    prices: Mapping,
    kiln: Mapping,
    feed_price_per_kg: Mapping[str, float],
) -> dict:
    """What it takes to make lots in new firings, and cells.

    Parameters
    ----------
    firings : list of DataFrame
        The lots of each char firing, with feed_ar_g, expected_char_g and koh_g. [g]
    n_cells : int
        Cells made in all.
    costs : mapping
        ``firing``, ``lot``, ``cell``, in one unit. [any]
    prices : mapping
        Prices; see `charscreen.costs`.
    kiln : mapping
        ``ramp_C_per_min``, ``cooling_h``, ``power_kW``.
    feed_price_per_kg : mapping
        By feedstock; unknown counts as nothing. [money/kg]

    Returns
    -------
    dict
        ``work`` (unit of `costs`), ``kiln_h`` [h] and ``money`` (None without prices). The
        activation firing that KOH lots need counts as a firing.
    """
    work, hours, heating = float(costs["cell"]) * n_cells, 0.0, []
    ramp, money_of_lots = kiln.get("ramp_C_per_min"), 0.0
    for lots in firings:
        hot = [(lots["peak_temperature_C"].iloc[0], lots["hold_min"].iloc[0])]
        koh = lots[lots["activation"] == KOH]
        if len(koh):
            second = koh[["activation_temperature_C", "activation_hold_min"]].iloc[0]
            hot.append(tuple(second.fillna(0.0)))
        work += float(costs["firing"]) * len(hot) + float(costs["lot"]) * len(lots)
        heating += [float(heating_hours(t, h, ramp_C_per_min=ramp)) for t, h in hot]
        hours += len(hot) * float(kiln.get("cooling_h") or 0)
        money_of_lots += float(
            lot_cost(
                feed_ar_kg=lots["feed_ar_g"].fillna(0.0) / 1000,
                feed_price_per_kg=lots["feedstock"].map(feed_price_per_kg).astype(float),
                koh_g=lots["koh_g"].fillna(0.0),
                char_taken_g=np.where(
                    lots["activation"] == KOH, lots["expected_char_g"].fillna(0.0), 0.0
                ),
                firing_share=0.0,
                prices=prices,
            ).sum()
        )
    money = None
    if any(prices.get(name) is not None for name in PRICES):
        power = float(kiln.get("power_kW") or 0)
        money = money_of_lots + float(firing_cost(heating, power_kW=power, prices=prices).sum())
        labour = float(prices.get("labour_per_h") or 0) * float(
            prices.get("labour_h_per_cell") or 0
        )
        money += labour * n_cells
    return {"work": work, "kiln_h": hours + sum(heating), "money": money}
