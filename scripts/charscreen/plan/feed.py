"""Feed to weigh for every lot of a plan, from expected yields or from those kept of a fit."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from charscreen.designs.terms import KOH
from charscreen.ledger.sizing import CRUCIBLE, Sizing, carbon_for_cells, carbon_from_feed, size_feed
from charscreen.ledger.sizing import KOH as KOH_LIMIT
from charscreen.priors import ACTIVATION_YIELD, CHAR_YIELD, expected_yield

#: Columns of the table of feed to weigh.
LOT_COLUMNS = (
    *("run", "feedstock", "firing", "crucible", "feed_ar_g", "expected_char_g", "koh_g"),
    *("expected_carbon_g", "chance_of_falling_short_percent", "limited_by", "yields_from"),
)
#: What raises the feed above what the wanted carbon needs, and what caps it beside the crucible.
LEAST_CHAR, LEAST_FEED, MOST_FEED = "least char", "least feed", "most feed in one crucible"
#: Of `limited_by` those that raise.
RAISED = (LEAST_CHAR, LEAST_FEED)
DEFAULT_LEAST_CHAR_G = 1.0
CELLS_PER_LOT = 2  # where the settings name no number: common practice, no source
# Beyond these the check of the tables asks about a planned feed: `plausible` in design.yaml. [g]
_LEAST_FEED_G, _MOST_FEED_G = 0.5, 5000.0
PRIORS, FEEDSTOCKS, SETTINGS = "priors", "feedstocks", "settings"
_FIGURES = ("feed_ar_g", "expected_char_g", "koh_g", "expected_carbon_g")


def wanted_carbon_g(plan: Mapping) -> float:
    """Finished carbon wanted per lot: for the cells asked for, else the mass asked for. [g]

    Parameters
    ----------
    plan : mapping
        The config's part of that name.
    """
    if not plan.get("cells_per_lot"):
        return float(plan["wanted_carbon_g"])
    return carbon_for_cells(
        plan["cells_per_lot"],
        coating_mg=plan["electrode_coating_mg"],
        carbon_percent=plan["coating_carbon_percent"],
        loss_percent=plan["coating_loss_percent"],
    )


def size_lots(
    design: pd.DataFrame,
    known: Mapping[str, Mapping],
    *,
    plan: Mapping,
    kiln: Mapping,
    moisture_u_percent: float,
    koh_purity_percent: float = 100.0,
    priors: Mapping | None = None,
) -> pd.DataFrame:
    """Feed of each lot, rounded to what one weighs; missing where the moisture is not known.

    Parameters
    ----------
    design : DataFrame
        run, feedstock, firing, crucible, activation, peak_temperature_C, hold_min, koh_ratio.
        [°C, min, g/g]
    known : mapping of str to mapping
        Rows of the feedstock table by id.
    plan, kiln : mapping
        The config's parts of these names.
    moisture_u_percent : float
        Standard uncertainty of a stated moisture. [percentage points]
    koh_purity_percent : float
        KOH in the pellets. [%]
    priors : mapping, optional
        Yields kept from a fit.

    Returns
    -------
    DataFrame
        `LOT_COLUMNS`, a row per lot in the order of `design`. ``limited_by`` is empty, or says
        what keeps the feed from what the wanted carbon needs: a limit of the crucible that it
        would pass, or the least char that it is raised to.

    Notes
    -----
    A lot is planned for ``plan.least_char_g`` of char at least: less is a poor weighing, 1 g on a
    balance of 0.01 g already one of 1 % (common practice, no source). Limits of the crucible count
    before this. A feed always lies between 0.5 g and 5 kg, what the checks take for plausible.
    """
    names = ("feedstock", "activation", "peak_temperature_C", "hold_min")
    # Lots without activation have no ratio, and NaN is no key.
    ratio = design["koh_ratio"].astype(object).where(design["koh_ratio"].notna(), None)
    keys = list(zip(*(design[name] for name in names), ratio, strict=True))
    sizings = {
        key: _size(
            *key,
            row=known[key[0]],
            plan=plan,
            kiln=kiln,
            moisture_u_percent=moisture_u_percent,
            koh_purity_percent=koh_purity_percent,
            priors=priors or {},
        )
        for key in dict.fromkeys(keys)
    }
    lots = design[["run", "feedstock", "firing", "crucible"]].copy()
    each = [sizings[key] for key in keys]
    for name in (*_FIGURES, "chance_of_falling_short_percent"):
        values = [None if sizing is None else getattr(sizing, name) for sizing, _ in each]
        lots[name] = np.array([np.nan if v is None else v for v in values], dtype=float)
    lots["limited_by"] = pd.Series(
        [(sizing.limited_by or None) if sizing else None for sizing, _ in each], dtype=object
    )
    lots["yields_from"] = pd.Series([source for _, source in each], dtype=object)
    return lots[list(LOT_COLUMNS)]


def _size(
    feedstock: str,
    activation: str,
    peak_temperature_C: float,
    hold_min: float,
    koh_ratio: float | None,
    *,
    row: Mapping,
    plan: Mapping,
    kiln: Mapping,
    moisture_u_percent: float,
    koh_purity_percent: float,
    priors: Mapping,
) -> tuple[Sizing | None, str | None]:
    """Feed of one kind of lot and where its yields come from."""
    if row.get("moisture_ar_percent") is None:
        return None, None
    at = {"peak_temperature_C": peak_temperature_C, "hold_min": hold_min}
    sources = []
    kept = expected_yield(priors, CHAR_YIELD, feedstock, **at)
    stated = row.get("expected_char_yield_d_percent")
    if kept is not None:
        char, spread = kept
        sources.append(PRIORS)
    else:
        char = plan["expected_char_yield_d_percent"] if stated is None else stated
        spread = plan["char_yield_spread_percent"]
        sources.append(SETTINGS if stated is None else FEEDSTOCKS)
    chain = {
        "moisture_ar_percent": row["moisture_ar_percent"],
        "moisture_u_percent": moisture_u_percent,
        "yield_char_d_percent": char,
        "yield_char_spread_percent": spread,
    }
    if activation == KOH:
        kept = expected_yield(priors, ACTIVATION_YIELD, feedstock, **at)
        sources.append(SETTINGS if kept is None else PRIORS)
        activated, spread = kept or (
            plan["expected_activation_yield_percent"],
            plan["activation_yield_spread_percent"],
        )
        chain |= {
            "yield_activated_percent": activated,
            "yield_activated_spread_percent": spread,
            "koh_ratio": koh_ratio,
            "max_koh_g": plan.get("max_koh_g"),
            "koh_purity_percent": koh_purity_percent,
        }
    wanted_g = wanted_carbon_g(plan)
    sizing = size_feed(
        wanted_g,
        **chain,
        short_chance_percent=plan["short_chance_percent"],
        bulk_density_g_per_L=row.get("bulk_density_g_per_L"),
        crucible_volume_mL=kiln.get("crucible_volume_mL"),
    )
    feed_g, limited_by = _between_limits(
        sizing,
        least_char_g=float(plan.get("least_char_g") or DEFAULT_LEAST_CHAR_G),
        crucible_g=_crucible_g(row, kiln),
        most_char_g=_most_char_g(chain),
    )
    feed = _weighable(feed_g, up=limited_by in ("", *RAISED))
    rounded = carbon_from_feed(feed, wanted_g, **chain)
    return replace(rounded, limited_by=limited_by), ", ".join(dict.fromkeys(sources))


def _between_limits(
    sizing: Sizing, *, least_char_g: float, crucible_g: float, most_char_g: float
) -> tuple[float, str]:
    """Feed raised until its char can be weighed, and capped; with what did it. [g]"""
    feed, limited_by = sizing.feed_ar_g, sizing.limited_by
    per_char = sizing.feed_ar_g / sizing.expected_char_g
    least, reason = max((least_char_g * per_char, LEAST_CHAR), (_LEAST_FEED_G, LEAST_FEED))
    if feed < least and not limited_by:
        feed, limited_by = least, reason
        for cap, reason in ((crucible_g, CRUCIBLE), (most_char_g * per_char, KOH_LIMIT)):
            if feed > cap:
                feed, limited_by = cap, reason
    if feed > _MOST_FEED_G:
        feed, limited_by = _MOST_FEED_G, MOST_FEED
    return feed, limited_by


def _crucible_g(row: Mapping, kiln: Mapping) -> float:
    """Feed that a crucible holds; no limit where it is not known. [g]"""
    density, volume = row.get("bulk_density_g_per_L"), kiln.get("crucible_volume_mL")
    return np.inf if density is None or volume is None else density * volume / 1000.0


def _most_char_g(chain: Mapping) -> float:
    """Char for which the KOH of one crucible is enough. [g]"""
    if chain.get("koh_ratio") is None or chain.get("max_koh_g") is None:
        return np.inf
    return chain["max_koh_g"] * chain["koh_purity_percent"] / 100.0 / chain["koh_ratio"]


def _weighable(mass_g: float, *, up: bool) -> float:
    """Three significant digits: up, or down where a limit must not be passed. [g]"""
    step = 10.0 ** (np.floor(np.log10(mass_g)) - 2)
    # Nudged, so that a mass that is round already stays as it is.
    count = np.ceil(mass_g / step - 1e-9) if up else np.floor(mass_g / step + 1e-9)
    return float(f"{count * step:.6g}")
