"""Checks of cells and tests: what each method needs, files that must exist, dates in order."""

import re
from pathlib import Path

from charscreen.findings import nearest
from charscreen.screen.check_masses import check_pair
from charscreen.screen.review import Review

LEADS_OUT = (
    "is a link that leads out of config/traces, so it is not read. Put the file itself there."
)
OFFERED = 500  # names among which a near one is looked for; more would take seconds
UNEQUAL = 1.5  # ratio of two electrodes that is asked about: common practice, no source
HEAVY_MG_PER_CM2 = 30.0  # dry coating of one electrode: common practice, no source
# Words that name an electrolyte without water; anything else counts as aqueous or unknown.
_WATER_FREE = re.compile(
    r"acetonitrile|\bacn\b|propylene carbonate|\bpc\b|ionic liquid|imidazol|\bemim|teabf|tea-?bf|"
    r"et4nbf4|sbpbf|organic|carbonate solvent",
    re.IGNORECASE,
)


def check_cells(review: Review) -> None:
    """All checks of cells.csv."""
    lots = review.rows_by_id("design")
    fired = {row["firing"]: row["date"] for row in review.rows("firings") if row["date"]}
    limit = review.config.get("limits", {}).get("aqueous_voltage_V")
    for row in review.rows("cells"):
        if any(
            check_pair(
                review,
                "cells",
                row,
                net=f"electrode_{side}_mg",
                gross=f"electrode_{side}_gross_mg",
                empty=f"electrode_{side}_collector_mg",
            )
            for side in (1, 2)
        ):
            continue
        binder, additive = row["binder_percent"] or 0.0, row["additive_percent"] or 0.0
        if binder + additive >= 100:
            review.leaves_out(
                "cells",
                row,
                "additive_percent",
                f"Binder {binder:g} % and additive {additive:g} % leave no carbon. Both are "
                "percent of the dry coating; the cell is left out until they are mended.",
            )
            continue
        _question_electrodes(review, row)
        _question_coating(review, row)
        if limit is not None:
            _question_voltage(review, row, limit)
        lot = lots.get(row["run"]) or {}
        firings = [
            name for name in (lot.get("firing"), lot.get("activation_firing")) if name in fired
        ]
        if firings:
            last = max(firings, key=fired.__getitem__)
            _question_order(review, "cells", row, "assembled", fired[last], f"firing {last}")


def electrode_mass(row: dict, side: int) -> float | None:
    """Dry coating on an electrode [mg], from gross and collector where these were given."""
    net = row[f"electrode_{side}_mg"]
    if net is not None:
        return net
    gross, collector = row[f"electrode_{side}_gross_mg"], row[f"electrode_{side}_collector_mg"]
    return None if gross is None or collector is None else gross - collector


def _question_electrodes(review: Review, row: dict) -> None:
    first, second = electrode_mass(row, 1), electrode_mass(row, 2)
    if first is None or second is None:
        return
    if max(first, second) > UNEQUAL * min(first, second):
        review.questions(
            "cells",
            row,
            "electrode_2_mg" if row["electrode_2_mg"] is not None else "electrode_2_gross_mg",
            f"The electrodes weigh {first:.4g} and {second:.4g} mg. Check both: each needs its "
            "own mass, not that of both, without collector.",
        )


def _question_coating(review: Review, row: dict) -> None:
    masses = [electrode_mass(row, side) for side in (1, 2)]
    if row["area_cm2"] and None not in masses:
        loading = sum(masses) / 2 / row["area_cm2"]
        if loading > HEAVY_MG_PER_CM2:
            review.questions(
                "cells",
                row,
                "electrode_1_mg" if row["electrode_1_mg"] is not None else "electrode_1_gross_mg",
                f"{loading:.3g} mg of coating per cm² is very much. Was the collector weighed "
                "with it, or is area_cm2 that of one electrode?",
            )
    if row["binder_percent"] == 0:
        review.questions(
            "cells",
            row,
            "binder_percent",
            "A coating without binder is unusual. Write the binder of the dry coating, since what "
            "is no binder and no additive counts as carbon.",
        )


def _question_voltage(review: Review, row: dict, limit: float) -> None:
    voltage, electrolyte = row["upper_voltage_V"], row["electrolyte"]
    if voltage is None or voltage <= limit or (electrolyte and _WATER_FREE.search(electrolyte)):
        return
    what = f"electrolyte '{electrolyte}'" if electrolyte else "an electrolyte that is not named"
    review.questions(
        "cells",
        row,
        "upper_voltage_V",
        f"{voltage:g} V with {what} is above {limit:g} V (limits.aqueous_voltage_V). Water splits "
        "from 1.23 V: gas builds up and the charge is no capacitance. Lower the voltage, or name "
        "a water-free electrolyte; never seal such a cell.",
    )


def _question_order(
    review: Review, table: str, row: dict, column: str, before: str | None, what: str
) -> bool:
    if row[column] is None or before is None or row[column] >= before:
        return False
    review.questions(
        table,
        row,
        column,
        f"{row[column]} lies before {before}, the day of {what}. Correct one of the dates.",
    )
    return True


def check_tests(review: Review, traces: Path) -> None:
    """All checks of tests.csv; a test that lacks what its method needs is left out."""
    cells = review.rows_by_id("cells")
    lots = review.rows_by_id("design")
    fired = {row["firing"]: row["date"] for row in review.rows("firings") if row["date"]}
    readings: dict[str, list[dict]] = {}
    for row in review.rows("readings"):
        readings.setdefault(row["test"], []).append(row)
    present = files_below(traces)
    seen: dict[tuple, dict] = {}
    for row in review.rows("tests"):
        if not _has_map(review, row):
            continue
        if not _can_be_evaluated(review, row, readings.get(row["test"], []), present):
            continue
        _check_twice(review, row, seen)
        cell = cells.get(row["cell"]) or {}
        lot = lots.get(cell.get("run")) or {}
        if not _question_order(
            review, "tests", row, "date", cell.get("assembled"), "the cell's assembly"
        ):
            firing = lot.get("activation_firing") or lot.get("firing")
            _question_order(review, "tests", row, "date", fired.get(firing), f"firing {firing}")


def files_below(folder: Path) -> dict[str, str]:
    """Files of a folder and the folders in it, as paths below it, with what forbids reading them.

    Links are followed within the folder only: records may come from anyone, and a link among them
    could have a message quote any file of the machine. The folder itself may be a link.
    """
    if not folder.is_dir():
        return {}
    real = folder.resolve()
    found = {}
    for path in folder.rglob("*"):
        leads_out = path.is_symlink() and not path.resolve().is_relative_to(real)
        if leads_out or path.is_file():
            found[path.relative_to(folder).as_posix()] = LEADS_OUT if leads_out else ""
    return found


def _has_map(review: Review, row: dict) -> bool:
    """Whether the column map is known; an unknown one stops."""
    maps = review.config.get("column_maps")
    name = row["trace_map"]
    if maps is None or name is None or name in maps:
        return True
    near = nearest(name, maps)
    meant = f"Did you mean '{near}'? " if near else ""
    known = ", ".join(maps) if maps else "none yet"
    review.stops(
        "tests",
        row,
        "trace_map",
        f"'{name}' is not under column_maps in config.yaml. {meant}Known are {known}.",
    )
    return False


def _can_be_evaluated(
    review: Review, row: dict, readings: list[dict], present: dict[str, str]
) -> bool:
    """Whether the test has what its method needs; otherwise it is left out."""
    lacking = _lacking(review, row, readings, present)
    if lacking:
        column, message = lacking
        review.leaves_out("tests", row, column, f"{message} The test is left out until then.")
        return False
    if row["trace"] and readings:
        review.questions(
            "tests",
            row,
            "trace",
            f"There is a trace, and {len(readings)} readings in the table readings as well. The "
            "trace is used; take one of them away.",
        )
    if row["start_s"] is not None and row["end_s"] is not None and row["start_s"] >= row["end_s"]:
        text = f"{row['end_s']:g} s is not after start_s, {row['start_s']:g} s. Correct one."
        review.leaves_out("tests", row, "end_s", text)
        return False
    return True


def _lacking(
    review: Review, row: dict, readings: list[dict], present: dict[str, str]
) -> tuple[str, str] | None:
    """Column and message for the first thing a test lacks."""
    method = row["method"]
    if method is None:
        return None
    if method == "direct":
        if row["capacitance_F"] is None:
            return "capacitance_F", "The cell is empty, and the method direct needs it. Write it."
        return None
    if row["trace"] is None and not readings:
        text = f"The method {method} needs a trace, or rows in the table readings. Give one."
        return "trace", text
    if row["trace"] is not None:
        if present.get(row["trace"]) != "":
            return "trace", missing_file(row["trace"], present)
        if row["trace_map"] is None:
            return "trace_map", "The cell is empty, and a trace needs a column map. Name one."
    if method == "through_resistor" and row["load_ohm"] is None:
        return "load_ohm", "The cell is empty, and the method needs the load. Write its ohms."
    return _lacking_current(review, row, readings)


#: Column that stands in where no current is logged, by method, and what to do.
_INSTEAD_OF_CURRENT = {
    "constant_current": ("current_mA", "Write the current"),
    "held_voltage": ("load_ohm", "Write the charging resistor whose voltage was logged"),
    "voltammetry": (None, "Voltammetry needs it"),
}


def _lacking_current(review: Review, row: dict, readings: list[dict]) -> tuple[str, str] | None:
    """Column and message where a method needs a current and there is none."""
    if row["method"] not in _INSTEAD_OF_CURRENT:
        return None
    column, remedy = _INSTEAD_OF_CURRENT[row["method"]]
    if column is not None and row[column] is not None:
        return None
    start = "The cell is empty and" if column else "For this method"
    if row["trace"] is None:
        if all(reading["current_mA"] is not None for reading in readings):
            return None
        return column or "method", f"{start} the readings carry no current. {remedy}."
    layout = review.config.get("column_maps", {}).get(row["trace_map"])
    if layout is None or "current" in layout:
        return None
    text = (
        f"{start} the column map {row['trace_map']} names no current. {remedy}, or name its column."
    )
    return column or "trace_map", text


def missing_file(name: str, present: dict[str, str]) -> str:
    """Message on a trace or log that is not there, with a near name among those that are."""
    if present.get(name):
        return f"'{name}' {present[name]}"
    alike = {path for path in present if path[:1].casefold() == name[:1].casefold()}
    near = nearest(name, sorted(alike)[:OFFERED])
    meant = f" Did you mean '{near}'?" if near else ""
    return f"There is no file '{name}' in config/traces.{meant} Put it there or correct the name."


def _check_twice(review: Review, row: dict, seen: dict[tuple, dict]) -> None:
    """Two tests on one part of a file count once; for two cells neither can be believed."""
    if row["trace"] is None or row["method"] == "direct":
        return
    names = ("trace", "start_s", "end_s", "step", "cycle", "method")
    other = seen.setdefault(tuple(row[name] for name in names), row)
    if other is row:
        return
    for one, twin in ((row, other), (other, row)):
        if twin is row and one["cell"] == twin["cell"]:
            return
        message = (
            f"Test {twin['test']} in row {twin['row']} reads the same part of "
            f"'{row['trace']}'. Tell them apart by start_s and end_s, step or cycle, or name "
            "another file."
        )
        if row["accepted"]:
            review.questions("tests", one, "trace", message)
            return
        review.leaves_out("tests", one, "trace", message)
