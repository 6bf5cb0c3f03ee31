"""Figures put into a page: SVG text that stands beside others without harm."""

import re
from html import escape


def svg_for_page(svg: str, *, prefix: str, label: str) -> str:
    """SVG ready to stand inside an HTML page beside others.

    Parameters
    ----------
    svg : str
        What `charscreen.plots.as_svg` gave.
    prefix : str
        Put before every id, so that two figures on one page do not share one.
    label : str
        Text read out in place of the picture.

    Returns
    -------
    str
        One ``svg`` element with role and label, scaling with the page; without XML head,
        comments, metadata and namespaces, which HTML does not need.

    Raises
    ------
    ValueError
        Where the text holds no svg element.
    """
    start = svg.find("<svg")
    if start < 0:
        raise ValueError("no svg element in this text")
    body = svg[start:].strip()
    body = re.sub(r"<!--.*?-->\s*", "", body, flags=re.DOTALL)
    body = re.sub(r"<metadata>.*?</metadata>\s*", "", body, flags=re.DOTALL)
    # A style element inside a page would reach beyond its picture; its two rules are inherited.
    body = re.sub(r"<style.*?</style>\s*", "", body, flags=re.DOTALL)
    body = body.replace("xlink:href=", "href=")
    body = re.sub(r'\bid="', f'id="{prefix}-', body)
    body = re.sub(r'href="#', f'href="#{prefix}-', body)
    body = re.sub(r"url\(#", f"url(#{prefix}-", body)
    head, rest = body.split(">", 1)
    box = re.search(r'viewBox="([^"]*)"', head)
    if box is None:
        raise ValueError("the svg element has no viewBox")
    width = float(box[1].split()[2])
    head = (
        f'<svg viewBox="{box[1]}" role="img" aria-label="{escape(label)}" '
        f'style="max-width:{width * 4 / 3:.0f}px;stroke-linejoin:round;stroke-linecap:butt"'
    )
    return f"{head}>{rest}"
