"""Checks of firings: what was done against the plan, dates in order, kiln logs that can be read."""

from pathlib import Path

from charscreen.deviations import off_plan, other_scale
from charscreen.findings import nearest
from charscreen.screen.check_cells import files_below, missing_file
from charscreen.screen.review import Review


def check_firings(review: Review, traces: Path) -> None:
    """Firings that were done against the lots planned for them, and their logs.

    Parameters
    ----------
    review : Review
        All tables.
    traces : Path
        Folder of the logs.
    """
    present = files_below(traces)
    for row in review.rows("firings"):
        _check_log(review, row, present)
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
    limits = review.config.get("limits", {})

    def is_off(name: str, wanted: float | None) -> bool:
        return None not in (row[name], wanted) and off_plan(name, row[name], wanted, limits)

    # The log is read later: what counts then may differ from what is typed here.
    counts = "the models take what was {}."
    if row["log"] is not None and row["log_map"] is not None:
        counts = "the models take the log, which is given here, wherever it can be read."
    wanted = planned[columns[0]]
    if is_off("peak_temperature_C", wanted):
        scale = other_scale(row["peak_temperature_C"], wanted)
        review.questions(
            "firings",
            row,
            "peak_temperature_C",
            f"The peak typed is {row['peak_temperature_C']:g} °C where {wanted:g} °C was planned. "
            f"Check the reading; {counts.format('reached')}{scale}",
        )
    wanted = planned[columns[1]]
    if is_off("hold_min", wanted):
        review.questions(
            "firings",
            row,
            "hold_min",
            f"The hold typed is {row['hold_min']:g} min where {wanted:g} min was planned. Check "
            f"the reading and its unit (minutes, not hours); {counts.format('done')}",
        )
    wanted = planned["ramp_C_per_min"] if columns[0] == "peak_temperature_C" else None
    if is_off("ramp_C_per_min", wanted):
        review.questions(
            "firings",
            row,
            "ramp_C_per_min",
            f"The kiln heated at {row['ramp_C_per_min']:g} °C/min where {wanted:g} °C/min was "
            "planned. Check the reading; the models do not use the rate.",
        )


def _check_log(review: Review, row: dict, present: dict[str, str]) -> None:
    """A log needs its file and a column map with a temperature; without, typed values count."""
    if row["log"] is None:
        if row["log_map"] is not None:
            review.questions(
                "firings", row, "log_map", "There is no log to read with it. Name the log's file."
            )
        return
    if present.get(row["log"]) != "":
        review.questions(
            "firings",
            row,
            "log",
            missing_file(row["log"], present) + " Until then the values typed here count.",
        )
        row["log"] = None
        return
    maps = review.config.get("column_maps")
    if maps is None:
        return
    name = row["log_map"]
    if name is None:
        review.questions(
            "firings",
            row,
            "log_map",
            "The cell is empty, and a log needs a column map. Name one; until then the values "
            "typed here count.",
        )
    elif name not in maps:
        near = nearest(name, maps)
        meant = f"Did you mean '{near}'? " if near else ""
        review.stops(
            "firings",
            row,
            "log_map",
            f"'{name}' is not under column_maps in config.yaml. {meant}Known are "
            f"{', '.join(maps) or 'none yet'}.",
        )
    elif "temperature" not in maps[name]:
        review.stops(
            "firings",
            row,
            "log_map",
            f"The column map {name} names no temperature. Add "
            "temperature: {column: NAME, unit: C} to it in config.yaml.",
        )
