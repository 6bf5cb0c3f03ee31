"""The next firing: proposed, priced, and weighed against other moves and against stopping."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.basis import is_measured
from charscreen.plan.feed import LOT_COLUMNS, size_lots
from charscreen.plan.keeping import expected_yields
from charscreen.plan.make import DESIGN_COLUMNS
from charscreen.plan.settings import KOH
from charscreen.priors import ACTIVATION_YIELD, CHAR_YIELD
from charscreen.propose.advice import advise, best_of_moves
from charscreen.propose.cost import WORK, move_cost
from charscreen.propose.feasible import Feasible, feasible_lots, has_parent, stock_left
from charscreen.propose.rows import design_rows
from charscreen.propose.search import Option, Search, Stakes
from charscreen.words import agree, count_words, list_ids, merit_words

OPTION_COLUMNS = (
    *("option", "move", "peak_temperature_C", "hold_min", "n_firings", "n_lots", "n_cells"),
    *("lots", "expected_gain", "gain_se", "unit", "cost", "cost_unit", "kiln_h", "money"),
    *("gain_per_cost", "proposed"),
)
#: Loss, as a share of the merit, below which everything counts as told apart.
TOLD_APART = 1e-4
_MOST_CELLS = 40  # searched one by one; more would be a firing's work and more


@dataclass(frozen=True)
class Proposal:
    """What to run next.

    Parameters
    ----------
    design, lots, options : DataFrame
        Rows for the design, feed to weigh, and every option scored (`OPTION_COLUMNS`, by falling
        gain); without rows where nothing is proposed.
    summary : dict
        ``status`` (``propose``, ``stop`` or ``nothing``), numbers, and ``sentences``.
    """

    design: pd.DataFrame
    lots: pd.DataFrame
    options: pd.DataFrame
    summary: dict


def no_proposal(merit: str, reason: str, *, status: str = "nothing", **more: object) -> Proposal:
    """A proposal of nothing, with the reason in a sentence."""
    return Proposal(
        pd.DataFrame(columns=list(DESIGN_COLUMNS)),
        pd.DataFrame(columns=list(LOT_COLUMNS)),
        pd.DataFrame(columns=list(OPTION_COLUMNS)),
        {
            "status": status,
            "merit": merit,
            "sentences": [reason],
            "cannot_tell": [],
            "best_of_moves": [],
        }
        | more,
    )


def not_ranked(merit: str, ranking: Mapping) -> Proposal:
    """Why nothing is proposed where no candidate is ranked by the merit.

    Parameters
    ----------
    merit : str
        Name of the merit.
    ranking : mapping
        Summary of the ranking; ``missing`` is read.
    """
    text = f"Nothing is proposed: no candidate is ranked by {merit_words(merit)} yet."
    return no_proposal(merit, " ".join([text, *ranking["missing"][:3]]))


def propose_next(
    stakes: Stakes,
    *,
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    weighed: Collection[str],
    taken_runs: Sequence[str] = (),
    feedstocks: Sequence[Mapping],
    kiln: Mapping,
    plan: Mapping,
    costs: Mapping,
    prices: Mapping,
    settings: Mapping,
    seed: int,
    moisture_u_percent: float = 1.0,
    koh_purity_percent: float = 100.0,
) -> Proposal:
    """The firing that is expected to take most off the loss of the final choice.

    Parameters
    ----------
    stakes : Stakes
        What is to be chosen and what is known.
    design : DataFrame
        The design, all rows and columns of its table.
    firings_done : DataFrame
        firing: ids in use.
    weighed : collection of str
        Runs weighed, whose feed is out of the stock.
    taken_runs : sequence of str
        Ids in use beside those of `design`, such as of rows left out.
    feedstocks : sequence of mapping
        Feedstock table.
    kiln, plan, costs, prices : mapping
        The config's parts of these names.
    settings : mapping
        The config's part ``next``: worth, firings, cells_per_lot, temperature_step_C.
    seed : int
    moisture_u_percent, koh_purity_percent : float
        As for `charscreen.plan.feed.size_lots`. [percentage points, %]

    Notes
    -----
    Expected loss is that of choosing the candidate with the best expected merit instead of the
    one that is really best. The firing is filled lot by lot at every condition of a grid within
    the tested range (`charscreen.propose.search`), scored exactly over draws of the variances.
    """
    unit = stakes.unit
    if len(stakes.candidates) < 2:
        return no_proposal(stakes.merit, "One candidate is ranked: there is nothing to choose yet.")
    choice = stakes.candidates["candidate"].iloc[stakes.best]
    loss, expected = float(stakes.losses.mean()), float(stakes.values[:, stakes.best].mean())
    known = {
        "unit": unit,
        "choice": choice,
        "choice_is_measured": bool(is_measured(stakes.candidates.iloc[stakes.best])),
        "expected_merit": expected,
        "loss_now": loss,
        "chance_best": float((stakes.losses <= 0).mean()),
        "worth": settings["worth"],
    }
    if settings["worth"] is not None:
        known["chance_loss_above_worth"] = float((stakes.losses > settings["worth"]).mean())
    if loss <= TOLD_APART * abs(expected):
        text = (
            f"Everything is told apart already: choosing {choice} is expected to lose "
            f"{loss:.2g} {unit}. No further firing can gain more than that."
        )
        return no_proposal(stakes.merit, text, status="stop", **known)
    possible = feasible_lots(
        design,
        feedstocks,
        stakes.used,
        crucibles=int(kiln["crucibles"]),
        step_C=settings["temperature_step_C"],
        max_temperature_C=kiln.get("max_temperature_C"),
    )
    stock = stock_left(feedstocks, design, weighed)
    lots = _sized(
        possible,
        stakes,
        feedstocks,
        plan=plan,
        kiln=kiln,
        moisture_u_percent=moisture_u_percent,
        koh_purity_percent=koh_purity_percent,
    )
    reasons = [*_pending(design, weighed), *possible.reasons]
    left = lots["feedstock"].map(stock).astype(float).fillna(np.inf)
    enough = lots["feed_ar_g"].fillna(0.0) / 1000 <= left + 1e-9
    short = sorted(set(lots["feedstock"]) - set(lots.loc[enough, "feedstock"]))
    if short:
        reasons.append(f"Too little left in stock for one more lot: {', '.join(short)}.")
    lots = lots[enough].reset_index(drop=True)
    search = Search(
        stakes,
        lots,
        places=int(kiln["crucibles"]),
        reference=possible.reference,
        cells_per_lot=int(settings["cells_per_lot"]),
        stock_kg=stock,
        seed=seed,
    )
    scored, proposed = _all_options(search, n_firings=int(settings["firings"]), costs=costs)
    if proposed is None:
        reasons = reasons or ["No feedstock measured so far is there for another lot."]
        return no_proposal(stakes.merit, " ".join(["Nothing can be fired.", *reasons]), **known)
    feed_price = {
        str(f["feedstock"]): f["price_per_kg"] for f in feedstocks if f.get("price_per_kg")
    }
    options = _options_table(
        scored,
        proposed,
        unit=unit,
        cells_per_lot=search.cells_per_lot,
        costs=costs,
        prices=prices,
        kiln=kiln,
        feed_price=feed_price,
    )
    rows = design_rows(
        proposed.firings,
        design,
        firings_done,
        taken_runs=taken_runs,
        reference=possible.reference,
        kiln=kiln,
        seed=seed,
    )
    to_weigh = _feed(rows, lots)
    rows["feed_ar_g"] = to_weigh["feed_ar_g"]
    summary = {
        "status": "propose",
        "merit": stakes.merit,
        **known,
        "gain": proposed.gain,
        "gain_se": proposed.se,
        "loss_after": max(loss - proposed.gain, 0.0),
        "n_firings": len(proposed.firings),
        "n_lots": proposed.n_lots,
        "candidates_carried": len(search.candidates),
        "seed": int(seed),
    }
    status, sentences = advise(summary, options)
    if not search.of_cells:
        reasons.append(
            search.no_cells
            or f"More cells of the lots you have would tell nothing of {merit_words(stakes.merit)}."
        )
    summary |= {"status": status, "sentences": sentences, "cannot_tell": reasons}
    summary["best_of_moves"] = list(best_of_moves(options)["option"])
    return Proposal(rows, to_weigh, options, summary)


def _pending(design: pd.DataFrame, weighed: Collection[str]) -> list[str]:
    """A sentence on lots that are planned and not weighed yet."""
    lots = design[~has_parent(design)]
    waiting = sorted(set(lots["run"]) - set(weighed))
    if not waiting:
        return []
    n = len(waiting)
    return [
        f"{count_words(n, 'lot')} of the design {agree(n, 'is', 'are')} not weighed yet "
        f"({list_ids(waiting)}); what they will tell is not counted here, so measure them first "
        "and propose anew."
    ]


def _sized(
    possible: Feasible, stakes: Stakes, feedstocks: Sequence[Mapping], *, plan: Mapping, **more
) -> pd.DataFrame:
    """Feasible lots with the feed each takes, from the yields of this screen's own models."""
    lots = possible.lots
    if lots.empty:
        return lots.assign(**{name: pd.Series(dtype=float) for name in ("feed_ar_g", "koh_g")})
    conditions = sorted(set(lots[["peak_temperature_C", "hold_min"]].itertuples(index=False)))
    priors = {
        name: {
            "expected": expected_yields(
                stakes.models[name], stakes.draws[name], [tuple(pair) for pair in conditions]
            ).to_dict("records")
        }
        for name in (CHAR_YIELD, ACTIVATION_YIELD)
        if name in stakes.models
    }
    ratio = lots.loc[lots["activation"] == KOH, "koh_ratio"].dropna()
    if len(ratio):
        plan = {**plan, "koh_ratio": float(ratio.iloc[0])}
    named = lots.assign(run=[str(i) for i in range(len(lots))], firing="", crucible="")
    known = {str(row["feedstock"]): row for row in feedstocks}
    sized = size_lots(named, known, plan=plan, priors=priors, **more)
    figures = [name for name in LOT_COLUMNS if name not in named]
    return pd.concat([lots, sized[figures]], axis=1)


def _all_options(
    search: Search, *, n_firings: int, costs: Mapping
) -> tuple[list[Option], Option | None]:
    """Every option scored, and the one proposed: so many firings, each the best after the last."""
    scored: list[Option] = []
    proposed: Option | None = None
    # One firing more than asked for, to say what a further one would add.
    for _ in range(max(n_firings, 1) + 1):
        found = search.firings(proposed.firings if proposed else ())
        if not found or len(found[0].firings) <= (len(proposed.firings) if proposed else 0):
            break
        scored += found
        if len(found[0].firings) > n_firings:
            break
        proposed = found[0]
    if proposed is None:
        return [], None
    scored += search.partly_filled(proposed.firings[0])
    work = float(costs["firing"]) + proposed.n_lots * float(costs["lot"])
    work += proposed.n_lots * search.cells_per_lot * float(costs["cell"])
    alike = int(np.clip(round(work / float(costs["cell"])), 1, _MOST_CELLS))
    scored += search.cells(sorted({search.places, alike}))
    return scored, proposed


def _options_table(
    scored: Sequence[Option],
    proposed: Option,
    *,
    unit: str,
    cells_per_lot: int,
    costs: Mapping,
    prices: Mapping,
    kiln: Mapping,
    feed_price: Mapping[str, float],
) -> pd.DataFrame:
    cells = [sum(o.cells.values()) if o.cells else o.n_lots * cells_per_lot for o in scored]
    found = [
        move_cost(
            option.firings,
            n_cells=n_cells,
            costs=costs,
            prices=prices,
            kiln=kiln,
            feed_price_per_kg=feed_price,
        )
        for option, n_cells in zip(scored, cells, strict=True)
    ]
    # What costs no money by the prices given is not free: then the work of all is compared.
    in_money = all(cost["money"] for cost in found)
    rows = []
    for option, n_cells, cost in zip(scored, cells, found, strict=True):
        last = option.firings[-1].iloc[0] if option.firings else {}
        each = float(cost["money"] if in_money else cost["work"])
        rows.append(
            {
                "move": option.move,
                "peak_temperature_C": last.get("peak_temperature_C", np.nan),
                "hold_min": last.get("hold_min", np.nan),
                "n_firings": len(option.firings),
                "n_lots": option.n_lots,
                "n_cells": n_cells,
                "lots": _lots_text(option),
                "expected_gain": option.gain,
                "gain_se": option.se,
                "unit": unit,
                "cost": each,
                "cost_unit": str(prices.get("currency") or "money") if in_money else WORK,
                "kiln_h": cost["kiln_h"],
                "money": np.nan if cost["money"] is None else cost["money"],
                "gain_per_cost": option.gain / each,
                "proposed": "yes" if option is proposed else "no",
            }
        )
    table = pd.DataFrame(rows)
    table = table.sort_values(
        ["expected_gain", "cost", "lots"], ascending=[False, True, True], ignore_index=True
    )
    table["option"] = [f"N{i:02d}" for i in range(1, len(table) + 1)]
    return table[list(OPTION_COLUMNS)]


def _lots_text(option: Option) -> str:
    """What an option makes: lots firing by firing, or cells by run."""
    if option.cells:
        return ", ".join(f"{n} of {run}" for run, n in option.cells.items())
    firings = []
    for lots in option.firings:
        names = lots["feedstock"].where(lots["activation"] != KOH, lots["feedstock"] + " with KOH")
        counts = names.value_counts(sort=False).sort_index()
        first = lots.iloc[0]
        at = f"{first['peak_temperature_C']:g} °C {first['hold_min']:g} min"
        firings.append(f"{at}: " + ", ".join(f"{n} x {name}" for name, n in counts.items()))
    return "; ".join(firings)


def _feed(rows: pd.DataFrame, lots: pd.DataFrame) -> pd.DataFrame:
    """Feed to weigh for the proposed rows."""
    key = ["feedstock", "activation", "peak_temperature_C", "hold_min"]
    figures = [name for name in LOT_COLUMNS if name not in ("run", "firing", "crucible", *key)]
    found = rows[["run", "firing", "crucible", *key]].merge(
        lots[[*key, *figures]], on=key, how="left"
    )
    return found[list(LOT_COLUMNS)]
