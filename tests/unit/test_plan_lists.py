"""Shopping list and calendar: amounts reckoned by hand, days off, days too short."""

import pandas as pd
import pytest
from charscreen.cautions import FOOTER
from charscreen.plan import make_plan
from charscreen.plan.lists import render_calendar_page, render_shopping_page
from charscreen.plan.shopping import SHOPPING_COLUMNS, shopping_list
from charscreen.plan.timetable import CALENDAR_COLUMNS, TOO_LONG, calendar_of_firings
from plan_case import FEEDS, KILN, PLAN, ROOT, STYLE, Page

TEMPLATE = (ROOT / "workflow/templates/plan_list.html.jinja").read_text(encoding="utf-8")
CELLS = {
    "cells_per_lot": 3,
    "electrode_coating_mg": 12.0,
    "coating_carbon_percent": 80.0,
    "coating_binder_percent": 12.0,
    "coating_loss_percent": 50.0,
    "electrode_area_cm2": 1.5,
}
PRICES = {"currency": "crowns", "koh_per_kg": 20.0, "acid_per_L": 5.0, "acid_mL_per_g_char": 40.0}
WEEK = ["mon", "tue", "wed", "thu", "fri"]
DAYS = {"start_date": None, "working_days": WEEK, "longest_day_h": 10.0}
HEAD = {"title": "Test <screen>", "template": TEMPLATE, "style": STYLE}


def listed(feeds=FEEDS, *, prices=PRICES, **plan):
    made = make_plan(feeds, plan=PLAN | {k: CELLS[k] for k in CELLS} | plan, kiln=KILN, seed=3)
    rows = feeds.to_dict("records")
    plan = CELLS | plan
    frame = shopping_list(made.lots, made.cells, feedstocks=rows, plan=plan, prices=prices)
    return made, frame.set_index("item")


def test_amounts_are_those_of_the_plan():
    feeds = FEEDS.assign(stock_kg=[0.001, 50.0, None], price_per_kg=[2.0, None, 1.0])
    made, frame = listed(feeds)
    assert tuple(frame.reset_index().columns) == SHOPPING_COLUMNS
    need = made.lots.groupby("feedstock")["feed_ar_g"].sum() / 1000
    husk = frame.loc["Rice <b>husk</b>"]
    assert husk["needed"] == pytest.approx(need["husk"])
    assert husk["to_get"] == pytest.approx(need["husk"] - 0.001, rel=0.01)
    assert husk["to_get"] >= need["husk"] - 0.001
    assert husk["cost"] == pytest.approx(2.0 * husk["to_get"])
    assert husk["remark"] == "as received, 10 % water"
    grain = frame.loc["Grain & bran"]
    assert grain["to_get"] == 0
    assert pd.isna(grain["cost"])
    assert frame.loc["Peel", "to_get"] >= need["peel"]
    activated = made.lots[made.lots["koh_g"].notna()]
    koh = frame.loc["KOH, as weighed"]
    assert koh["needed"] == pytest.approx(activated["koh_g"].sum() / 1000)
    assert koh["cost"] == pytest.approx(20.0 * koh["to_get"])
    acid = frame.loc["Acid for washing"]
    assert acid["needed"] == pytest.approx(0.040 * activated["expected_char_g"].sum())
    lots = len(made.design)
    assert frame.loc["Cells: cases or clips", "needed"] == 3 * lots
    assert frame.loc["Collectors", "needed"] == 6 * lots
    assert frame.loc["Collector, coated area", "needed"] == pytest.approx(9.0 * lots)
    # 12 mg a coating, six coatings a lot, half of the paste lost: 0.144 g a lot.
    assert frame.loc["Binder, dry", "needed"] == pytest.approx(0.12 * 0.144 * lots)
    assert frame.loc["Conductive additive", "needed"] == pytest.approx(0.08 * 0.144 * lots)


def test_what_cannot_be_reckoned_says_what_is_missing():
    feeds = FEEDS.assign(moisture_ar_percent=[10.0, None, 30.0])
    none = dict.fromkeys(PRICES) | {"currency": "crowns"}
    _, frame = listed(feeds, prices=none, electrode_area_cm2=None)
    grain = frame.loc["Grain & bran"]
    assert pd.isna(grain["needed"])
    assert pd.isna(grain["to_get"])
    assert "moisture_ar_percent" in grain["remark"]
    assert "prices.acid_mL_per_g_char" in frame.loc["Acid for washing", "remark"]
    assert "plan.electrode_area_cm2" in frame.loc["Collector, coated area", "remark"]
    assert frame["cost"].isna().all()
    _, frame = listed(activation=["none"])
    assert "KOH, as weighed" not in frame.index


def test_the_page_marks_what_the_stock_does_not_cover():
    feeds = FEEDS.assign(stock_kg=[0.001, 50.0, None])
    _, frame = listed(feeds)
    page = render_shopping_page(frame.reset_index(), currency="crowns", **HEAD)
    text = Page(page).text
    assert page.count('<tr class="strong">') == 1
    assert '<tr class="strong">' in page.split("Rice &lt;b&gt;husk")[0].rpartition("</tr>")[2]
    assert "Cost of what has a price" in text
    assert "crowns" in text
    assert text.rstrip().endswith(FOOTER)
    assert "<b>husk" not in page
    none = dict.fromkeys(PRICES) | {"currency": "crowns"}
    _, free = listed(feeds.assign(stock_kg=50.0, price_per_kg=2.0), prices=none)
    # Priced and at hand: nothing to pay, so no column of zeros.
    page = render_shopping_page(free.reset_index(), currency="crowns", **HEAD)
    assert "crowns" not in Page(page).text


def calendar(design=None, kiln=KILN, **days):
    if design is None:
        design = make_plan(FEEDS, plan=PLAN | {"firings": 7}, kiln=kiln, seed=3).design
    return design, calendar_of_firings(design, plan=DAYS | days, kiln=kiln)


def test_one_firing_a_day_and_none_on_days_off():
    # 620 °C at 2 °C/min and an hour: 6 h; 8 h of cooling leave no room for a second within 10 h.
    design, table = calendar(start_date="2027-03-04")
    assert tuple(table.columns) == CALENDAR_COLUMNS
    assert table["firing"].tolist()[:2] == ["F01", "F02"]
    assert table["kind"].tolist() == sorted(table["kind"], reverse=True)
    assert table["day"].tolist() == list(range(1, len(table) + 1))
    # Thursday, Friday, then Monday.
    assert table["date"].tolist()[:3] == ["2027-03-04", "2027-03-05", "2027-03-08"]
    assert table["weekday"].tolist()[:3] == ["thu", "fri", "mon"]
    assert (table["start_h"] == 0).all()
    assert table.loc[0, "heating_end_h"] == 6.0
    assert table.loc[0, "cold_h"] == 14.0
    assert table.loc[0, "runs"].split() == design.loc[design["firing"] == "F01", "run"].tolist()
    assert table["remark"].isna().all()


def test_a_start_on_a_day_off_waits_for_the_next_working_day():
    _, table = calendar(start_date="2027-03-06")  # a Saturday
    assert table["date"].iloc[0] == "2027-03-08"
    assert table["day"].iloc[0] == 1


def test_quick_firings_share_a_day():
    quick = KILN | {"ramp_C_per_min": 20, "cooling_h": 1}
    _, table = calendar(kiln=quick)
    # 0.5 h up, 1 h hold, 1 h cooling: four end their hold within 10 h (9 h), the fifth not (11.5).
    assert table["day"].tolist()[:5] == [1, 1, 1, 1, 2]
    assert table["start_h"].tolist()[:5] == [0.0, 2.5, 5.0, 7.5, 0.0]
    assert table["date"].isna().all()


def test_slow_cooling_takes_the_days_between():
    slow = KILN | {"cooling_h": 30}
    _, table = calendar(kiln=slow, start_date="2027-03-01")
    # 36 h in the kiln: cold at noon of the next day, too late for another 6 h of 10.
    assert table["date"].tolist()[:3] == ["2027-03-01", "2027-03-03", "2027-03-05"]
    _, table = calendar(kiln=slow, start_date="2027-03-05", working_days=["fri", "mon"])
    # Over the weekend it cools for nothing.
    assert table["date"].tolist()[:3] == ["2027-03-05", "2027-03-08", "2027-03-12"]


def test_a_firing_longer_than_any_day_says_so():
    _, table = calendar(longest_day_h=5.0)
    assert set(table["remark"]) == {TOO_LONG}
    assert table["day"].tolist() == list(range(1, len(table) + 1))
    page = render_calendar_page(table, longest_day_h=5.0, **HEAD)
    assert "last longer than the longest working day of 5 h" in Page(page).text


def test_the_calendar_page_has_every_firing():
    _, table = calendar(start_date="2027-03-04")
    text = Page(render_calendar_page(table, longest_day_h=10.0, **HEAD)).text
    assert "Thu 2027-03-04" in text
    assert all(firing in text for firing in table["firing"])
    assert "inert gas until it is cold" in text
    _, plain = calendar()
    assert "2027" not in Page(render_calendar_page(plain, longest_day_h=10.0, **HEAD)).text


def test_a_firing_without_a_temperature_is_named_rather_than_waited_for():
    design, table = calendar()
    open_ = design["firing"] == table["firing"].iloc[2]
    with pytest.raises(ValueError, match=f": {table['firing'].iloc[2]}\\."):
        calendar(design.assign(peak_temperature_C=design["peak_temperature_C"].where(~open_)))


def test_nothing_planned_gives_pages_that_say_so():
    made = make_plan([], plan=PLAN, kiln=KILN, seed=1)
    empty = shopping_list(made.lots, made.cells, feedstocks=[], plan=CELLS, prices=PRICES)
    table = calendar_of_firings(made.design, plan=DAYS, kiln=KILN)
    assert len(empty) == len(table) == 0
    for page in (
        render_shopping_page(empty, currency="crowns", **HEAD),
        render_calendar_page(table, longest_day_h=10.0, **HEAD),
    ):
        assert "Nothing is planned yet." in Page(page).text
