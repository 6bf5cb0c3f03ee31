"""Pages on paper: a complete HTML page becomes a PDF."""

import ctypes
import html as html_text
import re
from collections.abc import Iterable, Sequence

from charscreen.findings import UserError

#: Names under which the two libraries that lay out text are looked for, one pair per system.
_LIBRARIES = (
    ("libpango-1.0.so.0", "libpangoft2-1.0.so.0"),
    ("libpango-1.0.dylib", "libpangoft2-1.0.dylib"),
    ("libpango-1.0-0.dll", "libpangoft2-1.0-0.dll"),
)
#: What is said where they are missing.
NO_PDF = (
    "No PDF is written, since this machine has not the library that lays out text: install the "
    "Debian packages libpango-1.0-0 and libpangoft2-1.0-0 and run again; all else is complete, "
    "and every page is there as HTML."
)


class CannotPrintError(UserError):
    """The machine has not what printing needs; the message names it."""


def can_print(libraries: Iterable[tuple[str, ...]] = _LIBRARIES) -> bool:
    """Whether the system's libraries for laying out text are there.

    Parameters
    ----------
    libraries : iterable of tuple of str
        Sets of file names; one set must load whole.
    """
    return any(all(_loads(name) for name in names) for names in libraries)


def _loads(name: str) -> bool:
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def lay_out(html: str, *, style: str = ""):
    """A page laid out on sheets of paper, before it is written.

    Parameters
    ----------
    html : str
        A complete page that needs nothing beside itself; nothing is fetched for it.
    style : str
        Style sheet for paper, on top of the page's own.

    Returns
    -------
    weasyprint.Document
        With its ``pages``, and ``write_pdf()``.

    Raises
    ------
    CannotPrintError
        Where the libraries are missing.
    """
    if not can_print():
        raise CannotPrintError(NO_PDF)
    # Half a second, and the libraries: only where a page is printed.
    from weasyprint import HTML
    from weasyprint.urls import URLFetcher

    if style:
        # Last in the page's own head: a sheet handed over beside it would count less.
        html = html.replace("</head>", f"<style>\n{style}\n</style></head>", 1)
    return HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=("data",))).render()


def print_page(html: str, *, style: str = "") -> bytes:
    """A page as the bytes of a PDF; the same page gives the same bytes on one machine.

    Parameters and errors are those of `lay_out`.
    """
    return lay_out(html, style=style).write_pdf()


def join_pages(pages: Sequence[str], *, title: str) -> str:
    """Several pages as one, each on a sheet of its own; the head is that of the first.

    Parameters
    ----------
    pages : sequence of str
        Complete pages of one style, at least one.
    title : str
        Of the whole.

    Raises
    ------
    ValueError
        Where there is no page, or one without a body.
    """
    if not pages:
        raise ValueError("there is no page to join")
    parts = [re.fullmatch(r"(.*)<body>(.*)</body>.*", page, re.DOTALL) for page in pages]
    if not all(parts):
        raise ValueError("a page without a body cannot be joined")
    name = f"<title>{html_text.escape(title)}</title>"
    head = re.sub(r"<title>.*?</title>", lambda _: name, parts[0][1], count=1, flags=re.DOTALL)
    apart = '<div style="break-after: page">'
    bodies = [f"{apart}{part[2]}</div>" for part in parts[:-1]] + [f"<div>{parts[-1][2]}</div>"]
    return f"{head}<body>{''.join(bodies)}</body>\n</html>\n"
