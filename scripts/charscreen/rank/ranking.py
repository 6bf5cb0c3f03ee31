"""Ranking of candidates: how good, how sure, and what cannot be told apart."""

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import rankdata

from charscreen.rank.candidates import CONDITION
from charscreen.rank.merits import MERITS, OFF_PLAN, YIELD_ONLY, MeritDraws, MeritSource

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
    """

    table: pd.DataFrame
    summary: dict
    draws: pd.DataFrame


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
    columns = np.arange(n)
    for part in _chunks(values):
        first = rankdata(-part, method="min", axis=1).astype(np.int64)
        last = rankdata(-part, method="max", axis=1).astype(np.int64)
        tied = last - first + 1
        total["rank"] += ((first + last) / 2).sum(axis=0)
        total["best"] += ((first == 1) / tied).sum(axis=0)
        total["top3"] += (np.clip(4 - first, 0, tied) / tied).sum(axis=0)
        total["loss"] += (part.max(axis=1, keepdims=True) - part).sum(axis=0)
        total["beaten"] += (part[:, [best]] > part).sum(axis=0)
        where = np.broadcast_to(columns, first.shape)
        np.add.at(first_counts, (where, first), 1)
        np.add.at(last_counts, (where, last), 1)
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
    seed: int = 0,
) -> Ranked:
    """The ranking table, its summary and the draws behind both.

    Parameters
    ----------
    candidates : DataFrame
        From `charscreen.rank.candidates.list_candidates`.
    models, draws : mapping
        Model records and posterior draws by name (char_yield, activation_yield, capacitance).
    merits : sequence of str
        Names out of `charscreen.rank.merits.MERITS`, in the order wanted.
    interval_percent : float
        Level of the intervals. [%]
    group_probability : float
        See `rank_statistics`.
    seed : int
        Pairs the draws of different models.

    Returns
    -------
    table : DataFrame
        One row per candidate and merit (columns `COLUMNS`), merits in the order given,
        candidates by falling estimate. A candidate without the measurements a merit needs has
        no row for it. Where that happens, finished carbon per kg dry feed is ranked as well,
        with basis ``yield only``.
    summary : dict
        ``interval_percent``, ``group_probability``, ``n_candidates``, ``merits`` (per merit:
        best, estimate, lo, hi, unit, p_best, expected_loss, group, p_best_in_group, n_ranked,
        not_ranked), ``missing`` (sentences), ``independence`` (sentence) and
        ``residual_correlation`` (r, lo, hi, n_lots; or null).
    draws : DataFrame
        See `Ranked`.

    Raises
    ------
    ValueError
        A merit that is not known.
    """
    unknown = [name for name in merits if name not in MERITS]
    if unknown:
        raise ValueError(f"unknown merit {unknown[0]!r}; known are {', '.join(MERITS)}")
    summary = {
        "interval_percent": float(interval_percent),
        "group_probability": float(group_probability),
        "n_candidates": len(candidates),
        "merits": {},
        "missing": [],
        "independence": "",
        "residual_correlation": None,
    }
    if candidates.empty:
        summary["missing"].append("Nothing is ranked: no lot has a yield or a capacitance yet.")
        return Ranked(pd.DataFrame(columns=COLUMNS), summary, pd.DataFrame())
    source = MeritSource(candidates, models, draws, seed=seed)
    names = list(dict.fromkeys(merits))
    found = {name: source.draws_of(name) for name in names}
    if "carbon_g_per_kg_d" not in found and any(
        drawn.missing for name, drawn in found.items() if MERITS[name].needs_capacitance
    ):
        extra = source.draws_of("carbon_g_per_kg_d")
        without = {
            row["candidate"]
            for name, drawn in found.items()
            if MERITS[name].needs_capacitance
            for row in drawn.missing
        }
        # Worth a table of its own only if it gives a place to one that had none.
        if without & set(source.candidates.loc[extra.ranked, "candidate"]):
            extra.basis = [YIELD_ONLY] * len(extra.basis)
            found["carbon_g_per_kg_d"] = extra
    tables = []
    for name, drawn in found.items():
        record: dict = {"unit": MERITS[name].unit, "words": MERITS[name].words}
        if drawn.ranked.any():
            table = _merit_table(
                source.candidates, name, drawn, interval_percent, group_probability
            )
            record.update(_merit_summary(table, drawn, group_probability))
            tables.append(table)
        else:
            record.update(best=None, n_ranked=0, group=[])
        record["not_ranked"] = drawn.missing
        summary["merits"][name] = record
        summary["missing"] += _missing_sentences(name, drawn)
    joined = [name for name in found if MERITS[name].needs_yield and MERITS[name].needs_capacitance]
    if joined and any(found[name].ranked.any() for name in joined):
        summary["independence"] = (
            "Yield and capacitance are drawn independently from models of their own; a lot that "
            "gave more carbon than expected is not assumed to give better or worse carbon."
        )
        summary["residual_correlation"] = residual_correlation(
            models, interval_percent=interval_percent
        )
    ranking = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=COLUMNS)
    columns = {
        f"{name}|{candidate}": drawn.values[:, place]
        for name, drawn in found.items()
        for place, candidate in enumerate(source.candidates.loc[drawn.ranked, "candidate"])
    }
    return Ranked(ranking[COLUMNS], summary, pd.DataFrame(columns))


def residual_correlation(
    models: Mapping[str, dict], *, interval_percent: float = 90.0
) -> dict | None:
    """Correlation of yield and capacitance over lots, after feedstock and condition.

    Parameters
    ----------
    models : mapping of str to dict
        Model records; their ``deviations`` (run, lot, value on the log scale) are used.
    interval_percent : float
        Level of the interval. [%]

    Returns
    -------
    dict or None
        r, lo, hi, n_lots; None where fewer than five lots have both.

    Notes
    -----
    Deviations are observed minus predicted for the feedstock at what the kiln did, firing and
    lot scatter left in, on the log scale; the yield is that of all steps. The interval is
    Fisher's z, which counts lots as independent although firings tie them (from memory).
    """
    char = {d["lot"]: d["value"] for d in models.get("char_yield", {}).get("deviations", [])}
    step = {d["run"]: d["value"] for d in models.get("activation_yield", {}).get("deviations", [])}
    pairs = []
    for deviation in models.get("capacitance", {}).get("deviations", []):
        overall = char.get(deviation["lot"])
        if overall is None:
            continue
        if deviation["activated"]:
            if deviation["run"] not in step:
                continue
            overall = overall + step[deviation["run"]]
        pairs.append((overall, deviation["value"]))
    if len(pairs) < 5:
        return None
    x, y = np.array(pairs).T
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return None
    r = float(np.corrcoef(x, y)[0, 1])
    from scipy.special import ndtri

    half = float(ndtri(0.5 + interval_percent / 200)) / np.sqrt(len(pairs) - 3)
    z = np.arctanh(np.clip(r, -0.999999, 0.999999))
    return {
        "r": r,
        "lo": float(np.tanh(z - half)),
        "hi": float(np.tanh(z + half)),
        "n_lots": len(pairs),
    }


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
    interval_percent: float,
    group_probability: float,
) -> pd.DataFrame:
    statistics = rank_statistics(
        drawn.values, interval_percent=interval_percent, group_probability=group_probability
    )
    table = pd.concat(
        [candidates[drawn.ranked].reset_index(drop=True), statistics],
        axis=1,
    )
    table["merit"] = name
    table["unit"] = MERITS[name].unit
    table["group"] = np.where(table["in_group"], NOT_TOLD_APART, "")
    table["basis"] = drawn.basis
    # A condition that no firing came near is told by the model alone.
    table["predicted"] = np.where(table["basis"] == OFF_PLAN, "yes", "no")
    table["position"] = np.arange(len(table))
    return table.sort_values(
        ["estimate", "candidate"], ascending=[False, True], kind="stable", ignore_index=True
    )


def _merit_summary(table: pd.DataFrame, drawn: MeritDraws, group_probability: float) -> dict:
    best = table.iloc[0]
    group = table[table["in_group"]]
    values = drawn.values
    inside = values[:, group["position"].to_numpy()].max(axis=1)
    return {
        "best": best["candidate"],
        "estimate": float(best["estimate"]),
        "lo": float(best["estimate_lo"]),
        "hi": float(best["estimate_hi"]),
        "p_best": float(best["p_best"]),
        "expected_loss": float(best["expected_loss"]),
        "expected_rank": float(best["expected_rank"]),
        "group": list(group["candidate"]),
        "p_best_in_group": float(np.mean(inside >= values.max(axis=1))),
        "feedstocks_in_group": sorted(set(group["feedstock"])),
        "n_ranked": len(table),
        "second": table.iloc[1]["candidate"] if len(table) > 1 else None,
        "told_apart_from_second": bool(len(table) > 1 and not table.iloc[1]["in_group"]),
    }


def _missing_sentences(name: str, drawn: MeritDraws) -> list[str]:
    """One sentence per reason why candidates have no place by this merit."""
    by_reason: dict[str, list[str]] = {}
    for row in drawn.missing:
        by_reason.setdefault(row["reason"], []).append(row["candidate"])
    words = MERITS[name].words
    sentences = []
    for reason, names in by_reason.items():
        who = "No candidate is" if len(names) == len(drawn.ranked) else _some(names)
        sentences.append(f"{who} ranked by {words}: {reason}.")
    return sentences


def _some(names: list[str]) -> str:
    if len(names) == 1:
        return f"{names[0]} is not"
    shown = ", ".join(names[:3])
    if len(names) > 3:
        return f"{shown} and {len(names) - 3} more are not"
    return f"{shown} are not"
