"""A plan: which lots go into which firings, and how much feed to weigh for each."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.designs.information import codes_of
from charscreen.designs.order import order_cells, order_firings
from charscreen.designs.standard import FILLING
from charscreen.designs.terms import FACTORS, FIRING_FACTORS
from charscreen.findings import STOPS, Finding
from charscreen.plan.budget import check_budget, check_spent, firings_per_day, most_by_stock
from charscreen.plan.feed import CELLS_PER_LOT, LOT_COLUMNS, size_lots
from charscreen.plan.laying import REFERENCE, Laid, lay_balanced, lay_optimal
from charscreen.plan.laying_standard import lay_blocks, lay_filling, lay_standard
from charscreen.plan.posing import Settings
from charscreen.plan.settings import BALANCED, BLOCKS, OPTIMAL, PlanError, Wanted, check_request
from charscreen.plan.summary import summarise_plan
from charscreen.words import count_words

__all__ = ["DESIGN_COLUMNS", "LOT_COLUMNS", "NOTHING_YET", "Plan", "PlanError", "make_plan"]

#: Columns of the design table, in order; the first two of the last line only where they vary.
DESIGN_COLUMNS = (
    *("run", "role", "feedstock", "firing", "crucible", "peak_temperature_C", "hold_min"),
    *("ramp_C_per_min", "parent", "activation", "koh_ratio", "activation_firing"),
    *("activation_temperature_C", "activation_hold_min", "feed_batch", "feed_ar_g", "order"),
    *("note", "exclude_reason", "accepted"),
)
CELL_COLUMNS = ("cell", "run", "assembly_day", "assembly_order", "test_order")
_MORE_FACTORS = ("particle_size_mm", "drying_C")
_NUMBERS = (*(name for name in FACTORS if name != "activation"), "feed_ar_g")
#: What an empty feedstock table gives.
NOTHING_YET = "nothing to plan yet: feedstocks.csv has no rows"


@dataclass(frozen=True)
class Plan:
    """A plan.

    Parameters
    ----------
    design : DataFrame
        One row per lot in run order, `DESIGN_COLUMNS`; particle_size_mm and drying_C after
        ``ramp_C_per_min`` where the plan sets them.
    lots : DataFrame
        Feed to weigh per lot, `LOT_COLUMNS`; what cannot be reckoned is missing.
    cells : DataFrame
        Cells with the order of assembly and tests, `CELL_COLUMNS`.
    summary : dict
        Plain data: counts, kiln hours, feed per feedstock, warnings, what the plan cannot tell.
    """

    design: pd.DataFrame
    lots: pd.DataFrame
    cells: pd.DataFrame
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
    prices: Mapping | None = None,
    accepted: Sequence[Mapping] = (),
    workers: int = 1,
    progress: Callable[[str, int, int], None] | None = None,
) -> Plan:
    """A randomised plan under the kiln's limits.

    Parameters
    ----------
    feedstocks : DataFrame or sequence of mappings
        Feedstock table; ``feedstock`` and any of ``moisture_ar_percent`` [%],
        ``expected_char_yield_d_percent`` [%], ``bulk_density_g_per_L`` [g/L], ``stock_kg`` [kg],
        ``price_per_kg``, ``nitrogen_d_percent`` [%], ``may_activate`` are read; ``plan.forbidden``
        may name any column of numbers.
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
    prices : mapping, optional
        The config's part of that name, for a budget in money.
    accepted : sequence of mappings
        Rows of the design, kept where ``plan.keep`` says so.
    workers : int
        Processes for the search; the plan is the same with any number.
    progress : callable, optional
        Told in words how the search goes.

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
    Temperature, hold and ramp belong to the firing; feedstock, activation, KOH ratio, particle
    size and drying to the crucible; temperature and hold of the activation to its own firing (a
    split plot, crossed for activated lots). Firing order, crucibles and the order of cells are
    drawn by lot. Where the number of firings is given, or a budget, what room is left takes
    further lots.
    """
    rows = feedstocks.to_dict("records") if isinstance(feedstocks, pd.DataFrame) else feedstocks
    known = {str(row["feedstock"]): _plain(row) for row in rows}
    if not known:
        return _nothing(seed)
    sizing = {
        "known": known,
        "plan": plan,
        "kiln": kiln,
        "moisture_u_percent": moisture_u_percent,
        "koh_purity_percent": koh_purity_percent,
        "priors": priors,
    }
    accepted = [_plain(row) for row in accepted]
    request = check_request(known, plan=plan, kiln=kiln, accepted=accepted)
    most_firings = check_budget(request, sizing=sizing, prices=prices or {})
    if most_firings is not None:
        request = check_request(
            known, plan=plan, kiln=kiln, accepted=accepted, most_firings=most_firings
        )
    settings = Settings(request, known)
    rng = np.random.default_rng(seed)
    laid = _lay(
        request,
        settings,
        plan=plan,
        most=most_by_stock(request, sizing=sizing),
        seed=seed,
        rng=rng,
        workers=workers,
        progress=progress,
    )
    laid = _without_forbidden(laid, settings)
    per_day = firings_per_day(request, plan=plan, kiln=kiln)
    design = _design_table(
        laid.lots, request, per_day=per_day if plan.get("block_firings_by_day") else 1, rng=rng
    )
    lots = size_lots(design, **sizing)
    new = design.index >= len(request.kept)
    design.loc[new, "feed_ar_g"] = lots.loc[new, "feed_ar_g"]
    cells = order_cells(
        design["run"].tolist(),
        design["feedstock"].tolist(),
        cells_per_lot=int(plan.get("cells_per_lot") or CELLS_PER_LOT),
        cells_per_day=plan.get("cells_per_day"),
        rng=rng,
    )
    summary = summarise_plan(
        design,
        lots,
        known,
        wanted=request,
        plan=plan,
        kiln=kiln,
        seed=seed,
        koh_warning_C=koh_warning_C,
        nitrogen_limit_d_percent=nitrogen_limit_d_percent,
    )
    summary["kind"], summary["firings_per_day"] = request.kind, per_day
    check_spent(summary, plan=plan, kept=len(request.kept))
    summary["notes"] = laid.notes + _not_analysed(request)
    if laid.search:
        summary["search"] = laid.search
    return Plan(design, lots, cells, summary)


def _lay(wanted: Wanted, settings: Settings, *, plan, most, seed, rng, workers, progress) -> Laid:
    if not wanted.firings and wanted.kept:
        return Laid(pd.DataFrame())
    if wanted.kind == OPTIMAL:
        return lay_optimal(
            wanted, settings, plan=plan, most=most, seed=seed, workers=workers, progress=progress
        )
    if wanted.kind == BALANCED:
        return lay_balanced(wanted, settings, plan=plan, most=most, rng=rng)
    if wanted.kind == FILLING:
        return lay_filling(wanted, settings, plan=plan, most=most, rng=rng)
    if wanted.kind == BLOCKS:
        return lay_blocks(wanted, settings, plan=plan, rng=rng)
    return lay_standard(wanted, settings, plan=plan, rng=rng)


def _without_forbidden(laid: Laid, settings: Settings) -> Laid:
    """The same without reference lots that stand where they are forbidden."""
    if not len(laid.lots):
        return laid
    keep = settings.permits(laid.lots)
    if keep.all():
        return laid
    screened = laid.lots[~keep & (laid.lots["role"] != REFERENCE).to_numpy()]
    if len(screened):
        text = (
            f"a lot of {screened['feedstock'].iloc[0]} finds no activation firing that is not "
            "forbidden. Forbid less, or choose kind: optimal."
        )
        raise PlanError([Finding("config", None, "plan.forbidden", "", STOPS, text)])
    note = (
        f"{count_words(int((~keep).sum()), 'reference lot')} would be forbidden and left out: "
        "those firings show no drift of the kiln. kind: optimal chooses firings to suit the "
        "reference."
    )
    return Laid(laid.lots[keep].reset_index(drop=True), [*laid.notes, note], laid.search)


def _not_analysed(wanted: Wanted) -> list[str]:
    """Factors that the plan varies and the models have no term for."""
    return [
        f"{name} varies, but the models of the report have no term for it yet: compare its lots in "
        "the tables of results."
        for name in wanted.varies(("ramp_C_per_min", *_MORE_FACTORS))
    ]


def _nothing(seed: int) -> Plan:
    summary = {
        "status": "nothing to plan",
        "message": NOTHING_YET,
        "seed": int(seed),
        "warnings": [],
        "notes": [],
        "cannot_tell": [],
    }
    empty = (pd.DataFrame(columns=list(c)) for c in (DESIGN_COLUMNS, LOT_COLUMNS, CELL_COLUMNS))
    return Plan(*empty, summary)


def _design_table(
    lots: pd.DataFrame, wanted: Wanted, *, per_day: int, rng: np.random.Generator
) -> pd.DataFrame:
    """The design without feed masses: kept rows, then lots in run order with ids and crucibles."""
    more = [
        name
        for name in _MORE_FACTORS
        if (name in lots and lots[name].notna().any())
        or any(row.get(name) is not None for row in wanted.kept)
    ]
    at = DESIGN_COLUMNS.index("ramp_C_per_min") + 1
    columns = [*DESIGN_COLUMNS[:at], *more, *DESIGN_COLUMNS[at:]]
    # What a kept row says beside, for example its pool, stays.
    columns += [
        name
        for name in dict.fromkeys(key for row in wanted.kept for key in row)
        if name not in columns
        and name != "row"
        and any(row.get(name) is not None for row in wanted.kept)
    ]
    rows = [{name: row.get(name) for name in columns} for row in wanted.kept]
    if len(lots):
        rows += _new_rows(lots, wanted, columns, per_day=per_day, rng=rng)
    last = max((int(row["order"]) for row in rows if row["order"] is not None), default=0)
    for n, row in enumerate(rows[len(wanted.kept) :], start=last + 1):
        row["order"] = n
    table = {}
    for name in columns:
        values = [row[name] for row in rows]
        if name == "order" and None not in values:
            table[name] = pd.Series(values, dtype=int)
        else:
            number = name in _NUMBERS or name == "order"
            table[name] = pd.Series(values, dtype=float if number else object)
    return pd.DataFrame(table, columns=columns)


def _new_rows(
    lots: pd.DataFrame,
    wanted: Wanted,
    columns: Sequence[str],
    *,
    per_day: int,
    rng: np.random.Generator,
) -> list[dict]:
    """Rows of the new lots; firings and crucibles in random order."""
    # Firings that stock leaves empty are not fired.
    lots = lots.assign(k=np.unique(lots["k"], return_inverse=True)[1])
    firings = lots.drop_duplicates("k").sort_values("k").reset_index(drop=True)
    labels = codes_of(
        list(zip(*(firings[name].fillna(-1) for name in FIRING_FACTORS), strict=True))
    )
    if firings["peak_temperature_C"].nunique() > 1:
        labels = codes_of(firings["peak_temperature_C"].tolist())
    held = sorted(set(lots.loc[lots["role"] == REFERENCE, "k"]))
    order = order_firings(labels, held, per_day=per_day, rng=rng)
    used = [str(row["firing"]) for row in wanted.kept]
    used += [str(row["activation_firing"]) for row in wanted.kept if row["activation_firing"]]
    firing_names = _ids("F", len(order), 2, used)
    rows = []
    for name, k in zip(firing_names, order, strict=True):
        here = lots[lots["k"] == k]
        crucibles = 1 + rng.permutation(wanted.crucibles)[: len(here)]
        rows += [
            {column: None for column in columns}
            | {f: None if pd.isna(lot[f]) else lot[f] for f in FACTORS if f in columns}
            | {"role": lot["role"], "feedstock": lot["feedstock"], "firing": name}
            | {"crucible": str(c), "a": int(lot["a"])}
            for c, lot in sorted(
                zip(crucibles.tolist(), here.to_dict("records"), strict=True),
                key=lambda pair: pair[0],
            )
        ]
    # Activation firings in the order in which their first lot comes from the kiln.
    groups = list(dict.fromkeys(row["a"] for row in rows if row["a"] >= 0))
    names = dict(zip(groups, _ids("A", len(groups), 2, used), strict=True))
    runs = _ids("R", len(rows), 3, [str(row["run"]) for row in wanted.kept])
    for row, run in zip(rows, runs, strict=True):
        row["run"], row["activation_firing"] = run, names.get(row.pop("a"))
    return rows


def _plain(row: Mapping) -> dict:
    """A row with None for whatever is missing."""
    return {
        key: None if value is None or (isinstance(value, float) and np.isnan(value)) else value
        for key, value in row.items()
    }


def _ids(letter: str, n: int, width: int, used: Sequence[str] = ()) -> list[str]:
    """Names such as R001 after those in use; wide enough that they sort as they count."""
    taken = [int(name[1:]) for name in used if name[:1] == letter and name[1:].isdigit()]
    first = max(taken, default=0) + 1
    width = max(width, len(str(first + n - 1)))
    return [f"{letter}{i:0{width}d}" for i in range(first, first + n)]
