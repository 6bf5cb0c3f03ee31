"""Ranking of candidates: how good, how sure, and what cannot be told apart."""

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import NamedTuple

import numpy as np
import pandas as pd

from charscreen.basis import OFF_PLAN, YIELD_ONLY
from charscreen.rank.candidates import CONDITION
from charscreen.rank.draw_ranks import count_ranks, draw_ranks
from charscreen.rank.facts import Facts
from charscreen.rank.feedstocks import feedstock_summary, rank_feedstocks
from charscreen.rank.limits import chances_to_meet, limit_summary
from charscreen.rank.measured import measured_summary
from charscreen.rank.merits import MeritDraws, MeritSource
from charscreen.rank.predicted import predicted_candidates
from charscreen.rank.summaries import (
    assumption_sentences,
    merit_summary,
    missing_sentences,
    predicted_sentences,
    response_of,
    response_summary,
)
from charscreen.words import MERITS

NOT_TOLD_APART = "not told apart from the best"
COLUMNS = [
    "candidate",
    *CONDITION,
    "merit",
    "unit",
    "estimate",
    "estimate_lo",
    "estimate_hi",
    "expected_rank",
    "rank_lo",
    "rank_hi",
    "p_best",
    "p_top3",
    "expected_loss",
    "group",
    "n_firings",
    "n_lots",
    "n_cells",
    "predicted",
    "basis",
    "better",
    "p_meets",
]


class Ranked(NamedTuple):
    """What `rank_candidates` found.

    Parameters
    ----------
    table : DataFrame
        One row per candidate and merit, columns `COLUMNS`.
    summary : dict
        The same in short, and what could not be ranked.
    draws : DataFrame, (n_draws, n_columns)
        Joint posterior draws behind the table, one float64 column ``<merit>|<candidate>`` per
        row of it, in the unit of the merit.
    candidates : DataFrame
        Tested and predicted candidates, those without a place included, with p_meets.
    feedstocks : DataFrame
        Feedstocks ranked as such: ``view`` and `COLUMNS`; see
        `charscreen.rank.feedstocks.rank_feedstocks`.
    """

    table: pd.DataFrame
    summary: dict
    draws: pd.DataFrame
    candidates: pd.DataFrame
    feedstocks: pd.DataFrame


# About 60 MB of work space at most, whatever the number of draws and candidates.
_CHUNK_VALUES = 1_000_000


def rank_statistics(
    values: np.ndarray, *, interval_percent: float = 90.0, group_probability: float = 0.9
) -> pd.DataFrame:
    """Estimate, ranks and probabilities of being best, from draws; more is better.

    Parameters
    ----------
    values : (n_draws, n_candidates) array
        Joint posterior draws of one merit.
    interval_percent : float
        Level of the intervals. [%]
    group_probability : float
        From this probability of being beaten on, a candidate is told apart from the best.

    Returns
    -------
    DataFrame
        One row per candidate in the order of `values`: estimate (median), estimate_lo,
        estimate_hi, expected_rank, rank_lo, rank_hi (1 is best), p_best, p_top3,
        expected_loss, p_beaten, in_group.

    Raises
    ------
    ValueError
        No draws, no candidates, or a value that is not finite.

    Notes
    -----
    Per draw r the candidates are ranked; ``p_best`` is the share of draws in which a candidate
    comes first, ``expected_loss`` the mean of max_j v_j - v_i. Tied candidates share: two tied
    at the top count a half each, and the expected rank takes the mean of their ranks. Intervals
    are equal-tailed; those of ranks run over whole ranks, ties at their widest. With b the
    candidate of the highest estimate, i is told apart from the best when
    P(v_b > v_i) >= `group_probability` (``p_beaten``); the others form the group. Tied draws
    do not count as beaten. Common practice for posterior draws, no source.
    """
    values = np.asarray(values, dtype=float)
    if values.ndim != 2 or 0 in values.shape:
        raise ValueError("values must hold at least one draw of at least one candidate")
    if not np.isfinite(values).all():
        raise ValueError("values must be finite")
    n_draws, n = values.shape
    tail = (100.0 - interval_percent) / 200.0
    lo, estimate, hi = np.quantile(values, [tail, 0.5, 1 - tail], axis=0)
    best = int(np.argmax(estimate))
    total = {name: np.zeros(n) for name in ("rank", "best", "top3", "loss", "beaten")}
    first_counts = np.zeros((n, n + 1), dtype=np.int64)
    last_counts = np.zeros((n, n + 1), dtype=np.int64)
    for part in _chunks(values):
        first, last = draw_ranks(part)
        tied = last - first + 1
        total["rank"] += ((first + last) / 2).sum(axis=0)
        total["best"] += ((first == 1) / tied).sum(axis=0)
        total["top3"] += (np.clip(4 - first, 0, tied) / tied).sum(axis=0)
        total["loss"] += (part.max(axis=1, keepdims=True) - part).sum(axis=0)
        total["beaten"] += (part[:, [best]] > part).sum(axis=0)
        first_counts += count_ranks(first)
        last_counts += count_ranks(last)
    mean = {name: value / n_draws for name, value in total.items()}
    return pd.DataFrame(
        {
            "estimate": estimate,
            "estimate_lo": lo,
            "estimate_hi": hi,
            "expected_rank": mean["rank"],
            "rank_lo": _count_quantile(first_counts, tail),
            "rank_hi": _count_quantile(last_counts, 1 - tail),
            "p_best": mean["best"],
            "p_top3": mean["top3"],
            "expected_loss": mean["loss"],
            "p_beaten": mean["beaten"],
            "in_group": mean["beaten"] < group_probability,
        }
    )


def rank_candidates(
    candidates: pd.DataFrame,
    models: Mapping[str, dict],
    draws: Mapping[str, pd.DataFrame],
    *,
    merits: Sequence[str],
    interval_percent: float = 90.0,
    group_probability: float = 0.9,
    predicted_best: bool = False,
    must: Mapping[str, Mapping] | None = None,
    must_probability: float = 0.5,
    facts: Facts | None = None,
    seed: int = 0,
) -> Ranked:
    """The ranking table, its summary and the draws behind both.

    Parameters
    ----------
    candidates : DataFrame
        From `charscreen.rank.candidates.list_candidates`.
    models, draws : mapping
        Model records and posterior draws by name, as for `charscreen.rank.merits.MeritSource`.
    merits : sequence of str
        Names out of `charscreen.words.MERITS` or of the expressions of `facts`, in the order
        wanted.
    interval_percent : float
        Level of the intervals. [%]
    group_probability : float
        See `rank_statistics`.
    predicted_best : bool
        Whether the predicted best condition of each feedstock is a candidate too. A quarter of
        the draws then chooses conditions, and all figures come from the rest.
    must : mapping of str to mapping, optional
        Hard limits, see `charscreen.rank.limits.chances_to_meet`.
    must_probability : float
        A candidate that meets them with a lower probability leaves the ranking.
    facts : Facts, optional
        Prices, kiln, feedstocks and merits of the user.
    seed : int
        Pairs the draws of different models.

    Returns
    -------
    Ranked
        In the table merits stand in the order given, the best candidates first. A candidate
        without the measurements a merit needs has no row for it. Where that happens, finished
        carbon per kg dry feed is ranked as well, with basis ``yield only``. The summary holds
        ``interval_percent``, ``group_probability``, ``n_draws``, ``n_candidates``, ``merits`` (per
        merit: unit, words, better, response, best, estimate, lo, hi, p_best, expected_loss, group,
        p_best_in_group, n_ranked, not_ranked, measured; see
        `charscreen.rank.measured.measured_summary`), ``missing``, ``assumptions`` and
        ``predicted_sentences`` (sentences), ``predicted`` (the choices), ``limits`` (or null),
        ``feedstocks`` (the leading ones) and what
        `charscreen.rank.summaries.response_summary` says.

    Raises
    ------
    ValueError
        A merit that is not known.
    """
    facts, must = facts or Facts(), must or {}
    known = [*MERITS, *facts.expressions]
    unknown = [name for name in [*merits, *must] if name not in known]
    if unknown:
        raise ValueError(f"unknown merit {unknown[0]!r}; known are {', '.join(known)}")
    summary: dict = {
        "interval_percent": float(interval_percent),
        "group_probability": float(group_probability),
        "n_draws": 0,
        "n_candidates": len(candidates),
        "merits": {},
        "missing": [],
        "assumptions": [],
        "predicted": [],
        "predicted_sentences": [],
        "limits": None,
        "feedstocks": [],
        "independence": "",
        "response": "",
        "residual_correlation": None,
    }
    if candidates.empty:
        summary["missing"].append("Nothing is ranked: no lot has a yield or a capacitance yet.")
        empty = pd.DataFrame(columns=COLUMNS)
        lone = candidates.assign(p_meets=pd.Series(dtype=float))
        return Ranked(empty, summary, pd.DataFrame(), lone, _with_view(empty))

    def source_of(rows: pd.DataFrame, part: str) -> MeritSource:
        return MeritSource(rows, models, draws, seed=seed, facts=facts, part=part)

    names = list(dict.fromkeys(merits))
    part = "all"
    if predicted_best:
        part = "rest"
        added, chosen = predicted_candidates(candidates, partial(source_of, part="choice"), names)
        if len(added):
            candidates = pd.concat([candidates, added], ignore_index=True)
        summary["predicted"] = chosen
    source = source_of(candidates, part)
    candidates = source.candidates
    found = {name: source.draws_of(name) for name in names}
    _add_carbon(found, source)
    chances = np.full(len(candidates), np.nan)
    if must:
        chances = chances_to_meet(source, must)
        summary["limits"] = limit_summary(source, must, chances, least=must_probability)
    candidates = candidates.assign(p_meets=chances)
    out = chances < must_probability
    summary["n_draws"], summary["n_candidates"] = source.n_draws, len(candidates)
    tables = []
    table_of = partial(
        _merit_table, interval_percent=interval_percent, group_probability=group_probability
    )
    for name, drawn in found.items():
        record = {"unit": drawn.unit, "words": drawn.words, "better": drawn.better}
        record["response"] = response_of(drawn)
        found[name] = drawn = drawn.without(out)
        if drawn.ranked.any():
            table = table_of(candidates[drawn.ranked], name, drawn)
            record |= merit_summary(table, drawn)
            record["measured"] = measured_summary(table, drawn, group_probability=group_probability)
            tables.append(table)
        else:
            record |= {"best": None, "n_ranked": 0, "group": []}
        record["not_ranked"] = drawn.missing
        summary["merits"][name] = record
        summary["missing"] += missing_sentences(drawn)
    summary |= response_summary(found, source, models, interval_percent=interval_percent)
    summary["assumptions"] = assumption_sentences(found, source)
    places = {n: list(candidates.loc[d.ranked, "candidate"]) for n, d in found.items()}
    summary["predicted_sentences"] = predicted_sentences(summary["predicted"], places)
    columns = {
        f"{name}|{candidate}": drawn.values[:, place]
        for name, drawn in found.items()
        for place, candidate in enumerate(places[name])
    }
    feedstocks = rank_feedstocks(
        found, candidates, source_of, table_of, chosen_apart=predicted_best
    )
    summary["feedstocks"] = feedstock_summary(feedstocks)
    table = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=COLUMNS)
    return Ranked(
        table[COLUMNS], summary, pd.DataFrame(columns), candidates, _with_view(feedstocks)
    )


def _with_view(table: pd.DataFrame) -> pd.DataFrame:
    """The columns of the ranking of feedstocks."""
    return table.reindex(columns=["view", *COLUMNS])


def _add_carbon(found: dict[str, MeritDraws], source: MeritSource) -> None:
    """Rank the carbon too, where this gives a place to a candidate that has no capacitance."""
    of_cells = {"capacitance", "device_farads", "esr_area"}
    lacking = [drawn for drawn in found.values() if drawn.missing and of_cells & set(drawn.models)]
    if "carbon_g_per_kg_d" in found or not lacking:
        return
    extra = source.draws_of("carbon_g_per_kg_d")
    without = {row["candidate"] for drawn in lacking for row in drawn.missing}
    if without & set(source.candidates.loc[extra.ranked, "candidate"]):
        extra.basis = [YIELD_ONLY] * len(extra.basis)
        found["carbon_g_per_kg_d"] = extra


def _chunks(values: np.ndarray) -> Iterator[np.ndarray]:
    step = max(1, _CHUNK_VALUES // values.shape[1])
    for start in range(0, len(values), step):
        yield values[start : start + step]


def _count_quantile(counts: np.ndarray, probability: float) -> np.ndarray:
    """Smallest rank whose cumulated share of draws reaches a probability, per candidate."""
    cumulated = np.cumsum(counts, axis=1) / counts.sum(axis=1, keepdims=True)
    return np.argmax(cumulated >= probability - 1e-12, axis=1)


def _merit_table(
    candidates: pd.DataFrame,
    name: str,
    drawn: MeritDraws,
    *,
    interval_percent: float,
    group_probability: float,
) -> pd.DataFrame:
    """Rows of the ranking by one merit, best first, with in_group and position in the draws."""
    statistics = rank_statistics(
        drawn.oriented, interval_percent=interval_percent, group_probability=group_probability
    )
    if drawn.better == "less":
        ends = statistics[["estimate_lo", "estimate_hi"]].to_numpy()
        statistics["estimate"] = -statistics["estimate"]
        statistics["estimate_lo"], statistics["estimate_hi"] = -ends[:, 1], -ends[:, 0]
    table = pd.concat([candidates.reset_index(drop=True), statistics], axis=1)
    table["merit"] = name
    table["unit"] = drawn.unit
    table["better"] = drawn.better
    table["group"] = np.where(table["in_group"], NOT_TOLD_APART, "")
    table["basis"] = drawn.basis
    # A condition that no firing came near is told by the model alone.
    modelled = (table["predicted"] == "yes") | (table["basis"] == OFF_PLAN)
    table["predicted"] = np.where(modelled, "yes", "no")
    if "p_meets" not in table:
        table["p_meets"] = np.nan
    table["position"] = np.arange(len(table))
    return table.sort_values(
        ["estimate", "candidate"],
        ascending=[drawn.better == "less", True],
        kind="stable",
        ignore_index=True,
    )
