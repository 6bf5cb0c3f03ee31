"""Sentences on the ranking of feedstocks as such."""

from collections.abc import Mapping

from charscreen.rounding import percent
from charscreen.words import activation_words, feedstock_words, merit_words

LEAST = 0.01
"""Chance to be the best under which a feedstock is not worth naming."""


def feedstock_sentences(leading: list[dict], names: Mapping[str, str] | None) -> list[str]:
    """Per merit the feedstocks that lead at their best and on average.

    Parameters
    ----------
    leading : list of dict
        From `charscreen.rank.feedstocks.feedstock_summary`.
    names : mapping or None
        Feedstock id to name.
    """
    sentences = []
    for merit in dict.fromkeys(row["merit"] for row in leading):
        parts = []
        for row in (row for row in leading if row["merit"] == merit and row["n"] > 1):
            who = [
                f"{feedstock_words(one['feedstock'], names)} ({percent(one['p_best'])})"
                for one in row["leading"]
                if one["p_best"] >= LEAST or one is row["leading"][0]
            ]
            where = "at their best condition"
            if row["activation"]:
                side = activation_words({"activation": row["activation"]})
                where = f"averaged over the tested conditions, {side}"
            parts.append(f"{where}: {', '.join(who)}")
        if parts:
            sentences.append(
                f"Feedstocks as such by {merit_words(merit)}, with the chance to be the best of "
                f"them: {'; '.join(reversed(parts))}."
            )
    return sentences
