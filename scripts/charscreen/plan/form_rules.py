"""What a column of a form accepts: drop-downs, limits, the words of its note."""

from collections.abc import Mapping
from dataclasses import dataclass

from charscreen.screen.parsing import advice, plain_number
from charscreen.screen.schemas import Column, table_schemas
from charscreen.screen.workbooks import cell_name

#: Ids of other sheets that are offered, where an unknown one is no fault of the table's.
_OFFERED = {("firing_readings", "firing"): "firings.firing"}
_LONGEST = 255  # of a message or a written list, by the file format


@dataclass(frozen=True)
class Rule:
    """What may be typed into a column's cells.

    Parameters
    ----------
    kind : str
        ``list``, ``decimal``, ``integer``, ``date`` or ``custom``.
    facts : dict
        Options of XlsxWriter's data validation; in a ``custom`` formula ``{cell}`` stands for
        the cell.
    error : str
        Told where a value is refused.
    strict : bool
        Whether another value is refused; otherwise it is asked about and can be kept.
    """

    kind: str
    facts: dict
    error: str
    strict: bool = True

    def options(self, row: int, column: int) -> dict:
        """Options for a range that begins at a place counted from 0."""
        facts = dict(self.facts)
        if self.kind == "custom":
            facts["value"] = facts["value"].format(cell=cell_name(row, column))
        message = self.error if len(self.error) <= _LONGEST else self.error[: _LONGEST - 4] + " ..."
        return {
            "validate": self.kind,
            **facts,
            "error_title": "Not possible here" if self.strict else "Not among the known names",
            "error_type": "stop" if self.strict else "warning",
            "error_message": message,
        }


def column_rule(
    column: Column, table: str, listed: Mapping[str, list[str]], *, room: int
) -> Rule | None:
    """Rule of a column, or None where anything goes.

    Parameters
    ----------
    column : Column
        From the schema.
    table : str
        Its table.
    listed : mapping of str to list of str
        Columns whose names stand in the sheet ``lists``, in the order of that sheet's columns.
    room : int
        Rows below the header in which ids are looked for.
    """
    if column.choices:
        return Rule("list", {"source": list(column.choices)}, advice(column))
    if column.name in listed:
        place = list(listed).index(column.name)
        source = _range("lists", place, len(listed[column.name]))
        known = ", ".join(listed[column.name])
        return Rule("list", {"source": f"={source}"}, f"Known are {known}.", strict=False)
    of = column.refers_to or _OFFERED.get((table, column.name))
    if of:
        other, key = of.split(".")
        place = list(table_schemas()[other].columns).index(key)
        ids = _range(other, place, room)
        start = _range(other, place, 1).split(":")[0]
        # As many as are filled in: a list with empty ends would accept anything.
        source = f"=OFFSET({start},0,0,MAX(1,COUNTA({ids})),1)"
        error = f"Choose a {key} of the sheet {other}, or add it there first."
        return Rule("list", {"source": source}, error)
    if column.type == "date":
        # The number of the first day of 2000; written out, since the format has no dates.
        return Rule("date", {"criteria": ">=", "value": 36526}, advice(column))
    return _number_rule(column) if column.is_number else None


def _range(sheet: str, place: int, rows: int) -> str:
    letters = cell_name(0, place)[:-1]
    return f"{sheet}!${letters}$2:${letters}${rows + 1}"


def _number_rule(column: Column) -> Rule:
    low = column.minimum if column.minimum is not None else column.above
    high = column.maximum if column.maximum is not None else column.below
    over = ">=" if column.minimum is not None else ">"
    under = "<=" if column.maximum is not None else "<"
    kind = "integer" if column.type == "integer" else "decimal"
    error = f"{advice(column)} {limits_text(column)}".strip()
    if low is not None and high is None:
        return Rule(kind, {"criteria": over, "value": low}, error)
    if high is not None and low is None:
        return Rule(kind, {"criteria": under, "value": high}, error)
    if low is not None and (over, under) == (">=", "<="):
        return Rule(kind, {"criteria": "between", "minimum": low, "maximum": high}, error)
    parts = ["ISNUMBER({cell})"]
    if kind == "integer":
        parts.append("INT({cell})={cell}")
    if low is not None:
        parts += [f"{{cell}}{over}{plain_number(low)}", f"{{cell}}{under}{plain_number(high)}"]
    return Rule("custom", {"value": f"=AND({','.join(parts)})"}, error)


def limits_text(column: Column) -> str:
    """Hard limits of a number in words; empty where there are none."""
    words = []
    if column.minimum is not None:
        words.append(f"at least {plain_number(column.minimum)}")
    if column.above is not None:
        words.append(f"above {plain_number(column.above)}")
    if column.maximum is not None:
        words.append(f"at most {plain_number(column.maximum)}")
    if column.below is not None:
        words.append(f"below {plain_number(column.below)}")
    return f"Possible: {', '.join(words)}." if words else ""


def note_text(column: Column) -> str:
    """The note on a column's header: unit, meaning, limits, example."""
    lines = []
    if column.unit:
        lines.append(f"Unit: {column.unit}")
    lines.append(column.description.replace("`", ""))
    if column.required and column.instead:
        lines.append(f"Needed in each row, or {' and '.join(column.instead)}.")
    elif column.instead:
        lines.append(f"Or weigh {' and '.join(column.instead)}.")
    elif column.required:
        lines.append("Needed in each row.")
    if column.choices:
        lines.append(f"One of: {', '.join(column.choices)}.")
    limits = limits_text(column) if column.is_number else ""
    if limits:
        lines.append(limits)
    if column.plausible:
        low, high = map(plain_number, column.plausible)
        lines.append(f"Usual: {low} to {high}.")
    if column.hint:
        lines.append(column.hint)
    if column.example:
        lines.append(f"Example: {column.example}")
    return "\n".join(lines)


def doubt_formula(column: Column, place: int) -> str:
    """Formula that is true where a value is unusual; empty where none is.

    Parameters
    ----------
    column : Column
        From the schema.
    place : int
        Its place in the sheet, counted from 0.
    """
    cell = cell_name(1, place)
    doubts = []
    if column.plausible:
        low, high = map(plain_number, column.plausible)
        doubts += [f"{cell}<{low}", f"{cell}>{high}"]
    if column.questions_in:
        low, high = map(plain_number, column.questions_in)
        doubts.append(f"AND({cell}>{low},{cell}<{high})")
    return f"=AND(ISNUMBER({cell}),OR({','.join(doubts)}))" if doubts else ""
