"""Calendar of firings: which firing is started on which working day, and when the kiln is cold."""

import datetime
from collections.abc import Mapping

import pandas as pd

from charscreen.plan.summary import firing_hours

#: Columns of the calendar.
CALENDAR_COLUMNS = (
    *("day", "date", "weekday", "firing", "kind", "start_h", "heating_end_h", "cold_h"),
    *("temperature_C", "hold_min", "heating_h", "kiln_h", "runs", "remark"),
)
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
TOO_LONG = "heating and hold last longer than plan.longest_day_h"


def calendar_of_firings(design: pd.DataFrame, *, plan: Mapping, kiln: Mapping) -> pd.DataFrame:
    """Firings on working days, char firings first, in the order of the plan.

    Parameters
    ----------
    design : DataFrame
        Design of a plan.
    plan : mapping
        ``start_date`` (ISO day or None), ``working_days``, ``longest_day_h`` [h].
    kiln : mapping
        ``ramp_C_per_min`` [°C/min], ``cooling_h`` [h].

    Returns
    -------
    DataFrame
        `CALENDAR_COLUMNS`. ``day`` counts working days from 1; ``date`` is empty without a start
        date; hours count from the beginning of that working day, so that 26 is two hours into the
        next day.

    Raises
    ------
    ValueError
        Where a firing has no known length, for want of a temperature or a hold.

    Notes
    -----
    One kiln: a firing begins when it is cold, within a working day, if heating and hold still end
    in it; cooling goes on by itself through night and days off. A firing too long for any day
    begins with one and says so. Loading and unloading count as nothing. Without a start date the
    first day counts as the first of `working_days` in the week, so that days off lie where they
    would.
    """
    if not len(design):
        return pd.DataFrame(columns=list(CALENDAR_COLUMNS))
    firings = firing_hours(design, kiln)
    endless = firings.loc[firings["kiln_h"].isna(), "firing"]
    if len(endless):
        raise ValueError(f"Firings without a temperature or a hold: {', '.join(endless)}.")
    works = [name in plan["working_days"] for name in WEEKDAYS]
    start = plan.get("start_date")
    first = datetime.date.fromisoformat(start) if start else None
    offset = first.weekday() if first else works.index(True)
    longest = float(plan["longest_day_h"])
    runs = _runs(design)
    rows = []
    cold = 0.0  # when the kiln is free, in hours since the first day's work began
    for firing in firings.to_dict("records"):
        at = _next_start(cold, firing["heating_h"], works=works, offset=offset, longest_h=longest)
        elapsed = int(at // 24)
        begin = at - 24 * elapsed
        cold = at + firing["kiln_h"]
        date = first + datetime.timedelta(days=elapsed) if first else None
        rows.append(
            {
                "day": sum(works[(offset + d) % 7] for d in range(elapsed + 1)),
                "date": date.isoformat() if date else None,
                "weekday": WEEKDAYS[(offset + elapsed) % 7] if first else None,
                "start_h": begin,
                "heating_end_h": begin + firing["heating_h"],
                "cold_h": begin + firing["kiln_h"],
                "runs": " ".join(runs[firing["firing"]]),
                "remark": TOO_LONG if firing["heating_h"] > longest else None,
            }
            | {name: firing[name] for name in ("firing", "kind", "temperature_C", "hold_min")}
            | {name: firing[name] for name in ("heating_h", "kiln_h")}
        )
    return pd.DataFrame(rows, columns=list(CALENDAR_COLUMNS))


def _next_start(
    free_h: float, heating_h: float, *, works: list[bool], offset: int, longest_h: float
) -> float:
    """First moment at which a firing can begin, in hours since the first day's work began. [h]"""
    day = int(free_h // 24)
    while True:
        if works[(offset + day) % 7]:
            begin = max(free_h, 24.0 * day)
            into = begin - 24.0 * day
            fits = into + heating_h <= longest_h + 1e-9
            # Longer than a whole day: from its very beginning.
            if fits or (heating_h > longest_h and into == 0):
                return begin
        day += 1


def _runs(design: pd.DataFrame) -> dict[str, list[str]]:
    runs: dict[str, list[str]] = {}
    for column in ("firing", "activation_firing"):
        for firing, here in design.dropna(subset=[column]).groupby(column, sort=False):
            runs[str(firing)] = [str(run) for run in here["run"]]
    return runs
