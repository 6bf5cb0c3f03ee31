"""The overview of a plan as one page: firings, feed to buy, what to look out for."""

import re
from collections.abc import Mapping, Sequence
from decimal import ROUND_CEILING, Decimal

import pandas as pd
from markupsafe import Markup

from charscreen import cautions
from charscreen.plan.pages import fill_page, grams, is_present, name_of, with_unit
from charscreen.plan.picture import layout_pictures
from charscreen.plan.summary import firing_hours
from charscreen.rounding import is_number
from charscreen.words import FIRING_KINDS

_UNIT = re.compile(r"(?<=\d) (?=%|°C|k?g\b)")


def render_overview(
    summary: Mapping,
    design: pd.DataFrame,
    lots: pd.DataFrame,
    *,
    feedstocks: Sequence[Mapping],
    kiln: Mapping,
    title: str,
    template: str,
    style: str,
    data_are_invented: bool = False,
    limits: Mapping | None = None,
) -> str:
    """The overview as a complete HTML page.

    Parameters
    ----------
    summary : mapping
        A plan's summary; of an empty plan its message is all that is shown.
    design, lots : DataFrame
        Tables of the plan.
    feedstocks : sequence of mappings
        Feedstock table; ``feedstock``, ``name`` and ``stock_kg`` [kg] are read.
    kiln : mapping
        The config's part of that name.
    title : str
        Title of the screen.
    template, style : str
        Texts of the page's template and of its style sheet.
    data_are_invented : bool
        Marks the page "Invented data".
    limits : mapping, optional
        ``koh_warning_C`` [°C] and ``nitrogen_d_percent`` [%]; 650 and 2 where missing.
    """
    known = {str(row["feedstock"]): row for row in feedstocks}
    planned = len(design) > 0
    return fill_page(
        template,
        style,
        title=title,
        data_are_invented=data_are_invented,
        message=summary["message"],
        planned=planned,
        facts=_facts(summary) if planned else [],
        warnings=[_UNIT.sub("\N{NO-BREAK SPACE}", text) for text in summary["warnings"]],
        notes=summary.get("notes", []),
        cannot_tell=summary["cannot_tell"],
        pictures=[
            Markup(picture)
            for picture in layout_pictures(design, known, crucibles=int(kiln["crucibles"]))
        ]
        if planned
        else [],
        firings=_firings(design, known, kiln) if planned else [],
        feeds=_feeds(design, lots, known) if planned else [],
        temperatures=_temperatures(design) if planned else [],
        cautions=_cautions(design, known, limits or {}) if planned else [],
        footer=cautions.FOOTER if planned else "",
    )


def _cautions(
    design: pd.DataFrame, known: Mapping[str, Mapping], limits: Mapping
) -> list[cautions.Caution]:
    """Cautions of all firings of the plan together; the figures of one are on its run sheet."""
    warning_C = float(limits.get("koh_warning_C", 650.0))
    nitrogen_limit = float(limits.get("nitrogen_d_percent", 2.0))
    activated = design[design["activation_firing"].notna()]
    hottest = activated["activation_temperature_C"].max()
    rich = [
        name_of(name, known)
        for name in sorted(set(activated["feedstock"]))
        if is_number(nitrogen := known.get(name, {}).get("nitrogen_d_percent"))
        and nitrogen > nitrogen_limit
    ]
    return cautions.cautions_for(
        carbonise=True,
        activate=len(activated) > 0,
        # The firing's own temperature is on its sheet; here a cool plan is told from a hot one.
        activation_temperature_C=hottest if hottest < warning_C else None,
        nitrogen_rich=rich,
        handling=True,
        koh_warning_C=warning_C,
        nitrogen_limit_d_percent=nitrogen_limit,
    )


def _facts(summary: Mapping) -> list[tuple[str, str]]:
    """Figures of the whole plan, in words and with units."""
    facts = [
        ("lots", f"{summary['lots']}"),
        ("of them reference lots", f"{summary['reference_lots']}"),
        ("of them activated", f"{summary['activated_lots']}"),
        ("char firings", f"{summary['firings']}"),
        ("activation firings", f"{summary['activation_firings']}"),
        ("crucibles left free", f"{summary['crucibles_left_free']}"),
        ("hours in the kiln, cooling included", with_unit(summary["kiln_hours"], "h")),
        ("electricity at most", with_unit(summary["kWh_at_most"], "kWh")),
    ]
    if summary["activated_lots"]:
        facts.append(("KOH as weighed", f"{grams(summary['koh_g'])} g"))
    return [(name, value) for name, value in facts if value]


def _firings(design: pd.DataFrame, known: Mapping[str, Mapping], kiln: Mapping) -> list[dict]:
    rows = []
    for firing in firing_hours(design, kiln).to_dict("records"):
        column = "firing" if firing["kind"] == "carbonise" else "activation_firing"
        here = design[design[column].astype(object) == firing["firing"]]
        rows.append(
            {
                "firing": str(firing["firing"]),
                "kind": FIRING_KINDS[firing["kind"]],
                "temperature": with_unit(firing["temperature_C"], "°C"),
                "hold": with_unit(firing["hold_min"], "min"),
                "hours": f"{firing['kiln_h']:.1f}" if is_number(firing["kiln_h"]) else "",
                "lots": [_lot(lot, known, firing["kind"]) for lot in here.to_dict("records")],
            }
        )
    return rows


def _lot(lot: Mapping, known: Mapping[str, Mapping], kind: str) -> dict:
    remark = "reference" if lot.get("role") == "reference" else ""
    if kind == "carbonise" and is_present(lot.get("activation_firing")):
        remark = f"{remark}, then KOH" if remark else "then KOH"
    return {"run": str(lot["run"]), "name": name_of(lot["feedstock"], known), "remark": remark}


def _feeds(
    design: pd.DataFrame, lots: pd.DataFrame, known: Mapping[str, Mapping]
) -> list[dict[str, object]]:
    """Feed per feedstock: what the lots need, what is there, what is still to get."""
    levels = _temperatures(design)
    rows = []
    for feedstock, here in lots.groupby("feedstock", sort=True):
        need = here["feed_ar_g"].sum(min_count=1) / 1000
        stock = known.get(feedstock, {}).get("stock_kg")
        stock = stock if is_number(stock) else None
        fired = design.loc[design["feedstock"] == feedstock, "peak_temperature_C"].value_counts()
        short = here["chance_of_falling_short_percent"].max()
        rows.append(
            {
                "name": name_of(feedstock, known),
                "at": [int(fired.get(level, 0)) or "" for level in levels],
                "lots": len(here),
                "need": _kilograms(need) if is_number(need) else "moisture not known",
                "stock": f"{stock:g}" if stock is not None else "",
                "buy": _kilograms(max(0.0, need - (stock or 0.0))) if is_number(need) else "",
                "short": f"{short:.0f} %" if is_number(short) else "",
            }
        )
    return rows


def _temperatures(design: pd.DataFrame) -> list[float]:
    return sorted(design["peak_temperature_C"].dropna().unique().tolist())


def _kilograms(value: float) -> str:
    """A mass to get, never rounded down: to 10 g, below 0.1 kg to 1 g. [kg]"""
    step = Decimal("0.001") if value < 0.1 else Decimal("0.01")
    if value <= 0:
        return "0"
    # Below a tenth of a milligram is the noise of binary fractions, no feed.
    return str(
        (Decimal(repr(round(float(value), 7))) / step).to_integral_value(ROUND_CEILING) * step
    )
