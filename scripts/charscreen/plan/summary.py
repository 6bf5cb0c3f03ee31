"""What a plan costs, what to look out for, and what it cannot tell."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.plan.settings import KOH, NONE, Wanted
from charscreen.rounding import is_number
from charscreen.words import count_words

ROOM_TEMPERATURE_C = 20.0


def summarise_plan(
    design: pd.DataFrame,
    lots: pd.DataFrame,
    known: Mapping[str, Mapping],
    *,
    wanted: Wanted,
    plan: Mapping,
    kiln: Mapping,
    seed: int,
    koh_warning_C: float,
    nitrogen_limit_d_percent: float,
) -> dict:
    """Plain data about a plan, ready for JSON.

    Parameters
    ----------
    design, lots : DataFrame
        The plan's tables.
    known : mapping of str to mapping
        Feedstock table by id.
    wanted : Wanted
        The checked request.
    plan, kiln : mapping
        The config's parts of these names.
    seed : int
        Seed the plan was made with.
    koh_warning_C, nitrogen_limit_d_percent : float
        As in `make_plan`. [°C], [%]

    Returns
    -------
    dict
        Lists of sentences under ``warnings`` and ``cannot_tell``; the rest are figures.
    """
    firings = design.drop_duplicates("firing")
    activations = design.dropna(subset=["activation_firing"]).drop_duplicates("activation_firing")
    heating = [
        *_heating_h(firings, "peak_temperature_C", "hold_min", kiln),
        *_heating_h(activations, "activation_temperature_C", "activation_hold_min", kiln),
    ]
    n_all = len(firings) + len(activations)
    feed_kg = (lots.groupby("feedstock", sort=True)["feed_ar_g"].sum(min_count=1) / 1000).to_dict()
    summary = {
        "status": "planned",
        "message": (
            f"{len(design)} lots of {design['feedstock'].nunique()} feedstocks in {len(firings)} "
            f"char firings and {len(activations)} activation firings"
        ),
        "seed": int(seed),
        "lots": len(design),
        "reference_lots": int((design["role"] == "reference").sum()),
        "activated_lots": int((design["activation"] == KOH).sum()),
        "lots_beyond_replicates": (
            int((design["role"] == "screen").sum()) - len(wanted.lots) * wanted.replicates
        ),
        "feedstocks": int(design["feedstock"].nunique()),
        "firings": len(firings),
        "activation_firings": len(activations),
        "crucibles_left_free": wanted.firings * wanted.crucibles - len(design),
        "kiln_hours": _rounded(sum(heating) + n_all * float(kiln.get("cooling_h") or 0)),
        "kWh_at_most": (
            _rounded(sum(heating) * float(kiln["power_kW"])) if kiln.get("power_kW") else None
        ),
        "koh_g": _rounded(lots["koh_g"].sum()),
        "feed_ar_kg": {name: _rounded(kg) for name, kg in feed_kg.items()},
        "conditions": _conditions(firings, wanted),
        "balance": _balance(design, wanted),
    }
    summary["warnings"] = _warnings(
        design,
        lots,
        known,
        feed_kg,
        wanted,
        plan,
        koh_warning_C=koh_warning_C,
        nitrogen_limit_d_percent=nitrogen_limit_d_percent,
    )
    summary["cannot_tell"] = _cannot_tell(design, wanted)
    return summary


def _heating_h(firings: pd.DataFrame, peak: str, hold: str, kiln: Mapping) -> list[float]:
    """Hours of heating and holding of each firing; heating counts as nothing without a ramp."""
    ramp = kiln.get("ramp_C_per_min")
    rise = (firings[peak] - ROOM_TEMPERATURE_C) / ramp if ramp else 0.0
    return ((firings[hold] + rise) / 60.0).astype(float).tolist()


def _conditions(firings: pd.DataFrame, wanted: Wanted) -> list[dict]:
    counts = firings.groupby(["peak_temperature_C", "hold_min"]).size()
    return [
        {"peak_temperature_C": t, "hold_min": h, "firings": int(counts.get((t, h), 0))}
        for t in wanted.temperatures_C
        for h in wanted.holds_min
    ]


def _balance(design: pd.DataFrame, wanted: Wanted) -> dict:
    """How evenly the screening lots lie."""
    screen = design[design["role"] == "screen"]
    meets = pd.crosstab(screen["feedstock"], screen["peak_temperature_C"])
    in_firing = pd.crosstab(screen["feedstock"], screen["firing"]).to_numpy()
    shared = (in_firing > 0).astype(int) @ (in_firing > 0).astype(int).T
    pairs = shared[np.triu_indices(len(shared), k=1)]
    lots = in_firing.sum(axis=1)
    return {
        "lots_per_feedstock": [int(lots.min()), int(lots.max())],
        "temperatures_per_feedstock": [
            int((meets > 0).sum(axis=1).min()),
            int((meets > 0).sum(axis=1).max()),
        ],
        "firings_shared_by_two_feedstocks": (
            [int(pairs.min()), int(pairs.max())] if pairs.size else None
        ),
        "pairs_of_feedstocks_that_never_share_a_firing": int((pairs == 0).sum()),
        "firings_with_a_feedstock_twice": int((in_firing > 1).any(axis=0).sum()),
    }


def _warnings(
    design: pd.DataFrame,
    lots: pd.DataFrame,
    known: Mapping[str, Mapping],
    feed_kg: Mapping[str, float],
    wanted: Wanted,
    plan: Mapping,
    *,
    koh_warning_C: float,
    nitrogen_limit_d_percent: float,
) -> list[str]:
    out = []
    used = set(design["feedstock"])
    for name in dict.fromkeys(design["feedstock"]):
        stock, need = known[name].get("stock_kg"), feed_kg.get(name)
        if is_number(stock) and is_number(need) and need > stock:
            out.append(
                f"{name}: {need:.3g} kg as received is needed, but stock_kg in feedstocks.csv "
                f"is {stock:.3g}. Get more, or plan fewer lots."
            )
        if known[name].get("moisture_ar_percent") is None:
            out.append(
                f"{name}: no feed mass can be reckoned without its moisture. Write "
                "moisture_ar_percent in feedstocks.csv."
            )
    out += [
        f"{name}: gets no lot, since it may not be activated and every lot is."
        for name in sorted(set(wanted.feedstocks) - used)
    ]
    limited = lots[lots["limited_by"].notna()].drop_duplicates(["feedstock", "koh_g"])
    out += [
        f"{row.feedstock}{' with KOH' if is_number(row.koh_g) else ''}: {row.limited_by} "
        f"limits the feed to {row.feed_ar_g:.3g} g; the chance of less than "
        f"{plan['wanted_carbon_g']:g} g carbon is {row.chance_of_falling_short_percent:.0f} %."
        for row in limited.itertuples()
    ]
    empty = [c for c in _conditions(design.drop_duplicates("firing"), wanted) if not c["firings"]]
    if empty:
        places = ", ".join(f"{c['peak_temperature_C']:g} °C {c['hold_min']:g} min" for c in empty)
        out.append(
            f"No firing at {places}: the plan has fewer firings than conditions. Raise "
            "plan.replicates or plan.firings to reach them."
        )
    activated = design[design["activation"] == KOH]
    temperature = plan.get("activation_temperature_C")
    if len(activated) and is_number(temperature) and temperature >= koh_warning_C:
        out.append(
            f"KOH at {temperature:g} °C: metallic potassium can form. The run sheets ask for inert "
            "gas, off-gas handling and a written procedure; without all three do not fire."
        )
    for name in dict.fromkeys(activated["feedstock"]):
        nitrogen = known[name].get("nitrogen_d_percent")
        if is_number(nitrogen) and nitrogen > nitrogen_limit_d_percent:
            out.append(
                f"{name}: {nitrogen:g} % nitrogen and KOH can form cyanides. Test before any acid "
                "wash, or write may_activate no."
            )
    return out


def _cannot_tell(design: pd.DataFrame, wanted: Wanted) -> list[str]:
    """Claims the plan forbids, because two things never vary apart."""
    out = []
    per_firing = design.groupby("firing").size()
    if (per_firing == 1).all():
        out.append(
            "Every firing holds one lot: the scatter of firings and of lots cannot be told apart, "
            "and each comparison of feedstocks carries both."
        )
    firings = design.drop_duplicates("firing")
    settings = firings["peak_temperature_C"].nunique() + firings["hold_min"].nunique() - 1
    if len(firings) <= settings:
        out.append(
            f"{count_words(len(firings), 'firing')} for {count_words(settings, 'term')} of "
            "temperature and hold: no firing is left to judge the scatter between firings by, so "
            "their effects have no error."
        )
    if len(wanted.temperatures_C) > 1:
        # Reference lots count as well: the models take them like any other lot.
        meets = design.groupby("feedstock")["peak_temperature_C"].nunique()
        single = sorted(meets[meets == 1].index)
        if len(single) == len(meets):
            out.append(
                "Each feedstock is fired at one temperature only: what temperature does cannot be "
                "told from what the feedstock does."
            )
        elif single:
            out.append(
                f"{', '.join(single)}: one temperature only, so how they answer to temperature "
                "is taken from the other feedstocks."
            )
    activated = design[design["activation"] == KOH]
    if len(activated) and activated["activation_firing"].nunique() == 1:
        out.append(
            "All activated lots share one activation firing: the effect of KOH and of that firing "
            "cannot be told apart."
        )
    elif len(activated) and NONE not in set(design["activation"]):
        out.append("Every lot is activated: there is nothing to compare activation with.")
    if not wanted.reference_firings:
        out.append(
            "No reference lots: a drift of the kiln shows only through feedstocks that are fired "
            "more than once."
        )
    return out


def _rounded(value: float) -> float | None:
    return float(f"{float(value):.4g}") if np.isfinite(value) else None
