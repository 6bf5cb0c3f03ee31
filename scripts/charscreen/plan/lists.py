"""Shopping list and calendar of a plan as printable pages."""

from collections.abc import Mapping

import pandas as pd

from charscreen import cautions
from charscreen.plan.pages import fill_page, is_present, with_unit
from charscreen.plan.shopping import CELL_PART, CHEMICAL, FEED
from charscreen.rounding import is_number, significant
from charscreen.words import FIRING_KINDS

_HEADINGS = {FEED: "Feed, as received", CHEMICAL: "Chemicals", CELL_PART: "For cells"}
_NOTHING = "Nothing is planned yet."


def render_shopping_page(
    shopping: pd.DataFrame,
    *,
    currency: str,
    title: str,
    template: str,
    style: str,
    data_are_invented: bool = False,
) -> str:
    """The shopping list as a complete HTML page.

    Parameters
    ----------
    shopping : DataFrame
        From `charscreen.plan.shopping.shopping_list`.
    currency : str
        Name of the currency.
    title : str
        Title of the screen.
    template, style : str
        Texts of the page's template and style sheet.
    data_are_invented : bool
        Marks the page "Invented data".
    """
    priced = shopping["cost"].notna()
    costs = bool((shopping["cost"] > 0).any())
    columns = [
        _column("", "got", box=True),
        _column("item", "what"),
        _column("needed", "needed", number=True),
        _column("at_hand", "at hand", number=True),
        _column("to_get", "to get", number=True),
        *([_column("cost", f"cost [{currency}]", number=True)] if costs else []),
        _column("remark", "remark"),
    ]
    parts = [
        {
            "heading": heading,
            "columns": columns,
            "rows": [_thing(row) for row in here.to_dict("records")],
        }
        for kind, heading in _HEADINGS.items()
        if len(here := shopping[shopping["kind"] == kind])
    ]
    after = [
        "Feed is for the crucibles alone: samples for moisture and ash, and what is spilt, come on "
        "top. Amounts to get are rounded up. Bold: stock_kg is less than what is needed."
    ]
    if costs:
        total = f"{significant(shopping['cost'].sum())} {currency}"
        open_ = int((~priced & (shopping["to_get"].fillna(1) > 0)).sum())
        after.insert(0, f"Cost of what has a price: {total}; {open_} things to get have none.")
    return fill_page(
        template,
        style,
        heading="Shopping list",
        title=title,
        data_are_invented=data_are_invented,
        before=[] if len(shopping) else [_NOTHING],
        parts=parts,
        after=after if len(shopping) else [],
        footer=cautions.FOOTER if len(shopping) else "",
    )


def _thing(row: Mapping) -> dict:
    short = is_number(row["at_hand"]) and is_number(row["to_get"]) and row["to_get"] > 0
    amounts = {
        name: f"{_amount(row[name])} {row['unit']}" if is_number(row[name]) else ""
        for name in ("needed", "at_hand", "to_get")
    }
    return amounts | {
        "item": row["item"],
        "cost": significant(row["cost"]) if is_number(row["cost"]) else "",
        "remark": row["remark"] or "",
        "strong": short,
    }


def _amount(value: float) -> str:
    return f"{value:.0f}" if value >= 100 and value == int(value) else significant(value)


def render_calendar_page(
    calendar: pd.DataFrame,
    *,
    longest_day_h: float,
    title: str,
    template: str,
    style: str,
    data_are_invented: bool = False,
) -> str:
    """The calendar of firings as a complete HTML page.

    Parameters
    ----------
    calendar : DataFrame
        From `charscreen.plan.timetable.calendar_of_firings`.
    longest_day_h : float
        Longest working day. [h]
    title, template, style, data_are_invented
        As in `render_shopping_page`.
    """
    dated = len(calendar) > 0 and is_present(calendar["date"].iloc[0])
    columns = [
        _column("", "done", box=True),
        _column("day", "working day", number=True),
        *([_column("date", "date", keep=True)] if dated else []),
        _column("firing", "firing"),
        _column("kind", "kind"),
        _column("peak", "peak", number=True),
        _column("hold", "hold", number=True),
        _column("start", "start [h]", number=True),
        _column("end", "end of hold [h]", number=True),
        _column("cold", "kiln cold [h]", number=True),
        _column("runs", "lots"),
    ]
    before = [_NOTHING]
    if len(calendar):
        days = int(calendar["day"].max())
        last = calendar.iloc[-1]
        ends = f", from {calendar['date'].iloc[0]} to {last['date']}" if dated else ""
        before = [
            f"{len(calendar)} firings on {days} working days{ends}. Hours count from the beginning "
            "of that day's work; above 24 they lie in the next day."
        ]
        late = calendar.loc[calendar["remark"].notna(), "firing"]
        if len(late):
            before.append(
                f"{', '.join(map(str, late))}: heating and hold last longer than the longest "
                f"working day of {longest_day_h:g} h (plan.longest_day_h). Someone has to stay, "
                "or the hold, the ramp or the day has to change."
            )
    return fill_page(
        template,
        style,
        heading="Calendar of firings",
        title=title,
        data_are_invented=data_are_invented,
        before=before,
        parts=[{"heading": "", "columns": columns, "rows": _days(calendar)}]
        if len(calendar)
        else [],
        after=[
            "One kiln, char firings first, in the order of the plan. Heating and hold end within "
            "the working day; the closed kiln cools by itself. Loading and unloading are not "
            "counted: leave room for them in plan.longest_day_h. Public holidays are not known "
            "here. A KOH firing needs its inert gas until it is cold: the questions on its run "
            "sheet ask for it."
        ]
        if len(calendar)
        else [],
        footer=cautions.FOOTER if len(calendar) else "",
    )


def _days(calendar: pd.DataFrame) -> list[dict]:
    rows, before = [], None
    for row in calendar.to_dict("records"):
        same = row["day"] == before
        date = f"{str(row['weekday']).capitalize()} {row['date']}" if row["date"] else ""
        rows.append(
            {
                "day": "" if same else f"{row['day']}",
                "date": "" if same else date,
                "firing": row["firing"],
                "kind": FIRING_KINDS[row["kind"]],
                "peak": with_unit(row["temperature_C"], "°C"),
                "hold": with_unit(row["hold_min"], "min"),
                "start": f"{row['start_h']:.1f}",
                "end": f"{row['heating_end_h']:.1f}",
                "cold": f"{row['cold_h']:.1f}",
                "runs": row["runs"],
                "strong": False,
            }
        )
        before = row["day"]
    return rows


def _column(
    key: str, head: str, *, number: bool = False, box: bool = False, keep: bool = False
) -> dict:
    """A column of a list; `keep` holds a cell on one line, `box` is one to tick."""
    kind = "number" if number else "choice" if box else "keep" if keep else "text"
    return {"key": key, "head": head, "number": number, "box": box, "kind": kind}
