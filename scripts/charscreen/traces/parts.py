"""A trace as arrays: choosing the part of one test, and what is wrong or doubtful in it."""

import re
from dataclasses import dataclass, replace

import numpy as np

from charscreen.curves import median
from charscreen.findings import LEAVES_OUT, QUESTIONS, Finding

MISSING_SHARE = 0.2  # more missing values than this: the record is not whole
BACKWARD_SHARE = 0.005
# A gap is longer than so many usual steps and than those beside it, and the voltage moved by
# this share of its range meanwhile: a rest that is logged slowly is none. Common practice, no
# source.
GAP_STEPS = 20.0
GAP_VOLTAGE_SHARE = 0.02
CLIPPED_ROWS = 10
CLIPPED_RUNS = 8.0  # times the usual number of equal values in a row


@dataclass(frozen=True)
class Trace:
    """A record of one test.

    Parameters
    ----------
    time_s : (n,) array
        Time as logged, never falling. [s]
    voltage_V : (n,) array
        Cell voltage. [V]
    current_A : (n,) array or None
        Current, positive on charge; None where it was not logged. [A]
    step, cycle : (n,) array or None
        The logger's own step and cycle (numbers, or text), where mapped.
    """

    time_s: np.ndarray
    voltage_V: np.ndarray
    current_A: np.ndarray | None = None
    step: np.ndarray | None = None
    cycle: np.ndarray | None = None

    def take(self, chosen: np.ndarray) -> "Trace":
        """The rows chosen by a mask or by indices."""
        parts = (self.time_s, self.voltage_V, self.current_A, self.step, self.cycle)
        return Trace(*(None if part is None else part[chosen] for part in parts))

    def __len__(self) -> int:
        return len(self.time_s)


class Reporter:
    """Collects findings on one file."""

    def __init__(self, file: str):
        self.file = file
        self.findings: list[Finding] = []

    def _add(self, severity, message, column="", value="", row=None):
        self.findings.append(
            Finding("traces", row, str(column), str(value), severity, message, file=self.file)
        )

    def leave_out(self, message: str, **where) -> None:
        """Note why the test cannot be evaluated."""
        self._add(LEAVES_OUT, message, **where)

    def question(self, message: str, **where) -> None:
        """Note a doubt."""
        self._add(QUESTIONS, message, **where)


def choose_rows(
    trace: Trace,
    report: Reporter,
    *,
    start_s: float | None,
    end_s: float | None,
    step: str | float | None,
    cycle: str | float | None,
) -> np.ndarray | None:
    """Mask of the rows asked for; None where there are none (then the report says why).

    Parameters
    ----------
    trace : Trace
        The whole file.
    report : Reporter
        Takes the findings.
    start_s, end_s : float or None
        In the file's own time. [s]
    step, cycle : str, float or None
        As the file numbers them: ``3``, ``2-4`` or ``2;4``.
    """
    chosen = np.ones(len(trace), dtype=bool)
    for name, wanted, marks in (("step", step, trace.step), ("cycle", cycle, trace.cycle)):
        if wanted is None:
            continue
        if marks is None:
            report.leave_out(
                f"{name} {wanted} is asked for, but the column map names no {name} column. "
                f"Add {name}: {{column: NAME}} to it.",
                column=name,
                value=wanted,
            )
            return None
        hit = _wanted_marks(wanted, marks)
        if not hit.any():
            found = ", ".join(_mark_text(mark) for mark in np.unique(marks)[:40])
            report.leave_out(
                f"{name} {wanted} does not occur. Found: {found[:200]}. Correct {name}.",
                column=name,
                value=wanted,
            )
            return None
        chosen &= hit
    if start_s is not None:
        chosen &= trace.time_s >= start_s
    if end_s is not None:
        chosen &= trace.time_s <= end_s
    if chosen.any():
        return chosen
    known = trace.time_s[np.isfinite(trace.time_s)]
    span = f"{known.min():.6g} to {known.max():.6g}" if len(known) else "nothing to nothing"
    report.leave_out(
        "no rows lie in the part asked for (start_s, end_s, step, cycle). The file's time "
        f"runs from {span} s. Correct the part.",
        column="start_s",
        value="" if start_s is None else f"{start_s:g}",
    )
    return None


def _wanted_marks(wanted: str | float, marks: np.ndarray) -> np.ndarray:
    """Mask of the rows whose step or cycle is among those wanted."""
    text = f"{wanted:g}" if isinstance(wanted, (int, float)) else str(wanted)
    chosen = np.zeros(len(marks), dtype=bool)
    numeric = marks.dtype.kind == "f"
    for part in re.split(r"[;,]", text):
        part = part.strip()
        limits = re.fullmatch(r"(\d+)\s*(?:-|to)\s*(\d+)", part)
        if numeric and limits:
            chosen |= (marks >= float(limits[1])) & (marks <= float(limits[2]))
        elif numeric:
            try:
                chosen |= marks == float(part)
            except ValueError:
                continue
        else:
            chosen |= np.char.strip(marks.astype(str)) == part
    return chosen


def _mark_text(mark) -> str:
    return f"{mark:g}" if isinstance(mark, (float, np.floating)) else str(mark)


def drop_missing(trace: Trace, report: Reporter, *, told: int) -> Trace | None:
    """The rows that have all their values; None where too many lack one.

    Parameters
    ----------
    trace : Trace
        With NaN where a cell was empty or no number.
    report : Reporter
        Takes the findings.
    told : int
        Rows with a cell that is no number, about which the report has been told.
    """
    known = np.isfinite(trace.time_s) & np.isfinite(trace.voltage_V)
    if trace.current_A is not None:
        with_current = np.isfinite(trace.current_A)
        if not with_current.any():
            trace = replace(trace, current_A=None)
            report.question("the current column is empty: treated as not logged.")
        else:
            known &= with_current
    n_missing = max(0, int((~known).sum()) - told)
    if n_missing > MISSING_SHARE * len(trace) or not known.any():
        report.leave_out(
            f"{n_missing} of {len(trace)} rows lack time, voltage or current. "
            "Export the test again, or correct the column map."
        )
        return None
    if n_missing > 0:
        report.question(f"{n_missing} of {len(trace)} rows lack a value and were not used.")
    return trace if known.all() else trace.take(known)


def check_order(trace: Trace, report: Reporter) -> Trace | None:
    """The trace with its time never falling; None where it falls often."""
    time = trace.time_s
    steps = np.diff(time)
    n_back = 0
    if len(steps) and steps.min() < 0:
        backward = time < np.maximum.accumulate(time)
        n_back = int(backward.sum())
    if n_back > max(2, BACKWARD_SHARE * len(time)):
        first = int(np.argmax(backward))
        report.leave_out(
            f"time runs backward {int((steps < 0).sum())} times, first from "
            f"{time[first - 1]:.6g} to {time[first]:.6g} s. The file may hold several records: "
            "choose one by step or cycle, or save each as its own file."
        )
        return None
    if n_back:
        rows = "1 row" if n_back == 1 else f"{n_back} rows"
        report.question(f"{rows} whose time runs backward: not used. Check the clock.")
        trace = trace.take(~backward)
        steps = np.diff(trace.time_s)
    repeated = len(steps) - int(np.count_nonzero(steps))
    if repeated > max(20, 0.2 * len(trace)):
        report.question(
            f"{repeated} of {len(trace)} rows repeat the time of the row before. The clock is "
            "coarse: raise time_resolution_s in the settings to match, or log finer times."
        )
    return trace


def check_gaps(trace: Trace, report: Reporter) -> None:
    """Question spans without rows in which the voltage moved."""
    if len(trace) < 30:  # a few readings by hand have no usual step
        return
    steps = np.diff(trace.time_s)
    moving = steps[steps > 0]
    if not len(moving):
        return
    if moving.max() <= GAP_STEPS * moving.min():
        return
    usual = median(moving)
    beside = np.maximum(np.append(steps[1:], 0.0), np.append(0.0, steps[:-1]))
    long = (steps > GAP_STEPS * usual) & (steps > GAP_STEPS * beside)
    if not long.any():
        return
    jump = np.abs(np.diff(trace.voltage_V))
    long &= jump > GAP_VOLTAGE_SHARE * float(np.ptp(trace.voltage_V))
    places = np.flatnonzero(long)
    if len(places):
        k = int(places[np.argmax(steps[places])])
        count = "a gap" if len(places) == 1 else f"{len(places)} gaps, the longest"
        report.question(
            f"{count} of {steps[k]:.4g} s after {trace.time_s[k]:.6g} s, while a row usually "
            f"comes every {usual:.3g} s. What happened there is not in the figures; choose a part "
            "without it, or log without pause."
        )


def check_step(trace: Trace, report: Reporter) -> None:
    """Question a record whose even step is a round number of seconds only in another unit."""
    if len(trace) < 30:
        return
    steps = np.diff(trace.time_s)
    mean = float(trace.time_s[-1] - trace.time_s[0]) / len(steps)
    # The cheap question first: it settles most records.
    if mean <= 0 or _is_round(mean, 2) or np.quantile(np.abs(steps - mean), 0.9) > 0.2 * mean:
        return
    for factor, unit in ((60.0, "min"), (3600.0, "h")):
        if _is_round(mean * factor, 1):
            report.question(
                f"a row comes every {mean:.4g} s, which would be {mean * factor:.3g} s if the "
                f"file's time were in {unit}. Correct the unit of time in the column map, or "
                "accept the test with a reason."
            )
            return


def _is_round(value: float, digits: int) -> bool:
    """Whether a value has no more than so many significant digits, to three parts in 1,000."""
    return abs(float(f"{value:.{digits - 1}e}") / value - 1.0) < 0.003


def check_clipped(trace: Trace, report: Reporter) -> None:
    """Question a voltage that stands at its highest or lowest value while current flows."""
    current = trace.current_A
    if current is None or len(trace) < 30:
        return
    voltage = trace.voltage_V
    for word, level, direction in (
        ("highest", float(voltage.max()), 1.0),
        ("lowest", float(voltage.min()), -1.0),
    ):
        stands = voltage == level
        if np.count_nonzero(stands) < CLIPPED_ROWS:
            continue
        size = np.abs(current)
        full = median(size[size > 0.02 * size.max()]) if size.any() else np.inf
        stands &= direction * current > 0.9 * full
        run = _longest_run(stands)
        if run < CLIPPED_ROWS:
            continue
        changes = 1 + int(np.count_nonzero(np.diff(voltage[~stands])))
        if run >= CLIPPED_RUNS * (~stands).sum() / changes:
            report.question(
                f"the voltage stands at its {word} value, {level:.4g} V, for {run} rows while "
                "the full current flows: the logger's range may end there (clipped). Widen the "
                "range, or choose a part without it."
            )


def _longest_run(mask: np.ndarray) -> int:
    """Length of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0
