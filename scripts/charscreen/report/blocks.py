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
    note : str
        How to read it, below the caption.
    """

    id: str
    caption: str
    file: str
    columns: list[Column]
    rows: list[list[str]]
    note: str = ""
    kind: ClassVar[str] = "table"

    @property
    def breadth(self) -> str:
        """How broad it comes out: ``tiny``, ``slim``, ``medium`` or ``broad``.

        The style sheet tells readers of a screen narrower than that to scroll.
        """
        width = sum(_width_rem(k, column, self.rows) for k, column in enumerate(self.columns))
        steps = ((20, "tiny"), (25, "slim"), (41, "medium"))
        return next((name for most, name in steps if width <= most), "broad")


def _width_rem(place: int, column: Column, rows: list[list[str]]) -> float:
    """Rough least width of a column: numbers stay on one line, text breaks between words."""
    cells = [row[place] for row in rows]
    if not column.is_number:
        cells = [word for cell in cells for word in cell.split()]
    longest = max(map(len, [*cells, *column.text.split()]), default=0)
    return max(0.5 * longest, WIDE_REM if column.is_wide else 0.0) + 0.6


WIDE_REM = 10.0


@dataclass(frozen=True)
class Strip:
    """One row of a picture for a phone: a label, numbers in words, a bar with a point in it.

    Parameters
    ----------
    label, value : str
        What it is, and its numbers.
    low, point, high : float
        Places on the common axis. [% of its length]; low and high are None without an interval.
    is_marked : bool
        Stands out, as the marker in the figure does.
    """

    label: str
    value: str
    point: float
    low: float | None
    high: float | None
    is_marked: bool


@dataclass(frozen=True)
class Strips:
    """A figure redrawn for narrow screens: rows under each other, the axis by its ends."""

    rows: list[Strip]
    ends: tuple[str, str]
    note: str


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
    strips : Strips or None
        What a narrow screen shows in its place.
    """

    name: str
    svg: str
    caption: str
    file: str
    strips: Strips | None = None
    kind: ClassVar[str] = "picture"


@dataclass(frozen=True)
class Definitions:
    """Terms with an explanation each."""

    items: list[tuple[str, str]]
    kind: ClassVar[str] = "definitions"


@dataclass(frozen=True)
class Fold:
    """Blocks behind a line that opens them, without a script; paper carries the line alone.

    Parameters
    ----------
    summary : str
        The line: what is behind it.
    blocks : list
        What it opens.
    file : str
        Where the same stands; named on the line, and on paper in place of the blocks.
    id : str
        Anchor.
    on_paper : bool
        Whether paper carries the blocks as well.
    """

    summary: str
    blocks: list
    file: str
    id: str
    on_paper: bool = False
    kind: ClassVar[str] = "fold"


MOST_ROWS = 15
"""Rows up to which a table stands open."""


def fold_if_long(table: Table, *, on_paper: bool = False) -> Table | Fold:
    """A table, behind a line of its own where it has more rows than `MOST_ROWS`."""
    if len(table.rows) <= MOST_ROWS:
        return table
    line = f"{table.caption}: {len(table.rows)} rows"
    return Fold(line, [table], file=table.file, id=f"fold-{table.id}", on_paper=on_paper)


@dataclass(frozen=True)
class Section:
    """A numbered section of the page."""

    id: str
    title: str
    blocks: list = field(default_factory=list)
