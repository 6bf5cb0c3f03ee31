"""Run sheets: what stands on them, which cautions, and that names cannot break the page."""

import re
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest
from charscreen.cautions import FOOTER, KOH_QUESTIONS, all_cautions, cautions_for
from charscreen.plan import make_plan
from charscreen.plan.run_sheets import firings_of, render_run_sheet, render_run_sheets

ROOT = Path(__file__).parents[2]
TEMPLATE = (ROOT / "workflow/templates/run_sheet.html.jinja").read_text(encoding="utf-8")
KILN = {
    "crucibles": 4,
    "crucible_volume_mL": 250,
    "max_temperature_C": 1000,
    "ramp_C_per_min": 2,
    "cooling_h": 8,
    "power_kW": 3,
}
PLAN = {
    "feedstocks": "all",
    "peak_temperature_C": [620],
    "hold_min": [60],
    "activation": ["none", "KOH"],
    "koh_ratio": 3,
    "activation_temperature_C": 700,
    "activation_hold_min": 45,
    "replicates": 1,
    "firings": None,
    "reference": "husk",
    "reference_every": 1,
    "wanted_carbon_g": 1.0,
    "short_chance_percent": 10,
    "expected_char_yield_d_percent": 28,
    "char_yield_spread_percent": 20,
    "expected_activation_yield_percent": 20,
    "activation_yield_spread_percent": 25,
    "max_koh_g": 40,
}
FEEDS = pd.DataFrame(
    {
        "feedstock": ["husk", "grain", "peel"],
        "name": ["Rice <b>husk</b>", "Grain & bran", "Peel"],
        "moisture_ar_percent": [10.0, 20.0, 30.0],
        "nitrogen_d_percent": [0.5, 3.8, None],
    }
)
VOID = {"meta", "br", "col", "link", "img", "hr", "input"}


def sheets(feeds=FEEDS, *, invented=False, kiln=KILN, **plan):
    made = make_plan(feeds, plan=PLAN | plan, kiln=kiln, seed=3)
    return made, render_run_sheets(
        made.design,
        made.lots,
        feedstocks=feeds,
        kiln=kiln,
        title="Test <screen>",
        template=TEMPLATE,
        data_are_invented=invented,
    )


class Page(HTMLParser):
    """Checks that tags nest; keeps the text."""

    def __init__(self, html):
        super().__init__()
        self.open, self.words, self.cells = [], [], {}
        self.feed(html)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.cells[tag] = self.cells.get(tag, 0) + 1
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words))


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
        limits={"koh_warning_C": 550.0},
    )
    assert "Metallic potassium" in html


def test_nitrogen_rich_feed_with_koh_is_named():
    _, pages = sheets()
    text = Page(pages["A01"]).text
    assert "Grain & bran: more than 2 % nitrogen" in text
    assert "Cyanide" not in Page(pages["F01"]).text


@pytest.mark.parametrize("invented", [False, True])
def test_invented_data_are_called_so(invented):
    _, pages = sheets(invented=invented)
    for html in pages.values():
        assert ("Invented data" in html) == invented


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
            made.design, made.lots, feedstocks=[], kiln=KILN, title="x", template=TEMPLATE
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
