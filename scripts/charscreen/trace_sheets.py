"""Sheets of small pictures, one per firing: of every cell the traces and capacitance by cycle.

Written as SVG straight from thinned records: a plotting library would take a tenth of a second
for each picture, and a large screen has thousands.
"""

import itertools
import math
import textwrap
from collections.abc import Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from charscreen.palette import COLOURS, FAINT, INK, SOFT
from charscreen.rounding import is_number, significant, with_uncertainty
from charscreen.words import method_in_short

if TYPE_CHECKING:
    import polars as pl

COLUMNS = 3
HEAD_SIGNS = 42  # that fit above a panel
PANEL_WIDTH, PANEL_HEIGHT = 240, 142
HEAD = 30
FOOT_LINE, FOOT_WIDTH = 13, 150  # of the list of tests without a record: height, signs in a line
#: Within a panel: where the plots stand, from its upper left corner.
PLOT_TOP, PLOT_BOTTOM = 38, 106
TRACE_LEFT, TRACE_RIGHT, TRACE_ALONE_RIGHT = 30, 152, 230
CYCLES_LEFT, CYCLES_RIGHT = 190, 230
TIMES = (
    (180.0, 1.0, "s"),
    (10800.0, 60.0, "min"),
    (864000.0, 3600.0, "h"),
    (math.inf, 86400.0, "d"),
)
NUMBERS = (
    "capacitance_F", "capacitance_F_se", "esr_ohm", "esr_ohm_se", "leakage_current_mA",
    "leakage_current_mA_se", "current_mA",
)  # fmt: skip
LEAST_SPREAD = 0.02  # of the mean: the axis of capacitance spans at least so much either way


def draw_sheets(
    rows: Sequence[Mapping],
    thinned: "pl.DataFrame",
    cycles: "pl.DataFrame",
    *,
    made_of: Mapping[str, Sequence[str]],
    data_are_invented: bool = False,
) -> dict[str, str]:
    """Sheets of all firings of a batch.

    Parameters
    ----------
    rows : sequence of mapping
        Rows of test_results, cells as text.
    thinned : DataFrame
        Records as `charscreen.capacitance.thinned.write_thinned` writes them.
    cycles : DataFrame
        Cycles: ``test``, ``cycle``, ``capacitance_F``, ``use``.
    made_of : mapping
        Cell to the id of its firing and to what it was made of, in words.
    data_are_invented : bool
        Mark the sheets as made from invented data.

    Returns
    -------
    dict of str to str
        Firing to its sheet; firings without any record have none.
    """
    records = {
        name: {column: part[column].to_numpy() for column in part.columns if column != "test"}
        for (name,), part in thinned.partition_by("test", as_dict=True).items()
    }
    by_test: dict[str, list[dict]] = {}
    for cycle in cycles.select("test", "cycle", "capacitance_F", "use").iter_rows(named=True):
        by_test.setdefault(cycle["test"], []).append(cycle)
    by_firing: dict[str, list[dict]] = {}
    for row in sorted(rows, key=lambda row: (row["cell"], row["test"])):
        numbers = {name: _number(row.get(name)) for name in NUMBERS}
        by_firing.setdefault(made_of[row["cell"]][0], []).append({**row, **numbers})
    labels = {cell: words for cell, (_, words) in made_of.items()}
    return {
        firing: draw_sheet(
            firing, tests, records, by_test, labels=labels, data_are_invented=data_are_invented
        )
        for firing, tests in sorted(by_firing.items())
        if any(test["test"] in records for test in tests)
    }


def _number(text: object) -> float | None:
    return float(text) if text not in (None, "") else None


def draw_sheet(
    firing: str,
    tests: Sequence[Mapping],
    records: Mapping[str, Mapping[str, np.ndarray]],
    cycles: Mapping[str, Sequence[Mapping]],
    *,
    labels: Mapping[str, str],
    data_are_invented: bool = False,
) -> str:
    """The sheet of one firing as SVG text.

    Parameters
    ----------
    firing : str
        Id of the firing.
    tests : sequence of mapping
        Rows of test_results of cells of this firing, in the order of the sheet: ``test``,
        ``cell``, ``method``, ``capacitance_F``, ``capacitance_F_se``, ``esr_ohm``,
        ``leakage_current_mA``, ``current_mA``, ``quality``; numbers or None.
    records : mapping
        Test to its thinned record: ``time_s``, ``voltage_V``, ``current_A``, ``fitted``.
    cycles : mapping
        Test to its cycles: ``cycle``, ``capacitance_F``, ``use``.
    labels : mapping of str to str
        Cell to what it was made of, in words.
    data_are_invented : bool
        Mark the sheet as made from invented data.

    Returns
    -------
    str
        One svg element with the panels of all tests that have a record, those of one cell within
        one frame, and the figures of the tests that have none.
    """
    shown = [test for test in tests if test["test"] in records]
    foot = _foot([test for test in tests if test["test"] not in records])
    n_rows = -(-len(shown) // COLUMNS)
    width, below = COLUMNS * PANEL_WIDTH, HEAD + max(1, n_rows) * PANEL_HEIGHT
    height = below + FOOT_LINE * len(foot)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}">',
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        # On a group, since a page that takes the picture in sets the outer element's attributes.
        f'<g font-family="DejaVu Sans,Verdana,sans-serif" font-size="8" fill="{INK}">',
        _head(firing, data_are_invented),
    ]
    for k, test in enumerate(shown):
        x, y = k % COLUMNS * PANEL_WIDTH, HEAD + k // COLUMNS * PANEL_HEIGHT
        panel = _panel(test, records[test["test"]], cycles.get(test["test"], ()), labels)
        parts.append(f'<g transform="translate({x} {y})">{panel}</g>')
    parts.append(_frames([test["cell"] for test in shown]))
    parts.extend(
        f'<text x="6" y="{below + FOOT_LINE * k + 8}">{escape(line)}</text>'
        for k, line in enumerate(foot)
    )
    parts.append("</g></svg>\n")
    return "".join(parts)


def _head(firing: str, data_are_invented: bool) -> str:
    """Title and key of a sheet."""
    mark = " (invented data)" if data_are_invented else ""
    key = (
        f'<path d="M330 12h18" stroke="{SOFT}" stroke-width="1.2"/>'
        f'<text x="352" y="15">trace</text>'
        f'<path d="M390 12h18" stroke="{COLOURS[1]}" stroke-width="2.6"/>'
        f'<text x="412" y="15">part the figures rest on</text>'
        f'{_dot(530, 12, True)}<text x="537" y="15">cycle used</text>'
        f'{_dot(596, 12, False)}<text x="603" y="15">cycle not used</text>'
    )
    return (
        f'<text x="6" y="16" font-size="11" font-weight="bold">Firing {escape(firing)}{mark}</text>'
        + key
    )


def _frames(cells: Sequence[str]) -> str:
    """A frame about the panels of each cell, on every row that they take."""
    frames = []
    for row in range(0, len(cells), COLUMNS):
        place = 0
        for _, group in itertools.groupby(cells[row : row + COLUMNS]):
            n = len(list(group))
            y = HEAD + row // COLUMNS * PANEL_HEIGHT - 1
            frames.append(
                f'<rect x="{place * PANEL_WIDTH + 1.5}" y="{y}" width="{n * PANEL_WIDTH - 3}" '
                f'height="{PANEL_HEIGHT - 4}" rx="3" fill="none" stroke="{FAINT}"/>'
            )
            place += n
    return "".join(frames)


def _foot(tests: Sequence[Mapping]) -> list[str]:
    """Lines with the figures of tests without a trace or readings."""
    if not tests:
        return []
    words = [f"{test['cell']} {test['test']}: {_figures(test)}" for test in tests]
    return textwrap.wrap("Typed in, without a trace: " + "; ".join(words) + ".", FOOT_WIDTH)


def _panel(test: Mapping, record: Mapping, cycles: Sequence[Mapping], labels: Mapping) -> str:
    """One test: names, trace, capacitance by cycle, figures."""
    words = [method_in_short(str(test["method"]))]
    if is_number(test.get("current_mA")) and test["method"] == "constant_current":
        words.append(f"{significant(test['current_mA'], 3)} mA")
    made_of = _shorten(labels.get(test["cell"], ""), 44)
    points = [c for c in cycles if is_number(c.get("capacitance_F"))]
    right = TRACE_RIGHT if len(points) > 1 else TRACE_ALONE_RIGHT
    figures = _figures(test)
    room = HEAD_SIGNS - len(test["cell"]) - len(", ".join(["", *words]))
    name = ", ".join([_shorten(test["test"], max(room, 6)), *words])
    flags = f"; {test['quality']}" if test.get("quality") else ""
    return (
        f"<title>{escape(test['test'])}, cell {escape(test['cell'])}, {escape(made_of)}: "
        f"{escape(', '.join(words))}; {escape(figures + flags)}</title>"
        f'<text x="6" y="10" font-size="9"><tspan font-weight="bold">{escape(test["cell"])}</tspan>'
        f" {escape(name)}</text>"
        f'<text x="6" y="21" fill="{COLOURS[5]}">{escape(made_of)}</text>'
        + _trace(test["method"], record, right)
        + (_cycles(points) if len(points) > 1 else "")
        + f'<text x="6" y="130" font-size="8.5">{escape(figures)}</text>'
    )


def _figures(test: Mapping) -> str:
    """What came out, with uncertainty."""
    words = []
    for name, unit in (("capacitance_F", "F"), ("esr_ohm", "Ω"), ("leakage_current_mA", "mA")):
        value, error = test.get(name), test.get(f"{name}_se")
        if not is_number(value):
            continue
        if is_number(error) and error > 0:
            shown, spread = with_uncertainty(value, error)
            words.append(f"{shown} ± {spread} {unit}")
        else:
            words.append(f"{significant(value, 3)} {unit}")
    return ", ".join(words) or "no figure"


def _trace(method: str, record: Mapping, right: int) -> str:
    """Voltage against time, or the loop of a scan, or the current at a held voltage."""
    time, voltage = np.asarray(record["time_s"]), np.asarray(record["voltage_V"])
    milliampere = np.asarray(record["current_A"]) * 1e3
    fitted = np.asarray(record["fitted"])
    longest = time.max(initial=0.0)
    factor, unit = next(item[1:] for item in TIMES if longest <= item[0])
    x, y, x_unit, y_unit = time / factor, voltage, unit, "V"
    if np.isfinite(milliampere).all() and method in ("voltammetry", "held_voltage"):
        y, y_unit = milliampere, "mA"
        if method == "voltammetry":
            x, x_unit = voltage, "V"
    x_ticks, y_ticks = (
        _ticks(0.0 if x_unit != "V" else x.min(), x.max()),
        _ticks(min(0.0, float(y.min())), float(y.max())),
    )
    to_x = _scale(min(x_ticks[0], x.min()), max(x.max(), x_ticks[-1]), TRACE_LEFT, right)
    to_y = _scale(min(y_ticks[0], y.min()), max(y.max(), y_ticks[-1]), PLOT_BOTTOM, PLOT_TOP)
    px, py = to_x(x), to_y(y)
    few = len(px) <= 25
    drawn = "".join(_dot(a, b, f) for a, b, f in zip(px, py, fitted, strict=True)) if few else ""
    return (
        _frame(TRACE_LEFT, right, [(v, to_x(v)) for v in x_ticks], [(v, to_y(v)) for v in y_ticks],
               x_unit, y_unit)
        + f'<path d="{_line(px, py)}" fill="none" stroke="{SOFT}" stroke-width="1.2"/>'
        + f'<path d="{_runs(px, py, fitted)}" fill="none" stroke="{COLOURS[1]}" '
        'stroke-width="2.6"/>' + drawn
    )  # fmt: skip


def _cycles(points: Sequence[Mapping]) -> str:
    """Capacitance of each cycle."""
    number = np.array([c["cycle"] for c in points], dtype=float)
    value = np.array([c["capacitance_F"] for c in points], dtype=float)
    mean = float(np.mean(value))
    reach = max(float(np.abs(value - mean).max()), LEAST_SPREAD * abs(mean))
    ticks = _ticks(mean - reach, mean + reach)
    low, high = min(ticks[0], mean - reach), max(ticks[-1], mean + reach)
    to_x = _scale(number.min(), number.max(), CYCLES_LEFT + 4, CYCLES_RIGHT - 4)
    to_y = _scale(low, high, PLOT_BOTTOM - 3, PLOT_TOP + 3)
    ends = [(number.min(), to_x(number.min())), (number.max(), to_x(number.max()))]
    used = [c.get("use") in (None, "", "steady") for c in points]
    kept = range(len(points)) if len(points) <= 40 else _spread(len(points), 40)
    px, py = to_x(number), to_y(value)
    many = number.max() >= 10  # longer numbers would run into the word between them
    frame = _frame(
        CYCLES_LEFT,
        CYCLES_RIGHT,
        [] if many else ends,
        [(v, to_y(v)) for v in ticks],
        f"cycle {number.min():g} to {number.max():g}" if many else "cycle",
        "F",
    )
    return frame + "".join(_dot(px[k], py[k], used[k]) for k in kept)


def _spread(n: int, most: int) -> list[int]:
    return sorted({round(k * (n - 1) / (most - 1)) for k in range(most)})


def _frame(left, right, x_ticks, y_ticks, x_unit, y_unit) -> str:
    """Axes with ticks and units; level lines behind the data."""
    lines = "".join(f"M{left} {_n(y)}H{right}" for _, y in y_ticks)
    texts = [
        f'<text x="{left - 3}" y="{_n(y + 3)}" text-anchor="end">{_tick(v, y_ticks)}</text>'
        for v, y in y_ticks
    ]
    texts += [
        f'<text x="{_n(x)}" y="{PLOT_BOTTOM + 10}" text-anchor="middle">{_tick(v, x_ticks)}</text>'
        for v, x in x_ticks
    ]
    # Units stand above one axis, and below the other where no tick is.
    texts.append(f'<text x="{left - 3}" y="{PLOT_TOP - 5}" text-anchor="end">{y_unit}</text>')
    places = [float(x) for _, x in x_ticks]
    spots = [0.5 * (a + b) for a, b in itertools.pairwise(places)]
    spot = (
        max(spots, default=0.5 * (left + right)) if max(places, default=0) > right - 24 else right
    )
    texts.append(
        f'<text x="{_n(spot)}" y="{PLOT_BOTTOM + 10}" '
        f'text-anchor="{"end" if spot == right else "middle"}" fill="{COLOURS[5]}">{x_unit}</text>'
    )
    return (
        f'<path d="{lines}" stroke="{FAINT}" stroke-width=".6"/>'
        f'<path d="M{left} {PLOT_TOP}V{PLOT_BOTTOM}H{right}" fill="none" stroke="{SOFT}" '
        f'stroke-width=".8"/>' + "".join(texts)
    )


def _tick(value: float, ticks: Sequence[tuple[float, float]]) -> str:
    """A tick with the decimals that tell it from its neighbours."""
    values = [v for v, _ in ticks]
    step = min((b - a for a, b in itertools.pairwise(values) if b > a), default=1.0)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    if step >= 1 and all(float(v).is_integer() for v in values):
        decimals = 0
    return f"{value:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def _ticks(low: float, high: float, most: int = 4) -> list[float]:
    """Two to so many (four or more) round numbers within a range."""
    span = high - low
    if not span > 0:
        return [float(low)]
    power = 10.0 ** math.floor(math.log10(span))
    for step in (share * power for share in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)):
        first = math.ceil(low / step - 1e-9)
        last = math.floor(high / step + 1e-9)
        if last - first < most:
            break
    return [k * step for k in range(first, last + 1)]


def _scale(low: float, high: float, begin: float, end: float):
    """Function from a value to its place."""
    span = high - low if high > low else 1.0
    return lambda value: begin + (np.asarray(value, dtype=float) - low) / span * (end - begin)


def _line(x, y) -> str:
    """Path through all points."""
    return "M" + "L".join(f"{_n(a)} {_n(b)}" for a, b in zip(x, y, strict=True))


def _runs(x, y, mask) -> str:
    """Paths through the stretches where a mask holds; a lone sample is no stretch."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return "".join(
        _line(x[a:b], y[a:b]) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1
    )


def _dot(x: float, y: float, is_filled: bool) -> str:
    fill = COLOURS[1] if is_filled else "#fff"
    return f'<circle cx="{_n(x)}" cy="{_n(y)}" r="2" fill="{fill}" stroke="{COLOURS[1]}"/>'


def _n(value: float) -> str:
    """A place to a tenth of a unit, without needless zeros."""
    return f"{float(value):.1f}".removesuffix(".0")


def _shorten(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"
