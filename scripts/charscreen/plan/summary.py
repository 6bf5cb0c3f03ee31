"""What a plan costs, what to look out for, and what it cannot tell."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.costs import heating_hours
from charscreen.designs.terms import FACTORS, KOH, NONE
from charscreen.plan.feed import LEAST_CHAR, RAISED, wanted_carbon_g
from charscreen.plan.pages import name_of
from charscreen.plan.settings import BALANCED, BLOCKS, Wanted
from charscreen.rounding import is_number
from charscreen.words import count_words

SHOWN = 20  # sentences of a kind on the terminal


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
    every_firing = firing_hours(design, kiln)
    n_char = int((every_firing["kind"] == "carbonise").sum())
    n_activation = len(every_firing) - n_char
    feed_kg = (lots.groupby("feedstock", sort=True)["feed_ar_g"].sum(min_count=1) / 1000).to_dict()
    summary = {
        "status": "planned",
        "message": (
            f"{count_words(len(design), 'lot')} of "
            f"{count_words(design['feedstock'].nunique(), 'feedstock')} in "
            f"{count_words(n_char, 'char firing')} and "
            f"{count_words(n_activation, 'activation firing')}{_of_them_new(design, wanted)}"
        ),
        "seed": int(seed),
        "lots": len(design),
        "reference_lots": int((design["role"] == "reference").sum()),
        "activated_lots": int((design["activation"] == KOH).sum()),
        "lots_beyond_replicates": (
            int((design["role"] == "screen").sum()) - len(wanted.lots) * wanted.replicates
        ),
        "feedstocks": int(design["feedstock"].nunique()),
        "firings": n_char,
        "activation_firings": n_activation,
        "crucibles_left_free": (wanted.firings * wanted.crucibles + len(wanted.kept) - len(design)),
        "lots_kept": len(wanted.kept),
        "kiln_hours": _rounded(every_firing["kiln_h"].sum()),
        "kWh_at_most": (
            _rounded(every_firing["heating_h"].sum() * float(kiln["power_kW"]))
            if kiln.get("power_kW")
            else None
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
    names = {name: name_of(name, known) for name in known}
    summary["cannot_tell"] = _cannot_tell(design, wanted, names)
    return summary


def _of_them_new(design: pd.DataFrame, wanted: Wanted) -> str:
    if not wanted.kept:
        return ""
    new = design.iloc[len(wanted.kept) :]
    if not len(new):
        return "; all of them stand in the design already"
    words = [count_words(len(new), "lot"), count_words(new["firing"].nunique(), "char firing")]
    after = new["activation_firing"].nunique()
    words += [count_words(after, "activation firing")] if after else []
    return f"; new are {', '.join(words[:-1])} and {words[-1]}"


def firing_hours(design: pd.DataFrame, kiln: Mapping) -> pd.DataFrame:
    """Every firing of a design with its conditions and the hours it takes.

    Parameters
    ----------
    design : DataFrame
        Design table.
    kiln : mapping
        ``ramp_C_per_min`` [°C/min] and ``cooling_h`` [h]; without a ramp heating counts as nothing.

    Returns
    -------
    DataFrame
        firing, kind (carbonise, activate), temperature_C, hold_min, heating_h (hold included),
        kiln_h (cooling included); char firings first. [°C, min, h]
    """
    parts = []
    for kind, group, peak, hold in (
        ("carbonise", "firing", "peak_temperature_C", "hold_min"),
        ("activate", "activation_firing", "activation_temperature_C", "activation_hold_min"),
    ):
        part = design.dropna(subset=[group]).drop_duplicates(group)
        # The ramp in the design is that of the char firing.
        ramp = part.get("ramp_C_per_min") if kind == "carbonise" else None
        part = part[[group, peak, hold]].set_axis(["firing", "temperature_C", "hold_min"], axis=1)
        part["ramp_C_per_min"] = np.nan if ramp is None else ramp
        parts.append(
            part.assign(kind=kind)
            if kind == "carbonise"
            else part.sort_values("firing").assign(kind=kind)
        )
    firings = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    usual = kiln.get("ramp_C_per_min")
    firings["heating_h"] = [
        float(heating_hours(peak, hold, ramp_C_per_min=usual if np.isnan(ramp) else ramp))
        for peak, hold, ramp in zip(
            firings["temperature_C"],
            firings["hold_min"],
            firings.pop("ramp_C_per_min").astype(float),
            strict=True,
        )
    ]
    firings["kiln_h"] = firings["heating_h"] + float(kiln.get("cooling_h") or 0)
    return firings


def _conditions(firings: pd.DataFrame, wanted: Wanted) -> list[dict]:
    """Char firings at each peak and hold, those of a grid that have none among them."""
    counts = firings.groupby(["peak_temperature_C", "hold_min"]).size()
    grid = set(counts.index)
    if wanted.kind in (BALANCED, BLOCKS):
        grid |= {(t, h) for t in wanted.temperatures_C for h in wanted.holds_min}
    return [
        {"peak_temperature_C": t, "hold_min": h, "firings": int(counts.get((t, h), 0))}
        for t, h in sorted(grid)
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
    names = {name: name_of(name, known) for name in known}
    used = set(design["feedstock"])
    for name in dict.fromkeys(design["feedstock"]):
        stock, need = known[name].get("stock_kg"), feed_kg.get(name)
        if is_number(stock) and is_number(need) and need > stock:
            out.append(
                f"{names[name]}: {need:.3g} kg as received is needed, but stock_kg in "
                f"feedstocks.csv is {stock:.3g}. Get more, or plan fewer lots."
            )
        if known[name].get("moisture_ar_percent") is None:
            out.append(
                f"{names[name]}: no feed mass can be reckoned without its moisture. Write "
                "moisture_ar_percent in feedstocks.csv."
            )
    out += [
        f"{names[name]}: gets no lot, since it may not be activated and every lot is."
        for name in sorted(set(wanted.feedstocks) - used)
    ]
    out += _feeds_off(lots, names, plan)
    out += [
        f"plan.{name} is a list of one level: every lot has it, and nothing can be learnt of it. "
        "Add a level, or write it as a number."
        for name in FACTORS
        if name != "activation" and isinstance(plan.get(name), list) and len(plan[name]) == 1
    ]
    empty = [c for c in _conditions(design.drop_duplicates("firing"), wanted) if not c["firings"]]
    if empty:
        places = ", ".join(f"{c['peak_temperature_C']:g} °C {c['hold_min']:g} min" for c in empty)
        out.append(
            f"No firing at {places}: the plan has fewer firings than conditions. Raise "
            "plan.replicates or plan.firings to reach them."
        )
    activated = design[design["activation"] == KOH]
    temperature = activated["activation_temperature_C"].max() if len(activated) else None
    if is_number(temperature) and temperature >= koh_warning_C:
        out.append(
            f"KOH at {temperature:g} °C: metallic potassium can form. The run sheets ask for inert "
            "gas, off-gas handling and a written procedure; without all three do not fire."
        )
    for name in dict.fromkeys(activated["feedstock"]):
        nitrogen = known[name].get("nitrogen_d_percent")
        if is_number(nitrogen) and nitrogen > nitrogen_limit_d_percent:
            out.append(
                f"{names[name]}: {nitrogen:g} % nitrogen and KOH can form cyanides. Test before "
                "any acid wash, or write may_activate no."
            )
    return out


def _feeds_off(lots: pd.DataFrame, names: Mapping[str, str], plan: Mapping) -> list[str]:
    """Sentences on lots that get less feed, or more, than the wanted carbon needs."""
    wanted = wanted_carbon_g(plan)
    out = []
    off = lots[lots["limited_by"].notna()]
    off = off.assign(activated=off["koh_g"].notna())
    for row in off.drop_duplicates(["feedstock", "activated", "limited_by"]).itertuples():
        who = f"{names[row.feedstock]}{' with KOH' if row.activated else ''}"
        if row.limited_by in RAISED:
            key = " (plan.least_char_g)" if row.limited_by == LEAST_CHAR else ""
            out.append(
                f"{who}: the feed is raised to {row.feed_ar_g:.3g} g for about "
                f"{row.expected_char_g:.2g} g of char{key}, since less is a poor weighing; "
                f"{wanted:.3g} g carbon needs less."
            )
        else:
            out.append(
                f"{who}: {row.limited_by} limits the feed to {row.feed_ar_g:.3g} g; the chance of "
                f"less than {wanted:.3g} g carbon is {row.chance_of_falling_short_percent:.0f} %."
            )
    return out


def _cannot_tell(design: pd.DataFrame, wanted: Wanted, names: Mapping[str, str]) -> list[str]:
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
                f"{', '.join(names[name] for name in single)}: one temperature only, so how they "
                "answer to temperature is taken from the other feedstocks."
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


def plan_for_terminal(summary: Mapping) -> str:
    """What a plan is, what to look out for and what it cannot tell, as a few lines.

    Parameters
    ----------
    summary : mapping
        From `summarise_plan`.
    """
    if not summary.get("lots"):
        return str(summary["message"])
    lines = [f"Planned: {summary['message']}, {summary['kiln_hours']:.0f} kiln hours."]
    for head, key in (
        ("Look out", "warnings"),
        ("How it is laid out", "notes"),
        ("The plan cannot tell", "cannot_tell"),
    ):
        sentences = summary.get(key, [])
        if sentences:
            lines.append(f"{head}:")
            lines += [f"  - {sentence}" for sentence in sentences[:SHOWN]]
        if len(sentences) > SHOWN:
            lines.append(f"  ... and {len(sentences) - SHOWN} more; the overview has them all.")
    return "\n".join(lines)


def _rounded(value: float) -> float | None:
    return float(f"{float(value):.4g}") if np.isfinite(value) else None
