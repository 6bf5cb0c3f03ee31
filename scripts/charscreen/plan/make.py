"""A plan: which lots go into which firings, and how much feed to weigh for each."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.plan.feed import LOT_COLUMNS, size_lots
from charscreen.plan.layout import Spread, choose_conditions, fill_sizes, spread_lots
from charscreen.plan.settings import KOH, PlanError, Wanted, check_request
from charscreen.plan.summary import summarise_plan

__all__ = ["DESIGN_COLUMNS", "LOT_COLUMNS", "NOTHING_YET", "Plan", "PlanError", "make_plan"]

#: Columns of the design table, in order.
DESIGN_COLUMNS = (
    *("run", "role", "feedstock", "firing", "crucible", "peak_temperature_C", "hold_min"),
    *("ramp_C_per_min", "parent", "activation", "koh_ratio", "activation_firing"),
    *("activation_temperature_C", "activation_hold_min", "feed_batch", "feed_ar_g", "order"),
    *("note", "exclude_reason", "accepted"),
)
#: What an empty feedstock table gives.
NOTHING_YET = "nothing to plan yet: feedstocks.csv has no rows"


@dataclass(frozen=True)
class Plan:
    """A plan.

    Parameters
    ----------
    design : DataFrame
        One row per lot in run order, `DESIGN_COLUMNS`.
    lots : DataFrame
        Feed to weigh per lot, `LOT_COLUMNS`; what cannot be reckoned is missing.
    summary : dict
        Plain data: counts, kiln hours, feed per feedstock, warnings, what the plan cannot tell.
    """

    design: pd.DataFrame
    lots: pd.DataFrame
    summary: dict


def make_plan(
    feedstocks: pd.DataFrame | Sequence[Mapping],
    *,
    plan: Mapping,
    kiln: Mapping,
    seed: int,
    moisture_u_percent: float = 1.0,
    koh_warning_C: float = 650.0,
    nitrogen_limit_d_percent: float = 2.0,
    koh_purity_percent: float = 100.0,
    priors: Mapping | None = None,
) -> Plan:
    """A randomised plan under the kiln's limits.

    Parameters
    ----------
    feedstocks : DataFrame or sequence of mappings
        Feedstock table; ``feedstock`` and any of ``moisture_ar_percent`` [%],
        ``expected_char_yield_d_percent`` [%], ``bulk_density_g_per_L`` [g/L], ``stock_kg`` [kg],
        ``nitrogen_d_percent`` [%], ``may_activate`` are read.
    plan, kiln : mapping
        The config's parts of these names, defaults filled in.
    seed : int
        Seed of every random choice.
    moisture_u_percent : float
        Standard uncertainty of a stated moisture. [percentage points]
    koh_warning_C : float
        Temperature from which a KOH firing is warned of. [°C]
    nitrogen_limit_d_percent : float
        Nitrogen of a dry feed above which its activation is warned of. [%]
    koh_purity_percent : float
        KOH in the pellets as weighed. [%]
    priors : mapping, optional
        Yields kept from a fit, from `charscreen.priors.read_priors`; they count before the
        expected yields of feedstocks and settings.

    Returns
    -------
    Plan
        Empty, with a message in its summary, where there is no feedstock yet.

    Raises
    ------
    PlanError
        Where the settings cannot be met; it names the keys.

    Notes
    -----
    Temperature and hold belong to the firing, feedstock and activation to the crucible (a split
    plot). Firings are spread over the grid of conditions; lots are spread by exchange so that
    each feedstock meets the temperatures and holds equally often, few of its lots share a firing,
    and pairs of feedstocks share firings equally often. Firing order and crucibles are random.
    Where the number of firings is given, what room is left takes further lots, evenly.
    """
    rows = feedstocks.to_dict("records") if isinstance(feedstocks, pd.DataFrame) else feedstocks
    known = {str(row["feedstock"]): _plain(row) for row in rows}
    if not known:
        return _nothing(seed)
    wanted = check_request(known, plan=plan, kiln=kiln)
    rng = np.random.default_rng(seed)

    conditions = choose_conditions(
        wanted.firings,
        n_temperatures=len(wanted.temperatures_C),
        n_holds=len(wanted.holds_min),
        rng=rng,
    )
    kinds = _lots_to_place(wanted, rng)
    firing_of = _place(kinds, wanted, conditions, rng)
    design = _design_table(kinds, firing_of, wanted, conditions, plan=plan, kiln=kiln, rng=rng)
    lots = size_lots(
        design,
        known,
        plan=plan,
        kiln=kiln,
        moisture_u_percent=moisture_u_percent,
        koh_purity_percent=koh_purity_percent,
        priors=priors,
    )
    design["feed_ar_g"] = lots["feed_ar_g"]
    summary = summarise_plan(
        design,
        lots,
        known,
        wanted=wanted,
        plan=plan,
        kiln=kiln,
        seed=seed,
        koh_warning_C=koh_warning_C,
        nitrogen_limit_d_percent=nitrogen_limit_d_percent,
    )
    return Plan(design, lots, summary)


def _nothing(seed: int) -> Plan:
    summary = {
        "status": "nothing to plan",
        "message": NOTHING_YET,
        "seed": int(seed),
        "warnings": [],
        "cannot_tell": [],
    }
    return Plan(
        pd.DataFrame(columns=list(DESIGN_COLUMNS)), pd.DataFrame(columns=list(LOT_COLUMNS)), summary
    )


def _lots_to_place(wanted: Wanted, rng: np.random.Generator) -> list[tuple[str, str]]:
    """Feedstock and activation of every screening lot."""
    kinds = list(wanted.lots) * wanted.replicates
    room = sum(wanted.free) - len(kinds) if wanted.fill else 0
    rounds, rest = divmod(room, len(wanted.lots))
    kinds += list(wanted.lots) * rounds
    # The rest goes to different feedstocks before any gets two.
    queue = [wanted.lots[i] for i in rng.permutation(len(wanted.lots))]
    taken: dict[str, int] = {}
    for _ in range(rest):
        pick = min(queue, key=lambda kind: taken.get(kind[0], 0))
        queue.remove(pick)
        taken[pick[0]] = taken.get(pick[0], 0) + 1
        kinds.append(pick)
    return kinds


def _place(
    kinds: list[tuple[str, str]],
    wanted: Wanted,
    conditions: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Firing of each screening lot, counted from 0."""
    held = set(wanted.reference_firings)
    taken = [int(k in held) for k in range(wanted.firings)]
    sizes = fill_sizes(len(kinds), wanted.free, taken)
    feed = _codes([feedstock for feedstock, _ in kinds])
    kind = _codes(kinds)
    activation = _codes([name for _, name in kinds])
    itself = np.arange(wanted.firings)
    temperature, hold = conditions[:, 0], conditions[:, 1]
    wishes = [
        Spread(feed, itself, 4.0),
        Spread(feed, temperature, 3.0),
        Spread(feed, hold, 2.0),
        Spread(kind, temperature, 2.0),
        Spread(feed, temperature * len(wanted.holds_min) + hold, 1.0),
        Spread(activation, itself, 1.0),
    ]
    return spread_lots(sizes, wishes, partners=feed, rng=rng)


def _design_table(
    kinds: list[tuple[str, str]],
    firing_of: np.ndarray,
    wanted: Wanted,
    conditions: np.ndarray,
    *,
    plan: Mapping,
    kiln: Mapping,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """The design without feed masses: lots in run order with ids, crucibles, activation firings."""
    rows = []
    for k in range(wanted.firings):
        here = [("screen", *kinds[i]) for i in np.flatnonzero(firing_of == k)]
        if k in wanted.reference_firings:
            here.append(("reference", wanted.reference, wanted.reference_activation))
        crucibles = 1 + rng.permutation(wanted.crucibles)[: len(here)]
        rows += [
            {"role": role, "feedstock": feedstock, "activation": activation, "k": k, "crucible": c}
            for c, (role, feedstock, activation) in sorted(
                zip(crucibles.tolist(), here, strict=True)
            )
        ]
    lots = pd.DataFrame(rows)
    activated = (lots["activation"] == KOH).to_numpy()
    activation_firing = np.full(len(lots), None, dtype=object)
    if activated.any():
        group = _group_activations(lots[activated], wanted, conditions, rng)
        names = _ids("A", int(group.max()) + 1, 2)
        activation_firing[activated] = [names[g] for g in group]
    k = lots["k"].to_numpy()
    firing_names = _ids("F", wanted.firings, 2)

    def where_activated(value: float | None) -> np.ndarray:
        return np.where(activated, np.nan if value is None else float(value), np.nan)

    nothing = np.full(len(lots), None, dtype=object)
    columns = {
        "run": _ids("R", len(lots), 3),
        "role": lots["role"],
        "feedstock": lots["feedstock"],
        "firing": [firing_names[i] for i in k],
        "crucible": [str(c) for c in lots["crucible"]],
        "peak_temperature_C": np.array(wanted.temperatures_C)[conditions[k, 0]],
        "hold_min": np.array(wanted.holds_min)[conditions[k, 1]],
        "ramp_C_per_min": float(kiln["ramp_C_per_min"]) if kiln.get("ramp_C_per_min") else np.nan,
        "parent": nothing,
        "activation": lots["activation"],
        "koh_ratio": where_activated(plan.get("koh_ratio")),
        "activation_firing": activation_firing,
        "activation_temperature_C": where_activated(plan.get("activation_temperature_C")),
        "activation_hold_min": where_activated(plan.get("activation_hold_min")),
        "feed_batch": nothing,
        "feed_ar_g": np.nan,
        "order": np.arange(1, len(lots) + 1),
        "note": nothing,
        "exclude_reason": nothing,
        "accepted": nothing,
    }
    text = ("run", "role", "feedstock", "firing", "crucible", "activation")
    return pd.DataFrame(
        {
            name: pd.Series(list(value), dtype=object) if name in text else value
            for name, value in columns.items()
        },
        columns=list(DESIGN_COLUMNS),
    )


def _group_activations(
    lots: pd.DataFrame, wanted: Wanted, conditions: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Activation firing of each activated lot: char firings and feedstocks spread over them."""
    n_groups = -(-len(lots) // wanted.crucibles)
    sizes = fill_sizes(len(lots), [wanted.crucibles] * n_groups, [0] * n_groups)
    feed = _codes(lots["feedstock"].tolist())
    char_firing = lots["k"].to_numpy()
    itself = np.arange(n_groups)
    wishes = [
        Spread(feed, itself, 4.0),
        Spread(char_firing, itself, 2.0),
        Spread(conditions[char_firing, 0], itself, 1.0),
    ]
    return spread_lots(sizes, wishes, partners=feed, rng=rng)


def _plain(row: Mapping) -> dict:
    """A row with None for whatever is missing."""
    return {
        key: None if value is None or (isinstance(value, float) and np.isnan(value)) else value
        for key, value in row.items()
    }


def _codes(labels: Sequence) -> np.ndarray:
    """Labels as whole numbers from 0, in order of first appearance."""
    seen: dict = {}
    return np.array([seen.setdefault(label, len(seen)) for label in labels], dtype=int)


def _ids(letter: str, n: int, width: int) -> list[str]:
    """Names such as R001; wide enough that they sort as they count."""
    width = max(width, len(str(n)))
    return [f"{letter}{i:0{width}d}" for i in range(1, n + 1)]
