"""Sheets for cells: which cells, in which order, at which current, with which cautions."""

import pytest
from charscreen.cautions import FOOTER
from charscreen.plan import make_plan
from charscreen.plan.cell_sheets import expected_current_mA, render_cell_sheets
from plan_case import FEEDS, KILN, PLAN, ROOT, STYLE, Page

TEMPLATE = (ROOT / "workflow/templates/run_sheet.html.jinja").read_text(encoding="utf-8")
CELLS = {
    "cells_per_lot": 2,
    "electrode_coating_mg": 12.0,
    "coating_carbon_percent": 80.0,
    "coating_binder_percent": 10.0,
    "electrode_area_cm2": None,
    "upper_voltage_V": 0.9,
    "expected_electrode_F_per_g": 100.0,
    "current_class": 3,
}
MADE = make_plan(FEEDS, plan=PLAN, kiln=KILN, seed=3)


def sheets(design=MADE.design, cells=MADE.cells, **settings):
    plan = CELLS | settings.pop("plan", {})
    return render_cell_sheets(
        design,
        cells,
        feedstocks=FEEDS.to_dict("records"),
        plan=plan,
        title="Test <screen>",
        template=TEMPLATE,
        style=STYLE,
        **settings,
    )


def test_cells_stand_on_the_sheets_of_the_firing_that_finishes_their_lot():
    pages = sheets()
    design = MADE.design
    finished = design["activation_firing"].where(
        design["activation_firing"].notna(), design["firing"]
    )
    assert set(pages) == {f"{f}_{kind}" for f in set(finished) for kind in ("assembly", "tests")}
    for name, html in pages.items():
        text = Page(html).text
        here = design.loc[finished == name.partition("_")[0], "run"]
        others = design.loc[finished != name.partition("_")[0], "run"]
        assert all(f"{run}-1" in text and f"{run}-2" in text for run in here)
        assert not any(f"{run}-1" in text for run in others)
        assert html.count("<svg") == 2 * len(here)
        assert text.rstrip().endswith(FOOTER)
        assert "<b>husk</b>" not in html


def test_an_order_drawn_by_lot_is_kept():
    cells = MADE.cells
    pages = sheets()
    assert not cells["assembly_order"].is_monotonic_increasing
    for kind, order in (("assembly", "assembly_order"), ("tests", "test_order")):
        name = next(name for name in pages if name.endswith(kind))
        text = Page(pages[name]).text
        shown = [cell for cell in cells.sort_values(order)["cell"] if cell in text]
        places = [text.index(cell) for cell in shown]
        assert len(shown) >= 2
        assert places == sorted(places)


def test_the_current_is_that_of_the_class():
    # 9.6 mg of carbon at 100 F/g on each side: C = 0.48 F; class 3: 4·0.48·0.9 = 1.728 mA.
    current, per_mg = expected_current_mA(CELLS)
    assert current == pytest.approx(1.728)
    assert per_mg == pytest.approx(0.144)
    # A published table of the standard's currents: 25 F, 3 V: class 1, 2, 3 at 25, 30, 300 mA.
    big = CELLS | {
        "electrode_coating_mg": 500_000.0,
        "coating_carbon_percent": 100.0,
        "expected_electrode_F_per_g": 0.1,
        "upper_voltage_V": 3.0,
    }
    for number, wanted in ((1, 25.0), (2, 30.0), (3, 300.0), (4, 3000.0)):
        assert expected_current_mA(big | {"current_class": number})[0] == pytest.approx(wanted)
    pages = sheets(plan={"current_class": 4})
    text = Page(next(html for name, html in pages.items() if name.endswith("tests"))).text
    assert "40·C·U" in text
    assert "17.3 mA" in text


def test_cells_beyond_the_limit_of_water_are_cautioned_by_their_voltage():
    for html in sheets(plan={"upper_voltage_V": 1.4}).values():
        assert "A cell here is charged to 1.4 V." in Page(html).text
    for html in sheets(plan={"upper_voltage_V": 1.4}, limits={"aqueous_voltage_V": 1.5}).values():
        assert "A cell here" not in html
    for html in sheets().values():
        assert "Water splits from 1.23 V" in html
        assert "A cell here" not in html


def test_cells_spread_over_days_carry_their_day():
    cells = MADE.cells.assign(assembly_day=3.0)
    for name, html in sheets(cells=cells).items():
        assert ("day 3" in html) == name.endswith("assembly")


def test_nothing_planned_gives_no_sheet():
    none = make_plan([], plan=PLAN, kiln=KILN, seed=1)
    assert sheets(none.design, none.cells) == {}
