"""What a proposal comes to, in sentences: go on or stop, and how sure that is."""

from collections.abc import Mapping

import pandas as pd

from charscreen.propose.cost import WORK
from charscreen.rounding import percent, significant, with_uncertainty
from charscreen.words import count_words, list_words

SURE = 2.0
"""Standard errors of the simulation by which a gain must clear the worth to be called so."""


def best_of_moves(options: pd.DataFrame) -> pd.DataFrame:
    """The option of the highest gain per cost of each move; rows of the options table."""
    order = options.sort_values(["gain_per_cost", "option"], ascending=[False, True])
    return order.drop_duplicates("move").reset_index(drop=True)


def advise(summary: Mapping, options: pd.DataFrame) -> tuple[str, list[str]]:
    """Whether to go on, and the sentences that say so.

    Parameters
    ----------
    summary : mapping
        merit, unit, choice, choice_is_measured, loss_now, chance_best, worth, gain, gain_se,
        loss_after, chance_loss_above_worth where there is a worth.
    options : DataFrame
        The options table.

    Returns
    -------
    status : str
        ``propose`` or ``stop``.
    sentences : list of str
    """
    unit, worth = summary["unit"], summary["worth"]
    loss = f"{significant(summary['loss_now'])} {unit}"
    one = summary["n_firings"] == 1
    firings = "firing" if one else f"{summary['n_firings']} firings"
    gain = _plus_minus(summary["gain"], summary["gain_se"], unit)
    sentences = [
        f"{_choosing(summary)} is expected to lose {loss} against the best candidate; "
        f"the chance that it is the best is {percent(summary['chance_best'])}.",
        f"The proposed {firings} of {count_words(summary['n_lots'], 'lot')} "
        f"{'is' if one else 'are'} expected to take {gain} off that loss "
        "(± is the error of the simulation).",
    ]
    status = "propose"
    if worth is None:
        sentences.append(
            "Whether that is worth the work is yours to say; with next.worth in config.yaml, the "
            f"loss worth having in {unit}, advice to stop is given here."
        )
    else:
        status, text = _against_worth(summary, options)
        sentences.append(text)
    sentences += _moves(options)
    return status, sentences


def _choosing(summary: Mapping) -> str:
    """The choice as things stand; what was not measured is not called a choice to build on."""
    if summary.get("choice_is_measured", True):
        return f"Choosing {summary['choice']} now"
    return (
        f"The model puts {summary['choice']} first, which was not measured there; choosing it "
        "unseen"
    )


def _against_worth(summary: Mapping, options: pd.DataFrame) -> tuple[str, str]:
    unit, worth = summary["unit"], float(summary["worth"])
    bar = f"{significant(worth)} {unit} (next.worth)"
    above = percent(summary["chance_loss_above_worth"])
    if summary["loss_now"] < worth:
        return "stop", (
            f"Stop: even knowing everything would gain {significant(summary['loss_now'])} {unit}, "
            f"less than {bar}. The chance that this choice loses more than that is {above}."
        )
    top = options.iloc[0]
    most, error = float(top["expected_gain"]), float(top["gain_se"])
    best_move = f"{_move_words(top)}, {_plus_minus(most, error, unit)}"
    if most + SURE * error < worth:
        return "stop", (
            f"Stop: the most that any move looked at is expected to gain ({best_move}) is less "
            f"than {bar}. The chance that this choice loses more than that is {above}: to find it "
            "takes more work than was looked at here."
        )
    if summary["gain"] - SURE * summary["gain_se"] >= worth:
        return "propose", (
            f"Go on: that is more than {bar}. The chance that this choice loses more than that "
            f"is {above}."
        )
    if most - SURE * error >= worth:
        return "propose", (
            f"Borderline: that is not clearly more than {bar}, but the most that was looked at is "
            f"({best_move}). The chance that this choice loses more than that is {above}."
        )
    return "propose", (
        f"Borderline: the most that any move looked at is expected to gain ({best_move}) is about "
        f"{bar}. The chance that this choice loses more than that is {above}."
    )


def _plus_minus(value: float, error: float, unit: str) -> str:
    """`2.68 ± 0.12 F/g`."""
    return f"{' ± '.join(filter(None, with_uncertainty(value, error)))} {unit}"


def _moves(options: pd.DataFrame) -> list[str]:
    """Gain per cost of each move, best first."""
    if options.empty:
        return []
    rows = best_of_moves(options).to_dict("records")
    in_work = rows[0]["cost_unit"] == WORK
    each = "100 units of costs (config.yaml)" if in_work else f"100 {rows[0]['cost_unit']}"
    parts = [
        f"{significant(100 * row['gain_per_cost'])} {row['unit']} by {_move_words(row)}"
        for row in rows
    ]
    return [f"For {each} you can expect to gain, best first: {list_words(parts, most=9)}."]


def _move_words(row: Mapping) -> str:
    if row["move"] == "cells":
        return f"{count_words(int(row['n_cells']), 'more cell')} of the lots you have"
    if row["move"] == "lots":
        return f"one firing of {count_words(int(row['n_lots']), 'lot')}"
    return f"{count_words(int(row['n_firings']), 'firing')} of {int(row['n_lots'])} lots in all"
