"""What limits a plan beside the kiln: a budget, the working day, the stock of each feedstock."""

from collections.abc import Mapping
from math import floor

import numpy as np
import pandas as pd

from charscreen.costs import firing_cost, heating_hours, lot_cost
from charscreen.designs.terms import KOH
from charscreen.findings import STOPS, Finding
from charscreen.plan.feed import size_lots
from charscreen.plan.posing import count_activation_firings
from charscreen.plan.settings import PlanError, Wanted

_MOST_FIRINGS = 500


def check_budget(wanted: Wanted, *, sizing: Mapping, prices: Mapping) -> int | None:
    """Char firings that the budget allows; None without a budget, or where they are given.

    Parameters
    ----------
    wanted : Wanted
        The request with as many firings as are needed or given.
    sizing : mapping
        Arguments of `size_lots` beside the design.
    prices : mapping
        The config's part of that name.

    Raises
    ------
    PlanError
        Where the budget does not reach for one firing, or not for those given.

    Notes
    -----
    A firing counts at its longest setting, a lot at the dearest feedstock of the plan, and
    activated lots in the share in which they are planned, so the plan that is made never costs
    more.
    """
    plan = sizing["plan"]
    budget = {
        key: float(value) for key, value in (plan.get("budget") or {}).items() if value is not None
    }
    if not budget:
        return None
    problems = []
    given = plan.get("firings") is not None
    counts = []
    for key, limit in budget.items():
        one = _takes(wanted, 1, key, sizing=sizing, prices=prices)
        if limit < one - 1e-9:
            text = (
                f"{limit:g} {_UNITS[key]} is under one char firing with what follows it, which "
                f"takes {_round_up(one):g}. Allow for more."
            )
            problems.append(
                Finding("config", None, f"plan.budget.{key}", f"{limit:g}", STOPS, text)
            )
            continue
        if given:
            total = _takes(wanted, wanted.firings, key, sizing=sizing, prices=prices)
            if total > limit + 1e-9:
                text = (
                    f"{wanted.firings} char firings with what follows them take up to "
                    f"{_round_up(total):g} {_UNITS[key]}, and {limit:g} are allowed. Lower "
                    "plan.firings, or allow for more."
                )
                problems.append(
                    Finding("config", None, f"plan.budget.{key}", f"{limit:g}", STOPS, text)
                )
            continue
        n = 1
        while n < _MOST_FIRINGS and (
            _takes(wanted, n + 1, key, sizing=sizing, prices=prices) <= limit + 1e-9
        ):
            n += 1
        counts.append(n)
    if problems:
        raise PlanError(problems)
    return min(counts) if counts else None


def check_spent(summary: Mapping, *, plan: Mapping, kept: int) -> None:
    """Refuse a plan that takes more firings or hours than its budget.

    The kinds that fix their own lots may activate a larger share than `check_budget` counted with.

    Parameters
    ----------
    summary : mapping
        ``firings``, ``activation_firings``, ``kiln_hours`` of the whole plan.
    plan : mapping
        The config's part of that name.
    kept : int
        Rows kept from the design; with some, what was spent before cannot be told from it.

    Raises
    ------
    PlanError
    """
    if kept:
        return
    budget = plan.get("budget") or {}
    spent = {
        "firings": summary["firings"] + summary["activation_firings"],
        "hours": summary["kiln_hours"],
    }
    problems = [
        Finding(
            "config",
            None,
            f"plan.budget.{key}",
            f"{budget[key]:g}",
            STOPS,
            f"this plan takes {_round_up(total):g} {_UNITS[key]}, and {budget[key]:g} are allowed. "
            "Vary less, take fewer feedstocks, or choose kind: optimal.",
        )
        for key, total in spent.items()
        if budget.get(key) is not None and total > budget[key] * (1 + 1e-3)
    ]
    if problems:
        raise PlanError(problems)


_UNITS = {"firings": "firings", "hours": "h", "money": "money"}


def _takes(wanted: Wanted, n: int, key: str, *, sizing: Mapping, prices: Mapping) -> float:
    """What n char firings take at most, the activation firings after them counted."""
    plan, kiln = sizing["plan"], sizing["kiln"]
    lots = n * wanted.crucibles
    share = np.mean([activation == KOH for _, activation in wanted.lots]) if wanted.lots else 0.0
    activated = int(np.ceil(lots * share)) if share else 0
    after = count_activation_firings(wanted, activated, {**plan, "activation_firings": None})
    if plan.get("activation_firings"):
        after = max(after, int(plan["activation_firings"]))
    if key == "firings":
        return float(n + after)
    heating = longest_heating_h(wanted, kiln)
    if key == "hours":
        return n * (heating[0] + _cooling(kiln)) + after * (heating[1] + _cooling(kiln))
    power = float(kiln.get("power_kW") or 0.0)
    each = firing_cost(np.array(heating), power_kW=power, prices=prices)
    trial = trial_lots(wanted, sizing)
    known = sizing["known"]
    price = [known[name].get("price_per_kg") for name in trial["feedstock"]]
    cost = lot_cost(
        feed_ar_kg=trial["feed_ar_g"].fillna(0.0) / 1000,
        feed_price_per_kg=np.array([np.nan if p is None else p for p in price], dtype=float),
        koh_g=trial["koh_g"].fillna(0.0),
        char_taken_g=np.where(
            trial["activation"] == KOH, trial["expected_char_g"].fillna(0.0), 0.0
        ),
        firing_share=0.0,
        prices=prices,
    )
    on = (trial["activation"] == KOH).to_numpy()
    plain = float(cost[~on].max()) if (~on).any() else 0.0
    dear = float(cost[on].max()) if on.any() else 0.0
    cells = int(plan.get("cells_per_lot") or 2)
    hour = float(prices.get("labour_per_h") or 0.0)
    cell = cells * hour * float(prices.get("labour_h_per_cell") or 0.0)
    total = n * each[0] + after * each[1] + lots * cell
    return float(total + activated * dear + (lots - activated) * plain)


def longest_heating_h(wanted: Wanted, kiln: Mapping) -> tuple[float, float]:
    """Heating with hold of the longest char firing and of the longest activation firing. [h]"""
    factors = wanted.factors
    ramps = factors.get("ramp_C_per_min") or (None,)
    char = heating_hours(
        max(factors["peak_temperature_C"]), max(factors["hold_min"]), ramp_C_per_min=min(ramps)
    )
    if "activation_temperature_C" not in factors:
        return float(char), 0.0
    after = heating_hours(
        max(factors["activation_temperature_C"]),
        max(factors["activation_hold_min"]),
        ramp_C_per_min=kiln.get("ramp_C_per_min"),
    )
    return float(char), float(after)


def firings_per_day(wanted: Wanted, *, plan: Mapping, kiln: Mapping) -> int:
    """Char firings that can be begun in a day: the last hold ends within it; 1 at least.

    Parameters
    ----------
    wanted : Wanted
    plan : mapping
        ``longest_day_h`` [h]; 10 where missing.
    kiln : mapping
        ``cooling_h`` [h].
    """
    heating, _ = longest_heating_h(wanted, kiln)
    day, cooling = float(plan.get("longest_day_h") or 10.0), _cooling(kiln)
    return max(1, floor((day + cooling) / max(heating + cooling, 1e-9) + 1e-9))


def trial_lots(wanted: Wanted, sizing: Mapping) -> pd.DataFrame:
    """A lot of every kind at the ends of every factor, with its feed: what it takes at most."""
    factors = wanted.factors
    rows = []
    for feedstock, activation in wanted.lots:
        for peak in (min(factors["peak_temperature_C"]), max(factors["peak_temperature_C"])):
            for hold in (min(factors["hold_min"]), max(factors["hold_min"])):
                for ratio in {min(r := factors.get("koh_ratio", (np.nan,))), max(r)}:
                    rows.append(
                        {
                            "run": f"T{len(rows)}",
                            "feedstock": feedstock,
                            "firing": "T",
                            "crucible": "1",
                            "activation": activation,
                            "peak_temperature_C": peak,
                            "hold_min": hold,
                            "koh_ratio": ratio if activation == KOH else np.nan,
                        }
                    )
    trial = pd.DataFrame(rows)
    lots = size_lots(trial, **sizing)
    return lots.assign(activation=trial["activation"])


def most_by_stock(wanted: Wanted, *, sizing: Mapping) -> dict[str, int]:
    """Lots that the stock of each feedstock is enough for, where it is stated.

    Where it is not enough for the lots that are wanted at least, these are planned all the same
    and the summary warns.
    """
    trial = trial_lots(wanted, sizing)
    most = {}
    for feedstock, here in trial.groupby("feedstock"):
        stock = sizing["known"][feedstock].get("stock_kg")
        feed_g = here["feed_ar_g"].max()
        if stock is None or not feed_g > 0:
            continue
        least = wanted.replicates * sum(kind[0] == feedstock for kind in wanted.lots)
        if feedstock == wanted.reference:
            # Reference lots come first.
            stock = stock - len(wanted.reference_firings) * feed_g / 1000
        most[str(feedstock)] = max(least, floor(stock * 1000 / feed_g + 1e-9))
    if wanted.reference in most:
        most[wanted.reference] += len(wanted.reference_firings)
    return most


def _cooling(kiln: Mapping) -> float:
    return float(kiln.get("cooling_h") or 0.0)


def _round_up(value: float) -> float:
    return float(np.ceil(value * 10 - 1e-9) / 10)
