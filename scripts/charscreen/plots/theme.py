"""One look for all figures, and figures as SVG with the same bytes each time."""

import io
import os
import re
from collections.abc import Callable
from functools import wraps

import matplotlib as mpl
import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from charscreen.files import write_text
from charscreen.palette import COLOURS, FAINT, INK, SOFT
from charscreen.rounding import is_number

MARKERS = ("o", "s", "^", "D", "v", "P")
LINES = ("-", "--", ":", "-.", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)))
HASH_SALT = "charscreen"
#: Points in one panel above which they become a picture of their own: as single marks they would
#: take most of the time of drawing and printing.
CROWD = 400
CROWD_DPI = 200


def theme() -> dict:
    """Settings of every figure: seaborn's white grid, our colours, text as outlines."""
    return {
        **sns.axes_style("whitegrid"),
        **sns.plotting_context("paper"),
        "font.family": ["DejaVu Sans"],
        "font.size": 9,
        "axes.titlesize": 9.5,
        "axes.titlelocation": "left",
        "axes.titleweight": "bold",
        "axes.labelsize": 9,
        "xtick.labelsize": 8.5,
        "ytick.labelsize": 8.5,
        "legend.fontsize": 8.5,
        "legend.frameon": False,
        "text.color": INK,
        "axes.labelcolor": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "axes.edgecolor": SOFT,
        "grid.color": FAINT,
        "grid.linewidth": 0.6,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.prop_cycle": mpl.cycler(color=COLOURS),
        "figure.facecolor": "white",
        "savefig.facecolor": "white",
        # A dollar sign in a name is a dollar sign, not a formula.
        "text.parse_math": False,
        "text.usetex": False,
        "axes.formatter.use_mathtext": False,
        "axes.unicode_minus": True,
        "svg.fonttype": "path",
        "svg.hashsalt": HASH_SALT,
        "svg.image_inline": True,
    }


def themed(draw: Callable[..., Figure]) -> Callable[..., Figure]:
    """Decorator: the function draws under our theme and leaves other figures' settings alone."""

    @wraps(draw)
    def inner(*args, **kwargs):
        with mpl.rc_context(theme()):
            return draw(*args, **kwargs)

    return inner


def new_figure(*, width_in: float, height_in: float) -> Figure:
    """An empty figure with constrained layout, drawn without a window. [inch]"""
    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasSVG(figure)
    return figure


def message_figure(text: str) -> Figure:
    """A figure that says why there is nothing to draw."""
    figure = new_figure(width_in=7.2, height_in=1.2)
    figure.text(0.5, 0.5, text, ha="center", va="center", color=INK)
    return figure


def offsets(n: int, *, width: float) -> list[float]:
    """Places beside a line for points that would hide each other.

    Parameters
    ----------
    n : int
        Number of points.
    width : float
        Greatest distance between first and last place, in the unit of the axis.

    Returns
    -------
    list of float
        `n` places, spread evenly about 0, in an order that sets neighbours apart.
    """
    if n <= 1:
        return [0.0] * n
    step = min(width / (n - 1), width / 4)
    places = [(i - (n - 1) / 2) * step for i in range(n)]
    return places[::2] + places[1::2]


def shorten(text: str, length: int = 44) -> str:
    """A label that fits: long names end in an ellipsis, line breaks become spaces."""
    text = " ".join(str(text).split())
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def bare_rows(axes: Axes, labels: list[str], *, size: float | None = None) -> None:
    """Rows with one label each, first on top, no lines between."""
    axes.set_yticks(range(len(labels)), labels, fontsize=size)
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.grid(axis="y", visible=False)
    axes.tick_params(axis="y", length=0)


def draw_interval(axes: Axes, place: float, low: object, high: object, colour: str) -> None:
    if is_number(low) and is_number(high):
        axes.plot([low, high], [place, place], color=colour, linewidth=1.8, zorder=3)


def draw_strokes(axes: Axes, starts, ends, **look) -> None:
    """Separate straight strokes as one line of the axes, which is drawn as fast as one stroke.

    Parameters
    ----------
    axes : Axes
        Where to draw.
    starts, ends : pair of (n_strokes,) array
        x and y of the ends, in the units of the axes.
    **look
        As for ``Axes.plot``.
    """
    gap = np.full(len(starts[0]), np.nan)
    x, y = (np.column_stack([*ends_of, gap]).ravel() for ends_of in zip(starts, ends, strict=True))
    axes.plot(x, y, **look)


def looks(values: pd.Series) -> dict:
    """Colour and marker for each value, in order; many values share one look."""
    known = sorted(
        {value for value in values if is_number(value) or isinstance(value, str)}, key=_key
    )
    if "none" in known:
        known = ["none", *[value for value in known if value != "none"]]
    if len(known) > len(MARKERS):
        return dict.fromkeys(known, (COLOURS[0], MARKERS[0]))
    return {value: (COLOURS[i], MARKERS[i]) for i, value in enumerate(known)}


def _key(value: object) -> tuple:
    return (isinstance(value, str), value)


def as_svg(figure: Figure) -> str:
    """A figure as SVG text: letters as outlines, no date, the same bytes each time.

    Notes
    -----
    The drawing package names clips and markers by a digest of their places in full precision, and
    the layout of a figure scatters in the last of those digits from run to run. Here they are named
    in the order in which they come.
    """
    buffer = io.StringIO()
    options = {"dpi": CROWD_DPI} if _merge_crowd(figure) else {}
    with mpl.rc_context(theme()):
        _lay_out(figure)
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None}, **options)
    return _number_names(buffer.getvalue())


def _lay_out(figure: Figure) -> None:
    """Give the parts of a figure their places for good.

    A figure that still has them to find is drawn twice when it is saved, once for nothing.
    """
    engine = figure.get_layout_engine()
    if figure.axes and engine is not None:
        figure.dpi = FigureCanvasSVG.fixed_dpi
        engine.execute(figure)
        figure.set_layout_engine(None)


def _number_names(svg: str) -> str:
    """The same picture with the digests in its names replaced by numbers."""
    defined = dict.fromkeys(re.findall(r'\bid="([a-zA-Z]+[0-9a-f]{10})"', svg))
    numbers = {name: f"{name[:-10]}{k}" for k, name in enumerate(defined, start=1)}
    return re.sub(r'(\bid="|="#|url\(#)([^")]+)', lambda m: m[1] + numbers.get(m[2], m[2]), svg)


def _merge_crowd(figure: Figure) -> bool:
    """Whether the figure holds so many points that its lines were set to be drawn as pictures.

    All lines of an axes, not its points alone: each change between the two starts a new picture.
    """
    crowds = []
    for axes in figure.axes:
        points = [line for line in axes.lines if line.get_linestyle() == "None"]
        if sum(len(line.get_xdata()) for line in points) > CROWD:
            crowds.append(axes)
    for line in [line for axes in crowds for line in axes.lines]:
        line.set_rasterized(True)
    return bool(crowds)


def save_svg(figure: Figure, path: str | os.PathLike) -> None:
    """Write a figure as SVG; see `as_svg`."""
    write_text(path, as_svg(figure))
