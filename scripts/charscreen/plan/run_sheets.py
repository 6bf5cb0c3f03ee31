"""Printable run sheets: one page for each firing, with what to weigh and room to write."""

from collections.abc import Mapping, Sequence

import pandas as pd
from markupsafe import Markup

from charscreen import cautions
from charscreen.costs import ROOM_TEMPERATURE_C
from charscreen.ledger.stoichiometry import koh_balance
from charscreen.plan.feed import RAISED
from charscreen.plan.firing_steps import ACTIVATION_STEPS, CHAR_STEPS, WASH
from charscreen.plan.labels import label_svg
from charscreen.plan.pages import (
    fill_page,
    grams,
    is_present,
    name_of,
    sheet_column,
    with_unit,
)
from charscreen.rounding import is_number

_DEFAULT_LIMITS = {"koh_warning_C": 650.0, "nitrogen_d_percent": 2.0}


def firings_of(design: pd.DataFrame) -> list[tuple[str, str]]:
    """Firings of a design as (id, kind), char firings first, each in order of appearance.

    Parameters
    ----------
    design : DataFrame
        Design table; ``firing`` and ``activation_firing`` are read. Kind is ``carbonise`` or
        ``activate``.
    """
    if not len(design):
        return []
    char = list(dict.fromkeys(design["firing"].dropna()))
    activation = sorted(dict.fromkeys(design["activation_firing"].dropna()))
    return [(str(f), "carbonise") for f in char] + [(str(f), "activate") for f in activation]


def render_run_sheet(
    firing: str,
    *,
    kind: str,
    design: pd.DataFrame,
    lots: pd.DataFrame,
    feedstocks: pd.DataFrame | Sequence[Mapping],
    kiln: Mapping,
    title: str,
    template: str,
    style: str,
    data_are_invented: bool = False,
    limits: Mapping | None = None,
    koh_purity_percent: float = 100.0,
) -> str:
    """One run sheet as a complete HTML page.

    Parameters
    ----------
    firing : str
        Firing to write the sheet for.
    kind : str
        ``carbonise`` or ``activate``.
    design, lots : DataFrame
        Tables of a plan; of `lots` feed, expected char and KOH are read.
    feedstocks : DataFrame or sequence of mappings
        Feedstock table; ``feedstock``, ``name``, ``nitrogen_d_percent`` [%] are read.
    kiln : mapping
        The config's part of that name.
    title : str
        Title of the screen.
    template, style : str
        Texts of the page's template and of its style sheet.
    data_are_invented : bool
        Marks the page "Invented data".
    limits : mapping, optional
        ``koh_warning_C`` [°C] and ``nitrogen_d_percent`` [%]: from where on the cautions on
        potassium and cyanide stand on the sheet.
    koh_purity_percent : float
        KOH in the pellets as weighed. [%]

    Raises
    ------
    ValueError
        Where the design has no such firing, or the kind is unknown.
    """
    here = {"design": design, "lots": lots, "feedstocks": feedstocks, "kiln": kiln}
    how = {"title": title, "limits": limits, "koh_purity_percent": koh_purity_percent}
    return fill_page(
        template,
        style,
        sheets=[_sheet(firing, kind, **here, **how)],
        intro=None,
        title=title,
        data_are_invented=data_are_invented,
        footer=cautions.FOOTER,
    )


def render_one_page(
    design: pd.DataFrame,
    lots: pd.DataFrame,
    *,
    heading: str,
    sentences: Sequence[str],
    title: str,
    template: str,
    style: str,
    data_are_invented: bool = False,
    **settings,
) -> str:
    """The run sheets of all firings of a design as one HTML page, below what they are for.

    Parameters
    ----------
    design, lots : DataFrame
        Tables of a plan or of a proposal; without rows the page holds the sentences alone.
    heading : str
        Heading of the page.
    sentences : sequence of str
        What stands below it.
    title, template, style, data_are_invented, **settings
        As in `render_run_sheet`.
    """
    sheets = [
        _sheet(firing, kind, design=design, lots=lots, title=title, **settings)
        for firing, kind in firings_of(design)
    ]
    return fill_page(
        template,
        style,
        sheets=sheets,
        intro={"heading": heading, "sentences": list(sentences)},
        title=title,
        data_are_invented=data_are_invented,
        footer=cautions.FOOTER,
    )


def _sheet(
    firing: str,
    kind: str,
    *,
    design: pd.DataFrame,
    lots: pd.DataFrame,
    feedstocks: pd.DataFrame | Sequence[Mapping],
    kiln: Mapping,
    title: str,
    limits: Mapping | None,
    koh_purity_percent: float,
) -> dict:
    """What one run sheet holds."""
    rows = feedstocks.to_dict("records") if isinstance(feedstocks, pd.DataFrame) else feedstocks
    known = {str(row["feedstock"]): row for row in rows}
    column = {"carbonise": "firing", "activate": "activation_firing"}.get(kind)
    if column is None:
        raise ValueError(f"kind {kind!r} is neither carbonise nor activate")
    here = design[design[column].astype(object) == firing]
    if not len(here):
        raise ValueError(f"the design has no lots in {column} {firing!r}")
    extra = ["run", "expected_char_g", "koh_g", "limited_by"]
    here = here.merge(lots[extra], on="run", how="left")
    limits = _DEFAULT_LIMITS | dict(limits or {})
    if kind == "carbonise":
        sheet = _char_sheet(here, known, kiln)
    else:
        sheet = _activation_sheet(here, known, kiln, limits, koh_purity_percent)
    sheet |= {
        "name": firing,
        "note": "A crucible that moved, a stop, smoke, a lid that slipped: write it down, then "
        "change the row in design.csv.",
    }
    for row in sheet["rows"]:
        row["label"] = Markup(label_svg(row["run"], title))
    return sheet


def render_run_sheets(design: pd.DataFrame, lots: pd.DataFrame, **settings) -> dict[str, str]:
    """Every firing's run sheet by firing id; empty where nothing is planned.

    Parameters
    ----------
    design, lots : DataFrame
        Tables of a plan.
    **settings
        As in `render_run_sheet`.
    """
    return {
        firing: render_run_sheet(firing, kind=kind, design=design, lots=lots, **settings)
        for firing, kind in firings_of(design)
    }


def _char_sheet(here: pd.DataFrame, known: Mapping[str, Mapping], kiln: Mapping) -> dict:
    first = here.iloc[0]
    rows = []
    by_place: dict[str, dict] = {}
    for lot in here.to_dict("records"):
        remarks = []
        if lot.get("role") == "reference":
            remarks.append("reference lot")
        if is_present(lot.get("activation_firing")):
            remarks.append(f"then KOH in {lot['activation_firing']}")
        if is_number(lot.get("particle_size_mm")):
            remarks.append(f"ground to {lot['particle_size_mm']:g} mm")
        if is_number(lot.get("drying_C")):
            remarks.append(f"dried at {lot['drying_C']:g} °C")
        if lot.get("limited_by") in RAISED:
            remarks.append(f"feed raised to the {lot['limited_by']}")
        elif is_present(lot.get("limited_by")):
            remarks.append(f"feed limited by {lot['limited_by']}")
        row = {
            "crucible": _label(lot.get("crucible")),
            "run": str(lot["run"]),
            "name": name_of(lot["feedstock"], known),
            "feed": grams(lot.get("feed_ar_g")),
            "char": grams(lot.get("expected_char_g")),
            "remark": ", ".join(remarks),
        }
        rows.append(row)
        by_place[row["crucible"] or row["run"]] = row
    numbers = [str(i) for i in range(1, int(kiln.get("crucibles") or 0) + 1)]
    at = numbers if set(by_place) <= set(numbers) else list(by_place)
    return {
        "heading": "Char firing",
        "beside": "",
        "questions": (),
        "conditions": _conditions(
            first["peak_temperature_C"], first["hold_min"], first.get("ramp_C_per_min"), kiln
        ),
        "conditions_heading": "Conditions",
        "map_heading": "Crucible map",
        "table_heading": "Lots",
        "map_columns": 3 if len(at) > 2 else max(1, len(at)),
        "places": [
            {"at": place, "run": by_place[place]["run"], "name": by_place[place]["name"]}
            if place in by_place
            else {"at": place, "run": "", "name": ""}
            for place in at
        ],
        "columns": [
            sheet_column("crucible", "place", width=11),
            sheet_column("label", "label", width=11, kind="label"),
            sheet_column("run", "run", width=14, kind="run"),
            sheet_column("name", "feedstock"),
            sheet_column("", "empty crucible [g]", width=16, blank=True),
            sheet_column("feed", "feed to weigh [g]", width=16, number=True),
            sheet_column("", "feed weighed [g]", width=20, blank=True, goes_to="feed_ar_g"),
            sheet_column("", "dry feed [g]", width=20, blank=True, goes_to="feed_dry_g"),
            sheet_column("char", "char to expect [g]", width=16, number=True),
            sheet_column("", "char weighed [g]", width=20, blank=True, goes_to="char_g"),
        ],
        "rows": rows,
        "legend": (
            "Feed is as received. Small names are columns of masses.csv; char weighed in its "
            "crucible goes into char_gross_g, the empty crucible into char_tare_g. What was not "
            "weighed stays empty: do not write what was planned."
        ),
        "steps": CHAR_STEPS,
        "cautions": cautions.cautions_for(carbonise=True),
    }


def _activation_sheet(
    here: pd.DataFrame,
    known: Mapping[str, Mapping],
    kiln: Mapping,
    limits: Mapping,
    koh_purity_percent: float,
) -> dict:
    first = here.iloc[0]
    temperature = first.get("activation_temperature_C")
    temperature = float(temperature) if is_number(temperature) else None
    at = "a temperature not stated" if temperature is None else f"{temperature:g} °C"
    hot = temperature is None or temperature >= limits["koh_warning_C"]
    rich, rows = [], []
    potassium_g = hydrogen_L = 0.0
    for lot in here.to_dict("records"):
        name = name_of(lot["feedstock"], known)
        nitrogen = known.get(lot["feedstock"], {}).get("nitrogen_d_percent")
        if is_number(nitrogen) and nitrogen > limits["nitrogen_d_percent"] and name not in rich:
            rich.append(name)
        ratio = lot.get("koh_ratio")
        if is_number(lot.get("koh_g")):
            char = lot.get("expected_char_g")
            most = koh_balance(
                lot["koh_g"],
                char_g=char if is_number(char) else None,
                purity_percent=koh_purity_percent,
            )
            potassium_g += most.potassium_g
            hydrogen_L += most.hydrogen_L
        rows.append(
            {
                "run": str(lot["run"]),
                "name": name,
                "from": str(lot["firing"]),
                "char": grams(lot.get("expected_char_g")),
                "ratio": f"{ratio:g}" if is_number(ratio) else "",
                "koh": grams(lot.get("koh_g")),
                "remark": (
                    f"at most {grams(lot['koh_g'])} g KOH"
                    if lot.get("limited_by") == "KOH per crucible"
                    else ""
                ),
            }
        )
    crucibles = max(int(kiln.get("crucibles") or 0), len(rows))
    places = [{"at": "", "run": row["run"], "name": row["name"]} for row in rows]
    places += [{"at": "", "run": "", "name": ""}] * (crucibles - len(rows))
    return {
        "heading": "Activation firing",
        "beside": "",
        "questions_heading": f"Before anything is heated: KOH at {at}",
        "questions": cautions.KOH_QUESTIONS if hot else (),
        "questions_answer": cautions.KOH_ANSWER,
        "conditions": _conditions(
            temperature, first.get("activation_hold_min"), kiln.get("ramp_C_per_min"), kiln
        ),
        "conditions_heading": "Conditions",
        "map_heading": "Crucible map",
        "table_heading": "Lots",
        "map_columns": 3 if crucibles > 2 else max(1, crucibles),
        "places": places,
        "columns": [
            sheet_column("label", "label", width=11, kind="label"),
            sheet_column("run", "run", width=14, kind="run"),
            sheet_column("name", "feedstock"),
            sheet_column("from", "char of firing", width=14),
            sheet_column("char", "char to expect [g]", width=17, number=True),
            sheet_column("", "char taken [g]", width=23, blank=True, goes_to="char_taken_g"),
            sheet_column("ratio", "g KOH per g char", width=15, number=True),
            sheet_column("koh", "KOH for that char [g]", width=17, number=True),
            sheet_column("", "KOH weighed [g]", width=21, blank=True, goes_to="koh_g"),
            sheet_column(
                "", "activated, washed, dry [g]", width=23, blank=True, goes_to="activated_g"
            ),
        ],
        "rows": rows,
        "legend": (
            f"KOH to weigh = ratio × char really taken{_per_purity(koh_purity_percent)}; the "
            "figure printed is for the char expected. The small names are the columns of "
            "masses.csv."
        ),
        "steps": _activation_steps(rich),
        "cautions": cautions.cautions_for(
            activate=True,
            activation_temperature_C=temperature,
            potassium_g=potassium_g or None,
            hydrogen_L=hydrogen_L or None,
            nitrogen_rich=rich,
            koh_warning_C=limits["koh_warning_C"],
            nitrogen_limit_d_percent=limits["nitrogen_d_percent"],
        ),
    }


def _activation_steps(nitrogen_rich: Sequence[str]) -> tuple[str, ...]:
    """The work list; with nitrogen-rich feeds the cyanide test stands before the wash."""
    if not nitrogen_rich:
        return ACTIVATION_STEPS
    test = (
        f"{', '.join(nitrogen_rich)}: product tested for cyanide before any acid touched it, "
        "result noted below"
    )
    at = ACTIVATION_STEPS.index(WASH)
    return (*ACTIVATION_STEPS[:at], test, *ACTIVATION_STEPS[at:])


def _per_purity(koh_purity_percent: float) -> str:
    """The division by the share of KOH in the pellets, in words; empty where it is 1."""
    return "" if koh_purity_percent == 100 else f" ÷ {koh_purity_percent / 100:g} (pellets)"


def _conditions(peak_C: object, hold_min: object, ramp: object, kiln: Mapping) -> list[tuple]:
    rows = [
        ("peak temperature", with_unit(peak_C, "°C")),
        ("hold at the peak", with_unit(hold_min, "min")),
        ("heating rate", with_unit(ramp, "°C/min")),
    ]
    if is_number(peak_C) and is_number(ramp) and ramp > 0:
        minutes = (peak_C - ROOM_TEMPERATURE_C) / ramp
        rows.append(("time to the peak", f"{minutes // 60:.0f} h {minutes % 60:02.0f} min"))
    rows.append(("cooling, closed", with_unit(kiln.get("cooling_h"), "h")))
    rows.append(("started at, log file", ""))
    return rows


def _label(value: object) -> str:
    """A crucible's label as it would be written on it: 3, not 3.0."""
    if is_number(value):
        return f"{value:g}"
    return str(value) if is_present(value) else ""
