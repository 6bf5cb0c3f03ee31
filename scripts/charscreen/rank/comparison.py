"""All that is said beside the ranking: groups, several merits at once, what the choice hangs on."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import pandas as pd

from charscreen.rank.desirability import desirability_table
from charscreen.rank.front import front_table
from charscreen.rank.groups import group_candidates
from charscreen.rank.price_sweep import PRICE_WORDS
from charscreen.rank.sensitivity import sensitivity_sentences, weight_sensitivity
from charscreen.words import count_words, list_ids, merit_words

_UNWEIGHED = (
    "No desirability is set for two merits, so the merits are multiplied, each to the power of its "
    "weight{divides}; now all weigh the same."
)
_DIVIDES = " (one of which less is better divides)"


class Comparison(NamedTuple):
    """What `compare_candidates` found.

    Parameters
    ----------
    groups, front, desirability, sensitivity : DataFrame
        See `charscreen.rank.groups`, `.front`, `.desirability` and `.sensitivity`.
    summary : dict
        ``groups`` (see `group_candidates`), and lists of sentences ``front``, ``desirability``,
        ``sensitivity``, with ids of candidates in them.
    """

    groups: pd.DataFrame
    front: pd.DataFrame
    desirability: pd.DataFrame
    sensitivity: pd.DataFrame
    summary: dict


def compare_candidates(
    ranking: pd.DataFrame,
    draws: pd.DataFrame,
    models: Mapping[str, dict],
    inference: Mapping[str, pd.DataFrame],
    *,
    merits: Sequence[str],
    wishes: Mapping[str, Mapping],
    probability: float = 0.9,
    interval_percent: float = 90.0,
    prices: tuple[str, Sequence[pd.DataFrame]] = ("", ()),
    seed: int = 0,
) -> Comparison:
    """Compare the candidates of a ranking.

    Parameters
    ----------
    ranking : DataFrame
        candidate, merit, better, group, feedstock and the conditions.
    draws : DataFrame
        One column ``<merit>|<candidate>`` each.
    models, inference : mapping
        See `charscreen.rank.groups.group_candidates`.
    merits : sequence of str
        Those of the settings, the deciding one first.
    wishes : mapping of str to mapping
        Desirability of the settings: per merit low, high, target, exponent, weight.
    probability : float
        Of groups, letters and band.
    interval_percent : float
        Level of the intervals. [%]
    prices : tuple of str and sequence of DataFrame
        From `charscreen.rank.price_sweep.sweep_prices`.
    seed : int
        Of quasi-random points.
    """
    better = dict(zip(ranking["merit"], ranking["better"], strict=True)) if len(ranking) else {}
    groups, found = group_candidates(
        ranking, draws, models, inference, better, probability=probability, seed=seed
    )
    ranked = [name for name in merits if name in better]
    front = front_table(draws, ranked, better)
    kept = {name: wish for name, wish in wishes.items() if name in better}
    desirability = desirability_table(draws, kept, better, interval_percent=interval_percent)
    weights = {name: float(wish.get("weight", 1.0)) for name, wish in kept.items()}
    if len(weights) < 2:
        weights = dict.fromkeys(ranked, 1.0)
    by_wish = len(kept) > 1
    swept = weight_sensitivity(draws, weights, better, wishes=kept if by_wish else None)
    cost, tables = prices
    sensitivity = pd.concat([swept, *tables], ignore_index=True) if len(tables) else swept

    def words(name: str) -> str:
        if name not in PRICE_WORDS:
            return merit_words(name)
        return f"{PRICE_WORDS[name][0]} (for {merit_words(cost)})"

    sentences = sensitivity_sentences(sensitivity, words, str)
    if len(swept) and not by_wish:
        less = any(better[name] == "less" for name in weights)
        sentences.insert(0, _UNWEIGHED.format(divides=_DIVIDES if less else ""))
    summary = {
        "groups": found,
        "front": _front_sentences(front, ranked),
        "desirability": _desirability_sentences(desirability, kept, wishes),
        "sensitivity": sentences,
    }
    return Comparison(groups, front, desirability, sensitivity, summary)


def _front_sentences(front: pd.DataFrame, merits: Sequence[str]) -> list[str]:
    if not len(front):
        return []
    on = front[front["on_front"] == "yes"]
    sure = front[front["p_front"] >= 0.9]["candidate"].tolist()
    words = list_ids([merit_words(name) for name in merits])
    text = (
        f"By {words} together, {count_words(len(on), 'candidate')} of {len(front)} "
        f"{'is' if len(on) == 1 else 'are'} beaten by no other in everything (Pareto front)"
    )
    if sure:
        return [f"{text}; on it with 90 % or more: {list_ids(sure)}."]
    return [f"{text}; none is on it with 90 %."]


def _desirability_sentences(
    table: pd.DataFrame, kept: Mapping[str, Mapping], wishes: Mapping[str, Mapping]
) -> list[str]:
    sentences = []
    left = [name for name in wishes if name not in kept]
    if left:
        words = list_ids([merit_words(name) for name in left])
        sentences.append(f"Not in the desirability, since it is not ranked: {words}.")
    if not len(table):
        return sentences
    best = table.iloc[0]
    if best["desirability"] <= 0:
        return [*sentences, "No candidate is desirable at all: each misses one of the limits."]
    return [
        f"By desirability {best['candidate']} leads with {best['desirability']:.2f} "
        f"({best['desirability_lo']:.2f} to {best['desirability_hi']:.2f}); the chance that it is "
        f"the most desirable is {100 * best['p_best']:.0f} %.",
        *sentences,
    ]
