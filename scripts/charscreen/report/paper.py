"""The report on paper: all of it, and one page of it to hand round."""

import base64
import html as html_text
import re

from charscreen.printing import lay_out, print_page
from charscreen.report.paper_svg import lighter

#: Heights of the picture that are tried until the summary fits one page. [mm]
PICTURE_MM = (140, 115, 95, 85, 75, 60, 45)
#: Stands on paper in place of the traces.
ELSEWHERE = (
    "The traces of every cell stand in the same section of report.html, and as one picture for "
    "each firing in figures/traces."
)
_FOLD = re.compile(
    r'<details id="[^"]*"(?P<printed> class="printed")?>\s*<summary>(?P<line>.*?)</summary>'
    r"(?P<blocks>.*?)</details>",
    re.DOTALL,
)
#: Said where a fold is not printed, after what it holds and where that stands.
FOLDED = "not printed; it stands in report.html, its tables in tables.xlsx as well."
_SVG = re.compile(r"<svg\b([^>]*)>.*?</svg>", re.DOTALL)
_NAMESPACES = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
_SECTION = re.compile(r'<section id="([^"]*)".*?</section>', re.DOTALL)


def report_pdf(page: str, *, style: str) -> bytes:
    """The whole report as a PDF.

    Parameters
    ----------
    page : str
        The report's HTML, from `charscreen.report.page.render_report`.
    style : str
        Its style sheet for paper.

    Raises
    ------
    CannotPrintError
        Where the machine cannot print.

    Notes
    -----
    The sheets of traces are left out, and of most folds all but their line; see
    `without_traces` and `unfolded`.
    """
    return print_page(paper_page(page), style=style)


def paper_page(page: str) -> str:
    """The report as it goes onto paper, still as HTML."""
    return pictures_apart(unfolded(without_traces(page)))


def summary_pdf(page: str, *, style: str) -> bytes:
    """The first section of the report on one page: question, answer, picture, what next.

    Parameters and errors are those of `report_pdf`.

    Notes
    -----
    The picture is made smaller until all fits. Where even that does not help (names of hundreds
    of signs), the rest goes onto a second page, and nothing is cut.
    """
    return lay_out_summary(page, style=style).write_pdf()


def lay_out_summary(page: str, *, style: str):
    """The summary laid out, its picture as large as one page lets it be; see `summary_pdf`."""
    page = pictures_apart(summary_page(page))
    for height in PICTURE_MM:
        fit = f"{style}\n.card img {{ max-height: {height}mm !important; }}"
        document = lay_out(page, style=fit)
        if len(document.pages) == 1:
            break
    return document


def summary_page(page: str) -> str:
    """The answer alone, with what to do as its last word."""
    page = _SECTION.sub(lambda found: found[0] if found[1] == "answer" else "", page)
    page = re.sub(r"<nav\b.*?</nav>", "", page, flags=re.DOTALL)
    leads = list(re.finditer(r'<p class="lead">.*?</p>', page, re.DOTALL))
    if len(leads) != 3:
        return page
    # The third sentence of the answer says what to do.
    start, end = leads[2].span()
    close = page.index("</section>", end)
    what_next = f"<h3>What to do next</h3>\n{leads[2][0]}\n"
    return page[:start] + page[end:close] + what_next + page[close:]


def unfolded(page: str) -> str:
    """The report without folds: their line with a word on where the rest stands, or all of them.

    Parameters
    ----------
    page : str
        The report's HTML; a fold of the class ``printed`` keeps its blocks and loses its line.
    """

    def flat(found: re.Match) -> str:
        if found["printed"]:
            return found["blocks"]
        return f'<p class="how">{found["line"]}: {FOLDED}</p>'

    return _FOLD.sub(flat, page)


def without_traces(page: str) -> str:
    """The report without the sheets of traces, which are as much work to print as all the rest.

    Parameters
    ----------
    page : str
        The report's HTML; a word on where the sheets stand takes their place.
    """

    def short(found: re.Match) -> str:
        if found[1] != "traces" or "<svg" not in found[0]:
            return found[0]
        head = found[0][: found[0].index("</h2>") + len("</h2>")]
        return f"{head}\n<p>{ELSEWHERE}</p>\n</section>"

    return _SECTION.sub(short, page)


def pictures_apart(page: str) -> str:
    """A page whose pictures are images of their own, which print in two thirds of the time.

    Parameters
    ----------
    page : str
        With SVG elements in it, which carry their alternative text as ``aria-label``.
    """

    def image(found: re.Match) -> str:
        svg = found[0]
        if "xmlns=" not in found[1]:
            svg = lighter(svg).replace("<svg", f"<svg {_NAMESPACES}", 1)
        label = re.search(r'aria-label="([^"]*)"', found[1])
        alt = html_text.escape(html_text.unescape(label[1])) if label else ""
        data = base64.b64encode(svg.encode("utf-8")).decode("ascii")
        return f'<img alt="{alt}" src="data:image/svg+xml;base64,{data}">'

    return _SVG.sub(image, page)
