"""Pictures for paper: the same marks, in fewer elements."""

import re
from xml.etree import ElementTree

import pytest
import report_case as case
from charscreen import plots
from charscreen.report.paper_svg import lighter
from charscreen.report.svg import svg_for_page

LETTERS = """<defs>
 <path id="A" d="M 0 64 L 128 64 Q 1 2 -3 4 z" transform="scale(0.015625)"/>
 <path id="B" d="M 10 20 z" transform="scale(0.015625)"/>
</defs>"""


def svg_of(content: str) -> str:
    return f'<svg viewBox="0 0 9 9" aria-label="a &lt; b">{content}</svg>'


def paths(svg: str) -> list[dict]:
    found = ElementTree.fromstring(svg).iter("path")
    return [dict(path.attrib) for path in found if "id" not in path.attrib]


@pytest.mark.parametrize("shift", ['transform="translate(2.5 0)"', 'x="2.5"'])
def test_a_text_becomes_one_outline_with_its_letters_in_their_places(shift):
    text = (
        '<g id="t"><g style="fill: red" transform="translate(5 6) scale(0.09 -0.09)">'
        f'{LETTERS}<use href="#A"/><use href="#B" {shift}/></g></g>'
    )
    light = lighter(svg_of(text))
    assert paths(light) == [
        {
            "style": "fill: red",
            "transform": "translate(5 6) scale(0.09 -0.09) scale(0.015625)",
            "d": "M 0 64 L 128 64 Q 1 2 -3 4 z M 170 20 z",
        }
    ]
    assert "<g" not in light
    assert 'aria-label="a &lt; b"' in light


@pytest.mark.parametrize(
    "kept",
    [
        '<g clip-path="url(#c)"><path d="M 0 0 L 1 1"/></g>',
        '<g transform="translate(1 1)"><use href="#mark" x="1" y="2"/></g>',
        '<g transform="scale(2)"><use href="#A" transform="rotate(3)"/></g>',
        '<g transform="scale(2)"><use href="#A" style="fill: red"/></g>',
        '<g transform="scale(2)"><use href="#A"/><path d="M 1 1"/></g>',
    ],
)
def test_a_group_that_says_something_stays(kept):
    light = lighter(svg_of(f'<g id="w">{LETTERS}{kept}</g>'))
    group = re.search(r"<g\b[^>]*>", kept)[0]
    assert group in light
    assert light.count("<use") == kept.count("<use")
    assert '<g id="w"' not in light


def test_a_figure_keeps_its_marks_and_loses_most_elements(figure_svg):
    light = lighter(figure_svg)
    before, after = (len(list(ElementTree.fromstring(svg).iter())) for svg in (figure_svg, light))
    assert after < before / 4
    marks = re.compile(r'<use [^>]*x="([^"]*)" y="([^"]*)"')
    assert marks.findall(light) == marks.findall(figure_svg) != []
    # Each text is written once, at the place it had.
    at = re.compile(r'transform="(translate\([^)]*\)[^"]*scale\(0\.0\d+ -0\.0\d+\))')
    assert at.findall(light) == at.findall(figure_svg) != []


@pytest.fixture(scope="module")
def figure_svg() -> str:
    inputs = case.full_inputs()
    merit = case.CONFIG["merits"][0]
    figure = plots.draw_ranking(inputs["ranking"], None, merit)
    return svg_for_page(plots.as_svg(figure), prefix="p", label="x")
