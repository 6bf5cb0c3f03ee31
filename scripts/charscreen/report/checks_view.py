"""How well each model holds: the verdict first, all that it rests on folded behind it."""

import re
from collections.abc import Mapping

import pandas as pd

from charscreen.models.tables import check_sentences
from charscreen.report.blocks import Bullets, Fold, Heading, Picture, Section, Text
from charscreen.report.check_tables import (
    alternatives_table,
    checks_table,
    dropped_sentence,
    is_trouble,
    trouble_rows,
    verdict_sentence,
)
from charscreen.report.figure_text import model_level
from charscreen.report.model_view import record_of
from charscreen.report.ranking_view import has_scatter
from charscreen.report.tables import effects_table
from charscreen.rounding import with_interval
from charscreen.words import first_upper, level_words, list_ids, list_words, model_words

#: Said once on top of the section.
HOW = (
    "For each model: what its checks found, then what it cannot say. Pictures, all checks, other "
    "models and effects are folded behind that; their tables stand in the files named and in "
    "tables.xlsx."
)


def checks_section(inputs: Mapping, pictures: Mapping[str, Picture], folder: str) -> Section:
    """Per model a verdict and warnings, and folded behind them picture, checks and effects.

    Parameters
    ----------
    inputs : mapping
        ``models`` and ``feedstock_names``; see `charscreen.report.page.render_report`.
    pictures : mapping of str to Picture
        ``checks_<model>``.
    folder : str
        Of the results.
    """
    blocks: list = []
    missing = []
    for name, model in inputs["models"].items():
        record = record_of(model)
        if not record.get("fitted"):
            reason = (record.get("reason") or "nothing to fit").rstrip(".")
            missing.append(f"{first_upper(model_words(name))}: {reason}.")
            continue
        blocks.append(Heading(first_upper(model_words(name)), f"checks-{name}"))
        blocks += _said(name, model, folder)
        blocks.append(_folded(name, model, pictures, folder, inputs.get("feedstock_names")))
    if blocks:
        blocks.insert(0, Text(HOW))
    if missing:
        blocks += [Heading("Not fitted", "checks-not-fitted"), Bullets(missing)]
    return Section("checks", "Model checks", blocks or [Text("No model yet.")])


def _said(name: str, model: Mapping, folder: str) -> list:
    """Verdict, the checks that found something, and warnings."""
    record, checks = record_of(model), model.get("checks")
    blocks: list = [Text(verdict_sentence(checks))]
    if checks is not None and is_trouble(checks).any():
        blocks.append(
            checks_table(
                trouble_rows(checks),
                id=f"table-doubts-{name}",
                caption=f"Checks of the model of {model_words(name)} that found something",
                file=f"{folder}/fit/{name}_checks.csv",
            )
        )
    sentences = [*check_sentences(record), *dropped_sentence(record)]
    rest = [_plain(sentence) for sentence in sentences if not _ZERO.search(sentence)]
    zero = _zero_sentence([found[1] for found in map(_ZERO.search, sentences) if found], model)
    said = [*zero, *rest]
    return [*blocks, Bullets(said)] if said else blocks


def _folded(name: str, model: Mapping, pictures, folder: str, names) -> Fold:
    """Picture, all checks, other models and effects of one model."""
    words, record = model_words(name), record_of(model)
    blocks: list = [pictures[f"checks_{name}"]] if f"checks_{name}" in pictures else []
    holds = ["picture"] if blocks else []
    checks, alternatives = model.get("checks"), model.get("alternatives")
    effects = model.get("effects")
    if checks is not None and len(checks):
        holds.append("all checks")
        blocks.append(
            checks_table(
                checks,
                id=f"table-checks-{name}",
                caption=f"Checks of the model of {words}",
                file=f"{folder}/fit/{name}_checks.csv",
            )
        )
    if alternatives is not None and len(alternatives) > 1:
        holds.append("other models")
        blocks.append(
            alternatives_table(
                alternatives,
                id=f"table-alternatives-{name}",
                caption=f"Other models of {words}; terms are chosen by the design, not by these",
                file=f"{folder}/fit/{name}_alternatives.csv",
            )
        )
    if effects is not None and len(effects):
        holds.append("effects")
        scale = {"log": "logarithm", "logit": "logit"}.get(record.get("scale"), "own scale")
        blocks.append(
            effects_table(
                effects,
                id=f"table-effects-{name}",
                caption=f"Effects on {words}, scale: {scale}, feedstock fixed; intervals of "
                f"{model_level(model)}",
                file=f"{folder}/fit/{name}_effects.csv",
                names=names,
            )
        )
    summary = f"{first_upper(list_ids(holds))} of the model of {words}"
    return Fold(summary, blocks, file=f"{folder}/fit/{name}_*.csv", id=f"fold-checks-{name}")


def _plain(sentence: str) -> str:
    """A sentence of the fitting code with its level names in words."""
    return re.sub(r"'([a-z_|:]+)'", lambda match: f"“{level_words(match[1])}”", sentence)


_ZERO = re.compile(r"variance of '?([^']+?)'? is estimated as zero")


def _zero_sentence(levels: list[str], model: Mapping) -> list[str]:
    """One sentence on all levels whose variance is zero by REML, and why the table differs."""
    if not levels:
        return []
    named = [f"{level_words(level)}{_shown(level, model.get('variance'))}" for level in levels]
    return [
        f"The variance is estimated as zero for {list_words(named, most=len(named))}: these data "
        "show no more scatter there than below that level, which does not prove that there is "
        "none. Zero is the estimate by restricted maximum likelihood (REML); in brackets the "
        "posterior median and interval of the scatter table, which are never exactly zero."
    ]


def _shown(level: str, variance: pd.DataFrame | None) -> str:
    """What the scatter table shows for a level, in brackets; empty where it has none."""
    if not has_scatter(variance):
        return ""
    # The level stands in the sentence by its name or in words.
    rows = variance[
        variance["level"].map(
            lambda name: any(level in (p, level_words(p)) for p in str(name).split("+"))
        )
    ]
    if rows.empty:
        return ""
    row = rows.iloc[0]
    value, low, high = with_interval(row["sd_percent"], row["lo"], row["hi"])
    return f" ({value} %, {low} to {high} %)" if low and high else f" ({value} %)"
