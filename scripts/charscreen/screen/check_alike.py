"""Checks of a row against its neighbours and its likes: copied down, far from all others."""

import datetime
import statistics
from itertools import pairwise

from charscreen.screen.check_masses import dry_feed, net_mass
from charscreen.screen.review import Review
from charscreen.screen.schemas import table_schemas

# Thresholds of the questions below: common practice, no source.
CHAR_FACTOR = 1.7  # char yield against the other lots of its feedstock
ACTIVATED_FACTOR = 2.0  # activation yield against all other activated lots
FEWEST_OTHERS = 3
COPIED_CELLS = 3  # successive cells with the very same two electrodes
ALL_EQUAL_CELLS = 5
ASH_FACTOR = 1.5  # ash of the char against all ash of the feed
YEARS_APART = 5


def check_masses_alike(review: Review) -> None:
    """Weighings that look copied down, and yields far from those of the same kind."""
    lots = review.rows_by_id("design")
    feeds = review.rows_by_id("feedstocks")
    _question_copied_masses(review)
    asked = {
        (finding.row, finding.column) for finding in review.findings if finding.table == "masses"
    }
    chars: dict[str, list[tuple[float, dict]]] = {}
    activated: list[tuple[float, dict]] = []
    for row in review.rows("masses"):
        lot = lots.get(row["run"]) or {}
        feed = feeds.get(lot.get("feedstock")) or {}
        char = net_mass(row, "char")
        net = {name: net_mass(row, name) for name in ("feed_ar", "feed_dry")}
        dry, _ = dry_feed(row, net, feed)
        if char is not None and dry:
            chars.setdefault(lot.get("feedstock") or "", []).append((char / dry, row))
            _question_ash(review, row, char * _percent(row), dry * _percent(feed, "ash_d_percent"))
        taken, carbon = net_mass(row, "char_taken"), net_mass(row, "activated")
        if taken and carbon is not None:
            activated.append((carbon / taken, row))
    for feedstock, shares in chars.items():
        what = f"of the dry feed, that of the other lots of {feedstock}"
        _question_unlike(review, shares, CHAR_FACTOR, "char", what, asked)
    what = "of its char, that of the other activated lots"
    _question_unlike(review, activated, ACTIVATED_FACTOR, "activated", what, asked)


def _percent(row: dict, name: str = "char_ash_d_percent") -> float:
    value = row.get(name)
    return float("nan") if value is None else value / 100


def _column(row: dict, name: str, unit: str = "g") -> str:
    return f"{name}_{unit}" if row[f"{name}_{unit}"] is not None else f"{name}_gross_{unit}"


def _question_unlike(
    review: Review,
    shares: list[tuple[float, dict]],
    factor: float,
    name: str,
    what: str,
    asked: set[tuple],
) -> None:
    """Ask about a mass whose share is far from the median of its likes."""
    if len(shares) <= FEWEST_OTHERS:
        return
    # The median of all is that of the others, near enough, and does not hang on the row itself.
    usual = statistics.median(share for share, _ in shares)
    for share, row in shares:
        ratio = share / usual
        column = _column(row, name)
        if 1 / factor <= ratio <= factor or (row["row"], column) in asked:
            continue
        near_ten = 8 < max(ratio, 1 / ratio) < 12.5
        guess = "Was a decimal mark lost or moved?" if near_ten else _guess(name, ratio)
        review.questions(
            "masses",
            row,
            column,
            f"The mass is {100 * share:.3g} % {what} {100 * usual:.3g} % in the middle. {guess} "
            "Check this row's weighings.",
        )


def _guess(name: str, ratio: float) -> str:
    if ratio < 1:
        return "Was some of it lost, or another mass mistyped?"
    if name == "char":
        return "Was it dry, and was the tare taken off?"
    return "Was it washed and dry, and was the tare taken off?"


def _question_ash(review: Review, row: dict, in_char: float, in_feed: float) -> None:
    # Not true where either is unknown.
    if in_feed > 0 and in_char > ASH_FACTOR * in_feed:
        review.questions(
            "masses",
            row,
            "char_ash_d_percent",
            f"The char holds {in_char:.3g} g of ash, its feed only {in_feed:.3g} g. Ash does not "
            "grow: check this ash, ash_d_percent in feedstocks, and whether packing got into it.",
        )


def _question_copied_masses(review: Review) -> None:
    """Two successive lots with the very same weighings, at least two of them."""
    before = None
    names = [
        name
        for name, column in table_schemas()["masses"].columns.items()
        if column.unit == "g" and not name.endswith("_tare_g")
    ]
    for row in review.rows("masses"):
        if before is not None:
            same = [name for name in names if row[name] is not None and row[name] == before[name]]
            filled = [name for name in names if row[name] is not None]
            if len(same) > 1 and same == filled:
                review.questions(
                    "masses",
                    row,
                    same[-1],
                    f"All weighings are the same as those of {before['run']} in row "
                    f"{before['row']}. Were they copied down? Write what this lot weighed.",
                )
        before = row


def check_cells_alike(review: Review) -> None:
    """Electrode masses that look copied, down a column or from one electrode to the other."""
    rows = [row for row in review.rows("cells") if None not in _electrodes(row)]
    run = 1
    for before, row in pairwise(rows):
        run = run + 1 if _electrodes(row) == _electrodes(before) else 1
        if run == COPIED_CELLS:
            first, second = _electrodes(row)
            review.questions(
                "cells",
                row,
                _column(row, "electrode_1", "mg"),
                f"{COPIED_CELLS} cells in a row have electrodes of {first:.4g} and {second:.4g} "
                "mg. Were the masses copied down? Write what each electrode weighed.",
            )
    if len(rows) >= ALL_EQUAL_CELLS and all(len(set(_electrodes(row))) == 1 for row in rows):
        review.questions(
            "cells",
            rows[0],
            _column(rows[0], "electrode_2", "mg"),
            f"Both electrodes weigh the same in each of the {len(rows)} cells. Was one electrode's "
            "mass written for both? Each needs its own.",
        )


def _electrodes(row: dict) -> tuple[float | None, float | None]:
    masses = []
    for side in (1, 2):
        net = row[f"electrode_{side}_mg"]
        gross = row[f"electrode_{side}_gross_mg"]
        collector = row[f"electrode_{side}_collector_mg"]
        if net is None and None not in (gross, collector):
            net = round(gross - collector, 6)
        masses.append(net)
    return masses[0], masses[1]


def check_dates_alike(review: Review) -> None:
    """A day that lies years away from all others of the screen."""
    dated = [
        (datetime.date.fromisoformat(row[column.name]), table, row, column.name)
        for table, schema in table_schemas().items()
        for column in schema.columns.values()
        if column.type == "date"
        for row in review.rows(table)
        if row[column.name] is not None
    ]
    if len(dated) <= FEWEST_OTHERS:
        return
    middle = sorted(entry[0] for entry in dated)[len(dated) // 2]
    for day, table, row, column in dated:
        if abs(day - middle) > datetime.timedelta(days=365.25 * YEARS_APART):
            review.questions(
                table,
                row,
                column,
                f"{day.isoformat()} is more than {YEARS_APART} years away from most days of this "
                f"screen ({middle.isoformat()} in the middle). Check the year.",
            )
