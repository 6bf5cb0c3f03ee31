"""Printable sheets for cells: what to coat and assemble, and the current to test them at."""

from collections.abc import Mapping, Sequence

import pandas as pd
from markupsafe import Markup

from charscreen import cautions
from charscreen.capacitance.standard_currents import class_current_mA
from charscreen.plan.labels import label_svg
from charscreen.plan.pages import fill_page, grams, name_of, sheet_column, with_unit
from charscreen.plan.run_sheets import firings_of
from charscreen.rounding import is_number

KINDS = ("assembly", "tests")
_AQUEOUS_V = 1.0  # where no limit is named
_ASSEMBLY_STEPS = (
    "Carbon ground, sieved and dried at 105\N{NO-BREAK SPACE}°C, under extraction",
    "Paste weighed in by the recipe above, written down as done",
    "Collectors cut and weighed empty, one by one",
    "Coatings dried to constant mass, then weighed; two of like mass for each cell",
    "Cells assembled in the order of this sheet",
    "Separator wetted, no bubble, cell closed; no short by the meter",
)
_TEST_STEPS = (
    "Cells tested in the order of this sheet",
    "Current worked out from the coatings really weighed, by the rule above",
    "Charged to the voltage above and held until the current is steady",
    "Three cycles or more: the first is not used",
    "Logger's clock, range and file name checked before the start",
    "Discharged through a resistor before it was taken off, never by a short",
)


def render_cell_sheets(
    design: pd.DataFrame,
    cells: pd.DataFrame,
    *,
    feedstocks: Sequence[Mapping],
    plan: Mapping,
    title: str,
    template: str,
    style: str,
    data_are_invented: bool = False,
    limits: Mapping | None = None,
) -> dict[str, str]:
    """Two pages for each firing that finishes lots: assembling their cells, testing them.

    Parameters
    ----------
    design : DataFrame
        Design of a plan. A lot with KOH is finished by its activation firing, another by its
        char firing.
    cells : DataFrame
        Its cells: cell, run, ``assembly_order``, ``test_order``.
    feedstocks : sequence of mappings
        Feedstock table; ``feedstock``, ``name`` are read.
    plan : mapping
        The config's part of that name.
    title : str
        Title of the screen.
    template, style : str
        Texts of the run sheets' template and style sheet.
    data_are_invented : bool
        Marks the pages "Invented data".
    limits : mapping, optional
        ``aqueous_voltage_V`` [V], above which the caution on cells names the voltage.

    Returns
    -------
    dict of str to str
        ``<firing>_assembly`` and ``<firing>_tests`` to a complete page each.
    """
    if not len(design):
        return {}
    known = {str(row["feedstock"]): row for row in feedstocks}
    feed_of = dict(zip(design["run"].astype(str), design["feedstock"], strict=True))
    finished = design["activation_firing"].where(
        design["activation_firing"].notna(), design["firing"]
    )
    firing_of = dict(zip(design["run"].astype(str), finished, strict=True))
    limit = float((limits or {}).get("aqueous_voltage_V", _AQUEOUS_V))
    pages = {}
    for firing, _ in firings_of(design):
        here = cells[cells["run"].map(firing_of) == firing]
        if not len(here):
            continue
        for kind, order, make in zip(
            KINDS, ("assembly_order", "test_order"), (_assembly_sheet, _test_sheet), strict=True
        ):
            ordered = here.sort_values(order, kind="stable")
            rows = [
                {
                    "place": str(number),
                    "label": Markup(label_svg(cell.cell, title)),
                    "run": cell.cell,
                    "name": name_of(feed_of[cell.run], known),
                    "remark": _remark(cell, kind),
                }
                for number, cell in enumerate(ordered.itertuples(), start=1)
            ]
            sheet = make(plan, limit) | {"name": firing, "rows": rows, "places": ()}
            sheet["beside"] = f"Cells of the lots that firing {firing} finishes."
            pages[f"{firing}_{kind}"] = fill_page(
                template,
                style,
                sheets=[sheet],
                intro=None,
                title=title,
                data_are_invented=data_are_invented,
                footer=cautions.FOOTER,
            )
    return pages


def _remark(cell, kind: str) -> str:
    """Lot of a cell, and the day of assembly where the plan spreads cells over days."""
    day = getattr(cell, "assembly_day", None)
    dated = kind == "assembly" and is_number(day)
    return f"lot {cell.run}, day {day:g}" if dated else f"lot {cell.run}"


def expected_current_mA(plan: Mapping) -> tuple[float, float]:
    """First test current of a cell, and the same per dry coating of one electrode.

    Parameters
    ----------
    plan : mapping
        ``electrode_coating_mg`` [mg], ``coating_carbon_percent`` [%],
        ``expected_electrode_F_per_g`` [F/g], ``upper_voltage_V`` [V], ``current_class``.

    Returns
    -------
    tuple of float
        [mA], [mA/mg]

    Notes
    -----
    C = c·m/2 for two electrodes of m grams of carbon each and c F/g, then the current of the
    class (`charscreen.capacitance.standard_currents`).
    """
    carbon_g = plan["electrode_coating_mg"] / 1000 * plan["coating_carbon_percent"] / 100
    current = class_current_mA(
        plan["expected_electrode_F_per_g"] * carbon_g / 2,
        voltage_V=plan["upper_voltage_V"],
        number=plan["current_class"],
    )
    return current, current / plan["electrode_coating_mg"]


def _assembly_sheet(plan: Mapping, limit_V: float) -> dict:
    carbon, binder = plan["coating_carbon_percent"], plan["coating_binder_percent"]
    return {
        "heading": "Cell assembly",
        "questions": (),
        "conditions_heading": "Coating",
        "conditions": [
            ("carbon, of the dry coating", with_unit(carbon, "%")),
            ("binder (binder_percent)", with_unit(binder, "%")),
            ("conductive additive (additive_percent)", f"{100 - carbon - binder:g} %"),
            ("dry coating of one electrode", with_unit(plan["electrode_coating_mg"], "mg")),
            ("coated area of one electrode", with_unit(plan.get("electrode_area_cm2"), "cm²")),
            ("electrolyte, separator, collector", ""),
            ("batch of coating (assembly_batch)", ""),
        ],
        "table_heading": "Cells, in the order of work",
        "columns": [
            sheet_column("place", "no.", width=8, number=True),
            sheet_column("label", "label", width=11, kind="label"),
            sheet_column("run", "cell", width=17, kind="run"),
            sheet_column("name", "feedstock"),
            *(
                sheet_column("", f"{word} {n} [mg]", width=20, blank=True, goes_to=column)
                for n in (1, 2)
                for word, column in (
                    ("collector", f"electrode_{n}_collector_mg"),
                    ("with coating", f"electrode_{n}_gross_mg"),
                )
            ),
            sheet_column("", "day closed", width=19, blank=True, goes_to="assembled"),
        ],
        "legend": (
            "Small names are columns of cells.csv. Net masses go into electrode_1_mg and "
            "electrode_2_mg. What was not weighed stays empty."
        ),
        "steps": _ASSEMBLY_STEPS,
        "note": "Coatings that flaked, electrodes thrown away, a cell that leaked: write it down.",
        "cautions": cautions.cautions_for(
            handling=True,
            cells=True,
            upper_voltage_V=plan["upper_voltage_V"],
            aqueous_voltage_V=limit_V,
        ),
    }


def _test_sheet(plan: Mapping, limit_V: float) -> dict:
    current, per_mg = expected_current_mA(plan)
    number = plan["current_class"]
    formula = {1: "C", 2: "0.4·C·U", 3: "4·C·U", 4: "40·C·U"}[number]
    return {
        "heading": "Cell tests",
        "questions": (),
        "conditions_heading": "Setting",
        "conditions": [
            ("upper voltage U (upper_voltage_V)", with_unit(plan["upper_voltage_V"], "V")),
            ("method", "constant current"),
            (f"class {number} of IEC 62391-1, I in mA from C in F", formula),
            (
                f"first current, at {plan['expected_electrode_F_per_g']:g} F/g expected",
                f"{grams(current)} mA",
            ),
            ("the same per mg of dry coating, mean of both", f"{per_mg:.2g} mA"),
            ("temperature of the room", ""),
            ("instrument, range, sampling", ""),
        ],
        "table_heading": "Cells, in the order of work",
        "columns": [
            sheet_column("place", "no.", width=8, number=True),
            sheet_column("label", "label", width=11, kind="label"),
            sheet_column("run", "cell", width=17, kind="run"),
            sheet_column("name", "feedstock"),
            sheet_column("", "mean coating [mg]", width=19, blank=True),
            sheet_column("", "current set [mA]", width=21, blank=True, goes_to="current_mA"),
            sheet_column("", "name of test", width=19, blank=True, goes_to="test"),
            sheet_column("", "file of the logger", width=34, blank=True, goes_to="trace"),
            sheet_column("", "done", width=12, blank=True),
        ],
        "legend": (
            "Small names are columns of tests.csv. Where the first cycle shows another C, the "
            "class asks for the current worked out anew; write down what was really set."
        ),
        "steps": _TEST_STEPS,
        "note": "A stop, a loose clip, a cell that grew warm or swelled: write it down.",
        "cautions": cautions.cautions_for(
            cells=True, upper_voltage_V=plan["upper_voltage_V"], aqueous_voltage_V=limit_V
        ),
    }
