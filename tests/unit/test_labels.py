"""Labels: what they say, that they stay printable, that no title can break out of them."""

import re
from xml.etree import ElementTree

import pytest
import segno
from charscreen.plan.labels import TITLE_LENGTH, label_svg, label_text, short_title

HOSTILE = [
    "<script>alert(1)</script>",
    "../../x",
    "x" * 300,
    "شاشة النفايات الزراعية",
    "🌱 trial",
    "",
]


def modules(svg: str) -> set[tuple[int, int]]:
    """Dark fields of a label, read from its picture: rows of runs `m dx dy h n`."""
    dark, x, y = set(), 0.0, 0.0
    path = re.search(r'stroke="#000" d="([^"]+)"', svg)[1]
    for command, numbers in re.findall(r"([Mmh])([-\d. ]+)", path):
        values = [float(n) for n in re.findall(r"-?\d*\.?\d+", numbers)]
        if command == "M":
            x, y = values
        elif command == "m":
            x, y = x + values[0], y + values[1]
        else:
            dark |= {(int(y - 0.5), int(x) + k) for k in range(int(values[0]))}
            x += values[0]
    return dark


@pytest.mark.parametrize("title", ["Kitchen and farm wastes, first screen", *HOSTILE])
def test_the_picture_carries_run_and_short_title(title):
    svg = label_svg("R001", title)
    code = segno.make(label_text("R001", title), error="m", micro=False, boost_error=False)
    wanted = {(r + 4, c + 4) for r, row in enumerate(code.matrix) for c, on in enumerate(row) if on}
    assert modules(svg) == wanted
    # 37 fields with the quiet zone are 0.25 mm each on 9.4 mm: three dots of a 300 dpi printer.
    assert int(ElementTree.fromstring(svg).get("viewBox").split()[2]) <= 37
    assert "script" not in svg


def test_titles_are_cut_between_words():
    assert short_title("Kitchen and farm wastes, first screen") == "Kitchen and farm"
    assert short_title("Nut shells") == "Nut shells"
    assert short_title("two\nlines\there") == "two lines here"
    assert len(short_title("x" * 300)) == TITLE_LENGTH
    assert label_text("R001", "") == "R001"
