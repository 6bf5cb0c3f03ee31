"""Doubts about cells: size, loading, masses, methods that disagree, cells unlike their mates."""

import statistics
from collections.abc import Callable, Mapping

import numpy as np

from charscreen.capacitance.over_tests import choose_method, mean_of_tests
from charscreen.findings import QUESTIONS, Finding, typed_text
from charscreen.words import activation_words, list_ids

# Two methods of one cell are asked about where they differ by more than both of these.
# Common practice, no source: currents and windows differ, so a few percent are nothing new.
METHODS_SHARE = 0.20  # of their mean
METHODS_SIGMA = 3.0  # combined standard uncertainties


def cell_finding(cell: Mapping, severity: str, column: str, message: str) -> Finding:
    """A finding on the row of a cell, with the value that was typed in that column."""
    accepted = (cell.get("accepted") or "") if severity == QUESTIONS else ""
    value = typed_text(cell.get(column))
    return Finding(
        *("cells", cell.get("row"), column, value, severity, message, accepted), id=cell["cell"]
    )


def mass_column(cell: Mapping, k: int) -> str:
    """The column that the coating of electrode 1 or 2 was written in."""
    net, gross = f"electrode_{k}_mg", f"electrode_{k}_gross_mg"
    return gross if cell.get(net) is None and cell.get(gross) is not None else net


def question_figures(row: Mapping, cell: Mapping, limits: Mapping, add: Callable) -> None:
    """Question what is implausible in the figures of one cell.

    Parameters
    ----------
    row : mapping
        Its figures.
    cell : mapping
        Its row of cells.csv.
    limits : mapping
        ``electrode_F_per_g``, ``loading_mg_per_cm2``, ``mass_u_percent``.
    add : callable
        Takes severity, column, message.
    """
    highest = limits.get("electrode_F_per_g")
    if highest and row["electrode_F_per_g"] > highest:
        add(QUESTIONS, mass_column(cell, 1),
            f"the electrode figure is {row['electrode_F_per_g']:.4g} F/g, above {highest:g}. "
            "Check the electrode masses (mg, dry coating without collector), the current's unit "
            "and the upper voltage.")  # fmt: skip
    loading, least = row["loading_mg_per_cm2"], limits.get("loading_mg_per_cm2")
    if loading is not None and least and loading < least:
        add(QUESTIONS, "area_cm2",
            f"the loading is {loading:.3g} mg of carbon per cm², under {least:g}: figures per "
            "gram are then unsure. Coat thicker, or check masses and area.")  # fmt: skip
    largest = limits.get("mass_u_percent")
    for k in (1, 2):
        share = 100.0 * row[f"carbon_{k}_mg_se"] / row[f"carbon_{k}_mg"]
        if largest and share > largest:
            add(QUESTIONS, mass_column(cell, k),
                f"the carbon on electrode {k} is only known to {share:.3g} %, over {largest:g} "
                "%. Coat more, or use a finer balance.")  # fmt: skip


def question_methods(tests: list[dict], method_order: list[str], add: Callable) -> None:
    """Question methods whose capacitance is unlike that of the method that counts.

    Parameters
    ----------
    tests : list of dict
        Rows of test_results of one cell.
    method_order : list of str
        The first that has a capacitance counts.
    add : callable
        Takes severity, column, message.

    Notes
    -----
    Each method gives the mean over its tests. Asked about are differences above 20 % of the
    mean of both and above three combined standard uncertainties (common practice, no source).
    """
    counts, used = choose_method(tests, method_order)
    if counts is None:
        return
    value, u = mean_of_tests(used, "capacitance_F")
    for method in sorted({test["method"] for test in tests} - {counts}):
        _, others = choose_method(tests, [method])
        other, u_other = mean_of_tests(others, "capacitance_F")
        if other is None or value + other <= 0:
            continue
        apart = abs(value - other)
        share = apart / (0.5 * (value + other))
        if share <= METHODS_SHARE or apart <= METHODS_SIGMA * np.hypot(u or 0.0, u_other or 0.0):
            continue
        names, other_names = (list_ids([t["test"] for t in group]) for group in (used, others))
        add(QUESTIONS, "cell",
            f"{counts} ({names}) gives {value:.3g} F and {method} ({other_names}) {other:.3g} F: "
            f"they differ by {100 * share:.2g} %, more than their uncertainties allow. {counts} "
            "counts, as the first in method_order that this cell has. Check the typed farads, "
            "loads, currents and times, and exclude the wrong test (exclude_reason).")  # fmt: skip


def question_likes(
    rows: list[dict], cells: list[dict], pools: Mapping[str, str], limits: Mapping
) -> list[Finding]:
    """Questions on cells whose electrode figure is far from that of their likes.

    Parameters
    ----------
    rows : list of dict
        Figures of all cells.
    cells : list of dict
        Rows of cells.csv.
    pools : mapping of str to str
        Run to pool, of the runs that were mixed.
    limits : mapping
        ``lot_mates_factor`` within a lot (a run, or a pool of runs), ``like_cells_factor`` for
        a cell that is alone in its lot, against all cells of its feedstock and activation.

    Returns
    -------
    list of Finding

    Notes
    -----
    Three cells and more: each against the median. Two: one finding names both, on the row of
    that further from the median of its feedstock and activation, or of the smaller where there
    are no others. A figure wrong by sixty (minutes for seconds) or by ten (a decimal mark) shows
    so whatever its size is.
    """
    by_cell = {cell["cell"]: cell for cell in cells}
    lots: dict[str, list[dict]] = {}
    kinds: dict[tuple, list[dict]] = {}
    for row in rows:
        lots.setdefault(pools.get(row["run"]) or row["run"], []).append(row)
        kinds.setdefault((row["feedstock"], row["activation"]), []).append(row)
    found = []
    within, among = limits.get("lot_mates_factor"), limits.get("like_cells_factor")
    for lot, mates in lots.items():
        if len(mates) > 1 and within:
            kind = kinds[mates[0]["feedstock"], mates[0]["activation"]]
            found += _unlike(mates, mates, within, f"of lot {lot}", kind)
    alone = [mates[0] for mates in lots.values() if len(mates) == 1]
    for (feedstock, _), kind in kinds.items():
        asked = [row for row in kind if any(row is one for one in alone)]
        if among and asked and len(kind) > 1:
            words = f"of {feedstock}, {activation_words({'activation': kind[0]['activation']})}"
            found += _unlike(asked, kind, among, words, kind)
    return [
        cell_finding(by_cell[name], QUESTIONS, mass_column(by_cell[name], 1), message)
        for name, message in found
    ]


def _unlike(asked, group, factor, words, kind) -> list[tuple[str, str]]:
    """Cell and message for those of a group that are further from its middle than a factor."""
    check = "Check times, masses, farads and currents"
    if len(group) == 2:
        first, second = group
        ratio = _ratio(*(row["electrode_F_per_g"] for row in group))
        if ratio <= factor:
            return []
        usual = statistics.median(row["electrode_F_per_g"] for row in kind)
        far = [_ratio(row["electrode_F_per_g"], usual) for row in group]
        message = (
            f"{first['cell']} and {second['cell']} {words} differ by a factor of {ratio:.2g} "
            f"({first['electrode_F_per_g']:.3g} and {second['electrode_F_per_g']:.3g} F/g). "
            f"{check} of both."
        )
        return [(first["cell"] if far[0] > far[1] else second["cell"], message)]
    # The median of all is that of the others, near enough, and one bad cell does not move it.
    usual = statistics.median(row["electrode_F_per_g"] for row in group)
    found = []
    for row in asked:
        value = row["electrode_F_per_g"]
        ratio = _ratio(value, usual)
        if ratio > factor:
            side = "above" if value > usual else "below"
            message = (
                f"{row['cell']} gives {value:.3g} F/g, a factor of {ratio:.2g} {side} the "
                f"{usual:.3g} F/g in the middle of the {len(group)} cells {words}. {check}."
            )
            found.append((row["cell"], message))
    return found


def _ratio(one: float, other: float) -> float:
    """The larger over the smaller."""
    low, high = sorted((one, other))
    return high / low if low > 0 else float("inf")
