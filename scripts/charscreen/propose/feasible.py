"""What could be fired next: conditions within the range, lots in stock, cells of lots at hand."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from charscreen.models.covariates import is_activated
from charscreen.models.tables import not_covered
from charscreen.plan.settings import KOH, NONE

ACTIVATION = ["koh_ratio", "activation_temperature_C", "activation_hold_min"]
CONDITION = ["peak_temperature_C", "hold_min"]
#: Stands for a firing, an activation firing and an assembly batch that are still to come.
NEXT = "next"
_HOLD_STEP_MIN = 5.0
MOST_LOTS_AT_HAND = 600


@dataclass(frozen=True)
class Feasible:
    """Lots that could be fired next.

    Parameters
    ----------
    lots : DataFrame
        One row per feedstock, activation and condition of the char firing: feedstock,
        activation, `ACTIVATION`, `CONDITION`, activation_firing (empty where none).
    reference : str or None
        Feedstock of the reference lot that a firing of this screen holds.
    reasons : list of str
        Why what is missing is missing, in sentences.
    """

    lots: pd.DataFrame
    reference: str | None
    reasons: list[str]


def firing_conditions(
    design: pd.DataFrame, *, step_C: float, max_temperature_C: float | None
) -> list[tuple[float, float]]:
    """Peak temperatures and holds to try, within the range of what was fired.

    Parameters
    ----------
    design : DataFrame
        Rows of the design that were fired: peak_temperature_C, hold_min. [°C, min]
    step_C : float
        Greatest step between two peak temperatures tried. [°C]
    max_temperature_C : float or None
        What the kiln is good for. [°C]

    Returns
    -------
    list of (float, float)
        The temperatures and holds fired, and between neighbours temperatures in equal steps no
        wider than `step_C` (whole multiples of 5 °C) and the hold halfway on a scale per
        doubling (a whole multiple of 5 min).
    """
    temperatures = sorted(set(design["peak_temperature_C"].dropna()))
    holds = sorted(set(design["hold_min"].dropna()))
    tried_C, tried_min = set(temperatures), set(holds)
    for low, high in pairwise(temperatures):
        n = int(np.ceil((high - low) / step_C - 1e-9))
        tried_C |= {5.0 * round((low + (high - low) * k / n) / 5) for k in range(1, n)}
    for low, high in pairwise(holds):
        middle = _HOLD_STEP_MIN * round(np.sqrt(max(low, 1.0) * high) / _HOLD_STEP_MIN)
        if low < middle < high:
            tried_min.add(middle)
    most = np.inf if max_temperature_C is None else max_temperature_C
    return [(t, h) for t in sorted(tried_C) if t <= most for h in sorted(tried_min)]


def feasible_lots(
    design: pd.DataFrame,
    feedstocks: Sequence[Mapping],
    models: Mapping[str, Mapping],
    *,
    crucibles: int,
    step_C: float,
    max_temperature_C: float | None,
) -> Feasible:
    """Every lot that the next firing could hold.

    Parameters
    ----------
    design : DataFrame
        The design.
    feedstocks : sequence of mapping
        Feedstock table: feedstock, stock_kg, may_activate.
    models : mapping
        Models that the merit rests on; what one of them does not cover is left out.
    crucibles : int
        Places in a firing.
    step_C, max_temperature_C
        See `firing_conditions`.
    """
    reasons = []
    lots_fired = design[~has_parent(design)]
    conditions = firing_conditions(lots_fired, step_C=step_C, max_temperature_C=max_temperature_C)
    activated = design[is_activated(design["activation"])]
    activations = [NONE] if len(activated) < len(design) else []
    usual: dict = {}
    if len(activated):
        activations.append(KOH)
        counts = activated.groupby(ACTIVATION, dropna=False, sort=True).size()
        usual = dict(zip(ACTIVATION, counts.idxmax(), strict=True))
    known = {row["feedstock"] for model in models.values() for row in _known(model)}
    rows, empty, unknown = [], [], []
    for feed in feedstocks:
        name = str(feed["feedstock"])
        if name not in known:
            unknown.append(name)
            continue
        if feed.get("stock_kg") is not None and feed["stock_kg"] <= 0:
            empty.append(name)
            continue
        for activation in activations:
            if activation == KOH and str(feed.get("may_activate") or "").casefold() == "no":
                continue
            for temperature, hold in conditions:
                row = {
                    "feedstock": name,
                    "activation": activation,
                    "peak_temperature_C": temperature,
                }
                row |= {"hold_min": hold, **dict.fromkeys(ACTIVATION, np.nan)}
                rows.append(row | (usual if activation == KOH else {}))
    if empty:
        reasons.append(f"Not in stock: {', '.join(empty)}.")
    if unknown:
        reasons.append(
            "Nothing is measured of these feedstocks yet, so what they would tell cannot be "
            f"reckoned; plan them by hand: {', '.join(unknown)}."
        )
    columns = ["feedstock", "activation", *ACTIVATION, *CONDITION]
    lots = pd.DataFrame(rows, columns=columns)
    lots["activation_firing"] = [NEXT if a == KOH else None for a in lots["activation"]]
    lots["activation_firing"] = lots["activation_firing"].astype(object)
    if len(lots):
        covered = np.ones(len(lots), dtype=bool)
        for name, model in models.items():
            fits = np.array([not reason for reason in not_covered(model, lots)])
            if name == "activation_yield":
                fits |= lots["activation"].to_numpy() == NONE
            covered &= fits
        lots = lots[covered].reset_index(drop=True)
    return Feasible(lots, _reference(design, lots, crucibles), reasons)


def existing_lots(
    rows: pd.DataFrame, leaders: pd.DataFrame, *, most: int = MOST_LOTS_AT_HAND
) -> pd.DataFrame:
    """Lots and aliquots with cells, of which more cells could be made; a row each.

    Parameters
    ----------
    rows : DataFrame
        Those that a model of cells was fitted to.
    leaders : DataFrame
        Candidates, best first: feedstock, activation.
    most : int
        Of more lots than that, those which share feedstock and activation with the leaders are
        looked at: they tell most of the choice, and looking at thousands would take minutes.
    """
    kept = rows.drop_duplicates("aliquot").reset_index(drop=True)
    if len(kept) > most:
        pairs = list(zip(leaders["feedstock"], leaders["activation"], strict=True))
        place = {pair: k for k, pair in reversed(list(enumerate(pairs)))}
        of_lot = zip(kept["feedstock"], kept["activation"], strict=True)
        order = np.argsort([place.get(pair, len(pairs)) for pair in of_lot], kind="stable")
        kept = kept.iloc[np.sort(order[:most])].reset_index(drop=True)
    return kept.assign(assembly_batch=NEXT).astype({"assembly_batch": object})


def stock_left(
    feedstocks: Sequence[Mapping], design: pd.DataFrame, weighed: Collection[str]
) -> dict[str, float]:
    """Feed left of each feedstock after what is planned and not fired yet. [kg]

    Parameters
    ----------
    feedstocks : sequence of mapping
        feedstock, stock_kg; one without a stock is taken to be there.
    design : DataFrame
        run, feedstock, feed_ar_g. [g]
    weighed : collection of str
        Runs that were weighed: their feed is out of the stock already.
    """
    planned = design[~design["run"].isin(weighed)]
    use = pd.to_numeric(planned["feed_ar_g"], errors="coerce").fillna(0.0)
    by_feed = use.groupby(planned["feedstock"]).sum() / 1000
    return {
        str(feed["feedstock"]): float(feed["stock_kg"]) - float(by_feed.get(feed["feedstock"], 0.0))
        for feed in feedstocks
        if feed.get("stock_kg") is not None
    }


def _known(model: Mapping) -> list[dict]:
    return [{"feedstock": name} for name in model["feedstocks"]]


def has_parent(design: pd.DataFrame) -> pd.Series:
    """Which rows of a design are aliquots of another's char."""
    return design["parent"].notna() & (design["parent"] != "")


def _reference(design: pd.DataFrame, lots: pd.DataFrame, crucibles: int) -> str | None:
    """The reference feedstock, where every other firing or more holds one and there is room."""
    held = design[design["role"] == "reference"]
    if crucibles < 2 or held.empty:
        return None
    if 2 * held["firing"].nunique() < design["firing"].nunique():
        return None
    name = str(held["feedstock"].mode().iloc[0])
    return name if name in set(lots["feedstock"]) else None
