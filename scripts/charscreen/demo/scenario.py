"""What the workshop did: firings, lots, activation, and what went wrong on the way."""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

from charscreen.demo.feedstocks import BY_ID, FEEDSTOCKS, REFERENCE
from charscreen.demo.random_streams import stream

TEMPERATURES_C = (600, 700, 800)
HOLDS_MIN = (30, 60)
CRUCIBLES = 6
KOH_RATIO = 3
ACTIVATION_TEMPERATURE_C = 700
ACTIVATION_HOLD_MIN = 60
RAMP_C_PER_MIN = 2
OVERSHOT_C = 760
FIRST_DAY = date(2025, 3, 3)


@dataclass
class Firing:
    """One run of the kiln, as planned and as done. [degC, min]"""

    firing: str
    kind: str
    planned_C: int
    planned_hold_min: int
    done_C: int
    day: date
    note: str = ""


@dataclass
class Lot:
    """One crucible of char, or an aliquot of one (`parent`) that was activated on its own."""

    run: str
    role: str
    feedstock: str
    firing: Firing
    crucible: int | None
    order: int | None
    activated: bool = False
    activation_firing: Firing | None = None
    parent: str = ""
    exclude_reason: str = ""
    note: str = ""

    @property
    def char_run(self) -> str:
        """Run whose crucible the char came from."""
        return self.parent or self.run


@dataclass
class Mishaps:
    """Runs that carry the dirt of real life, by kind."""

    cracked: str = ""
    mistyped: str = ""
    without_cells: list[str] = field(default_factory=list)
    moisture_by_aliquot: list[str] = field(default_factory=list)
    moisture_assumed: list[str] = field(default_factory=list)
    weighed_gross: list[str] = field(default_factory=list)
    ash_measured: list[str] = field(default_factory=list)


@dataclass
class Scenario:
    """The whole workshop but for masses, cells and tests."""

    seed: int
    firings: list[Firing]
    lots: list[Lot]
    mishaps: Mishaps


def make_scenario(seed: int) -> Scenario:
    """Firings, lots and mishaps of one invented screen.

    Parameters
    ----------
    seed : int
        The same seed gives the same screen.

    Returns
    -------
    Scenario
        12 carbonising firings of 6 lots each, the activation firings that their chars went
        through, and a few aliquots that were activated beside their untreated parent.
    """
    firings = _plan_firings(stream(seed, "firings"))
    lots = _fill_crucibles(firings, stream(seed, "lots"))
    _choose_activated(lots, stream(seed, "activated"))
    aliquots = _split_aliquots(lots, stream(seed, "aliquots"))
    activation = _activate(lots + aliquots, firings[-1].day, stream(seed, "activation firings"))
    mishaps = _spoil(lots, aliquots, stream(seed, "mishaps"))
    return Scenario(seed, firings + activation, lots + aliquots, mishaps)


def _plan_firings(rng: np.random.Generator) -> list[Firing]:
    """Every condition twice, in random order; the kiln stops a few degrees off, once far off."""
    conditions = [(t, h) for t in TEMPERATURES_C for h in HOLDS_MIN] * 2
    order = rng.permutation(len(conditions))
    firings = []
    for number, index in enumerate(order, start=1):
        temperature, hold = conditions[index]
        done = temperature + int(np.clip(np.rint(rng.normal(0, 2.5)), -6, 6))
        day = FIRST_DAY + timedelta(days=4 * (number - 1))
        firings.append(Firing(f"F{number:02d}", "carbonise", temperature, hold, done, day))
    # Not the first one: a kiln is watched most closely on its first day.
    overshot = next(f for f in firings[3:] if f.planned_C == 700)
    overshot.done_C = OVERSHOT_C
    overshot.note = "controller overshot; peak read from the thermocouple, 700 was planned"
    return firings


def _fill_crucibles(firings: list[Firing], rng: np.random.Generator) -> list[Lot]:
    """The reference and five other wastes in each firing, spread evenly over the conditions."""
    others = [item.feedstock for item in FEEDSTOCKS if item.feedstock != REFERENCE]
    slots = len(firings) * (CRUCIBLES - 1)
    best, best_score = None, np.inf
    for _ in range(400):
        table = _deal(others, slots, len(firings), rng)
        score = _unevenness(table, firings)
        if score < best_score:
            best, best_score = table, score
    lots = []
    for firing, members in zip(firings, best, strict=True):
        names = [REFERENCE, *(others[index] for index in members)]
        crucibles = rng.permutation(CRUCIBLES) + 1
        for name, crucible in zip(names, crucibles, strict=True):
            role = "reference" if name == REFERENCE else "screen"
            lots.append(Lot("", role, name, firing, int(crucible), None))
    lots.sort(key=lambda lot: (lot.firing.firing, lot.crucible))
    for number, lot in enumerate(lots, start=1):
        lot.run = f"R{number:02d}"
    for firing in firings:
        members = [lot for lot in lots if lot.firing is firing]
        for lot, position in zip(members, rng.permutation(len(members)) + 1, strict=True):
            lot.order = int(position)
    return lots


def _deal(names: list[str], slots: int, n_firings: int, rng: np.random.Generator) -> list[list]:
    """Random feedstock numbers for each firing, as even as can be, none twice in a firing."""
    counts = np.full(len(names), slots // len(names))
    counts[rng.permutation(len(names))[: slots % len(names)]] += 1
    left = counts.copy()
    table = []
    for firing in range(n_firings):
        # Those with most lots still to place go first, ties by chance; so no firing is left short.
        urgency = left / (n_firings - firing) + rng.uniform(0, 0.45, len(names))
        must = left >= n_firings - firing
        chosen = np.argsort(-(urgency + 10 * must))[: slots // n_firings]
        left[chosen] -= 1
        table.append(sorted(int(index) for index in chosen))
    return table


def _unevenness(table: list[list], firings: list[Firing]) -> float:
    """How badly wastes are spread over temperatures, holds and each other's company."""
    size = 1 + max(max(members) for members in table)
    by_temperature = np.zeros((size, len(TEMPERATURES_C)))
    by_hold = np.zeros((size, len(HOLDS_MIN)))
    together = np.zeros((size, size))
    for firing, members in zip(firings, table, strict=True):
        by_temperature[members, TEMPERATURES_C.index(firing.planned_C)] += 1
        by_hold[members, HOLDS_MIN.index(firing.planned_hold_min)] += 1
        together[np.ix_(members, members)] += 1
    pairs = together[np.triu_indices(size, 1)]
    return 3 * by_temperature.var(axis=1).sum() + 3 * by_hold.var(axis=1).sum() + pairs.var()


def _choose_activated(lots: list[Lot], rng: np.random.Generator) -> None:
    """Half of each waste's lots for KOH, both kinds spread over the temperatures."""
    for item in FEEDSTOCKS:
        members = [lot for lot in lots if lot.feedstock == item.feedstock]
        if item.may_activate != "yes":
            continue
        wanted = (len(members) + int(rng.integers(2))) // 2
        best, best_score = None, np.inf
        for _ in range(60):
            chosen = rng.permutation(len(members))[:wanted]
            temperatures = np.array([lot.firing.planned_C for lot in members], dtype=float)
            holds = np.array([lot.firing.planned_hold_min for lot in members], dtype=float)
            score = abs(temperatures[chosen].mean() - temperatures.mean()) / 100
            score += abs(holds[chosen].mean() - holds.mean()) / 30
            score += 1.0 - len(set(temperatures[chosen])) / len(TEMPERATURES_C)
            if score < best_score:
                best, best_score = chosen, score
        for index in best:
            members[index].activated = True


def _split_aliquots(lots: list[Lot], rng: np.random.Generator) -> list[Lot]:
    """Aliquots of four untreated chars, activated beside their parents."""
    able = [
        lot
        for lot in lots
        if not lot.activated
        and lot.role == "screen"
        and BY_ID[lot.feedstock].may_activate == "yes"
        and BY_ID[lot.feedstock].feed_ar_g > 40
    ]
    parents, taken = [], set()
    for index in rng.permutation(len(able)):
        if able[index].feedstock not in taken and len(parents) < 4:
            parents.append(able[index])
            taken.add(able[index].feedstock)
    return [
        Lot(
            run=f"{lot.run}a",
            role=lot.role,
            feedstock=lot.feedstock,
            firing=lot.firing,
            crucible=None,
            order=None,
            activated=True,
            parent=lot.run,
            note="part of the char of the parent run",
        )
        for lot in sorted(parents, key=lambda lot: lot.run)
    ]


def _activate(lots: list[Lot], last_day: date, rng: np.random.Generator) -> list[Firing]:
    """Activation firings of up to six aliquots, drawn across the char firings."""
    waiting = [lot for lot in lots if lot.activated]
    count = -(-len(waiting) // CRUCIBLES)
    firings = [
        Firing(
            firing=f"A{number:02d}",
            kind="activate",
            planned_C=ACTIVATION_TEMPERATURE_C,
            planned_hold_min=ACTIVATION_HOLD_MIN,
            done_C=ACTIVATION_TEMPERATURE_C + int(np.clip(np.rint(rng.normal(0, 2)), -5, 5)),
            day=last_day + timedelta(days=4 + 3 * (number - 1)),
        )
        for number in range(1, count + 1)
    ]
    for position, index in enumerate(rng.permutation(len(waiting))):
        waiting[index].activation_firing = firings[position % count]
    return firings


def _spoil(lots: list[Lot], aliquots: list[Lot], rng: np.random.Generator) -> Mishaps:
    """Choose which runs carry which mishap, each run at most one."""
    mishaps = Mishaps()
    split = {lot.parent for lot in aliquots}
    free = [lot for lot in lots if lot.role == "screen" and lot.run not in split]
    free = [free[index] for index in rng.permutation(len(free))]

    def take(wanted: int, fits=lambda lot: True) -> list[str]:
        chosen = [lot for lot in free if fits(lot)][:wanted]
        for lot in chosen:
            free.remove(lot)
        return sorted(lot.run for lot in chosen)

    def is_dry(lot: Lot) -> bool:
        return BY_ID[lot.feedstock].moisture_ar_percent < 20

    mishaps.cracked = take(1, lambda lot: not lot.activated)[0]
    mishaps.mistyped = take(1, lambda lot: not lot.activated)[0]
    mishaps.without_cells = take(5)
    mishaps.moisture_assumed = take(4, is_dry)
    mishaps.moisture_by_aliquot = take(6, lambda lot: not is_dry(lot))
    mishaps.weighed_gross = take(6)
    mishaps.ash_measured = take(12)
    for lot in lots:
        if lot.run == mishaps.cracked:
            lot.exclude_reason = "crucible cracked in the kiln, part of the char burnt"
    return mishaps
