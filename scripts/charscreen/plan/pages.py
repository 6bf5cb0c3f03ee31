"""What the pages of a plan share: how a template is filled, and how values are written."""

from collections.abc import Mapping, Sequence

import jinja2
from markupsafe import Markup

from charscreen.rounding import is_number


def fill_page(template: str, style: str, **values: object) -> str:
    """A complete HTML page; values are escaped, and one that is missing is an error.

    Parameters
    ----------
    template, style : str
        Texts of the template and of the style sheet.
    **values
        What the template asks for.
    """
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["in_two"] = in_two
    return environment.from_string(template).render(style=Markup(style), **values)


def is_present(value: object) -> bool:
    """Whether a text cell holds anything."""
    return isinstance(value, str) and value != ""


def with_unit(value: object, unit: str) -> str:
    """`700 °C`; empty where there is no number."""
    return f"{value:g} {unit}" if is_number(value) else ""


def grams(value: object) -> str:
    """Three significant digits, plain."""
    if not is_number(value):
        return ""
    text = f"{value:#.3g}"
    return f"{value:.0f}" if "e" in text else text.rstrip(".")


def name_of(feedstock: str, known: Mapping[str, Mapping]) -> str:
    """Name of a feedstock in words, else its id."""
    name = known.get(feedstock, {}).get("name")
    return name if is_present(name) else str(feedstock)


def in_two(items: Sequence) -> list[list]:
    """Items in two columns of about the same height, in their order.

    Parameters
    ----------
    items : sequence
        Texts, or things with a ``text``; the longer the text, the more room it takes.
    """
    sizes = [40 + len(item if isinstance(item, str) else item.text) for item in items]
    sums = [abs(2 * sum(sizes[:k]) - sum(sizes)) for k in range(len(sizes) + 1)]
    cut = sums.index(min(sums)) if sizes else 0
    return [list(items[:cut]), list(items[cut:])]


def sheet_column(
    key: str, head: str, *, width: int = 0, kind: str = "", goes_to: str = "", **flags: bool
) -> dict:
    """A column of the table on a sheet; width in mm, 0 for what is left over."""
    column = {"number": False, "blank": False} | flags
    return column | {
        "key": key,
        "head": head,
        "goes_to": goes_to,
        "width": width,
        "kind": kind or ("number" if column["number"] else "text"),
    }
