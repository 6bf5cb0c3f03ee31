"""What changed since the ranking that was kept last, for the top of the report."""

from collections.abc import Mapping

from charscreen.rank.changes import Changes, Difference, MeritChange
from charscreen.report.blocks import Bullets, Column, Section, Table, Text
from charscreen.report.tables import Names, interval_text
from charscreen.rounding import fixed, is_number, percent, significant
from charscreen.words import (
    candidate_words,
    count_words,
    feedstock_words,
    list_ids,
    merit_unit,
    merit_words,
)

_KINDS = {"firings": ("firing", "firings"), "lots": ("lot", "lots"), "cells": ("cell", "cells")}
_QUANTITIES = {
    "yield_char_d_percent": ("char yield", "%"),
    "yield_activated_percent": ("activation yield", "%"),
    "electrode_F_per_g": ("electrode capacitance", "F/g"),
    "esr_area_ohm_cm2": ("resistance times area", "Ω·cm²"),
    "peak_temperature_C": ("peak", "°C"),
    "hold_min": ("hold", "min"),
    "feedstock": ("feedstock", ""),
}
_MOST_CHANGED = 6


def changes_section(changes: Changes, merits: list[str], names: Names) -> Section:
    """The section on what changed.

    Parameters
    ----------
    changes : Changes
        Something differs.
    merits : list of str
        Merits of the settings; the first of them that changed has the table.
    names : mapping or None
        Feedstock id to name.
    """
    ordered = sorted(
        changes.merits, key=lambda c: merits.index(c.merit) if c.merit in merits else len(merits)
    )
    blocks: list = [Text(choice_sentence(change, names)) for change in ordered]
    blocks += [Text(certainty_sentence(change)) for change in ordered[:1]]
    if not ordered:
        blocks.append(Text("The ranking itself is as it was."))
    items = [
        text
        for kind, difference in changes.measurements.items()
        for text in _measured(kind, difference)
    ]
    if changes.settings:
        items.append("Settings differ (config/config.yaml); they can move the ranking as well.")
    if changes.gained:
        items.append(f"Ranked now and not then: {list_ids(map(merit_words, changes.gained))}.")
    if changes.lost:
        items.append(f"Ranked then and no longer: {list_ids(map(merit_words, changes.lost))}.")
    if not items:
        items = ["No measurement differs, nor do the settings: the way of reckoning changed."]
    blocks.append(Bullets(items))
    blocks += [_moved_table(change, changes, names) for change in ordered[:1]]
    return Section("changes", f"What changed since {changes.since}", blocks)


def choice_sentence(change: MeritChange, names: Names) -> str:
    """Whether the choice by one merit is another, and how sure it was and is.

    Where the model puts a predicted candidate ahead of it, that one is named behind it.
    """
    before, now = change.before, change.now
    is_part = change.ahead_before is not None or change.ahead_now is not None
    chances = f"{percent(before['p_best'])} then, {percent(now['p_best'])} now"
    start, of = f"By {merit_words(change.merit)}", " of the measured" if is_part else ""
    if before["candidate"] == now["candidate"]:
        said = (
            f"{start} the choice is still {candidate_words(now, names)}; chance that it is the "
            f"best{of}: {chances}"
        )
    else:
        said = (
            f"{start} the choice is now {candidate_words(now, names)}, then it was "
            f"{candidate_words(before, names)}; chance that the choice is the best{of}: {chances}"
        )
    return f"{said}{_ahead_words(change, names)}."


def _ahead_words(change: MeritChange, names: Names) -> str:
    """What the model put ahead of the choice, then and now."""
    then, now = (
        candidate_words(row, names) if row is not None else ""
        for row in (change.ahead_before, change.ahead_now)
    )
    if not then and not now:
        return ""
    if then == now:
        return f"; the model still expects more of {now}, which was not measured there"
    if not now:
        return f"; then the model expected more of {then}, not measured there"
    before = f"; then it did of {then}" if then else ""
    return f"; now the model expects more of {now}, not measured there{before}"


def certainty_sentence(change: MeritChange) -> str:
    """How loss, intervals and group changed."""
    before, now = change.before, change.now
    unit = merit_unit(change.merit, change.unit)
    parts = []
    if is_number(before.get("expected_loss")) and is_number(now.get("expected_loss")):
        losses = [significant(row["expected_loss"], 2) for row in (before, now)]
        parts.append(
            f"the loss to expect from the choice went from {losses[0]} to {losses[1]} {unit}"
        )
    if change.width_factor is not None:
        share = 100 * (change.width_factor - 1)
        word = "narrower" if share < 0 else "wider"
        parts.append(f"intervals are typically {abs(share):.0f} % {word}")
    one, two = before["n_group"], now["n_group"]
    of = " of the measured" if change.ahead_before or change.ahead_now else ""
    if one == two == 1:
        parts.append(f"then and now the best{of} is told apart from all others")
    else:
        parts.append(
            f"{one} then and {two} now are not told apart from the best{of} (itself counted)"
        )
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."


def _measured(kind: str, difference: Difference) -> list[str]:
    """Sentences on new, changed and gone measurements of one kind."""
    one, many = _KINDS[kind]
    sentences = []
    if difference.new:
        n = count_words(len(difference.new), one, many)
        sentences.append(f"New: {n} ({list_ids(difference.new)}).")
    if difference.changed:
        n = count_words(len(difference.changed), one, many)
        shown = [
            f"{name} {_pair(pairs)}"
            for name, pairs in list(difference.changed.items())[:_MOST_CHANGED]
        ]
        more = len(difference.changed) - len(shown)
        rest = f"; and {more} more" if more > 0 else ""
        sentences.append(f"Changed: {n} ({'; '.join(shown)}{rest}).")
    if difference.gone:
        n = count_words(len(difference.gone), one, many)
        sentences.append(f"Gone: {n} ({list_ids(difference.gone)}).")
    return sentences


def _pair(pairs: list[tuple]) -> str:
    texts = []
    for name, before, now in pairs:
        words, unit = _QUANTITIES.get(name, (name, ""))
        texts.append(f"{words} {_value(before)} → {_value(now)} {unit}".rstrip())
    return ", ".join(texts)


def _value(value: object) -> str:
    if is_number(value):
        return significant(value, 4)
    return str(value) if isinstance(value, str) and value else "none"


def _moved_table(change: MeritChange, changes: Changes, names: Names) -> Table:
    rows = []
    for moved in change.moved:
        row: Mapping = moved["now"] or moved["before"]
        then, now = ("", ""), ("", "")
        if moved["before"]:
            then = interval_text(moved["before"], "estimate", "estimate_lo", "estimate_hi")
        if moved["now"]:
            now = interval_text(moved["now"], "estimate", "estimate_lo", "estimate_hi")
        rows.append(
            [
                candidate_words(row, names),
                f"{_place(moved['place_before'])} → {_place(moved['place_now'])}",
                _with_ends(then),
                _with_ends(now),
                f"{_chance(moved['before'])} → {_chance(moved['now'])}",
                _own(row.get("feedstock"), changes.touched, names),
            ]
        )
    unit = merit_unit(change.merit, change.unit)
    return Table(
        id="table-moved",
        caption=f"Who moved by {merit_words(change.merit)}: those that lead now, and those that "
        "led then",
        note="Where nothing of its own feedstock was measured, a candidate moved through what all "
        "share: firings, the effects of conditions, the scatter.",
        file="",
        columns=[
            Column("Candidate", is_wide=True),
            Column("Place", True),
            Column(f"Then [{unit}]", True),
            Column(f"Now [{unit}]", True),
            Column("Chance best", True),
            Column("Of its own feedstock", is_wide=True),
        ],
        rows=rows,
    )


def _place(place: int | None) -> str:
    return str(place) if place else "–"


def _with_ends(texts: tuple[str, str]) -> str:
    value, ends = texts
    if not value:
        return "–"
    return f"{value} ({ends})" if ends else value


def _chance(row: Mapping | None) -> str:
    return (percent(row.get("p_best")) or "–") if row else "–"


def _own(feedstock: object, touched: Mapping[str, Mapping[str, int]], names: Names) -> str:
    counts = touched.get(str(feedstock), {})
    parts = []
    for word, n in counts.items():
        state, kind = word.split(" ")
        one, many = _KINDS[kind]
        parts.append(f"{fixed(n, 0)} {state} {one if n == 1 else many}")
    return ", ".join(parts) or f"nothing of {feedstock_words(feedstock, names)}"
