"""Checks of lots and firings: what a firing shares, which crucible, which activation."""

from collections import Counter

from charscreen.findings import nearest
from charscreen.screen.review import Review

OVERSHOOT_C = 20.0  # common practice, no source
HOLD_SHARE = 0.25  # common practice, no source
_OF_CHAR_FIRING = ("peak_temperature_C", "hold_min", "ramp_C_per_min")
_OF_ACTIVATION = ("activation_temperature_C", "activation_hold_min")
_OF_KOH = ("koh_ratio", "activation_firing", *_OF_ACTIVATION)


def check_design(review: Review) -> None:
    """All checks of design.csv that need no other measurement."""
    _check_parents(review)
    _check_shared(review, "firing", _OF_CHAR_FIRING)
    _check_shared(review, "activation_firing", _OF_ACTIVATION)
    _check_crucibles(review)
    _check_activation(review)
    _check_kiln_limit(review)
    _check_cautions(review)


def _check_parents(review: Review) -> None:
    lots = review.rows_by_id("design")
    for row in review.rows("design"):
        parent = lots.get(row["parent"])
        if parent is None:
            continue
        if parent["parent"]:
            review.stops(
                "design",
                row,
                "parent",
                f"'{row['parent']}' is itself an aliquot of '{parent['parent']}'. Name the run "
                "that was fired.",
            )
            continue
        for column in ("feedstock", "firing", "peak_temperature_C", "hold_min"):
            mine, its = row[column], parent[column]
            if None not in (mine, its) and mine != its:
                review.stops(
                    "design",
                    row,
                    column,
                    f"'{_text(mine)}' differs from '{_text(its)}' of its parent {row['parent']} "
                    f"(row {parent['row']}). An aliquot carries its parent's; correct one.",
                )


def _check_shared(review: Review, group: str, columns: tuple[str, ...]) -> None:
    """Lots of one firing carry the same firing conditions: the kiln has one temperature."""
    members: dict[str, list[dict]] = {}
    for row in review.rows("design"):
        if row[group] is not None and (group != "firing" or row["parent"] is None):
            members.setdefault(row[group], []).append(row)
    for firing, rows in members.items():
        for column in columns:
            values = [row[column] for row in rows if row[column] is not None]
            if len(set(values)) < 2:
                continue
            # Counter keeps the order of first sight, so a tie goes to the earlier value.
            usual = Counter(values).most_common(1)[0][0]
            like = next(row for row in rows if row[column] == usual)
            for row in rows:
                if row[column] not in (None, usual):
                    review.stops(
                        "design",
                        row,
                        column,
                        f"{row[column]:g} differs from {usual:g} in row {like['row']}, which is "
                        f"in the same firing {firing}. All crucibles of a firing share it: "
                        "correct one, or name another firing.",
                    )


def _check_crucibles(review: Review) -> None:
    seen: dict[tuple, dict] = {}
    lots: dict[str, list[dict]] = {}
    activated: dict[str, list[dict]] = {}
    for row in review.rows("design"):
        if row["activation_firing"]:
            activated.setdefault(row["activation_firing"], []).append(row)
        if row["parent"]:
            continue
        lots.setdefault(row["firing"], []).append(row)
        if row["crucible"] is None:
            continue
        other = seen.setdefault((row["firing"], row["crucible"].casefold()), row)
        if other is not row:
            review.stops(
                "design",
                row,
                "crucible",
                f"Crucible '{row['crucible']}' of firing {row['firing']} holds run "
                f"{other['run']} in row {other['row']} already. Correct the crucible or the "
                "firing of one of them; an aliquot names its parent instead.",
            )
    room = review.config.get("kiln", {}).get("crucibles")
    if room is None:
        return
    for column, groups in (("firing", lots), ("activation_firing", activated)):
        for firing, rows in groups.items():
            if firing is not None and len(rows) > room:
                review.questions(
                    "design",
                    rows[room],
                    column,
                    f"Firing {firing} holds {len(rows)} lots, the kiln {room} crucibles. Check "
                    "the firings, or kiln.crucibles in config.yaml.",
                )


def _check_activation(review: Review) -> None:
    for row in review.rows("design"):
        if row["activation"] == "KOH":
            for column in ("koh_ratio", "activation_firing"):
                if row[column] is None:
                    what = "the grams of KOH per gram of char" if column == "koh_ratio" else "it"
                    review.stops(
                        "design",
                        row,
                        column,
                        f"The cell is empty, but activation is KOH. Write {what}, or none under "
                        "activation.",
                    )
            for column in _OF_ACTIVATION:
                if row[column] is None:
                    review.questions(
                        "design",
                        row,
                        column,
                        "The cell is empty, but activation is KOH. Write the planned value, since "
                        "candidates are told apart by it.",
                    )
            if row["activation_firing"] is not None and row["activation_firing"] == row["firing"]:
                review.stops(
                    "design",
                    row,
                    "activation_firing",
                    f"'{row['firing']}' is the char firing of this lot as well. Activation is a "
                    "firing of its own: name it.",
                )
            continue
        for column in _OF_KOH:
            if row[column] is not None:
                review.stops(
                    "design",
                    row,
                    column,
                    f"'{_text(row[column])}' is given, but activation is none. Write KOH under "
                    "activation, or empty this cell.",
                )


def _check_kiln_limit(review: Review) -> None:
    hottest = review.config.get("kiln", {}).get("max_temperature_C")
    if hottest is None:
        return
    asked: set[tuple] = set()
    for row in review.rows("design"):
        for group, column in (
            ("firing", "peak_temperature_C"),
            ("activation_firing", "activation_temperature_C"),
        ):
            if row[column] is None or row[column] <= hottest or (group, row[group]) in asked:
                continue
            asked.add((group, row[group]))
            review.questions(
                "design",
                row,
                column,
                f"{row[column]:g} °C is above what the kiln is good for ({hottest:g} °C, "
                "kiln.max_temperature_C in config.yaml). Correct one of them.",
            )


def _check_cautions(review: Review) -> None:
    """Feeds that should not meet KOH, each asked about once."""
    feeds = review.rows_by_id("feedstocks")
    limit = review.config.get("limits", {}).get("nitrogen_d_percent")
    first: dict[str, dict] = {}
    count: Counter = Counter()
    for row in review.rows("design"):
        if row["activation"] == "KOH":
            first.setdefault(row["feedstock"], row)
            count[row["feedstock"]] += 1
    for name, row in first.items():
        feed = feeds.get(name)
        if feed is None:
            continue
        rows = "1 lot" if count[name] == 1 else f"{count[name]} lots"
        if feed["may_activate"] == "no":
            review.questions(
                "design",
                row,
                "activation",
                f"{rows} of {name} go with KOH, but feedstocks says may_activate no. Correct one "
                "of them.",
            )
        nitrogen = feed["nitrogen_d_percent"]
        if limit is not None and nitrogen is not None and nitrogen > limit:
            review.questions(
                "design",
                row,
                "activation",
                f"{rows} of {name} go with KOH, and its nitrogen is {nitrogen:g} % (limit "
                f"{limit:g} %). Cyanides can form, and acid then frees hydrogen cyanide: test for "
                "them before any acid wash, follow your safety data sheets and a written "
                "procedure, or choose another feed.",
            )


def check_firings(review: Review) -> None:
    """Firings that were done against the lots planned for them."""
    chars: dict[str, dict] = {}
    activations: dict[str, dict] = {}
    for row in review.rows("design"):
        if row["firing"] and not row["parent"]:
            chars.setdefault(row["firing"], row)
        if row["activation_firing"]:
            activations.setdefault(row["activation_firing"], row)
    planned_ever = {row["firing"] for row in review.all_rows("design")}
    planned_ever |= {row["activation_firing"] for row in review.all_rows("design")}
    dates = {row["firing"]: row["date"] for row in review.rows("firings")}
    for row in review.rows("firings"):
        firing, kind = row["firing"], row["kind"]
        if firing is None or kind is None:
            continue
        planned, columns = chars.get(firing), ("peak_temperature_C", "hold_min")
        other = activations.get(firing)
        if kind == "activate":
            planned, other = other, planned
            columns = ("activation_temperature_C", "activation_hold_min")
        if planned is None and other is not None:
            review.stops(
                "firings",
                row,
                "kind",
                f"'{kind}' does not fit: design row {other['row']} has {firing} as "
                f"{'activation firing' if kind == 'carbonise' else 'char firing'}. Correct one "
                "of them.",
            )
        elif planned is None and firing not in planned_ever:
            _ask_unused(review, row, {*chars, *activations})
        elif planned is not None:
            _compare_with_plan(review, row, planned, columns)
    for row in review.rows("design"):
        before, after = dates.get(row["firing"]), dates.get(row["activation_firing"])
        if before and after and after < before:
            activation = review.rows_by_id("firings")[row["activation_firing"]]
            review.questions(
                "firings",
                activation,
                "date",
                f"{after} lies before {before}, when firing {row['firing']} made the char of run "
                f"{row['run']}. Correct one of the dates.",
            )
            dates[row["activation_firing"]] = None  # asked once


def _ask_unused(review: Review, row: dict, known: set[str]) -> None:
    near = nearest(row["firing"], sorted(known))
    if near and near.casefold() == row["firing"].casefold():
        text = f"'{row['firing']}' is '{near}' in design; capitals count. Write it alike."
        review.stops("firings", row, "firing", text)
        return
    meant = f" Did you mean '{near}'?" if near and near not in review.rows_by_id("firings") else ""
    text = f"No lot of design was in firing '{row['firing']}'.{meant} Add its lots or correct it."
    review.questions("firings", row, "firing", text)


def _compare_with_plan(review: Review, row: dict, planned: dict, columns: tuple[str, str]) -> None:
    done, wanted = row["peak_temperature_C"], planned[columns[0]]
    if None not in (done, wanted) and abs(done - wanted) > OVERSHOOT_C:
        review.questions(
            "firings",
            row,
            "peak_temperature_C",
            f"The kiln reached {done:g} °C where {wanted:g} °C was planned. Check the reading; "
            "the models take what was reached.",
        )
    done, wanted = row["hold_min"], planned[columns[1]]
    if None not in (done, wanted) and abs(done - wanted) > max(10.0, HOLD_SHARE * wanted):
        review.questions(
            "firings",
            row,
            "hold_min",
            f"The hold was {done:g} min where {wanted:g} min was planned. Check the reading and "
            "its unit (minutes, not hours); the models take what was done.",
        )


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
