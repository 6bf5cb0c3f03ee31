"""The report on paper: no table or picture cut, one page to hand round, the same bytes."""

import re

import numpy as np
import pytest
import report_case as case
from charscreen.printing import NO_PDF, can_print, lay_out
from charscreen.report.blocks import Column, Section, Table
from charscreen.report.page import TEMPLATES, render_page, render_report
from charscreen.report.paper import (
    ELSEWHERE,
    FOLDED,
    lay_out_summary,
    pictures_apart,
    report_pdf,
    summary_page,
    summary_pdf,
    unfolded,
    without_traces,
)

pytestmark = pytest.mark.skipif(not can_print(), reason=NO_PDF)
STYLE = (TEMPLATES / "report_print.css").read_text(encoding="utf-8")
SUMMARY = STYLE + (TEMPLATES / "summary_print.css").read_text(encoding="utf-8")
TALL = (
    '<svg viewBox="0 0 500 1500" role="img" aria-label="A tall &lt;picture&gt;">'
    '<rect width="500" height="1500"/></svg>'
)


def page_of(feedstocks=None, names=None):
    inputs = case.full_inputs(feedstocks)
    if names:
        inputs["feedstock_names"] = names
    merit = case.CONFIG["merits"][0]
    return render_report(
        inputs, config=case.CONFIG, figures={f"ranking_{merit}": TALL, "yields": TALL}
    )


@pytest.fixture(scope="module")
def page():
    return page_of()


@pytest.fixture(scope="module")
def document(page):
    """The page laid out on paper."""
    return lay_out(pictures_apart(page), style=STYLE)


def boxes(box):
    yield box
    for child in getattr(box, "children", ()) or ():
        yield from boxes(child)


def beyond_the_margins(document) -> list[str]:
    """Cells, words and pictures that stick out of the room a page has for them."""
    found = []
    for number, page in enumerate(document.pages, start=1):
        box = page._page_box
        right, bottom = box.content_box_x() + box.width, box.content_box_y() + box.height
        margin = {id(part) for edge in box.children if _is_margin(edge) for part in boxes(edge)}
        for part in boxes(box):
            kind = type(part).__name__
            if id(part) in margin or kind not in ("TableCellBox", "TextBox", "InlineReplacedBox"):
                continue
            if part.position_x + part.width > right + 1:
                found.append(f"page {number}: {kind} {getattr(part, 'text', '')!r} to the right")
            if kind == "InlineReplacedBox" and part.position_y + part.height > bottom + 1:
                found.append(f"page {number}: picture below")
    return found


def _is_margin(box) -> bool:
    return type(box).__name__ == "MarginBox"


def test_no_table_and_no_picture_is_cut(page, document):
    assert beyond_the_margins(document) == []
    assert page.count("<table") > 3


def test_the_check_for_cut_tables_sees_one():
    wide = "<td>" + "</td><td>".join(["unbreakable" * 3] * 12) + "</td>"
    html = f"<html><head></head><body><table><tr>{wide}</tr></table></body></html>"
    assert beyond_the_margins(lay_out(html))


def test_names_of_any_kind_fit():
    ids = ["a", "b", "c"]
    names = dict(zip(ids, ["x" * 300, "<script>alert(1)</script>", "بذور 🌱 " * 12], strict=True))
    page = page_of(ids, names)
    assert "<script>alert" not in page
    document = lay_out(pictures_apart(page), style=STYLE)
    assert beyond_the_margins(document) == []


def test_every_word_of_the_page_is_on_paper(page, document):
    printed = " ".join(
        part.text
        for sheet in document.pages
        for part in boxes(sheet._page_box)
        if type(part).__name__ == "TextBox"
    )
    printed = re.sub(r"[\s\u00ad]+", "", printed)
    cells = re.findall(r"<td[^>]*>([^<]+)</td>", page)
    assert len(cells) > 50
    for cell in np.unique(cells):
        text = re.sub(r"\s+", "", cell.replace("&lt;", "<").replace("&amp;", "&"))
        assert text.replace("&#39;", "'") in printed


def test_no_word_of_a_heading_is_broken(page, document):
    lines = [
        part.text
        for sheet in document.pages
        for part in boxes(sheet._page_box)
        if type(part).__name__ == "TextBox"
    ]
    heads = {word for head in re.findall(r"<th[^>]*>([^<]+)</th>", page) for word in head.split()}
    assert len(heads) > 10
    assert [word for word in sorted(heads) if not any(word in line for line in lines)] == []


def test_pages_carry_head_and_number(document):
    assert len(document.pages) > 2
    for number, sheet in enumerate(document.pages, start=1):
        words = "".join(
            part.text
            for edge in sheet._page_box.children
            if _is_margin(edge)
            for part in boxes(edge)
            if type(part).__name__ == "TextBox"
        )
        assert f"{number} / {len(document.pages)}" in words
        assert (case.CONFIG["title"][:20] in words) == (number > 1)


def test_the_same_report_gives_the_same_bytes(page):
    first = report_pdf(page, style=STYLE)
    assert first.startswith(b"%PDF-")
    assert report_pdf(page, style=STYLE) == first


def test_pictures_keep_their_words():
    image = pictures_apart(f"<p>{TALL}</p>")
    assert "<svg" not in image
    assert 'alt="A tall &lt;picture&gt;"' in image


def test_the_summary_is_one_page_with_question_answer_picture_and_what_next(page):
    short = summary_page(page)
    assert case.CONFIG["question"] in short
    leads = re.findall(r'<p class="lead">(.*?)</p>', page, re.DOTALL)
    assert len(leads) == 3
    assert [short.index(lead) for lead in leads] == sorted(short.index(lead) for lead in leads)
    assert short.index("<svg") < short.index("What to do next") < short.index(leads[2])
    assert short.count("<section") == 1
    assert "<nav" not in short
    document = lay_out_summary(page, style=SUMMARY)
    assert len(document.pages) == 1
    assert beyond_the_margins(document) == []
    assert summary_pdf(page, style=SUMMARY) == document.write_pdf()


def test_the_summary_of_the_demo_is_one_page_with_a_picture_to_read():
    page = (TEMPLATES.parents[1] / "results_demo" / "report.html").read_text(encoding="utf-8")
    document = lay_out_summary(page, style=SUMMARY)
    assert len(document.pages) == 1
    assert beyond_the_margins(document) == []
    # In CSS pixels, 96 to an inch: the picture takes at least half the width of the lines.
    pictures = [p for p in boxes(document.pages[0]._page_box) if "Replaced" in type(p).__name__]
    assert [p.width > 0.5 * 180 / 25.4 * 96 for p in pictures] == [True]


def test_a_screen_without_a_ranking_still_prints():
    empty = render_report(case.empty_inputs(), config=case.CONFIG, figures={})
    assert summary_pdf(empty, style=SUMMARY).startswith(b"%PDF-")
    assert report_pdf(empty, style=STYLE).startswith(b"%PDF-")


def test_on_paper_the_traces_are_named_and_not_printed():
    sheet = f'<section id="traces"><h2>Appendix</h2><figure>{TALL}</figure></section>'
    rest = f'<section id="yields"><h2>Yields</h2>{TALL}</section>'
    short = without_traces(rest + sheet)
    assert short.startswith(rest)
    assert short.count("<svg") == 1
    assert ELSEWHERE in short
    without = '<section id="traces"><h2>Appendix</h2><p>No test has a trace.</p></section>'
    assert without_traces(without) == without


def test_a_fold_is_a_line_on_paper_that_says_where_the_rest_stands(page):
    assert page.count("<details") > 0
    short = unfolded(page)
    assert "<details" not in short
    assert short.count(FOLDED) == page.count('<details id="fold-checks-')
    assert "table-effects-capacitance" in page
    assert "table-effects-capacitance" not in short


def test_a_fold_for_paper_is_printed_whole():
    table = "<figure><table><tr><td>1</td></tr></table></figure>"
    fold = f'<details id="a" class="printed">\n<summary>All</summary>{table}</details>'
    assert unfolded(f"<p>x</p>{fold}<p>y</p>") == f"<p>x</p>{table}<p>y</p>"


def test_words_stay_whole_where_the_table_has_room_for_them():
    columns = [Column("Move"), Column("What is made"), Column("Expected gain [F/g]", True)]
    columns += [Column("Cost [units of costs]", True), Column("Kiln [h]", True)]
    made = "600 °C 30 min: 2 x Waste 03 with KOH, 1 x Waste 10, 3 x Waste 20 with KOH; " * 12
    rows = [["1 firing of 6 lots (proposed)", made, "0.000057 ± 0.000048", "1020", "28.0"]]
    table = Table(id="t", caption="Moves", file="", columns=columns, rows=rows)
    section = Section(id="s", title="S", blocks=[table])
    page = render_page(title="A", question="", data_are_invented=False, sections=[section])
    document = lay_out(page, style=STYLE)
    lines = [b.text for b in boxes(document.pages[0]._page_box) if type(b).__name__ == "TextBox"]
    assert table.breadth != "broad"
    assert any("(proposed)" in line for line in lines)
    assert beyond_the_margins(document) == []
