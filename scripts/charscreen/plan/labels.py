"""Labels a camera can read: the name of a lot and of its screen as a small picture."""

import io

import segno

#: Characters of the screen's title that go with the name of a lot; more would make the picture
#: too fine to print small.
TITLE_LENGTH = 20


def short_title(title: str) -> str:
    """A title cut between words where it is long.

    Parameters
    ----------
    title : str
        Of the screen.
    """
    words = " ".join("".join(c if c.isprintable() else " " for c in title).split())
    if len(words) <= TITLE_LENGTH:
        return words
    cut = words[: TITLE_LENGTH + 1].rpartition(" ")[0] or words[:TITLE_LENGTH]
    return cut.rstrip(" ,;:(-")


def label_text(name: str, title: str) -> str:
    """What a label says to a camera: the name of a lot or cell, then the screen's short title."""
    return f"{name} {short_title(title)}".strip()


def label_svg(name: str, title: str) -> str:
    """A label as an SVG picture to stand in a page.

    Parameters
    ----------
    name : str
        Of a lot or cell.
    title : str
        Of the screen.

    Returns
    -------
    str
        One SVG element without a size of its own, black on white, the quiet zone around it
        included.

    Notes
    -----
    A QR code of ISO/IEC 18004, drawn by segno; 15 % of it may be soiled.
    """
    buffer = io.BytesIO()
    segno.make(label_text(name, title), error="m", micro=False, boost_error=False).save(
        buffer,
        kind="svg",
        xmldecl=False,
        svgns=True,
        omitsize=True,
        border=4,
        light="#fff",
        nl=False,
        svgclass="label",
        lineclass=None,
    )
    # What it holds stands beside it in letters.
    return buffer.getvalue().decode("utf-8").replace("<svg", '<svg aria-hidden="true"', 1)
