"""What changed since a kept ranking: who moved, by which measurements, how certainty grew."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from charscreen.rank.snapshot import COLLECTED, make_snapshot, read_snapshot
from charscreen.rounding import is_number

_SAME = 1e-6  # relative; results are written with ten digits
MOST_MOVED = 10


@dataclass(frozen=True)
class Difference:
    """What differs between the measurements of one kind.

    Parameters
    ----------
    new, gone : list of str
        Ids only now, only then.
    changed : dict of str to list of (str, object, object)
        Per id the quantities that differ, with their value then and now.
    """

    new: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    changed: dict[str, list[tuple]] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return bool(self.new or self.gone or self.changed)


@dataclass(frozen=True)
class MeritChange:
    """What changed in the ranking by one merit.

    Parameters
    ----------
    merit, unit : str
        Which, and its unit.
    before, now : mapping
        Row of the choice then and now, with ``n_group``, the number not told apart from it. The
        choice is the best of the measured candidates, and p_best, expected_loss and n_group are
        those among the measured; where the snapshot does not name it, the first place of all.
    ahead_before, ahead_now : mapping or None
        The row that the model put ahead of the choice without a measurement, if any.
    moved : list of dict
        The leading candidates of then and now: candidate, row then and now (None where it was
        not or is not ranked), place_before, place_now.
    width_factor : float or None
        Median over the candidates of both of the width of the interval now by then.
    """

    merit: str
    unit: str
    before: Mapping
    now: Mapping
    moved: list[dict]
    width_factor: float | None
    ahead_before: Mapping | None = None
    ahead_now: Mapping | None = None


@dataclass(frozen=True)
class Changes:
    """What changed since a snapshot.

    Parameters
    ----------
    since : str
        Date of the snapshot.
    measurements : dict of str to Difference
        By kind: lots, cells, firings; only kinds in which anything differs.
    merits : list of MeritChange
        Merits ranked both times, in which anything differs.
    gained, lost : list of str
        Merits ranked only now, only then.
    settings : bool
        Whether config.yaml differs.
    touched : dict of str to dict
        Feedstock to counts of new, changed and gone lots and cells.
    """

    since: str
    measurements: dict[str, Difference]
    merits: list[MeritChange]
    gained: list[str]
    lost: list[str]
    settings: bool
    touched: dict[str, dict[str, int]]

    def __bool__(self) -> bool:
        return bool(self.measurements or self.merits or self.gained or self.lost)


def changes_since(
    snapshot: Sequence[str], inputs: Mapping[str, object], digests: Sequence[tuple[str, str]]
) -> Changes | None:
    """What changed since a kept ranking; None without one.

    Parameters
    ----------
    snapshot : sequence of str
        Path of the snapshot, or nothing.
    inputs : mapping
        ``ranking``, the collected tables ``yields``, ``cells`` and ``firings``, and
        ``rank_summary``, which may be absent.
    digests : sequence of (str, str)
        Files of the screen and the first digits of their SHA-256.
    """
    if not snapshot:
        return None
    now = make_snapshot(
        inputs["ranking"],
        {kind: inputs[name] for kind, name in COLLECTED.items()},
        kept="",
        inputs=dict(digests),
        summary=inputs.get("rank_summary"),
    )
    return find_changes(read_snapshot(snapshot[0]), now)


def find_changes(before: Mapping, now: Mapping) -> Changes:
    """Compare two snapshots.

    Parameters
    ----------
    before, now : mapping
        From `charscreen.rank.snapshot.make_snapshot`.
    """
    measurements = {}
    for kind, present in now["measurements"].items():
        difference = _difference(before["measurements"].get(kind, {}), present)
        if difference:
            measurements[kind] = difference
    then, present = _by_merit(before["ranking"]), _by_merit(now["ranking"])
    both = [merit for merit in present if merit in then]
    merits = [
        _merit_change(
            merit,
            then[merit],
            present[merit],
            chosen=[_chosen(side, merit) for side in (before, now)],
        )
        for merit in both
    ]
    settings = "config/config.yaml"
    return Changes(
        since=str(before["kept"]),
        measurements=measurements,
        merits=[change for change in merits if change is not None],
        gained=[merit for merit in present if merit not in then],
        lost=[merit for merit in then if merit not in present],
        settings=_differs(before["inputs"].get(settings), now["inputs"].get(settings)),
        touched=_touched(measurements, before["measurements"], now["measurements"]),
    )


def _differs(one: object, two: object) -> bool:
    """Whether two digests differ as far as both are given."""
    if not isinstance(one, str) or not isinstance(two, str):
        return False
    n = min(len(one), len(two))
    return one[:n] != two[:n]


def _same(one: object, two: object) -> bool:
    if is_number(one) and is_number(two):
        return abs(one - two) <= _SAME * max(abs(one), abs(two))
    return (one if one == one else None) == (two if two == two else None)


def _difference(before: Mapping[str, Mapping], now: Mapping[str, Mapping]) -> Difference:
    changed = {}
    for name in sorted(set(before) & set(now)):
        pairs = [
            (key, before[name].get(key), value)
            for key, value in now[name].items()
            if not _same(before[name].get(key), value)
        ]
        if pairs:
            changed[name] = pairs
    return Difference(sorted(set(now) - set(before)), sorted(set(before) - set(now)), changed)


def _by_merit(rows: list[Mapping]) -> dict[str, list[Mapping]]:
    by_merit: dict[str, list[Mapping]] = {}
    for row in rows:
        by_merit.setdefault(row["merit"], []).append(row)
    return by_merit


def _chosen(snapshot: Mapping, merit: str) -> Mapping:
    """The record of the best measured candidate; empty where the snapshot has none."""
    merits = (snapshot.get("summary") or {}).get("merits") or {}
    return (merits.get(merit) or {}).get("measured") or {}


def _choice(rows: list[Mapping], chosen: Mapping) -> tuple[dict, Mapping | None]:
    """The choice with its standing among the measured, and what the model puts ahead of it."""
    found = [row for row in rows if row["candidate"] == chosen.get("best")]
    if not found:
        return {**rows[0], "n_group": _group_size(rows)}, None
    told = {name: chosen.get(name) for name in ("p_best", "expected_loss")}
    choice = {**found[0], **told, "n_group": len(chosen.get("group") or [found[0]])}
    return choice, None if found[0] is rows[0] else rows[0]


def _merit_change(
    merit: str, before: list[Mapping], now: list[Mapping], *, chosen: Sequence[Mapping]
) -> MeritChange | None:
    then = {row["candidate"]: (place, row) for place, row in enumerate(before, start=1)}
    present = {row["candidate"]: (place, row) for place, row in enumerate(now, start=1)}
    numbers = ("estimate", "estimate_lo", "estimate_hi", "p_best", "expected_rank")
    differ = set(then) != set(present) or any(
        not _same(then[name][1].get(key), row.get(key))
        for name, (_, row) in present.items()
        for key in numbers
    )
    if not differ:
        return None
    half = MOST_MOVED // 2
    leading = [row["candidate"] for row in [*now[:MOST_MOVED], *before[:half]]]
    moved = []
    for name in dict.fromkeys(leading):
        old, new = then.get(name, (None, None)), present.get(name, (None, None))
        moved.append(
            {
                "candidate": name,
                "place_before": old[0],
                "place_now": new[0],
                "before": old[1],
                "now": new[1],
            }
        )
    factors = [
        _width(present[name][1]) / _width(then[name][1])
        for name in set(then) & set(present)
        if is_number(_width(present[name][1])) and (_width(then[name][1]) or 0) > 0
    ]
    choice_then, ahead_then = _choice(before, chosen[0])
    choice_now, ahead_now = _choice(now, chosen[1])
    return MeritChange(
        merit=merit,
        unit=str(now[0].get("unit") or ""),
        before=choice_then,
        now=choice_now,
        ahead_before=ahead_then,
        ahead_now=ahead_now,
        moved=moved,
        width_factor=float(np.median(factors)) if factors else None,
    )


def _width(row: Mapping) -> float | None:
    """Width of the interval relative to the estimate."""
    lo, hi, value = row.get("estimate_lo"), row.get("estimate_hi"), row.get("estimate")
    if not (is_number(lo) and is_number(hi) and is_number(value)) or value == 0:
        return None
    return (hi - lo) / abs(value)


def _group_size(rows: list[Mapping]) -> int:
    return sum(bool(row.get("group")) for row in rows)


def _touched(
    measurements: Mapping[str, Difference], before: Mapping, now: Mapping
) -> dict[str, dict[str, int]]:
    """Counts of what is new, changed and gone by feedstock, for example ``new cells``."""
    touched: dict[str, dict[str, int]] = {}
    for kind in ("lots", "cells"):
        difference = measurements.get(kind)
        if difference is None:
            continue
        parts = (
            ("new", difference.new, now),
            ("changed", difference.changed, now),
            ("gone", difference.gone, before),
        )
        for word, ids, side in parts:
            for name in ids:
                feedstock = side[kind][name].get("feedstock")
                counts = touched.setdefault(str(feedstock), {})
                key = f"{word} {kind}"
                counts[key] = counts.get(key, 0) + 1
    return touched
