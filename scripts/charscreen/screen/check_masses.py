"""Checks of the weighings: masses that grow where they cannot, wrong units, odd yields."""

from charscreen.findings import nearest
from charscreen.ledger.stoichiometry import koh_balance
from charscreen.screen.review import Review

NAMES = (
    *("feed_ar", "feed_dry", "char", "char_ground", "char_washed", "char_taken", "koh"),
    *("activated_unwashed", "activated"),
)
# Thresholds of the questions below: common practice, no source.
MOISTURE_POINTS = 8.0
LOW_YIELD, HIGH_YIELD = 0.01, 0.65
LEAST_OF_TEN = 0.15  # a char that is only a little too heavy has lost no decimal mark
LOW_ACTIVATION, HIGH_ACTIVATION = 0.01, 0.95


def check_masses(review: Review) -> None:
    """All checks of masses.csv, row by row; a row that is left out is looked at no further."""
    lots = review.rows_by_id("design")
    feeds = review.rows_by_id("feedstocks")
    for row in review.rows("masses"):
        _check_balance(review, row)
        if _check_pairs(review, row):
            continue
        lot = lots.get(row["run"]) or {}
        feed = feeds.get(lot.get("feedstock")) or {}
        net = {name: net_mass(row, name) for name in NAMES}
        if not _is_possible(review, row, net, lot, feed):
            continue
        _question_moisture(review, row, net, feed)
        _question_yields(review, row, net, lot, feed)
        _question_koh(review, row, net, lot)
    _check_aliquots(review, lots)


def net_mass(row: dict, name: str) -> float | None:
    """Net mass of a weighing [g], from gross and tare where these were given."""
    net = row[f"{name}_g"]
    if net is not None:
        return net
    gross, tare = row[f"{name}_gross_g"], row[f"{name}_tare_g"]
    return None if gross is None or tare is None else gross - tare


def _check_balance(review: Review, row: dict) -> None:
    balances = review.config.get("balances")
    name = row["balance"]
    if balances is None or name is None or name in balances:
        return
    near = nearest(name, balances)
    meant = f"Did you mean '{near}'? " if near else ""
    review.stops(
        "masses",
        row,
        "balance",
        f"'{name}' is not under balances in config.yaml. {meant}Known are {', '.join(balances)}.",
    )


def check_pair(review: Review, table: str, row: dict, *, net: str, gross: str, empty: str) -> bool:
    """Net, or gross with tare: never both, never half. True where the row was left out."""
    if row[net] is not None and (row[gross] is not None or row[empty] is not None):
        given = gross if row[gross] is not None else empty
        review.stops(
            table,
            row,
            given,
            f"{net} is given as well. Keep either the net or the pair of weighings.",
        )
    elif (row[gross] is None) != (row[empty] is None):
        missing, given = (empty, gross) if row[empty] is None else (gross, empty)
        review.questions(
            table,
            row,
            missing,
            f"The cell is empty while {given} is given, so the net mass is not known. Fill it.",
        )
    elif row[gross] is not None and row[gross] <= row[empty]:
        review.leaves_out(
            table,
            row,
            gross,
            f"{row[gross]:g} is not above {empty}, {row[empty]:g}: nothing is left. The row is "
            "left out; check whether the two were swapped.",
        )
        return True
    return False


def _check_pairs(review: Review, row: dict) -> bool:
    return any(
        check_pair(
            review,
            "masses",
            row,
            net=f"{name}_g",
            gross=f"{name}_gross_g",
            empty=f"{name}_tare_g",
        )
        for name in NAMES
    )


def _column(row: dict, name: str) -> str:
    return f"{name}_g" if row[f"{name}_g"] is not None else f"{name}_gross_g"


def _is_possible(review: Review, row: dict, net: dict, lot: dict, feed: dict) -> bool:
    """False where a mass grew along the chain and the row was left out."""
    wet, dry, source = net["feed_ar"], *dry_feed(row, net, feed)
    steps = [
        ("feed_dry", net["feed_dry"], wet, "feed as received", "Were the two swapped?"),
        ("char", net["char"], dry, source, "Was the char dry, and are both in grams?"),
        ("char", net["char"], wet, "feed as received", "Was the char dry, and are both in grams?"),
        ("char_ground", net["char_ground"], net["char"], "char", "Were the two swapped?"),
        (
            "char_washed",
            net["char_washed"],
            _first(net["char_ground"], net["char"]),
            "char before its wash",
            "Was it dry again?",
        ),
        ("char_taken", net["char_taken"], _char_there(net), "char there was", "Are both in grams?"),
        ("activated", net["activated"], _taken(net), "char it came from", "Was it washed and dry?"),
        (
            "activated",
            net["activated"],
            net["activated_unwashed"],
            "carbon before its wash",
            "Were the two swapped?",
        ),
    ]
    for name, heavier, lighter, words, question in steps:
        if heavier is not None and lighter is not None and heavier > lighter * (1 + 1e-9):
            review.leaves_out(
                "masses",
                row,
                _column(row, name),
                f"{heavier:g} g is more than the {words}, {lighter:.4g} g. {question}"
                f"{_moved_mark(name, heavier / lighter, heavier)} The row is left out until it is "
                "mended.",
            )
            return False
    parts = (row["char_ash_d_percent"], row["char_volatile_d_percent"])
    if None not in parts and sum(parts) > 100:
        review.leaves_out(
            "masses",
            row,
            "char_volatile_d_percent",
            f"Ash {parts[0]:g} % and volatile matter {parts[1]:g} % are more than the char. Both "
            "are percent of the dry char. The row is left out until they are mended.",
        )
        return False
    if net["activated"] is not None and lot.get("activation") == "none":
        review.leaves_out(
            "masses",
            row,
            _column(row, "activated"),
            f"{net['activated']:g} g was activated, but design says activation none for "
            f"{row['run']}. The row is left out; correct one of the two.",
        )
        return False
    return True


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)


def _moved_mark(name: str, ratio: float, mass: float) -> str:
    """Words where a tenth of a char would be an ordinary yield, with a blank before."""
    if name != "char" or not LEAST_OF_TEN < ratio / 10 < HIGH_YIELD:
        return ""
    return f" Was it {mass / 10:g} g, a decimal mark lost?"


def _char_there(net: dict) -> float | None:
    """Char there was to take from, after grinding and washing where these were weighed. [g]"""
    return _first(net["char_washed"], net["char_ground"], net["char"])


def _taken(net: dict) -> float | None:
    """Char that went into the activation. [g]"""
    return _first(net["char_taken"], _char_there(net))


def dry_feed(row: dict, net: dict, feed: dict) -> tuple[float | None, str]:
    """Dry feed [g], weighed or from a moisture, and what to call it.

    Parameters
    ----------
    row : dict
        Weighing; its ``moisture_ar_percent`` counts before the feedstock's. [%]
    net : dict
        ``feed_ar`` and ``feed_dry``. [g]
    feed : dict
        Row of the feedstock; may be empty.
    """
    if net["feed_dry"] is not None:
        return net["feed_dry"], "dry feed"
    if net["feed_ar"] is None:
        return None, ""
    if row["moisture_ar_percent"] is not None:
        words = f"dry feed (moisture {row['moisture_ar_percent']:g} % of the aliquot)"
        return net["feed_ar"] * (1 - row["moisture_ar_percent"] / 100), words
    if feed.get("moisture_ar_percent") is not None:
        words = f"dry feed (moisture {feed['moisture_ar_percent']:g} % as stated in feedstocks)"
        return net["feed_ar"] * (1 - feed["moisture_ar_percent"] / 100), words
    return None, ""


def _question_moisture(review: Review, row: dict, net: dict, feed: dict) -> None:
    weighed = None
    column = "moisture_ar_percent"
    if net["feed_ar"] is not None and net["feed_dry"] is not None:
        weighed = 100 * (1 - net["feed_dry"] / net["feed_ar"])
        column = _column(row, "feed_dry")
    aliquot, stated = row["moisture_ar_percent"], feed.get("moisture_ar_percent")
    if weighed is not None and aliquot is not None and abs(weighed - aliquot) > MOISTURE_POINTS:
        review.questions(
            "masses",
            row,
            "moisture_ar_percent",
            f"The aliquot has {aliquot:.3g} % water, the feed lost {weighed:.3g} % on drying. "
            "Check both weighings.",
        )
    measured = _first(weighed, aliquot)
    if measured is not None and stated is not None and abs(measured - stated) > MOISTURE_POINTS:
        review.questions(
            "masses",
            row,
            column,
            f"The feed holds {measured:.3g} % water by these weighings, feedstocks states "
            f"{stated:.3g} %. Check whether it was dried to constant mass, or correct feedstocks.",
        )


def _question_yields(review: Review, row: dict, net: dict, lot: dict, feed: dict) -> None:
    char, (dry, _) = net["char"], dry_feed(row, net, feed)
    if char is not None and dry is not None:
        share = char / dry
        if share < LOW_YIELD:
            review.questions(
                "masses",
                row,
                _column(row, "char"),
                f"The char is {100 * share:.2g} % of the dry feed, which is very little. Check "
                "the units (milligrams for grams?) and whether char was lost.",
            )
        elif share > HIGH_YIELD:
            review.questions(
                "masses",
                row,
                _column(row, "char"),
                f"The char is {100 * share:.3g} % of the dry feed, which is very much. Was it "
                "dry, and was the firing complete?",
            )
    taken = _taken(net)
    if net["activated"] is not None and taken is not None:
        share = net["activated"] / taken
        if share < LOW_ACTIVATION or share > HIGH_ACTIVATION:
            review.questions(
                "masses",
                row,
                _column(row, "activated"),
                f"The activated carbon is {100 * share:.3g} % of its char, which is unusual. "
                "Check the units, and whether it was washed and dry.",
            )


def _question_koh(review: Review, row: dict, net: dict, lot: dict) -> None:
    koh, taken = net["koh"], _taken(net)
    if koh is None:
        return
    if lot.get("activation") == "none":
        review.questions(
            "masses",
            row,
            _column(row, "koh"),
            f"KOH was weighed in, but design says activation none for {row['run']}. Correct one "
            "of the two.",
        )
        return
    purity = review.config.get("koh_purity_percent", 100.0)
    found = koh_balance(koh, char_g=taken, purity_percent=purity)
    limits = review.config.get("limits", {})
    planned = lot.get("koh_ratio")
    if found.ratio is None:
        return
    off = limits.get("koh_ratio_off_percent", 20.0) / 100
    pure = f" ({purity:g} % pure)" if purity < 100 else ""
    if planned is not None and abs(found.ratio / planned - 1) > off:
        review.questions(
            "masses",
            row,
            _column(row, "koh"),
            f"{koh:g} g KOH{pure} on {taken:.4g} g char is {found.ratio:.2f} to 1, planned was "
            f"{planned:g} to 1. Check both weighings, or correct koh_ratio in design."
            f"{_ratio_of_another(koh, planned, off, net)}",
        )
    most = limits.get("koh_carbon_percent", 50.0)
    if found.carbon_percent > most:
        review.questions(
            "masses",
            row,
            _column(row, "koh"),
            f"{koh:g} g KOH{pure} can consume {found.carbon_percent:.0f} % of {taken:.4g} g char "
            f"(limit {most:g} %) and make up to {found.potassium_g:.2g} g of potassium metal and "
            f"{found.hydrogen_L:.2g} L of hydrogen. Check both weighings, and plan less KOH.",
        )


def _ratio_of_another(koh: float, planned: float, off: float, net: dict) -> str:
    """Words where the KOH has the planned ratio to another mass, with a blank before."""
    others = (("feed_ar", "feed as received"), ("feed_dry", "dry feed"), ("char", "whole char"))
    for name, words in others:
        if net[name] and abs(koh / net[name] / planned - 1) <= off:
            return f" It has that ratio to the {words}: KOH counts per gram of char taken."
    return ""


def _check_aliquots(review: Review, lots: dict[str, dict]) -> None:
    """What was taken from a char does not exceed it."""
    weighed = review.rows_by_id("masses")
    parents: dict[str, list[dict]] = {}
    for row in review.rows("masses"):
        parent = (lots.get(row["run"]) or {}).get("parent")
        if parent:
            parents.setdefault(parent, []).append(row)
    for parent, rows in parents.items():
        source = weighed.get(parent)
        if source is None:
            continue
        there = _char_there({name: net_mass(source, name) for name in NAMES})
        total = 0.0
        for row in rows:
            taken = net_mass(row, "char_taken")
            if taken is None or there is None:
                continue
            if taken > there * (1 + 1e-9):
                review.leaves_out(
                    "masses",
                    row,
                    _column(row, "char_taken"),
                    f"{taken:g} g is more than the char of its parent {parent}, {there:.4g} g "
                    f"(row {source['row']}). The row is left out until one is mended.",
                )
                continue
            total += taken
            if total > there * (1 + 1e-9):
                review.questions(
                    "masses",
                    row,
                    _column(row, "char_taken"),
                    f"With this aliquot {total:.4g} g were taken from the char of {parent}, which "
                    f"had {there:.4g} g (row {source['row']}). Check these weighings.",
                )
