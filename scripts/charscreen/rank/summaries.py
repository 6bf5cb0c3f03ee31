"""The ranking in short: the best of each merit, and sentences on what could not be ranked."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.rank.cost import cost_sentences
from charscreen.rank.joint import residual_correlation
from charscreen.rank.merits import MeritDraws, MeritSource
from charscreen.words import count_words, list_ids, merit_words

INDEPENDENT = (
    "Yield and capacitance are drawn independently from models of their own ({why}); a lot that "
    "gave more carbon than expected is not assumed to give better or worse carbon."
)
JOINT = (
    "Device farads per kg of dry feed are a response of their own, one value for each of {n} lots "
    "that have both yield and cells, so what the two have in common is in it."
)


def merit_summary(table: pd.DataFrame, drawn: MeritDraws) -> dict:
    """The best of one merit and its group.

    Parameters
    ----------
    table : DataFrame
        Rows of the ranking by this merit, best first, with in_group and position.
    drawn : MeritDraws
        The draws behind them.
    """
    best = table.iloc[0]
    group = table[table["in_group"]]
    values = drawn.oriented
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


def response_of(drawn: MeritDraws) -> str:
    """How yield and performance come together in a merit: joint, independent, or "" for neither."""
    models = set(drawn.models)
    if "device_farads" in models:
        return "joint"
    yields, performance = {"char_yield", "activation_yield"}, {"capacitance", "esr_area"}
    return "independent" if yields & models and performance & models else ""


def missing_sentences(drawn: MeritDraws) -> list[str]:
    """One sentence per reason why candidates have no place by a merit."""
    by_reason: dict[str, list[str]] = {}
    for row in drawn.missing:
        by_reason.setdefault(row["reason"], []).append(row["candidate"])
    sentences = []
    for reason, names in by_reason.items():
        who = "No candidate is" if len(names) == len(drawn.ranked) else _some(names)
        sentences.append(f"{who} ranked by {drawn.words}: {reason}.")
    return sentences


def response_summary(
    found: Mapping[str, MeritDraws],
    source: MeritSource,
    models: Mapping,
    *,
    interval_percent: float,
) -> dict:
    """How merits that join yield and performance were drawn.

    Parameters
    ----------
    found : mapping of str to MeritDraws
        Draws of each merit.
    source : MeritSource
        Where they come from.
    models : mapping of str to dict
        Model records.
    interval_percent : float
        Level of the interval of the correlation. [%]

    Returns
    -------
    dict
        ``independence`` (sentence, empty where no merit joins the two), ``response`` (``joint``,
        ``independent`` or empty) and ``residual_correlation`` (r, lo, hi, n_lots; or null).
    """
    joined = [n for n, drawn in found.items() if drawn.ranked.any() and response_of(drawn)]
    if not joined:
        return {"independence": "", "response": "", "residual_correlation": None}
    joint = any(response_of(found[name]) == "joint" for name in joined)
    text = INDEPENDENT.format(why=source.joint_reason)
    if joint:
        text = JOINT.format(n=models["device_farads"]["n_lots"])
        others = [
            merit_words(name)
            for name in joined
            if name != "device_F_per_kg_d" and len(found[name].models) > 1
        ]
        if others:
            text += (
                f" For {list_ids(others)} it is paired at random with draws of the other models."
            )
    return {
        "independence": text,
        "response": "joint" if joint else "independent",
        "residual_correlation": residual_correlation(models, interval_percent=interval_percent),
    }


def assumption_sentences(found: Mapping[str, MeritDraws], source: MeritSource) -> list[str]:
    """What costs and energies rest on beside measurements."""
    facts, names = source.facts, set(found)
    for name in found:
        if name in facts.expressions:
            names |= set(facts.expressions[name].expression.names)
    sentences = []
    if "energy_Wh_per_kg" in names and facts.voltage_words:
        words = facts.voltage_words
        if not source.energy_drop:
            words = f"{words.split(', less the drop')[0]}, no drop of the resistance taken off"
        sentences.append(
            f"Energy: ½ C V² with C of the cell per carbon of both electrodes and V = {words}."
        )
    if names & {"cost_per_kg_d", "cost_per_device_F"}:
        sentences += cost_sentences(facts)
    return sentences


def predicted_sentences(chosen: list[dict], ranked: Mapping[str, list[str]]) -> list[str]:
    """For each merit, how many feedstocks are expected to do better at an untested condition.

    Parameters
    ----------
    chosen : list of dict
        From `charscreen.rank.predicted.predicted_candidates`.
    ranked : mapping of str to list of str
        Merit to candidates that have a place.
    """
    alike: dict[tuple, list[str]] = {}
    for merit in dict.fromkeys(row["merit"] for row in chosen):
        mine = [row for row in chosen if row["merit"] == merit]
        new = [r for r in mine if r["gain_percent"] > 0 and r["candidate"] in ranked.get(merit, ())]
        alike.setdefault((len(new), len(mine)), []).append(merit_words(merit))
    sentences = []
    for (n_new, n), words in alike.items():
        by = f"By {list_ids(words)}"
        each = " each" if len(words) > 1 else ""
        if n_new:
            sentences.append(
                f"{by}, {n_new} of {count_words(n, 'feedstock')}{each} would do better at a "
                "condition within the tested range at which no lot was made; these are ranked as "
                "predicted."
            )
        else:
            sentences.append(
                f"{by}, no feedstock is expected to do better by 1 % or more anywhere within the "
                "tested range than at a condition it was tested at."
            )
    return sentences


def _some(names: list[str]) -> str:
    if len(names) == 1:
        return f"{names[0]} is not"
    shown = ", ".join(names[:3])
    if len(names) > 3:
        return f"{shown} and {len(names) - 3} more are not"
    return f"{shown} are not"
