"""What is not filled in yet, by name, and what stands in for it."""

from collections.abc import Mapping

from charscreen.report.blocks import Column, Table
from charscreen.words import agree, count_words, list_ids

# key of `unfilled`: (one, many, counted among, what follows and where to fill it in)
KINDS = {
    "not_weighed": (
        "lot not weighed",
        "lots not weighed",
        "design",
        "no yield: weigh the char, of activated lots the carbon too, into config/masses.csv",
    ),
    "without_cells": (
        "lot without a cell",
        "lots without a cell",
        "design",
        "no capacitance: name its cells in config/cells.csv",
    ),
    "without_tests": (
        "cell without a test",
        "cells without a test",
        "cells",
        "no capacitance: add its tests to config/tests.csv",
    ),
    "firings_not_recorded": (
        "firing not recorded",
        "firings not recorded",
        None,
        "planned temperature and hold stand in: write what the kiln did into config/firings.csv",
    ),
}
NO_FIRINGS = (
    "config/firings.csv is empty, so the planned temperatures and holds stand in for what the "
    "kiln did."
)


def unfilled_of(inputs: Mapping) -> dict[str, list[str]]:
    """Ids by kind, only kinds that hold any."""
    given = inputs.get("unfilled") or {}
    return {kind: [str(i) for i in given[kind]] for kind in KINDS if given.get(kind)}


def firings_are_empty(inputs: Mapping) -> bool:
    """Whether lots are planned or made while no firing is recorded."""
    counts = inputs.get("counts") or {}
    return counts.get("firings") == 0 and counts.get("design", 0) > 0


def unfilled_sentences(inputs: Mapping) -> list[str]:
    """One sentence per kind with the first ids, and one on firings where none is recorded."""
    sentences = []
    for kind, ids in unfilled_of(inputs).items():
        if kind == "firings_not_recorded" and firings_are_empty(inputs):
            continue
        one, many, _, _ = KINDS[kind]
        sentences.append(f"{count_words(len(ids), one, many)}: {list_ids(ids)}.")
    return sentences + ([NO_FIRINGS] if firings_are_empty(inputs) else [])


def unfilled_doubts(inputs: Mapping) -> list[str]:
    """The counts alone, for a short note."""
    parts = [
        count_words(len(ids), KINDS[kind][0], KINDS[kind][1])
        for kind, ids in unfilled_of(inputs).items()
    ]
    if not parts and firings_are_empty(inputs):
        parts = ["no firing recorded"]
    return parts


def unfilled_table(inputs: Mapping) -> Table | None:
    """What is not filled in, with ids and what stands in; None where nothing is missing."""
    counts, found = inputs.get("counts") or {}, unfilled_of(inputs)
    if not found:
        return None
    rows = []
    for kind, ids in found.items():
        one, many, among, follows = KINDS[kind]
        words = agree(len(ids), one, many)
        total = counts.get(among) if among else None
        number = f"{len(ids)} of {total}" if total else str(len(ids))
        rows.append([words[:1].upper() + words[1:], number, list_ids(ids, most=12), follows])
    return Table(
        id="table-unfilled",
        caption="Not filled in yet",
        note="Rows that were left out count as not filled in.",
        file="",
        columns=[
            Column("What"),
            Column("Number", True),
            Column("Which", is_wide=True),
            Column("What follows, what to do", is_wide=True),
        ],
        rows=rows,
    )
