"""Every firing as planned, as typed and as logged, and what counts of it."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from charscreen.deviations import DEFAULT_LIMITS, off_plan
from charscreen.deviations import FIRING_QUANTITIES as QUANTITIES
from charscreen.findings import QUESTIONS, Finding, typed_text
from charscreen.firing_log.reading import read_kiln_log
from charscreen.firing_log.summary import BAND_C, summarise_firing

LOG, READINGS, TYPED, PLANNED = "log", "readings", "typed", "planned"
_SHORT = {"peak_temperature_C": "peak", "hold_min": "hold", "ramp_C_per_min": "ramp"}
#: Columns of collect/firings.csv.
FIRING_COLUMNS = (
    *("firing", "kind", "date"),
    *("peak_temperature_C", "peak_from", "hold_min", "hold_from", "ramp_C_per_min", "ramp_from"),
    *(f"planned_{name}" for name in QUANTITIES),
    *(f"typed_{name}" for name in QUANTITIES),
    *(f"logged_{name}" for name in QUANTITIES),
    *("overshoot_C", "time_within_10C_min", "cooling_C_per_min", "severity_log10_min"),
    *("thermocouples", "thermocouple_spread_C", "log", "note"),
)
# Hand readings tell the hold where no gap about it is longer than this, or than a quarter of the
# time they cover in the band. [min] Common practice, no source.
_GAP_MIN = 10.0
# A logged hold under this share of the one typed or planned is doubted. Common practice, no source.
_DOUBTED = 0.25


def summarise_firings(
    firings: Sequence[Mapping],
    readings: Sequence[Mapping],
    planned: Sequence[Mapping],
    *,
    logs: str | Path,
    column_maps: Mapping[str, Mapping],
    limits: Mapping | None = None,
) -> tuple[pd.DataFrame, list[Finding]]:
    """One row per firing with what counts, and what was found in logs and readings.

    Parameters
    ----------
    firings : sequence of mapping
        Rows of firings: firing, kind and any of date, `QUANTITIES`, log, log_map.
    readings : sequence of mapping
        Rows of firing_readings: firing, time_min [min], temperature_C [°C].
    planned : sequence of mapping
        firing, kind and, where planned, peak_temperature_C, hold_min, ramp_C_per_min [°C, min,
        °C/min].
    logs : path-like
        Folder of the logs.
    column_maps : mapping of str to mapping
        The config's part of that name.
    limits : mapping, optional
        `DEFAULT_LIMITS` where a key is missing.

    Returns
    -------
    firings : DataFrame
        `FIRING_COLUMNS`, sorted by firing. ``peak_from``, ``hold_from`` and ``ramp_from`` say
        where a value comes from: log, readings, typed or planned.
    findings : list of Finding
        Questions on table ``firings``, by id.

    Notes
    -----
    A log counts before hand readings, these before what was typed, that before the plan. From
    hand readings the hold counts only where no gap about it is longer than 10 min or a quarter of
    the time in the band; else the typed hold does. A logged hold under a quarter of the typed one
    (of the planned one where none is typed) is asked about and does not count: nearly always the
    thermocouple or the set point is wrong, not the kiln.
    """
    limits = DEFAULT_LIMITS | dict(limits or {})
    done = {row["firing"]: row for row in firings}
    plans = {row["firing"]: row for row in planned}
    by_hand: dict[str, list[Mapping]] = {}
    for row in readings:
        by_hand.setdefault(row["firing"], []).append(row)
    rows, findings = [], []
    for firing in sorted({*done, *plans, *by_hand}):
        one = _Firing(firing, done.get(firing, {}), plans.get(firing, {}), limits)
        if one.typed.get("log"):
            one.read_log(Path(logs), column_maps)
        elif firing in by_hand:
            one.read_by_hand(by_hand[firing])
        rows.append(one.row())
        findings += one.compare()
    table = pd.DataFrame(rows, columns=list(FIRING_COLUMNS))
    return table, findings


class _Firing:
    """One firing while it is put together."""

    def __init__(self, firing: str, typed: Mapping, plan: Mapping, limits: Mapping) -> None:
        self.firing, self.typed, self.plan, self.limits = firing, typed, plan, limits
        self.logged: dict = {}
        self.source = ""
        self.doubted: set[str] = set()
        self.notes: list[str] = []
        self.findings: list[Finding] = []

    def read_log(self, folder: Path, column_maps: Mapping[str, Mapping]) -> None:
        column_map = column_maps.get(self.typed.get("log_map"))
        if column_map is None:
            return  # the check of the tables has told it
        record, notes = read_kiln_log(folder / self.typed["log"], column_map)
        for note in notes:
            self.ask("log", f"{self.typed['log']}: {note}")
        if record is not None:
            self._summarise(*record, LOG, self.typed["log"])

    def read_by_hand(self, rows: Sequence[Mapping]) -> None:
        ordered = sorted(rows, key=lambda row: row["time_min"])
        time = np.array([row["time_min"] for row in ordered], dtype=float) * 60.0
        temperature = np.array([row["temperature_C"] for row in ordered], dtype=float)
        if len(ordered) < 2:
            self.notes.append("one hand reading tells nothing")
            return
        self._summarise(time, temperature, READINGS, "firing_readings")
        if self.logged and not self._covers_hold(time / 60.0, temperature):
            self.logged["hold_min"] = None
            self.doubted.discard("hold_min")
            self.notes.append("hand readings too far apart to tell the hold")

    def _summarise(self, time: np.ndarray, temperature: np.ndarray, source: str, at: str) -> None:
        set_point = self.plan.get("peak_temperature_C")
        hold = self._expected_hold()
        try:
            found = summarise_firing(
                time, temperature, set_point_C=set_point, expected_hold_min=hold
            ).iloc[0]
        except ValueError as error:
            self.ask("log" if source == LOG else "firing", f"{at} cannot be used: {error}.")
            return
        self.source = source
        self.logged = {
            name: None if pd.isna(value) else float(value) for name, value in found.items()
        }
        if hold is not None and self.logged["hold_min"] < _DOUBTED * hold:
            self.doubted.add("hold_min")
        elif set_point is not None and abs(self.logged["held_at_C"] - set_point) > BAND_C:
            self.notes.append(
                f"hold taken at {self.logged['held_at_C']:.0f} °C, where the kiln held"
            )
        if self.logged["values_dropped"]:
            count = f"{self.logged['values_dropped']:.0f}"
            self.notes.append(f"values dropped as faults of a thermocouple: {count}")
        spread = self.logged["thermocouple_spread_C"]
        if spread is not None and spread > self.limits["thermocouple_spread_C"]:
            self.ask(
                "log",
                f"The thermocouples differ by {spread:.0f} °C near the peak (limit "
                f"{self.limits['thermocouple_spread_C']:g} °C). Their mean is used; check their "
                "places and whether one has failed, then mend the column map or accept it.",
            )

    def _expected_hold(self) -> float | None:
        """Hold as typed, else as planned. [min]"""
        typed = self.typed.get("hold_min")
        return self.plan.get("hold_min") if typed is None else typed

    def _covers_hold(self, t: np.ndarray, y: np.ndarray) -> bool:
        reference = min(self.logged["held_at_C"], self.logged["peak_temperature_C"])
        hot = np.flatnonzero(y >= reference - BAND_C)
        first, last = max(hot[0] - 1, 0), min(hot[-1] + 1, len(t) - 1)
        inside = np.diff(t[hot[0] : hot[-1] + 1])
        # The way into and out of the band is a straight line, but its end points must be known.
        if first == hot[0] or last == hot[-1]:
            return False
        within = t[hot[-1]] - t[hot[0]]
        allowed = max(_GAP_MIN, within / 4)
        return len(hot) >= 3 and (not len(inside) or inside.max() <= allowed)

    def value(self, name: str) -> tuple[float | None, str | None]:
        """What counts, and where it comes from."""
        for source, values in (
            (self.source, self.logged),
            (TYPED, self.typed),
            (PLANNED, self.plan),
        ):
            if values is self.logged and name in self.doubted:
                continue
            if values.get(name) is not None:
                return float(values[name]), source
        return None, None

    def row(self) -> dict:
        kind = self.typed.get("kind") or self.plan.get("kind")
        row = {"firing": self.firing, "kind": kind, "date": self.typed.get("date")}
        for name in QUANTITIES:
            row[name], row[f"{_SHORT[name]}_from"] = self.value(name)
            row[f"planned_{name}"] = self.plan.get(name)
            row[f"typed_{name}"] = self.typed.get(name)
            row[f"logged_{name}"] = self.logged.get(name)
        for name in (
            *("time_within_10C_min", "cooling_C_per_min", "severity_log10_min"),
            *("thermocouples", "thermocouple_spread_C"),
        ):
            row[name] = self.logged.get(name)
        peak, wanted = row["peak_temperature_C"], row["planned_peak_temperature_C"]
        if row["peak_from"] != PLANNED and None not in (peak, wanted):
            row["overshoot_C"] = max(0.0, peak - wanted)
        row["log"] = self.typed.get("log") if self.source == LOG else None
        row["note"] = "; ".join(self.notes) or None
        return row

    def compare(self) -> list[Finding]:
        """Questions: logged against typed, else against the plan.

        Typed against planned is asked by the check of the tables; where the log only bears out
        what was typed it is not asked again.
        """
        words = {
            "peak_temperature_C": ("peak", "°C"),
            "hold_min": ("hold", "min"),
            "ramp_C_per_min": ("heating rate", "°C/min"),
        }
        source = "log" if self.source == LOG else "list of hand readings"
        for name, (word, unit) in words.items():
            logged, typed, wanted = (
                part.get(name) for part in (self.logged, self.typed, self.plan)
            )
            if name in self.doubted:
                self._ask_doubted(source, logged)
            elif (
                logged is not None
                and typed is not None
                and off_plan(name, logged, typed, self.limits)
            ):
                self.ask(
                    name,
                    f"The {word} typed is {typed:g} {unit}, the {source} shows {logged:.4g} "
                    f"{unit}. The models take the {source}; correct the one that is wrong.",
                )
            elif (
                logged is not None
                and typed is None
                and wanted is not None
                and off_plan(name, logged, wanted, self.limits)
            ):
                self.ask(
                    name,
                    f"The {source} shows a {word} of {logged:.4g} {unit} where {wanted:g} {unit} "
                    "was planned. The models take what was done; check the log, or accept it.",
                )
        return self.findings

    def _ask_doubted(self, source: str, logged: float) -> None:
        kept = self._expected_hold()
        typed = self.typed.get("hold_min") is not None
        self.ask(
            "hold_min",
            f"The {source} shows a hold of only {logged:.3g} min where {kept:g} min was "
            f"{'typed' if typed else 'planned'}. The models keep the {kept:g} min. Check the "
            f"{source} and the set point; if the kiln was held so briefly, type that hold.",
        )

    def ask(self, column: str, message: str) -> None:
        """A question about this firing; on its hand readings where it is not in firings.

        Its value is what was typed in that column, which may be nothing.
        """
        table = "firings" if self.typed else "firing_readings"
        if table == "firing_readings":
            column = "firing" if column == "log" else "temperature_C"
        value = self.firing if column == "firing" else typed_text(self.typed.get(column))
        self.findings.append(
            Finding(table, None, column, value, QUESTIONS, message, id=self.firing)
        )
