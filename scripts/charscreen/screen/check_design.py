"""Checks of lots: what a firing shares, which crucible, which activation, which pool."""

from collections import Counter

from charscreen.deviations import other_scale
from charscreen.screen.review import Review
from charscreen.words import agree, count_words

_OF_CHAR_FIRING = ("peak_temperature_C", "hold_min", "ramp_C_per_min")
_OF_ACTIVATION = ("activation_temperature_C", "activation_hold_min")
_OF_KOH = ("koh_ratio", "activation_firing", *_OF_ACTIVATION)


def check_design(review: Review) -> None:
    """All checks of design.csv that need no other measurement."""
    _check_parents(review)
    _check_pools(review)
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


def _check_pools(review: Review) -> None:
    """Lots mixed before coating are of one feedstock and made alike."""
    runs = review.rows_by_id("design")
    pools: dict[str, list[dict]] = {}
    for row in review.rows("design"):
        if row["pool"] is None:
            continue
        if row["pool"] in runs:
            review.stops(
                "design",
                row,
                "pool",
                f"'{row['pool']}' is a run in row {runs[row['pool']]['row']}. Give the pool a "
                "name of its own, and the same one to every run that went into it.",
            )
        pools.setdefault(row["pool"], []).append(row)
    for pool, rows in pools.items():
        first = rows[0]
        for row in rows[1:]:
            for column in ("feedstock", "activation", "koh_ratio"):
                if row[column] != first[column]:
                    review.stops(
                        "design",
                        row,
                        column,
                        f"'{_text(row[column])}' differs from '{_text(first[column])}' in row "
                        f"{first['row']}, and both went into pool {pool}. A pool is one kind of "
                        "carbon: correct one, or empty pool.",
                    )
            for column in ("firing", "activation_firing", "peak_temperature_C", "hold_min"):
                if row[column] != first[column]:
                    review.questions(
                        "design",
                        row,
                        column,
                        f"Pool {pool} mixes {_text(row[column])} with {_text(first[column])} of "
                        f"row {first['row']}. Its cells count to the firing of the run they name, "
                        "so the scatter between firings comes out too small.",
                    )
                    break


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
                "kiln.max_temperature_C in config.yaml). Correct one of them."
                f"{other_scale(row[column])}",
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
        n = count[name]
        start = f"{count_words(n, 'lot')} of {name} {agree(n, 'goes', 'go')} with KOH"
        if feed["may_activate"] == "no":
            review.questions(
                "design",
                row,
                "activation",
                f"{start}, but feedstocks says may_activate no. Correct one of them.",
            )
        nitrogen = feed["nitrogen_d_percent"]
        if limit is not None and nitrogen is not None and nitrogen > limit:
            review.questions(
                "design",
                row,
                "activation",
                f"{start}, and its nitrogen is {nitrogen:g} % (limit "
                f"{limit:g} %). Cyanides can form, and acid then frees hydrogen cyanide: test for "
                "them before any acid wash, follow your safety data sheets and a written "
                "procedure, or choose another feed.",
            )


def _text(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
