"""Hard limits: what a candidate must meet to have a place, and how likely it does."""

from collections.abc import Mapping

import numpy as np

from charscreen.rank.merits import MeritSource
from charscreen.rounding import percent
from charscreen.words import merit_words


def chances_to_meet(source: MeritSource, must: Mapping[str, Mapping]) -> np.ndarray:
    """Probability that each candidate meets all limits at once.

    Parameters
    ----------
    source : MeritSource
        Draws over the candidates.
    must : mapping of str to mapping
        Merit to ``at_most`` and ``at_least``, one or both. [unit of the merit]

    Returns
    -------
    (n_candidates,) array
        Share of draws; of several limits those are counted that the candidate can be asked for,
        and it is missing where it can be asked for none.
    """
    n = len(source.candidates)
    met = np.ones((source.n_draws, n), dtype=bool)
    asked = np.zeros(n, dtype=bool)
    for name, limit in must.items():
        drawn = source.draws_of(name)
        asked |= drawn.ranked
        good = np.ones(drawn.values.shape, dtype=bool)
        if limit.get("at_most") is not None:
            good &= drawn.values <= limit["at_most"]
        if limit.get("at_least") is not None:
            good &= drawn.values >= limit["at_least"]
        met[:, drawn.ranked] &= good
    return np.where(asked, met.mean(axis=0) if len(met) else np.nan, np.nan)


def limit_words(must: Mapping[str, Mapping], source: MeritSource) -> str:
    """The limits as part of a sentence, for example ``resistance of 5 Ω·cm² at most``."""
    parts = []
    for name, limit in must.items():
        unit = source.draws_of(name).unit
        ends = [
            f"{limit[key]:g} {unit} {words}"
            for key, words in (("at_least", "at least"), ("at_most", "at most"))
            if limit.get(key) is not None
        ]
        parts.append(f"{merit_words(name)} of {' and '.join(ends)}")
    return " and ".join(parts)


def limit_summary(
    source: MeritSource, must: Mapping[str, Mapping], chances: np.ndarray, *, least: float
) -> dict:
    """What the limits did, for the summary of the ranking.

    Parameters
    ----------
    source : MeritSource
        Draws over the candidates.
    must : mapping
        See `chances_to_meet`.
    chances : (n_candidates,) array
        From `chances_to_meet`.
    least : float
        Probability under which a candidate leaves the ranking.

    Returns
    -------
    dict
        ``words``, ``probability``, ``left`` (candidate and p_meets of those that leave),
        ``unknown`` (candidates that can be asked for no limit), ``sentences``.
    """
    names = source.candidates["candidate"].tolist()
    words = limit_words(must, source)
    left = [
        {"candidate": name, "p_meets": float(p)}
        for name, p in zip(names, chances, strict=True)
        if p < least
    ]
    unknown = [name for name, p in zip(names, chances, strict=True) if p != p]
    sentences = []
    if left and len(left) == len(names) - len(unknown):
        top = max(left, key=lambda row: row["p_meets"])
        rest = "Nothing is ranked" if not unknown else "Only those not measured for it are ranked"
        sentences.append(
            f"No candidate meets {words} with a probability of {percent(least)} or more; the "
            f"likeliest is {top['candidate']} ({percent(top['p_meets'])}). {rest}: loosen "
            "ranking.must in config/config.yaml, or lower ranking.must_probability."
        )
    elif left:
        n = len(left)
        sentences.append(
            f"{n} of {len(names)} candidates {'leaves' if n == 1 else 'leave'} the ranking, since "
            f"they meet {words} with a probability under {percent(least)}."
        )
    else:
        sentences.append(
            f"All candidates that can be asked meet {words} with a probability of "
            f"{percent(least)} or more."
        )
    if unknown:
        sentences.append(
            f"Whether {len(unknown)} of {len(names)} candidates meet {words} is not known; they "
            "are ranked all the same."
        )
    return {
        "words": words,
        "probability": float(least),
        "left": left,
        "unknown": unknown,
        "sentences": sentences,
    }
