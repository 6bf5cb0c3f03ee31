"""Pictures made light for paper: the same marks in fewer elements, since each is laid out anew."""

import re
from xml.etree import ElementTree

_NUMBERS = re.compile(r"-?\d+(?:\.\d+)?|[A-Za-z]")
_SHIFT = re.compile(r"translate\((-?[\d.]+)(?:[ ,]+0)?\)")
#: The drawing package's letters: how their outlines are scaled inside a text.
_OUTLINE = "scale(0.015625)"


def lighter(svg: str) -> str:
    """A picture whose texts are one outline each, and whose groups all say something.

    Parameters
    ----------
    svg : str
        An SVG element without namespaces, as `charscreen.report.svg.svg_for_page` gives it: in a
        figure a text is a group of references to the outlines of its letters. Of any other picture
        only those groups go that wrap and say nothing.

    Returns
    -------
    str
        The same picture.
    """
    root = ElementTree.fromstring(svg)
    letters = {
        found.get("id"): _steps(found.get("d", ""))
        for found in root.iter("path")
        if found.get("transform") == _OUTLINE and found.get("id")
    }
    _lighten(root, letters)
    return ElementTree.tostring(root, encoding="unicode")


def _steps(outline: str) -> list[str]:
    return _NUMBERS.findall(outline)


def _lighten(parent: ElementTree.Element, letters: dict) -> None:
    """Join the letters of each text below an element, and take out groups that only wrap."""
    kept = []
    for child in parent:
        text = _joined(child, letters)
        if text is not None:
            kept.append(text)
            continue
        _lighten(child, letters)
        is_group = child.tag == "g"
        if is_group and not set(child.attrib) - {"id"}:
            kept.extend(child)
        else:
            kept.append(child)
    parent[:] = kept


def _joined(group: ElementTree.Element, letters: dict) -> ElementTree.Element | None:
    """A text as one path, where a group is nothing but references to letters."""
    uses = [part for part in group if part.tag == "use"]
    others = [part for part in group if part not in uses]
    if group.tag != "g" or not uses or "transform" not in group.attrib:
        return None
    if any(part.tag != "defs" for part in others):
        return None
    outlines = []
    for use in uses:
        steps = letters.get(use.get("href", "").removeprefix("#"))
        shift = _SHIFT.fullmatch(use.get("transform", "translate(0)"))
        if steps is None or shift is None or set(use.attrib) - {"href", "transform", "x"}:
            return None
        # Older versions of matplotlib place a letter by x.
        outlines.append(_moved(steps, 64.0 * (float(shift[1]) + float(use.get("x", 0)))))
    look = {name: group.attrib[name] for name in group.attrib if name != "id"}
    look["transform"] += f" {_OUTLINE}"
    return ElementTree.Element("path", look | {"d": " ".join(outlines)})


def _moved(steps: list[str], x: float) -> str:
    """An outline moved to the right."""
    moved, is_x = [], True
    for step in steps:
        if step.isalpha():
            is_x = True
            moved.append(step)
        else:
            moved.append(f"{float(step) + x:g}" if is_x else step)
            is_x = not is_x
    return " ".join(moved)
