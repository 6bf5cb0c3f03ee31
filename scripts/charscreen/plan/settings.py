"""What a plan is asked for, checked against kiln and feedstocks before anything is laid out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil

from charscreen.findings import STOPS, Finding, UserError, nearest, render

NONE, KOH = "none", "KOH"


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
    feedstocks : tuple of str
        Feedstocks to screen.
    lots : tuple of (str, str)
        Feedstock and activation of each kind of lot, the reference's own kind left out where
        reference lots stand for it.
    temperatures_C, holds_min : tuple of float
        Levels of the firing factors.
    crucibles, firings : int
        Crucibles in a firing; number of char firings.
    reference : str or None
        Feedstock of the reference lots.
    reference_activation : str
        Their activation.
    reference_firings : tuple of int
        Firings, counted from 0, that hold a reference lot.
    replicates : int
        Lots of each kind.
    fill : bool
        The number of firings was given, so what room is left takes further lots.
    """

    feedstocks: tuple[str, ...]
    lots: tuple[tuple[str, str], ...]
    temperatures_C: tuple[float, ...]
    holds_min: tuple[float, ...]
    crucibles: int
    firings: int
    reference: str | None
    reference_activation: str
    reference_firings: tuple[int, ...]
    replicates: int
    fill: bool

    @property
    def free(self) -> list[int]:
        """Crucibles for screening lots in each firing."""
        held = set(self.reference_firings)
        return [self.crucibles - (k in held) for k in range(self.firings)]


def check_request(known: Mapping[str, Mapping], *, plan: Mapping, kiln: Mapping) -> Wanted:
    """The request in working form.

    Parameters
    ----------
    known : mapping of str to mapping
        Feedstock table by id; `may_activate` is read.
    plan, kiln : mapping
        The config's parts of these names.

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
    limit = kiln.get("max_temperature_C")
    temperatures = _levels(plan.get("peak_temperature_C"))
    holds = _levels(plan.get("hold_min"))
    activations = list(dict.fromkeys(plan.get("activation") or []))
    for key, levels in (
        ("peak_temperature_C", temperatures),
        ("hold_min", holds),
        ("activation", activations),
    ):
        if not levels:
            problem(f"plan.{key}", "", "there is nothing here to plan with. Write a list.")
    hot = [("peak_temperature_C", t) for t in temperatures]
    if KOH in activations and plan.get("activation_temperature_C") is not None:
        hot.append(("activation_temperature_C", plan["activation_temperature_C"]))
    for key, temperature in hot:
        if limit is not None and temperature > limit:
            problem(
                f"plan.{key}",
                temperature,
                f"{temperature:g} °C is above the kiln's limit of {limit:g} °C "
                "(kiln.max_temperature_C). Plan a lower temperature.",
            )
    for word in activations:
        if word not in (NONE, KOH):
            problem("plan.activation", word, f"'{word}' is not known. Write none, KOH or both.")
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
    if problems:
        raise PlanError(problems)

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
    needed = len(lots) * replicates
    firings = plan.get("firings")
    if reference is not None and crucibles == 1 and every == 1:
        problem(
            "plan.reference_every",
            every,
            "with one crucible a reference in every firing leaves no place for other lots. "
            "Write 0, or 4 or more.",
        )
    elif firings is not None and not problems:
        room = _room(int(firings), crucibles, every if reference else 0)
        if room < needed:
            enough = _firings_for(needed, crucibles, every if reference else 0)
            held = int(firings) * crucibles - room
            beside = f" beside {held} reference lots" if held else ""
            problem(
                "plan.firings",
                firings,
                f"{firings} firings of {crucibles} crucibles have room for {room} lots{beside}, "
                f"but {len(feedstocks)} feedstocks need {needed} (one for each activation and "
                f"replicate). Write {enough} or more, or take feedstocks out.",
            )
    if problems:
        raise PlanError(problems)
    if firings is None:
        n = _firings_for(needed, crucibles, every if reference else 0)
    else:
        n = int(firings)
    return Wanted(
        feedstocks=tuple(feedstocks),
        lots=tuple(lots),
        temperatures_C=tuple(temperatures),
        holds_min=tuple(holds),
        crucibles=crucibles,
        firings=n,
        reference=reference,
        reference_activation=reference_activation,
        reference_firings=tuple(range(0, n, every)) if reference else (),
        replicates=replicates,
        fill=firings is not None,
    )


def _levels(values: Sequence[float] | None) -> list[float]:
    return sorted({float(value) for value in values or []})


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
