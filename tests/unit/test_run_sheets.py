"""Run sheets: what stands on them, which cautions, and that names cannot break the page."""

import re

import pytest
from charscreen.cautions import FOOTER, KOH_QUESTIONS, all_cautions, cautions_for
from charscreen.plan import make_plan
from charscreen.plan.feed import LEAST_FEED
from charscreen.plan.run_sheets import firings_of, render_run_sheet, render_run_sheets
from plan_case import FEEDS, KILN, PLAN, ROOT, STYLE, Page

TEMPLATE = (ROOT / "workflow/templates/run_sheet.html.jinja").read_text(encoding="utf-8")


def sheets(feeds=FEEDS, *, data_are_invented=False, kiln=KILN, **plan):
    made = make_plan(feeds, plan=PLAN | plan, kiln=kiln, seed=3)
    return made, render_run_sheets(
        made.design,
        made.lots,
        feedstocks=feeds,
        kiln=kiln,
        title="Test <screen>",
        template=TEMPLATE,
        style=STYLE,
        data_are_invented=data_are_invented,
    )


def test_one_page_for_each_firing_of_either_kind():
    made, pages = sheets()
    assert list(pages) == [name for name, _ in firings_of(made.design)]
    assert set(pages) == set(made.design["firing"]) | set(made.design["activation_firing"].dropna())
    for html in pages.values():
        Page(html)


def test_char_sheet_says_what_to_weigh_and_where():
    made, pages = sheets()
    here = made.design[made.design["firing"] == "F01"]
    text = Page(pages["F01"]).text
    assert "Char firing F01" in text
    assert "620 °C" in text
    assert "60 min" in text
    assert "5 h 00 min" in text
    for run, feed in zip(here["run"], here["feed_ar_g"], strict=True):
        # Once on the map, once in the table, its feed beside it.
        assert text.count(run) == 2
        assert f"{feed:#.3g}".rstrip(".") in text
    assert "reference lot" in text
    for column in ("feed_ar_g", "feed_dry_g", "char_g"):
        assert column in text


def test_activation_sheet_asks_before_koh_at_heat():
    made, pages = sheets()
    text = Page(pages["A01"]).text
    for question in KOH_QUESTIONS:
        assert question in text
    assert "One no: do not start this firing." in text
    assert "700 °C" in text
    assert "45 min" in text
    assert "Metallic potassium" in text
    runs = made.design.loc[made.design["activation_firing"] == "A01", "run"]
    assert all(run in text for run in runs)
    assert "koh_g" in text


def test_activation_sheet_says_how_much_metal_and_gas_its_koh_can_make():
    made, pages = sheets()
    text = Page(pages["A01"]).text
    runs = made.design.loc[made.design["activation_firing"] == "A01", "run"]
    koh = made.lots.loc[made.lots["run"].isin(runs), "koh_g"].sum()
    # 0.2323 g of potassium and 0.2144 L of hydrogen per gram (Lillo-Ródenas et al. 2003).
    assert f"can make up to about {0.2323 * koh:.2g} g of it" in text
    assert f"up to about {0.2144 * koh:.2g} L (20 °C) here" in text
    assert "÷" not in text
    half = render_run_sheet(
        "A01",
        kind="activate",
        design=made.design,
        lots=made.lots,
        feedstocks=FEEDS,
        kiln=KILN,
        title="x",
        template=TEMPLATE,
        style=STYLE,
        koh_purity_percent=50.0,
    )
    assert f"can make up to about {0.2323 * koh / 2:.2g} g of it" in half
    assert "÷ 0.5 (pellets)" in half


def test_cooler_koh_is_not_asked_but_still_cautioned():
    _, pages = sheets(activation_temperature_C=600)
    text = Page(pages["A01"]).text
    assert KOH_QUESTIONS[0] not in text
    assert "Metallic potassium" not in text
    assert "KOH burns skin and eyes" in text


def test_a_limit_of_the_users_own_moves_the_questions():
    made, _ = sheets(activation_temperature_C=600)
    html = render_run_sheet(
        "A01",
        kind="activate",
        design=made.design,
        lots=made.lots,
        feedstocks=FEEDS,
        kiln=KILN,
        title="x",
        template=TEMPLATE,
        style=STYLE,
        limits={"koh_warning_C": 550.0},
    )
    assert "Metallic potassium" in html


def test_nitrogen_rich_feed_with_koh_is_named():
    _, pages = sheets()
    text = Page(pages["A01"]).text
    assert "Grain & bran: more than 2 % nitrogen" in text
    assert "Cyanide" not in Page(pages["F01"]).text


def test_cyanide_test_has_its_box_before_the_wash_where_the_caution_stands():
    box = "Grain & bran: product tested for cyanide before any acid touched it"
    _, pages = sheets()
    text = Page(pages["A01"]).text
    assert text.index(box) < text.index("Washed until the water is neutral")
    assert "Test for cyanide before any acid touches the product" in text
    _, pages = sheets(FEEDS.assign(nitrogen_d_percent=[0.5, 1.9, None]))
    assert not any("cyanide" in Page(html).text.casefold() for html in pages.values())


def test_char_sheet_has_room_for_the_empty_crucible_it_asks_to_weigh():
    made, pages = sheets()
    html = pages["F01"]
    assert "empty crucibles weighed" in html
    assert "empty crucible [g]" in html
    lots = int((made.design["firing"] == "F01").sum())
    table = html[html.index('<table class="lots">') :]
    # Empty crucible, feed, dry feed and char are written by hand.
    assert table[: table.index("</table>")].count('class="blank"') == 4 * lots


def test_remarks_of_a_lot_tell_its_size_drying_and_what_limits_it():
    made, _ = sheets()
    design, lots = made.design.copy(), made.lots.copy()
    first, second = design.index[design["firing"] == "F01"][:2]
    size = {"particle_size_mm": 2.0, "drying_C": 105.0}
    for table in (design, lots):
        of_first = table["run"] == design.loc[first, "run"]
        for name, value in size.items():
            table.loc[of_first, name] = value
    of_second = lots["run"] == design.loc[second, "run"]
    given = {"feedstocks": FEEDS, "kiln": KILN, "title": "T", "template": TEMPLATE,
             "style": STYLE}  # fmt: skip
    cases = (("crucible", "feed limited by crucible"), (LEAST_FEED, "feed raised to the "))
    for why, words in cases:
        lots.loc[of_second, "limited_by"] = why
        html = render_run_sheet("F01", kind="carbonise", design=design, lots=lots, **given)
        text = Page(html).text
        assert words in text
        assert "ground to 2 mm" in text
        assert "dried at 105 °C" in text


@pytest.mark.parametrize("data_are_invented", [False, True])
def test_invented_data_are_called_so(data_are_invented):
    _, pages = sheets(data_are_invented=data_are_invented)
    for html in pages.values():
        assert ("Invented data" in html) == data_are_invented


def test_names_are_escaped():
    _, pages = sheets()
    everything = "".join(pages.values())
    assert "<b>husk</b>" not in everything
    assert "Rice &lt;b&gt;husk&lt;/b&gt;" in everything
    assert "Test &lt;screen&gt;" in everything


def test_every_sheet_ends_in_the_same_words_and_nothing_is_called_safe():
    _, pages = sheets()
    for html in pages.values():
        text = Page(html).text
        assert text.rstrip().endswith(FOOTER)
        assert not re.search(r"\b(safe|safely|harmless|no risk)\b", text, re.IGNORECASE)


def test_sheets_read_back_from_the_written_tables_are_the_same(tmp_path):
    from charscreen.files import read_csv, write_csv

    made, pages = sheets()
    write_csv(made.design, tmp_path / "design.csv")
    write_csv(made.lots, tmp_path / "lots.csv")
    again = render_run_sheets(
        read_csv(tmp_path / "design.csv"),
        read_csv(tmp_path / "lots.csv"),
        feedstocks=FEEDS,
        kiln=KILN,
        title="Test <screen>",
        template=TEMPLATE,
        style=STYLE,
    )
    assert again == pages


def test_a_feed_without_moisture_leaves_the_mass_empty_not_nan():
    _, pages = sheets(FEEDS.assign(moisture_ar_percent=[10.0, None, 30.0]))
    assert not any(re.search(r"\bnan\b|None", Page(html).text) for html in pages.values())


def test_one_crucible_and_many():
    single = {**KILN, "crucibles": 1}
    _, pages = sheets(kiln=single, reference=None, activation=["none"])
    assert len(pages) == 3
    many = {**KILN, "crucibles": 24}
    _, pages = sheets(kiln=many)
    assert pages["F01"].count('class="place free"') == 24 - 6


def test_nothing_planned_gives_no_sheet():
    made = make_plan([], plan=PLAN, kiln=KILN, seed=1)
    assert (
        render_run_sheets(
            made.design,
            made.lots,
            feedstocks=[],
            kiln=KILN,
            title="x",
            template=TEMPLATE,
            style=STYLE,
        )
        == {}
    )


def test_unknown_firing_or_kind():
    made, _ = sheets()
    settings = dict(
        design=made.design,
        lots=made.lots,
        feedstocks=FEEDS,
        kiln=KILN,
        title="x",
        template=TEMPLATE,
        style=STYLE,
    )
    with pytest.raises(ValueError, match="no lots in firing 'F99'"):
        render_run_sheet("F99", kind="carbonise", **settings)
    with pytest.raises(ValueError, match="neither carbonise nor activate"):
        render_run_sheet("F01", kind="bake", **settings)


def test_cautions_follow_the_work():
    def keys(**work):
        return [caution.key for caution in cautions_for(**work)]

    assert keys() == []
    assert keys(carbonise=True) == ["smoke", "kiln", "self_heating", "dust"]
    assert keys(handling=True) == ["dust"]
    assert keys(activate=True, activation_temperature_C=650.0)[0] == "potassium"
    assert "potassium" not in keys(activate=True, activation_temperature_C=649.0)
    # A temperature that is not stated counts as hot.
    assert keys(activate=True)[0] == "potassium"
    assert "cyanide" in keys(activate=True, nitrogen_rich=["grain"])
    assert keys(cells=True) == ["acids", "cells"]


def test_cells_above_the_limit_are_named():
    (text,) = [c.text for c in cautions_for(cells=True, upper_voltage_V=1.4) if c.key == "cells"]
    assert "charged to 1.4 V" in text
    (text,) = [c.text for c in cautions_for(cells=True, upper_voltage_V=1.0) if c.key == "cells"]
    assert "A cell here" not in text


def test_no_caution_calls_anything_safe_and_all_are_listed():
    texts = [f"{caution.title} {caution.text}" for caution in all_cautions()]
    assert len({caution.key for caution in all_cautions()}) == len(texts) == 10
    for text in texts:
        assert not re.search(r"\bsafe", text, re.IGNORECASE)
