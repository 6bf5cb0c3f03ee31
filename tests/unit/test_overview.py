"""The overview of a plan: every firing, feed to get, warnings, and an empty plan."""

import re
from xml.etree import ElementTree

import pytest
from charscreen.cautions import FOOTER
from charscreen.plan import NOTHING_YET, make_plan
from charscreen.plan.overview import render_overview
from charscreen.plan.picture import layout_pictures
from plan_case import FEEDS, KILN, PLAN, ROOT, STYLE, Page

TEMPLATE = (ROOT / "workflow/templates/plan_overview.html.jinja").read_text(encoding="utf-8")


def overview(feeds=FEEDS, *, data_are_invented=False, **plan):
    rows = feeds.to_dict("records") if len(feeds) else []
    made = make_plan(rows, plan=PLAN | plan, kiln=KILN, seed=3)
    page = render_overview(
        made.summary,
        made.design,
        made.lots,
        feedstocks=rows,
        kiln=KILN,
        title="Test <screen>",
        template=TEMPLATE,
        style=STYLE,
        data_are_invented=data_are_invented,
    )
    return made, page


def test_every_firing_and_lot_is_on_it_with_a_link_to_its_sheet():
    made, page = overview()
    text = Page(page).text
    firings = set(made.design["firing"]) | set(made.design["activation_firing"].dropna())
    for firing in firings:
        assert f'href="run_sheets/{firing}.html"' in page
    activated = set(made.design.loc[made.design["activation"] == "KOH", "run"])
    for run in made.design["run"]:
        assert len(re.findall(rf"\b{run}\b", text)) == 2 + (
            run in activated
        )  # picture, list, then KOH
    # (620 - 20)/2 min up, 60 min hold, 8 h cooling.
    assert "14.0" in text
    assert f"{made.summary['kiln_hours']:g} h" in text


def test_warnings_and_what_the_plan_cannot_tell_are_on_it():
    made, page = overview()
    text = Page(page).text
    assert made.summary["warnings"]
    assert made.summary["cannot_tell"]
    for sentence in made.summary["warnings"] + made.summary["cannot_tell"]:
        assert sentence in text
    calm, page = overview(activation=["none"], firings=6)
    assert calm.summary["warnings"] == calm.summary["cannot_tell"] == []
    assert "None of the warnings the planner knows" in page
    assert "None of the gaps the planner looks for" in page


def test_the_cautions_that_apply_stand_above_the_sentence_that_they_are_not_all():
    text = Page(overview()[1]).text
    assert "Cautions" in text
    assert text.index("Metallic potassium") < text.index(FOOTER)
    assert "Grain & bran: more than 2 % nitrogen in the dry feed." in text
    plain = Page(overview(activation=["none"])[1]).text
    assert "Carbon monoxide" in plain
    assert "Fresh char heats itself" in plain
    assert "potassium" not in plain
    assert "KOH" not in plain.partition("Cautions")[2]
    cool = Page(overview(activation_temperature_C=600)[1]).text
    assert "Metallic potassium" not in cool
    assert "KOH burns skin" in cool


def test_warnings_name_feeds_as_the_page_does():
    made, page = overview(FEEDS.assign(stock_kg=[0.001, None, None]))
    assert any(text.startswith("Rice <b>husk</b>: ") for text in made.summary["warnings"])
    assert "husk: " not in Page(page).text.replace("</b>: ", "")


def test_feed_to_get_is_what_is_needed_less_what_is_there():
    feeds = FEEDS.assign(stock_kg=[10.0, 0.001, None])
    made, page = overview(feeds, activation=["none"])
    need = made.lots.groupby("feedstock")["feed_ar_g"].sum() / 1000
    rows = re.findall(r"<tr><td>(.*?)</td>(.*?)</tr>", page)
    cells = {
        name: re.findall(r">([^<]*)</td>", rest)
        for name, rest in rows
        if "bran" in name or name.startswith(("Rice", "Peel"))
    }
    husk, grain, peel = (cells[name] for name in sorted(cells, key=lambda n: "RGP".index(n[0])))
    assert (husk[2], husk[3]) == ("10", "0")
    assert 0 <= float(grain[3]) - (need["grain"] - 0.001) < 0.001
    assert (peel[2], peel[3]) == ("", peel[1])
    assert 0 <= float(peel[1]) - need["peel"] < 0.001


def test_lots_at_each_temperature_are_counted():
    made, page = overview(peak_temperature_C=[600, 700], firings=4, reference_every=1)
    assert "600 °C" in page
    counts = made.design.groupby(["feedstock", "peak_temperature_C"]).size()
    row = re.search(r"<tr><td>Peel</td>(.*?)</tr>", page)[1]
    shown = re.findall(r">([^<]*)</td>", row)[:2]
    assert [int(n or 0) for n in shown] == [counts.get(("peel", t), 0) for t in (600.0, 700.0)]


def test_feed_without_moisture_says_so():
    _, page = overview(FEEDS.assign(moisture_ar_percent=[10.0, None, 30.0]))
    text = Page(page).text
    assert "moisture not known" in text
    assert not re.search(r"\bnan\b|None\b(?! of)", text)


@pytest.mark.parametrize("data_are_invented", [False, True])
def test_names_are_escaped_and_invented_data_are_called_so(data_are_invented):
    _, page = overview(data_are_invented=data_are_invented)
    assert "Rice &lt;b&gt;husk&lt;/b&gt;" in page
    assert "<b>husk</b>" not in page
    assert ("Invented data" in page) == data_are_invented
    text = Page(page).text
    assert text.rstrip().endswith(FOOTER)
    assert not re.search(r"\b(safe|safely|harmless|no risk)\b", text, re.IGNORECASE)


def test_an_empty_plan_says_what_is_missing():
    made, page = overview(FEEDS.iloc[:0])
    assert made.summary["message"] == NOTHING_YET
    text = Page(page).text
    assert "Nothing to plan yet: feedstocks.csv has no rows." in text
    assert "Firings" not in text
    assert "not complete" not in text


def test_picture_shows_every_lot_in_its_crucible_in_words_too():
    made = make_plan(FEEDS, plan=PLAN, kiln=KILN, seed=3)
    known = {row["feedstock"]: row for row in FEEDS.to_dict("records")}
    (picture,) = layout_pictures(made.design, known, crucibles=KILN["crucibles"])
    root = ElementTree.fromstring(picture)
    space = "{http://www.w3.org/2000/svg}"
    places = list(root.iter(f"{space}rect"))
    words = [text.text for text in root.iter(f"{space}text")]
    n_firings = made.design["firing"].nunique()
    assert len(places) == n_firings * KILN["crucibles"]
    empty = n_firings * KILN["crucibles"] - len(made.design)
    assert words.count("–") == empty
    grey = sum(place.get("fill") == "#ddd" for place in places)
    activated = made.design["activation"] == "KOH"
    assert grey == activated.sum()
    assert sum(" KOH A" in word for word in words) == grey
    thick = sum(place.get("stroke-width") == "2.5" for place in places)
    assert thick == sum(word.endswith("ref.") for word in words)
    assert thick == (made.design["role"] == "reference").sum()
    # Of a lot in crucible 3 the name stands in the third column.
    first = made.design.iloc[0]
    step = (1000 - 110) / KILN["crucibles"]
    middle = 110 + (int(first["crucible"]) - 0.5) * step
    there = [t.get("x") for t in root.iter(f"{space}text") if t.text.startswith(first["run"])]
    assert there == [f"{middle:.1f}"]


def test_many_firings_make_several_pictures():
    made = make_plan(FEEDS, plan=PLAN | {"replicates": 14, "kind": "balanced"}, kiln=KILN, seed=3)
    n = made.design["firing"].nunique()
    assert len(layout_pictures(made.design, {}, crucibles=4)) == -(-n // 18) > 1
