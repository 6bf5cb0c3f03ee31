"""What a plan is asked for, checked against kiln and feedstocks before anything is laid out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil

from charscreen.designs.terms import FACTORS, KOH, NONE, ONLY_ACTIVATED
from charscreen.findings import STOPS, Finding, UserError, nearest, render
from charscreen.plan.conditions import Condition, ConditionError, read_condition
from charscreen.ranges import read_levels

OPTIMAL, BALANCED, BLOCKS = "optimal", "balanced", "resolvable_blocks"
_NEEDED = ("peak_temperature_C", "hold_min")


class PlanError(UserError):
    """Settings that no plan can meet; the message names each key and the remedy.

    Parameters
    ----------
    findings : sequence of Finding
        One for each problem.
    """

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = list(findings)
        super().__init__(render(self.findings))


@dataclass(frozen=True)
class Wanted:
    """A checked request.

    Parameters
    ----------
    kind : str
        How the plan is laid out.
    feedstocks : tuple of str
        Feedstocks to screen.
    factors : dict of str to tuple
        Levels of every factor that has any, in the order of the design's columns.
    forbidden : tuple of Condition
        What may not be planned together.
    lots : tuple of (str, str)
        Feedstock and activation of each kind of lot, the reference's own kind left out where
        reference lots stand for it.
    crucibles, firings : int
        Crucibles in a firing; number of new char firings.
    reference : str or None
        Feedstock of the reference lots.
    reference_activation : str
        Their activation.
    reference_every : int
        Firings from one reference lot to the next; 0 without.
    reference_firings : tuple of int
        Firings, counted from 0, that hold a reference lot.
    replicates : int
        Lots of each kind.
    fill : bool
        The number of firings was given, so what room is left takes further lots.
    kept : tuple of dict
        Rows of the design that the plan is completed around.
    may_activate : dict of str to bool
        Which feedstocks may be activated.
    """

    kind: str
    feedstocks: tuple[str, ...]
    factors: dict[str, tuple]
    forbidden: tuple[Condition, ...]
    lots: tuple[tuple[str, str], ...]
    crucibles: int
    firings: int
    reference: str | None
    reference_activation: str
    reference_every: int
    reference_firings: tuple[int, ...]
    replicates: int
    fill: bool
    kept: tuple[Mapping, ...]
    may_activate: dict[str, bool]

    @property
    def temperatures_C(self) -> tuple[float, ...]:
        """Peak temperatures of the char firings. [°C]"""
        return self.factors["peak_temperature_C"]

    @property
    def holds_min(self) -> tuple[float, ...]:
        """Holds of the char firings. [min]"""
        return self.factors["hold_min"]

    @property
    def counted(self) -> list[Mapping]:
        """Kept rows that were not left out."""
        return [row for row in self.kept if not row.get("exclude_reason")]

    @property
    def free(self) -> list[int]:
        """Crucibles for screening lots in each firing."""
        held = set(self.reference_firings)
        return [self.crucibles - (k in held) for k in range(self.firings)]

    def varies(self, names: Sequence[str] = FACTORS) -> list[str]:
        """Factors with more than one level."""
        return [name for name in names if len(self.factors.get(name, ())) > 1]


def check_request(
    known: Mapping[str, Mapping],
    *,
    plan: Mapping,
    kiln: Mapping,
    accepted: Sequence[Mapping] = (),
    most_firings: int | None = None,
) -> Wanted:
    """The request in working form.

    Parameters
    ----------
    known : mapping of str to mapping
        Feedstock table by id; `may_activate` is read.
    plan, kiln : mapping
        The config's parts of these names.
    accepted : sequence of mappings
        Rows of the design, kept where ``plan.keep`` says so.
    most_firings : int, optional
        Char firings that the budget allows; so many are planned where ``plan.firings`` is empty.

    Raises
    ------
    PlanError
        With every problem found.
    """
    problems: list[Finding] = []

    def problem(key: str, value: object, message: str) -> None:
        problems.append(Finding("config", None, key, str(value), STOPS, message))

    crucibles = int(kiln.get("crucibles") or 0)
    if crucibles < 1:
        problem("kiln.crucibles", crucibles, f"{crucibles} crucibles hold no lot. Write 1 or more.")
    factors = _read_factors(plan, kiln, problem)
    replicates = int(plan.get("replicates") or 0)
    if replicates < 1:
        problem("plan.replicates", replicates, "each lot is wanted at least once. Write 1 or more.")
    asked = plan.get("feedstocks", "all")
    feedstocks = list(known) if asked == "all" else list(dict.fromkeys(asked or []))
    for name in feedstocks:
        if name not in known:
            problem("plan.feedstocks", name, _unknown(name, known))
    if not feedstocks:
        problem("plan.feedstocks", "", "no feedstock is named. Write all, or a list.")
    every = int(plan.get("reference_every") or 0)
    reference = plan.get("reference") if every > 0 else None
    if plan.get("reference") is not None and plan["reference"] not in known:
        problem("plan.reference", plan["reference"], _unknown(plan["reference"], known))
    forbidden = _read_forbidden(plan, known, problem)
    if problems:
        raise PlanError(problems)

    activations = factors["activation"]
    reference_activation = NONE if NONE in activations else KOH
    may = {name: _may_activate(known[name]) for name in known}
    if reference is not None and reference_activation == KOH and not may[reference]:
        problem(
            "plan.reference",
            reference,
            f"'{reference}' may not be activated (may_activate in feedstocks.csv), and the plan "
            "activates every lot. Name another reference, or add none to plan.activation.",
        )
    every_lot = [(f, a) for f in feedstocks for a in activations if a == NONE or may[f]]
    if not every_lot:
        problem(
            "plan.activation",
            KOH,
            "every feedstock says it may not be activated, so no lot is left. Add none.",
        )
    # Reference lots give their own feedstock more replicates than any other has.
    lots = [lot for lot in every_lot if lot != (reference, reference_activation)] or every_lot
    kept = _kept(accepted) if plan.get("keep") else ()
    done = [(row["feedstock"], row["activation"]) for row in kept if not row.get("exclude_reason")]
    needed = sum(max(0, replicates - done.count(lot)) for lot in lots)
    kept_firings = len({row["firing"] for row in kept})
    firings = plan.get("firings")
    if reference is not None and crucibles == 1 and every == 1:
        problem(
            "plan.reference_every",
            every,
            "with one crucible a reference in every firing leaves no place for other lots. "
            "Write 0, or 4 or more.",
        )
        raise PlanError(problems)
    step = every if reference else 0
    enough = _firings_for(needed, crucibles, step) if needed or not kept else 0
    given = int(firings) - kept_firings if firings is not None else most_firings
    if given is not None and not problems and given < enough:
        key = "plan.firings" if firings is not None else "plan.budget"
        room = _room(max(given, 0), crucibles, step)
        held = max(given, 0) * crucibles - room
        beside = f" beside {held} reference lots" if held else ""
        already = f", {kept_firings} of them kept from the design," if kept_firings else ""
        count = int(firings) if firings is not None else given
        remedy = (
            f"Write {enough + kept_firings} or more"
            if firings is not None
            else f"Allow for {enough} char firings"
        )
        problem(
            key,
            count,
            f"{count} firings of {crucibles} crucibles{already} have room for {room} "
            f"{'new ' if kept_firings else ''}lots{beside}, "
            f"but {len(feedstocks)} feedstocks need {needed} (one for each activation and "
            f"replicate). {remedy}, or take feedstocks out.",
        )
    if problems:
        raise PlanError(problems)
    n = enough if given is None else given
    return Wanted(
        kind=str(plan.get("kind") or OPTIMAL),
        feedstocks=tuple(feedstocks),
        factors=factors,
        forbidden=forbidden,
        lots=tuple(lots),
        crucibles=crucibles,
        firings=n,
        reference=reference,
        reference_activation=reference_activation,
        reference_every=step,
        reference_firings=tuple(range(0, n, every)) if reference else (),
        replicates=replicates,
        fill=given is not None,
        kept=kept,
        may_activate=may,
    )


def _read_factors(plan: Mapping, kiln: Mapping, problem) -> dict[str, tuple]:
    """Levels of every factor that has any; what an activation needs only where one is planned."""
    limit = kiln.get("max_temperature_C")
    activations = tuple(dict.fromkeys(plan.get("activation") or ()))
    if not activations:
        problem("plan.activation", "", "there is nothing here to plan with. Write a list.")
    for word in activations:
        if word not in (NONE, KOH):
            problem("plan.activation", word, f"'{word}' is not known. Write none, KOH or both.")
    factors: dict[str, tuple] = {}
    for name in FACTORS:
        if name == "activation":
            factors[name] = activations
            continue
        if name in ONLY_ACTIVATED and KOH not in activations:
            continue
        levels = read_levels(plan.get(name))
        if name == "ramp_C_per_min" and not levels:
            levels = read_levels(kiln.get(name))
        if levels:
            factors[name] = levels
        elif name in _NEEDED or name in ONLY_ACTIVATED:
            problem(f"plan.{name}", "", "there is nothing here to plan with. Write a list.")
        if name not in ("peak_temperature_C", "activation_temperature_C"):
            continue
        for temperature in levels:
            if limit is not None and temperature > limit:
                problem(
                    f"plan.{name}",
                    temperature,
                    f"{temperature:g} °C is above the kiln's limit of {limit:g} °C "
                    "(kiln.max_temperature_C). Plan a lower temperature.",
                )
    return factors


def _read_forbidden(plan: Mapping, known: Mapping[str, Mapping], problem) -> tuple[Condition, ...]:
    numbers = [name for name in FACTORS if name != "activation"]
    numbers += sorted(
        {
            name
            for row in known.values()
            for name, value in row.items()
            if isinstance(value, (int, float)) and not isinstance(value, bool) and name != "row"
        }
        - set(numbers)
    )
    words = {
        "feedstock": list(known),
        "activation": [NONE, KOH],
        "may_activate": ["yes", "no"],
    }
    conditions = []
    for n, text in enumerate(plan.get("forbidden") or (), start=1):
        try:
            conditions.append(read_condition(text, numbers=numbers, words=words))
        except ConditionError as error:
            problem("plan.forbidden", text, f"entry {n}, '{text}': {error}")
    return tuple(conditions)


def _kept(accepted: Sequence[Mapping]) -> tuple[Mapping, ...]:
    """Rows of the design, activation spelled out."""
    return tuple(dict(row) | {"activation": row.get("activation") or NONE} for row in accepted)


def _room(firings: int, crucibles: int, every: int) -> int:
    return firings * crucibles - (ceil(firings / every) if every else 0)


def _firings_for(lots: int, crucibles: int, every: int) -> int:
    firings = max(1, ceil(lots / crucibles))
    while _room(firings, crucibles, every) < lots:
        firings += 1
    return firings


def _may_activate(row: Mapping) -> bool:
    value = row.get("may_activate")
    return not (isinstance(value, str) and value.strip().casefold() == "no")


def _unknown(name: str, known: Mapping[str, Mapping]) -> str:
    hint = nearest(name, known)
    remedy = f"Did you mean '{hint}'?" if hint else "Write a feedstock of that table, or add it."
    return f"'{name}' is not in feedstocks.csv. {remedy}"
