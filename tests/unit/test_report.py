import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
import report_case as case
from charscreen import plots
from charscreen.plots.figures import draw_figures
from charscreen.report.headline import answer, by_other_merits
from charscreen.report.methods import methods
from charscreen.report.page import TEMPLATES, render_report, tidy
from charscreen.report.ranking_tables import RANKING_TOP
from charscreen.report.tables import findings_tables, spread_table
from charscreen.report.text import scatter_sentences

HOSTILE = "<script>alert(1)</script>"
VOID = {"meta", "br", "hr", "img", "link", "input"}


class Page(HTMLParser):
    """What a browser would find: tags, attributes, text, and whether all tags close."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.attributes, self.text, self.open = [], [], [], []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.text.append(data)

    def values(self, name):
        return [value for _, key, value in self.attributes if key == name]

    @property
    def words(self):
        return re.sub(r"\s+", " ", " ".join(self.text))


def render_words(inputs, config=case.CONFIG):
    """The page without its pictures, which take most of the time."""
    return render_report(inputs, config=config, figures={})


def render(inputs, config=case.CONFIG):
    figures = draw_figures(
        inputs,
        merits=config["merits"],
        data_are_invented=config["data_are_invented"],
        names=inputs.get("feedstock_names"),
    )
    svgs = {name: plots.as_svg(figure) for name, figure in figures.items()}
    return render_report(inputs, config=config, figures=svgs)


@pytest.fixture(scope="module")
def full_html():
    return render(case.full_inputs())


@pytest.fixture(scope="module")
def empty_html():
    return render(case.empty_inputs())


def check_form(html):
    """Rules that hold for every page; gives the parsed page."""
    page = Page(html)
    assert page.open == []
    ids = page.values("id")
    assert len(ids) == len(set(ids))
    links = [value for tag, name, value in page.attributes if name in ("href", "xlink:href")]
    assert links
    # Crowds of points are pictures within a figure; nothing else comes from elsewhere.
    pictures = [link for link in links if link.startswith("data:image/png;base64,")]
    assert all(link.startswith("#") and link[1:] in ids for link in links if link not in pictures)
    assert not page.values("src")
    assert page.tags.count("script") == 1
    assert "link" not in page.tags
    assert not re.search(r"https?://|@import|url\((?!#)", html)
    assert not [name for _, name, _ in page.attributes if name.startswith("on")]
    labels = [value for name in ("aria-labelledby",) for value in page.values(name)]
    assert all(label in ids for label in labels)
    for landmark in ("header", "nav", "main", "footer"):
        assert page.tags.count(landmark) == 1
    assert page.tags.count("h1") == 1
    return page


def test_full_page(full_html):
    page = check_form(full_html)
    titles = ["Answer", "What was screened", "Ranking", "What cannot be told apart"]
    titles += ["What to run next", "Yields", "Capacitances", "Response to temperature and hold"]
    titles += ["Where the scatter comes from", "Model checks"]
    titles += ["Findings, and what was left out", "Columns not used", "Methods", "Provenance"]
    titles += ["Cautions", "Appendix: traces of every cell"]
    headings = re.findall(r'<h2 id="[\w-]+-title"><span.*?</span> (.*?)</h2>', full_html)
    assert headings == titles
    # Every picture is read out, every table says which file it comes from.
    pictures = [value for tag, name, value in page.attributes if (tag, name) == ("svg", "role")]
    labels = [value for tag, name, value in page.attributes if (tag, name) == ("svg", "aria-label")]
    assert len(pictures) == len(labels) == 8
    assert all(len(label) > 30 for label in labels)
    for file in ("rank/ranking.csv", "fit/char_yield_means.csv", "fit/capacitance_effects.csv"):
        assert f"results/{file}" in page.words
    assert len(full_html.encode()) < 2_000_000


def test_scrolling_parts_can_be_reached_by_keyboard(full_html):
    page = Page(full_html)
    scrolling = [v for v in page.values("class") if v and "scroll" in v.split()]
    assert len(scrolling) == page.values("tabindex").count("0") > 5


def test_same_inputs_give_the_same_bytes(full_html):
    assert render(case.full_inputs()) == full_html


def test_page_has_no_date(full_html):
    assert not re.search(r"\b20\d\d-\d\d-\d\d\b", full_html)


def test_invented_data_are_marked_and_measured_are_not(full_html):
    assert "Invented data." in Page(full_html).words
    measured = render(case.full_inputs(), case.CONFIG | {"data_are_invented": False})
    assert "nvented" not in Page(measured).words
    assert "Invented data" not in measured


def test_nothing_measured_still_gives_a_full_page(empty_html):
    words = check_form(empty_html).words
    assert "Nothing has been measured yet, so there is no ranking." in words
    assert "No feedstock is named in config/feedstocks.csv" in words
    for file in ("masses.csv", "cells.csv", "tests.csv"):
        assert f"config/{file}" in words
    assert not re.search(r"\b(nan|None)\b", words)
    assert "svg" not in Page(empty_html).tags
    # Cautions stand on every page, and none says that a step is safe.
    assert "Carbon monoxide" in words


def test_half_a_screen_reports_on_that_half():
    inputs = case.empty_inputs()
    inputs["yields"] = case.make_yields(["husk", "shell"])
    inputs["rank_summary"]["missing"] = ["No candidate is ranked by electrode capacitance: none."]
    inputs["models"]["char_yield"] = case.make_model(inputs["yields"])
    words = check_form(render_words(inputs)).words
    assert "8 lots have a char yield and 0 cells have a capacitance" in words
    assert "Estimated means of char yield" in words
    assert "No cell has a capacitance yet" in words
    assert "Measured activation yield, without a model" in words
    assert "No candidate is ranked by electrode capacitance: none." in words


def test_hostile_names_are_inert_and_legible():
    inputs = case.full_inputs(["husk", "shell"])
    long = "é \"quoted\" & 'x' العربية " + "z" * 300
    inputs["feedstock_names"] = {"husk": HOSTILE, "shell": long}
    for name in ("yields", "cells", "ranking"):
        inputs[name]["firing" if name != "ranking" else "basis"] = HOSTILE
    inputs["findings"] = pd.DataFrame(
        [["masses", 4, HOSTILE, "=cmd|' /C calc'!A0", "questions", HOSTILE, HOSTILE]],
        columns=inputs["findings"].columns,
    )
    inputs["left_out"] = pd.DataFrame(
        [[HOSTILE, 4, "../../x", HOSTILE]], columns=inputs["left_out"].columns
    )
    inputs["unused"] = [HOSTILE]
    inputs["provenance"]["inputs"] = [(HOSTILE, HOSTILE)]
    inputs["models"]["char_yield"]["json"]["flags"] = [HOSTILE]
    inputs["models"]["activation_yield"]["json"]["reason"] = HOSTILE
    inputs["models"]["capacitance"]["residuals"]["firing"] = HOSTILE
    config = case.CONFIG | {"title": HOSTILE, "question": f"{HOSTILE} {{{{ 7*7 }}}}"}
    html = render(inputs, config)
    page = check_form(html)
    assert HOSTILE in page.words
    assert long in page.words
    assert "{{ 7*7 }}" in page.words
    assert re.findall(r"<script\b[^>]*>", html) == ["<script>"]


def test_answer_names_the_best_how_sure_and_what_next():
    first, second, third = answer(case.full_inputs(), case.CONFIG)
    assert first == (
        "By electrode capacitance, the best of 12 candidates is husk, 600 °C, 60 min, not "
        "activated, with 200 F/g (90 % interval 188 to 214 F/g); the chance that it really is "
        "the best of them is 60 %."
    )
    assert second.startswith("It cannot be told apart from husk, 600 °C, 60 min, KOH 3 : 1; and ")
    assert second.endswith("the chance that the best is among these 3 is 91 %.")
    # Variance 0.01 of firings over 1 firing against 0.0025 of cells over 4 cells: 94 %.
    assert third == (
        "The first place rests on 1 firing, 2 lots and 4 cells; to tell the leading candidates "
        "apart, fire them again in new firings: 94 % of the scatter left in the mean of the "
        "first one comes from firings and lots, where more cells do not help."
    )


def test_advice_follows_the_scatter():
    inputs = case.full_inputs()
    variance = inputs["models"]["capacitance"]["variance"]
    variance.loc[variance["level"] == "cell", "variance"] = 0.2
    assert "make more cells from the lots there are" in answer(inputs, case.CONFIG)[2]
    inputs["models"]["capacitance"]["variance"] = variance.iloc[:0]
    assert "repeat each of them in a new firing" in answer(inputs, case.CONFIG)[2]


def test_a_likelier_candidate_with_a_lower_estimate_is_named():
    inputs = case.full_inputs()
    inputs["ranking"].loc[1, "p_best"] = 0.7
    assert "60 % (husk, 600 °C, 60 min, KOH 3 : 1: 70 %)." in answer(inputs, case.CONFIG)[0]


def test_a_clear_winner_on_one_firing_is_to_be_repeated():
    inputs = case.full_inputs()
    inputs["ranking"].loc[1:2, "group"] = None
    _, second, third = answer(inputs, case.CONFIG)
    assert second.startswith("It can be told apart from all the others; next comes husk")
    assert third.endswith("so repeat it in a new firing before building on it.")


def test_one_candidate_is_not_called_the_best():
    inputs = case.full_inputs()
    inputs["ranking"] = inputs["ranking"].iloc[:1]
    first, second, _ = answer(inputs, case.CONFIG)
    assert "is the only candidate with electrode capacitance: 200 F/g" in first
    assert second == "There is nothing to compare it with."
    check_form(render_words(inputs))


def test_second_merit_has_a_sentence_of_its_own():
    (sentence,) = by_other_merits(case.full_inputs(), case.CONFIG)
    assert sentence.startswith("By device farads per kg dry feed, husk, 600 °C, 60 min")
    assert "2 others cannot be told apart from it." in sentence


def test_scatter_sentence_counts_only_scatter():
    (sentence, _) = scatter_sentences(case.full_inputs()["models"])
    assert sentence == (
        "Char yield (dry basis): 80 % of the scatter (as variance) lies between char firings; "
        "standard deviation 10.4 %, 5.2 to 21.0 %."
    )


def test_ranking_table_is_cut_and_counted():
    inputs = case.full_inputs([f"waste_{k}" for k in range(60)])
    html = render(inputs)
    assert f"the best {RANKING_TOP} of 240 candidates" in check_form(html).words
    assert len(html.encode()) < 2_000_000


def test_numbers_carry_the_digits_of_their_uncertainty(full_html):
    rows = re.findall(r"<tr>(.*?)</tr>", full_html, flags=re.DOTALL)
    first = next(row for row in rows if "husk, 600" in row)
    cells = [re.sub(r"<[^>]*>", "", cell) for cell in re.findall(r"<td.*?</td>", first)]
    assert cells[2:4] == ["200", "188 to 214"]
    # The classes set numbers to the right.
    assert first.count('class="n"') == 7


def test_findings_are_grouped_with_table_row_and_column():
    findings = pd.DataFrame(
        [
            ["masses", 6, "char_g", "63.2", "leaves out", "too heavy.", None],
            ["cells", 31, "electrode_1_mg", "0.8", "questions", "Thin.", None],
            ["tests", np.nan, "trace", "a.csv", "questions", "Drops.", "known clip"],
        ],
        columns=["table", "row", "column", "value", "severity", "message", "accepted"],
    )
    tables = findings_tables(findings, file="f.csv")
    assert [table.id for table in tables] == [
        "table-findings-left-out",
        "table-findings-open",
        "table-findings-accepted",
    ]
    assert tables[0].rows == [["masses", "6", "char_g", "63.2", "Too heavy."]]
    assert tables[2].rows == [["tests", "", "trace", "a.csv", "Drops.", "known clip"]]


def test_spread_table_of_one_value_has_no_spread():
    frame = pd.DataFrame({"feedstock": ["a"], "activation": ["none"], "v": [12.3456]})
    table = spread_table(frame, "v", id="t", caption="c", unit="%", file="f", names=None)
    assert table.rows == [["a", "not activated", "12.3", "", "1"]]


def test_methods_say_what_was_done(full_html):
    words = Page(full_html).words.replace("\N{NO-BREAK SPACE}", " ")
    assert "Linear mixed model of the logit of yield_char_d_percent, n = 12" in words
    assert "4000 posterior draws" in words
    assert "Not in the model: hold, it did not vary (60 min)." in words
    assert "24 tests were evaluated (farads typed in by the user: 24)." in words
    assert "Electrode capacitance is C (1/m₁ + 1/m₂)" in words
    assert "IEC 62391-1" in words


def test_methods_leave_out_what_was_not_done(empty_html):
    words = Page(empty_html).words
    assert "IEC 62391-1" not in words
    assert "Kenward" not in words


def test_methods_follow_the_ledger_the_models_and_the_ranking():
    inputs = case.full_inputs()
    yields = inputs["yields"]
    more = {"uncertainty_from": "propagation", "koh_potassium_g": np.nan}
    inputs["yields"] = yields.assign(**more, fixed_carbon_yield_percent=20.0)
    inputs["yields"].loc[:1, ["uncertainty_from", "koh_potassium_g"]] = ["Monte Carlo", 0.5]
    inputs["yields"].loc[0, "dry_matter_from"] = "aliquot"
    inputs["cells"] = inputs["cells"].assign(uncertainty_by="Monte Carlo")
    record = inputs["models"]["capacitance"]["json"]
    record |= {"formula": "log_F ~ feedstock", "feedstocks": ["a", "b", "c"], "scale": "log"}
    record["posterior"]["pareto_k"] = 0.312
    inputs["rank_summary"] |= {
        "predicted": True,
        "n_draws": 3000,
        "limits": {"words": "ESR area of at most 5 Ω cm²", "probability": 0.5},
        "residual_correlation": {"n_lots": 9, "r": -0.21, "lo": -0.6, "hi": 0.3},
        "response": "drawn",
    }
    paragraphs, sources = methods(inputs, case.CONFIG)
    said = dict(paragraphs)
    ledger = said["Masses and yields"]
    assert "For 2 lots a mass is near the resolution of the balance" in ledger
    assert "6 KOH + 2 C → 2 K + 3 H2 + 2 K2CO3" in ledger
    assert "weighed dry for 11 lots; from the moisture of an aliquot for 1 lot." in ledger
    assert "For 12 lots the ash of the char was not measured" in ledger
    model = said["Model of electrode capacitance"]
    assert "of the logarithm of" in model
    assert "2 firings, 3 feedstocks" in model
    assert "Pareto k 0.31" in model
    assert model.endswith("Formula with feedstock fixed: log_F ~ feedstock.")
    ranking = said["Ranking"]
    assert "the other 3000 give all figures" in ranking
    assert "it meets ESR area of at most 5 Ω cm² is under 50 %" in ranking
    assert "Over 9 lots that have both" in ranking
    assert "the device figures are less sure than their intervals say" in ranking
    inputs["rank_summary"]["response"] = "joint"
    joint = dict(methods(inputs, case.CONFIG)[0])["Ranking"]
    assert "the response of their own has it in it" in joint
    cited = " ".join(sources)
    for work in ("JCGM 101", "Carbon 41, 267", "Antal", "clause 7."):
        assert work in cited


def test_methods_of_little_say_little():
    """A table of few columns, a record of few facts: nothing is said of what is not there."""
    inputs = case.full_inputs()
    inputs["yields"] = inputs["yields"][["run", "feedstock"]]
    inputs["test_results"].loc[0, "method"] = "open_circuit"
    record = {"fitted": True, "random": [], "unit": "lot", "n": 5, "response": "y", "terms": []}
    inputs["models"] = {"char_yield": {"json": record}}
    inputs["ranking"] = inputs["ranking"].iloc[:0]
    paragraphs, sources = methods(inputs, case.CONFIG)
    said = dict(paragraphs)
    assert "Dry matter" not in said["Masses and yields"]
    assert "ash of the char" not in said["Masses and yields"]
    model = next(text for title, text in paragraphs if title.startswith("Model of"))
    assert model == (
        "Linear mixed model of the value of y, n = 5. Random levels: lot (the residual). Terms "
        "beside feedstock: none."
    )
    assert "Ranking" not in said
    assert "All models" not in said
    assert any("Hurvich" in work for work in sources)


def test_checks_alternatives_effort_and_open_questions_are_shown():
    inputs = case.full_inputs()
    model = inputs["models"]["capacitance"]
    model["checks"] = pd.DataFrame(
        [["trend over the firings", 0.12, np.nan, np.nan, 0.5, "no sign of trouble"]],
        columns=["words", "estimate", "lo", "hi", "p", "verdict"],
    )
    model["alternatives"] = pd.DataFrame(
        {"words": ["the chosen terms", "without hold"], "n_parameters": [9, 8],
         "delta_aicc": [0.0, 2.5], "error_percent": [11.0, 12.0]}
    )  # fmt: skip
    model["effort"] = pd.DataFrame(
        [["feedstocks", 1, 6, 1.2, "no"], ["feedstocks", 2, 6, 1.0, "yes"]],
        columns=["question", "cells_per_lot", "lots_per_firing", "relative_cost", "best"],
    )
    clean = inputs["models"]["char_yield"]["json"]
    clean |= {"flags": [], "forbids": [], "dropped": []}
    inputs["models"]["char_yield"]["effects"] = None
    inputs["ranking"]["group"] = None
    inputs["findings"] = pd.DataFrame(
        [["masses", 2, "char_g", "31", "questions", "Is it dry?", None],
         ["masses", 3, "char_g", "32", "questions", "Is it dry?", "weighed again"]],
        columns=inputs["findings"].columns,
    )  # fmt: skip
    words = render_words(inputs)
    assert "Checks of the model of electrode capacitance" in words
    assert "Without hold" in words
    assert "Where effort is best spent" in words
    assert "None of 1 check found a sign of trouble." in words
    assert "is told apart from all other" in words
    assert "1 value is doubtful" in words


def test_koh_cautions_follow_what_is_done():
    plain = case.full_inputs()
    for name in ("yields", "cells", "ranking"):
        plain[name]["activation"] = "none"
    config = case.CONFIG | {"plan": {"activation": ["none"]}}
    assert "Metallic potassium" not in render_words(plain, config)
    assert "Metallic potassium" in render_words(plain)


def test_high_voltage_is_named_in_the_cautions():
    inputs = case.full_inputs()
    inputs["test_results"]["upper_voltage_V"] = 1.6
    assert "charged to 1.6 V" in Page(render_words(inputs)).words


def test_numbers_stay_with_their_units():
    assert tidy("700 °C, 90 % of 12 lots, KOH 3 : 1, n = 5, 2.1 ± 0.3 Ω") == (
        "700\u00a0°C, 90\u00a0% of 12\u00a0lots, KOH\u00a03\u00a0:\u00a01, n\u00a0=\u00a05, "
        "2.1\u00a0±\u00a00.3\u00a0Ω"
    )


def luminance(colour):
    """Relative luminance by WCAG 2.1 (from memory)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_text_contrast_in_light_and_dark():
    css = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    themes = re.findall(r":root \{(.*?)\}", css, flags=re.DOTALL)[:2]
    for theme in themes:
        colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", theme))
        pairs = [(ink, paper) for ink in ("ink", "quiet", "link") for paper in ("paper", "wash")]
        for ink, paper in [*pairs, ("warn-ink", "warn-paper")]:
            a, b = sorted((luminance(colours[ink]), luminance(colours[paper])))
            # 4.5 is the AA limit for running text (WCAG 2.1, 1.4.3, from memory).
            assert (b + 0.05) / (a + 0.05) >= 4.5, (ink, paper)


def test_names_of_levels_and_feedstocks_stand_in_words():
    inputs = case.full_inputs()
    inputs["feedstock_names"] = {"husk": "Rice husk"}
    record = inputs["models"]["capacitance"]["json"]
    record["flags"] = ["The variance of 'feedstock|temperature' is estimated as zero."]
    words = Page(render_words(inputs)).words
    assert "The variance is estimated as zero for feedstock by temperature: these" in words
    assert "Rice husk at the centre of the screen" in words


def test_warnings_lead_to_where_they_stand(full_html):
    assert '<a href="#checks">2 warnings about the models</a>.' in full_html


def test_a_condition_carried_over_by_the_model_is_told():
    inputs = case.full_inputs()
    assert "not measured here" not in render_words(inputs)
    inputs["ranking"].loc[1, "basis"] = "other conditions"
    inputs["ranking"].loc[2, ["predicted", "n_lots"]] = ["yes", 0]
    words = Page(render_words(inputs)).words
    assert "KOH 3 : 1 (not measured here)" in words
    assert "husk, 700 °C, 60 min, not activated (predicted, no lot made)" in words
    assert "In brackets: what was not measured at that condition" in words


def test_places_and_groups_are_explained_where_they_are_read(full_html):
    rule = (
        "A candidate is told apart from the best where the best is ahead of it in 90 % of "
        "the draws or more, each pair by itself."
    )
    words = Page(full_html).words
    # Above each ranking table.
    assert words.count(rule) == 2
    assert words.count("one with a lower place can still be in the group") == 2


def test_levels_that_coincide_are_one_and_cells_are_not_advised():
    inputs = case.full_inputs()
    capacitance = inputs["models"]["capacitance"]
    table = capacitance["variance"]
    table = table[table["level"] != "lot"].copy()
    table.loc[table["level"] == "cell", ["variance", "share_percent"]] = [0.2, 95.0]
    table.loc[table["level"] == "firing", "share_percent"] = 5.0
    capacitance["variance"] = table
    capacitance["json"]["random"] = ["firing"]
    words = Page(render_words(inputs)).words
    assert "make more cells" not in words
    assert "cells of one lot" not in words
    assert "lies between lots and cells together, which these data cannot tell apart" in words
    assert "fire them again in new firings: all the scatter left in the mean of the first" in words
    assert "from lots and cells, which these data cannot tell apart." in words
    assert "Lot and cell together" in words
    assert "lot and cell together (the last is the residual)" in words


def test_intervals_without_ground_are_not_printed():
    inputs = case.full_inputs()
    model = inputs["models"]["capacitance"]
    model["json"]["scale"] = "log"
    # Figures from a review: 0.2 degrees of freedom; 91 F/g from 11 to 756 F/g.
    model["effects"].loc[1, ["df", "lo", "hi"]] = [0.2, -356.0, 356.0]
    model["means"].loc[0, ["estimate", "lo", "hi"]] = [91.0, 11.0, 756.0]
    html = render(inputs)
    words = check_form(html).words
    assert "356" not in words
    assert "756" not in words
    assert words.count("Not known: there are too few firings or lots") == 2
    table = html.split('id="table-effects-capacitance"')[1]
    row = re.search(r"<td>peak temperature, per 100.*?</tr>", table, flags=re.DOTALL)[0]
    assert re.sub(r"<[^>]*>", " ", row).split()[-5:] == ["0.2", "not", "known", "not", "known"]
    assert "A mean without an interval is not drawn, for there are too few firings: husk." in words


def test_flags_of_tests_reach_the_reader():
    inputs = case.full_inputs()
    flags = inputs["test_results"]["quality"].astype(object)
    flags[:8] = "first step not seen"
    flags[7] = "first step not seen; drop over 20 % of the window"
    flags[8] = "something new"
    inputs["test_results"]["quality"] = flags
    html = render_words(inputs)
    assert '<a href="#table-test-flags">9 tests carry a flag</a>' in html
    words = check_form(html).words
    assert "Flags of tests (9 of 24 tests)" in words
    assert "First step not seen 8 R00c0, R00c1, R01c0, R01c1, R02c0, R02c1 and 2 more" in words
    assert "Drop over 20 % of the window 1 R03c1 The resistance takes much" in words
    assert "Something new 1 R10c0 No explanation yet" in words


def test_a_variance_at_zero_is_squared_with_the_scatter_table():
    inputs = case.full_inputs()
    record = inputs["models"]["capacitance"]["json"]
    record["flags"] = ["The variance of 'firing' is estimated as zero: no more scatter."]
    record["flags"].append("The variance of 'lot' is estimated as zero: no more scatter.")
    words = Page(render_words(inputs)).words
    both = "for char firing (10.4 %, 5.2 to 21.0 %); and lot (0.10 %, 0.00 to 0.20 %): these"
    assert f"The variance is estimated as zero {both}" in words
    assert words.count("is estimated as zero") == 1
    record["flags"] = ["The variance of char firing is estimated as zero: no more scatter."]
    assert "for char firing (10.4 %, 5.2 to 21.0 %): these" in Page(render_words(inputs)).words


def test_a_title_that_says_invented_says_it_once():
    config = case.CONFIG | {"title": "Small screen (invented data)"}
    assert "<title>Small screen (invented data)</title>" in render_words(case.full_inputs(), config)
    assert "<title>Small screen (invented data)</title>" in render_words(case.full_inputs())


def test_candidates_without_a_place_are_named_in_words():
    inputs = case.full_inputs()
    inputs["feedstock_names"] = {"hemp": "Hemp shives"}
    inputs["rank_summary"]["missing"] = ["hemp_600C_60min_KOH3 is not ranked by x: nothing."]
    words = Page(render_words(inputs)).words
    assert "Hemp shives, 600 °C, 60 min, KOH 3 : 1 is not ranked by x: nothing." in words
    assert "hemp_600C" not in words


def test_what_is_not_filled_in_is_named():
    inputs = case.empty_inputs()
    inputs["counts"] = {"feedstocks": 3, "design": 9, "firings": 0, "cells": 1}
    inputs["unfilled"] = {
        "not_weighed": [f"R{k}" for k in range(1, 9)],
        "without_cells": [],
        "without_tests": ["C1"],
        "firings_not_recorded": ["K1", "K2"],
    }
    html = render_words(inputs)
    words = check_form(html).words
    assert "8 lots not weighed: R1, R2, R3, R4, R5, R6 and 2 more." in words
    assert "1 cell without a test: C1." in words
    assert "config/firings.csv is empty, so the planned temperatures and holds stand in" in words
    assert "Lots not weighed 8 of 9 R1, R2, R3, R4, R5, R6, R7 and R8 no yield" in words
    assert '<a href="#table-unfilled">8\u00a0lots not weighed</a>' in html
    assert "without a cell" not in words


def test_phones_get_the_ranking_as_a_list(full_html):
    strips = re.findall(r'<div class="strips">.*?</div>', full_html, flags=re.DOTALL)
    assert len(strips) == 2
    assert strips[0].count("<li") == 12
    assert strips[0].count('class="near"') == 3
    # From 110.7 (the last one's lower end) to 214.1: the first point is at (200 - 110.7)/103.4.
    assert 'class="point" style="left:86.36%"' in strips[0]
    assert "200\u00a0F/g (188 to 214); chance to be best 60\u00a0%" in strips[0]


def test_broad_tables_say_that_they_scroll(full_html):
    hints = re.findall(r'<p class="hint (\w+)">', full_html)
    tables = re.findall(r'<table class="(\w+)"', full_html)
    assert tables.count("broad") == hints.count("broad") == 2
    css = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    for name in ("slim", "medium", "broad"):
        assert f".hint.{name} {{ display: block; }}" in css
