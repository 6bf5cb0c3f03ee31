"""What a report is made of: sections of paragraphs, lists, tables and figures, as plain data."""

from dataclasses import dataclass, field
from typing import ClassVar


@dataclass(frozen=True)
class Text:
    """A paragraph; `tone` is ``plain``, ``lead`` (large) or ``note`` (set apart)."""

    text: str
    tone: str = "plain"
    kind: ClassVar[str] = "text"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: list[str]
    ordered: bool = False
    kind: ClassVar[str] = "bullets"


@dataclass(frozen=True)
class Pointers:
    """A note whose parts lead to other sections: what it starts with; text and anchor of each."""

    start: str
    items: list[tuple[str, str]]
    kind: ClassVar[str] = "pointers"


@dataclass(frozen=True)
class Heading:
    """A heading inside a section."""

    text: str
    id: str
    kind: ClassVar[str] = "heading"


@dataclass(frozen=True)
class Column:
    """A table column: heading, whether its cells are numbers (set to the right) or long text."""

    text: str
    is_number: bool = False
    is_wide: bool = False


@dataclass(frozen=True)
class Table:
    """A table ready to show.

    Parameters
    ----------
    id : str
        Anchor.
    caption : str
        What it shows.
    file : str
        Result file its numbers stand in; empty where they stand in none.
    columns : list of Column
        Headings.
    rows : list of list of str
        Cells as text; numbers already rounded.
    """

    id: str
    caption: str
    file: str
    columns: list[Column]
    rows: list[list[str]]
    kind: ClassVar[str] = "table"


@dataclass(frozen=True)
class Picture:
    """A figure ready to show.

    Parameters
    ----------
    name : str
        Anchor and name of the SVG file without ending.
    svg : str
        What `charscreen.report.svg.svg_for_page` gave.
    caption : str
        Level of the intervals, n, unit of replication.
    file : str
        File of the picture.
    """

    name: str
    svg: str
    caption: str
    file: str
    kind: ClassVar[str] = "picture"


@dataclass(frozen=True)
class Definitions:
    """Terms with an explanation each."""

    items: list[tuple[str, str]]
    kind: ClassVar[str] = "definitions"


@dataclass(frozen=True)
class Section:
    """A numbered section of the page."""

    id: str
    title: str
    blocks: list = field(default_factory=list)
