"""The quality of a plan on one page."""

from collections.abc import Mapping

import numpy as np
import pandas as pd
from markupsafe import Markup

from charscreen.plan.pages import fill_page
from charscreen.plots.theme import as_svg
from charscreen.quality.comparisons import FEEDSTOCKS
from charscreen.quality.confounding import ALIAS, COINCIDE, CORRELATION, EXPLAINED
from charscreen.quality.figures import draw_curve, draw_split
from charscreen.quality.judge import Quality, headline
from charscreen.quality.power import LEVEL
from charscreen.quality.scatter import USUAL
from charscreen.report.svg import svg_for_page
from charscreen.rounding import is_number, percent, significant
from charscreen.words import count_words, merit_words

#: What each stated figure is, in words.
SCATTER_WORDS = {
    "firing_percent": "between char firings at the same settings",
    "activation_firing_percent": "between activation firings at the same settings",
    "lot_percent": "between lots of one feedstock in one firing",
    "cell_percent": "between cells of one lot",
    "between_feedstocks_percent": "between feedstocks",
    "slope_percent": "between feedstocks in what 100 °C change",
    "activation_gain_percent": "of a feedstock on each side of activation",
    "temperature_percent": "what 100 °C change, expected size",
    "bend_percent": "bend of that line, per (100 °C)²",
    "hold_percent": "what doubling a hold changes, expected size",
    "activation_percent": "what activation changes, expected size",
    "koh_ratio_percent": "what one g/g more KOH changes, expected size",
}
_TIED = 0.3
_SHOWN = 8


def render_quality(
    quality: Quality,
    *,
    summary: Mapping,
    names: Mapping[str, str],
    title: str,
    template: str,
    style: str,
    data_are_invented: bool = False,
) -> str:
    """The page as HTML.

    Parameters
    ----------
    quality : Quality
        From `charscreen.quality.judge.judge_plan`.
    summary : mapping
        Summary of the plan; its ``cannot_tell`` stands beside what the models forbid.
    names : mapping of str to str
        Feedstock to its name.
    title : str
        Title of the screen.
    template, style : str
        Texts of the page's template and of its style sheet.
    data_are_invented : bool
        Marks the page "Invented data".
    """
    record = quality.record
    judged = record["status"] == "judged"
    delta = record.get("delta_percent")
    return fill_page(
        template,
        style,
        title=title,
        data_are_invented=data_are_invented,
        judged=judged,
        headline=headline(record),
        record=record,
        level=f"{100 * LEVEL:g}",
        merit=merit_words(record["merit"]) if judged else "",
        spreads=_spreads(record) if judged else [],
        curve=_figure(draw_curve(quality.by_firings, delta_percent=delta), "curve")
        if judged
        else "",
        curve_words=_curve_words(quality.by_firings, record) if judged else "",
        comparisons=_comparisons(quality.comparisons, record) if judged else [],
        weakest=_weakest(quality.comparisons, names) if judged else "",
        efficiency=_efficiency(record) if judged else [],
        cannot_tell=[*summary["cannot_tell"], *record["cannot_tell"]] if judged else [],
        confounded=_confounded(quality.confounding) if judged else [],
        split=_figure(draw_split(quality.effort, delta_percent=delta), "split")
        if judged and len(quality.effort)
        else "",
        split_words=_split_words(quality.effort) if judged else "",
        takes=_takes(record) if judged else [],
        feeds=[
            (names.get(name) or name, f"{significant(kg)} kg" if is_number(kg) else "not known")
            for name, kg in record.get("feed_ar_kg", {}).items()
        ],
        assumptions=_assumptions(record) if judged else [],
    )


def _figure(figure, prefix: str) -> str:
    words = {
        "curve": "Chance of finding the best against the number of char firings",
        "split": "Chance for the same effort against lots per firing and cells per lot",
    }
    return Markup(svg_for_page(as_svg(figure), prefix=prefix, label=words[prefix]))


def _share(record: Mapping, name: str) -> str:
    return f"{100 * record[name]:.1f} ± {100 * record[f'{name}_se']:.1f} %"


def _spreads(record: Mapping) -> list[dict]:
    """Chances at half, stated and double the spread between feedstocks."""
    stated = record["scatter"]["between_feedstocks_percent"]
    return [
        {
            "words": words,
            "spread": f"{stated * factor:.3g} %",
            "within": _share(record, f"p_within_delta{ending}"),
            "best": _share(record, f"p_best{ending}"),
            "strong": ending == "",
        }
        for words, factor, ending in (
            ("half", 0.5, "_half_spread"),
            ("as stated", 1.0, ""),
            ("double", 2.0, "_double_spread"),
        )
    ]


def _curve_words(by_firings: pd.DataFrame, record: Mapping) -> str:
    """What half and twice the firings would give."""
    here = by_firings.set_index("firings")["p_within_delta"]
    n = int(by_firings.loc[by_firings["of_the_plan"] == "yes", "firings"].iloc[0])
    few, twice = here.index[np.argmin(np.abs(here.index - n / 2))], here.index[-1]
    parts = [f"{number}: {percent(here[number])}" for number in dict.fromkeys((few, n, twice))]
    parts[0] = f"{parts[0]} within {record['delta_percent']:g} %"
    return f"Char firings {'; '.join(parts)}."


def _range(values: pd.Series, form) -> str:
    """One value, or lowest to highest."""
    known = values.dropna()
    if known.empty:
        return "not told"
    low, high = form(known.min()), form(known.max())
    return low if low == high else f"{low} to {high}"


def _comparisons(compared: pd.DataFrame, record: Mapping) -> list[dict]:
    """A row per kind: feedstocks together, conditions pair by pair."""
    rows = []
    for kind, here in compared.groupby("kind", sort=False):
        if kind == FEEDSTOCKS:
            groups = [(f"two feedstocks ({count_words(len(here), 'pair')})", here)]
        else:
            groups = [
                (
                    f"{kind}: {row.second} against {row.first} {row.unit}".rstrip(),
                    here.loc[[row.Index]],
                )
                for row in here.itertuples()
            ]
        rows += [
            {
                "words": words,
                "se": _range(part["se_percent"], lambda v: f"{v:.1f}"),
                "df": _range(part["df"], lambda v: f"{v:.0f}"),
                "power": _range(part["power"], lambda v: f"{100 * v:.0f}"),
                "told": _range(part["detectable_percent"], lambda v: f"{v:.0f}"),
            }
            for words, part in groups
        ]
    return rows


def _weakest(compared: pd.DataFrame, names: Mapping[str, str]) -> str:
    """The pair of feedstocks that is hardest to tell apart."""
    pairs = compared[compared["kind"] == FEEDSTOCKS]
    if len(pairs) < 2:
        return ""
    row = pairs.loc[pairs["se_percent"].idxmax()]
    one, two = (names.get(row[side]) or row[side] for side in ("first", "second"))
    return (
        f"Hardest to tell apart: {one} and {two} ({row['lots_first']} and "
        f"{row['lots_second']} lots, {count_words(int(row['firings_shared']), 'firing')} shared)."
    )


def _efficiency(record: Mapping) -> list[tuple[str, str]]:
    rows = []
    if record["d_efficiency"] is not None:
        rows.append(
            (
                "D-efficiency: what the plan tells of all effects, against a bound that no plan of "
                "as many firings and lots passes (it cannot always be reached)",
                f"{100 * record['d_efficiency']:.0f} %",
            )
        )
    if record["d_efficiency_exhaustive"] is not None:
        rows.append(
            (
                f"the same against the best of all {record['designs_tried']} such plans",
                f"{100 * record['d_efficiency_exhaustive']:.1f} %",
            )
        )
    if record["i_variance_mean"] is not None:
        rows.append(
            (
                "mean standard error of a prediction, over all feedstocks and conditions",
                f"{100 * np.sqrt(record['i_variance_mean']):.1f} %",
            )
        )
    return rows


def _confounded(table: pd.DataFrame) -> list[dict]:
    """Rows worth a look: what is tied by more than a little, the strongest first."""
    size = table["value"].abs()
    tied = table[
        (table["kind"].isin([CORRELATION, EXPLAINED, ALIAS]) & (size > _TIED))
        | ((table["kind"] == COINCIDE) & (size > 0.99))
    ]
    tied = tied.loc[size[tied.index].sort_values(ascending=False, kind="stable").index]
    return [
        {
            "term": _term(row["term"]),
            "other": _term(row["other"]),
            "value": f"{row['value']:.2f}",
            "kind": row["kind"],
            "meaning": row["meaning"],
        }
        for row in tied.head(_SHOWN).to_dict("records")
    ]


def _term(name: str) -> str:
    """A term of the table of confounding in words."""
    words = name.replace(":", " by ").replace("^2", " squared")
    for unit in ("_C_per_min", "_percent", "_min", "_mm", "_C"):
        words = words.replace(unit, "")
    return words.replace("_", " ")


def _split_words(effort: pd.DataFrame) -> str:
    """The best split against that of the plan."""
    if effort.empty:
        return "Too little effort for any other split."
    best = effort.loc[effort["p_within_delta"].idxmax()]
    words = (
        f"Best of those tried: {count_words(int(best['lots_per_firing']), 'lot')} per firing and "
        f"{count_words(int(best['cells_per_lot']), 'cell')} per lot "
        f"({100 * best['p_within_delta']:.0f} ± {100 * best['p_within_delta_se']:.0f} %)"
    )
    like = effort[effort["like_the_plan"] == "yes"]
    if len(like):
        row = like.iloc[0]
        if row.name == best.name:
            return f"{words}, which is how the plan splits it."
        words += (
            f"; split as in the plan {100 * row['p_within_delta']:.0f} ± "
            f"{100 * row['p_within_delta_se']:.0f} %"
        )
    return f"{words}."


def _takes(record: Mapping) -> list[tuple[str, str]]:
    """What the plan takes, with units."""
    currency = "" if record["currency"] == "money" else record["currency"]
    kept = record["lots_kept"]
    rows = [
        ("lots kept from the design, not counted below", f"{kept or ''}"),
        ("char firings", f"{record['firings']}"),
        ("activation firings", f"{record['activation_firings']}"),
        ("lots", f"{record['lots']}"),
        ("cells", f"{record['cells']}"),
        ("working days, one kiln", f"{record['days'] or ''}"),
        ("kiln, cooling included", _with(record["kiln_hours"], "h")),
        ("electricity at most", _with(record["kWh"], "kWh")),
        ("work", _with(record["work_hours"] or None, "h")),
        ("KOH as weighed", _with(record["koh_g"] or None, "g")),
        ("acid", _with(record["acid_L"], "L")),
        ("money, as far as priced", _with(record["money"] or None, currency)),
    ]
    return [(name, value) for name, value in rows if value]


def _with(value: object, unit: str) -> str:
    if not is_number(value):
        return ""
    return (
        f"{value:.0f} {unit}".rstrip() if value >= 100 else f"{significant(value)} {unit}".rstrip()
    )


def _assumptions(record: Mapping) -> list[dict]:
    rows = [
        {
            "words": SCATTER_WORDS[key],
            "key": f"plan.scatter.{key}",
            "value": f"{value:.3g} %",
            "source": _source(record["scatter_source"][key]),
        }
        for key, value in record["scatter"].items()
    ]
    cells = {"words": "cells from each lot", "key": "plan.cells_per_lot"}
    rows.append(
        cells | {"value": f"{record['cells_per_lot']}", "source": _source(record["cells_source"])}
    )
    return rows


def _source(source: str) -> str:
    return "usual*" if source == USUAL else source
