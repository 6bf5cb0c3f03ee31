"""All that is said of a plan: one record and four tables."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from charscreen.plan.feed import CELLS_PER_LOT
from charscreen.plan.make import NOTHING_YET
from charscreen.quality import comparisons, confounding, curve, split
from charscreen.quality.comparisons import FEEDSTOCKS, compare_all
from charscreen.quality.confounding import confounding_table, factor_levels
from charscreen.quality.curve import probability_by_firings
from charscreen.quality.efficiency import judge_efficiency
from charscreen.quality.expenses import plan_expenses
from charscreen.quality.planned import Planned, candidates_of, lots_of, plan_analysis
from charscreen.quality.probability import Chances, chances_of_finding
from charscreen.quality.scatter import BETWEEN, STATED, USUAL, scatter_for
from charscreen.quality.split import split_effort
from charscreen.words import merit_words

# Factors that a design may vary and the models have no covariate for, in words.
_NO_COVARIATE = {
    "ramp_C_per_min": "heating rate",
    "particle_size_mm": "particle size",
    "drying_C": "drying temperature",
}
_STREAM = 77


@dataclass(frozen=True)
class Quality:
    """How good a plan is.

    Parameters
    ----------
    record : dict
        Plain data; every key is explained in config/README.md.
    comparisons, confounding, effort, by_firings : DataFrame
        See the modules of these names (`split` for effort, `curve` for by_firings).
    """

    record: dict
    comparisons: pd.DataFrame
    confounding: pd.DataFrame
    effort: pd.DataFrame
    by_firings: pd.DataFrame


def judge_plan(
    design: pd.DataFrame,
    lots: pd.DataFrame,
    *,
    feedstocks: Sequence[Mapping],
    plan: Mapping,
    kiln: Mapping,
    prices: Mapping,
    costs: Mapping[str, float],
    merits: Sequence[str],
    priors: Mapping,
    seed: int,
    lots_kept: int = 0,
    progress: Callable[[str], None] = lambda text: None,
) -> Quality:
    """Quality of a plan under the scatter its settings state.

    Parameters
    ----------
    design, lots : DataFrame
        Tables of a plan; without rows nothing is judged.
    feedstocks : sequence of mappings
        Feedstock table.
    plan, kiln, prices, costs : mapping
        Those parts of the settings.
    merits : sequence of str
        The first one decides.
    priors : mapping
        From `charscreen.priors.read_priors`.
    seed : int
        Seed of the screen.
    lots_kept : int
        So many rows stand first in the tables because they are kept from the design; they count
        for what can be told, not for what the plan still takes.
    progress : callable
        Told what is being done.

    Returns
    -------
    Quality
    """
    measured = design
    if "exclude_reason" in design:
        measured = design[design["exclude_reason"].isna()].reset_index(drop=True)
    if not len(measured):
        return _nothing()
    cells = int(plan.get("cells_per_lot") or CELLS_PER_LOT)
    delta = float(plan["delta_percent"])
    scatter = scatter_for(plan.get("scatter") or {}, priors, merit=merits[0])
    whole = plan_analysis(lots_of(measured), cells_per_lot=cells)
    candidates = candidates_of(measured)
    progress("chance of finding the best")
    chances = {
        name: chances_of_finding(
            whole,
            candidates,
            scatter.times(BETWEEN, factor),
            delta_percent=delta,
            rng=np.random.default_rng([seed, _STREAM]),
        )
        for name, factor in (("", 1.0), ("_half_spread", 0.5), ("_double_spread", 2.0))
    }
    progress("power and confounding")
    compared, precision = compare_all(whole, scatter, delta_percent=delta)
    efficiency = judge_efficiency(whole, scatter, precision)
    progress("chance against the number of firings")
    by_firings = probability_by_firings(
        whole, candidates, scatter, delta_percent=delta, seed=seed, of_plan=chances[""]
    )
    progress("the same effort split otherwise")
    effort = split_effort(
        whole,
        scatter,
        costs=costs,
        crucibles=int(kiln["crucibles"]),
        delta_percent=delta,
        seed=seed,
    )
    record = {
        "status": "judged",
        "message": "",
        "merit": merits[0],
        "choice": f"one of {len(candidates)} candidates, feedstocks at conditions with a lot",
        "candidates": len(candidates),
        "delta_percent": delta,
        **_chances(chances),
        "simulations": chances[""].simulations,
        "seed": int(seed),
        **_precision(compared),
        "d_efficiency": _plain(efficiency.d_efficiency),
        "d_efficiency_exhaustive": _plain(efficiency.d_efficiency_exhaustive),
        "designs_tried": efficiency.designs_tried,
        "i_variance_mean": _plain(efficiency.i_variance_mean),
        "cells_per_lot": cells,
        "cells_source": STATED if plan.get("cells_per_lot") else USUAL,
        "lots_kept": int(lots_kept),
        **plan_expenses(
            design.iloc[lots_kept:],
            lots.iloc[lots_kept:],
            feedstocks=feedstocks,
            plan=plan,
            kiln=kiln,
            prices=prices,
            cells_per_lot=cells,
        ),
        "scatter": scatter.percent,
        "scatter_source": scatter.source,
        "cannot_tell": _cannot_tell(measured, whole, precision is None),
    }
    return Quality(record, compared, confounding_table(measured, whole), effort, by_firings)


def _nothing() -> Quality:
    empty = [
        pd.DataFrame(columns=list(module.COLUMNS))
        for module in (comparisons, confounding, split, curve)
    ]
    return Quality({"status": "nothing to plan", "message": NOTHING_YET}, *empty)


def _chances(chances: Mapping[str, Chances]) -> dict:
    """Chances with their standard errors, the plain ones first."""
    out = {}
    for ending, found in chances.items():
        names = {"p_within_delta": found.within, "p_best": found.best}
        if not ending:
            names["p_best_feedstock"] = found.best_feedstock
        for name, value in names.items():
            out[f"{name}{ending}"] = value
            out[f"{name}{ending}_se"] = _plain(found.se(value))
    plain = chances[""]
    out["loss_percent"] = _plain(100.0 * plain.loss)
    out["loss_percent_se"] = _plain(100.0 * plain.loss_se)
    return out


def _precision(compared: pd.DataFrame) -> dict:
    """Medians over the pairs of feedstocks, and the weakest comparison of each condition."""
    pairs = compared[compared["kind"] == FEEDSTOCKS]
    out = {
        "power_feedstocks": _plain(pairs["power"].median()),
        "power_feedstocks_lowest": _plain(pairs["power"].min()),
        "se_feedstocks_percent": _plain(pairs["se_percent"].median()),
        "detectable_feedstocks_percent": _plain(pairs["detectable_percent"].median()),
    }
    others = compared[compared["kind"] != FEEDSTOCKS]
    ends = others.loc[others.groupby("kind", sort=False)["power"].idxmax()]
    names = [kind.replace(" ", "_") for kind in ends["kind"]]
    out["power_conditions"] = dict(zip(names, map(_plain, ends["power"]), strict=True))
    return out


def _cannot_tell(design: pd.DataFrame, whole: Planned, mixed_up: bool) -> list[str]:
    """What the plan leaves open, as the models will say it afterwards."""
    sentences = [*whole.terms.forbids, *whole.levels.forbids, *whole.levels.flags]
    if mixed_up:
        sentences.insert(
            0,
            "Feedstocks and conditions cannot all be told apart, so no comparison has a standard "
            "error. Spread the feedstocks over more firings, or plan more lots.",
        )
    sentences += [
        f"The {_NO_COVARIATE[name]} varies in the plan, but the models have no term for it: what "
        "it changes counts as scatter, and no chance or power here allows for it."
        for name, levels in factor_levels(design).items()
        if name in _NO_COVARIATE and len(levels) > 1
    ]
    return list(dict.fromkeys(sentences))


def _plain(value: float | None) -> float | None:
    """Six significant digits; None where there is no number."""
    return None if value is None or not np.isfinite(value) else float(f"{float(value):.6g}")


def headline(record: Mapping) -> str:
    """The judgement in one sentence, with its standard error."""
    if record["status"] != "judged":
        return f"{record['message'][:1].upper()}{record['message'][1:]}."
    chance, se = 100 * record["p_within_delta"], 100 * record["p_within_delta_se"]
    return (
        f"If the stated scatter holds, choosing by {merit_words(record['merit'])} after this plan "
        f"gives one within {record['delta_percent']:g} % of the best in {chance:.1f} % of screens "
        f"(± {se:.1f} %), and the best itself in {100 * record['p_best']:.1f} % "
        f"(± {100 * record['p_best_se']:.1f} %)."
    )
