"""Merits: what candidates are compared by, drawn from the posterior of the models."""

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from charscreen.arithmetic import evaluate
from charscreen.basis import MEASURED, MODELLED, OFF_PLAN
from charscreen.models.covariates import is_activated
from charscreen.models.tables import natural, not_covered, predict_draws
from charscreen.rank.cost import cost_per_kg
from charscreen.rank.facts import Facts
from charscreen.rank.joint import joint_reason
from charscreen.rank.one_level import keep_one_level
from charscreen.rounding import percent
from charscreen.words import CONDITION_COLUMNS, FEED_COLUMNS, MERITS, merit_words

WHAT = {
    "char_yield": "char yield",
    "activation_yield": "activation yield",
    "capacitance": "capacitance",
    "esr_area": "series resistance times area",
    "device_farads": "device farads per kg dry feed",
}
NO_MODEL = "there is no model of"
CHOICE_SHARE = 0.25
"""Share of the draws by which conditions are chosen; the rest says how good the choice is."""


@dataclass
class Quantity:
    """Draws of one quantity over all candidates.

    Parameters
    ----------
    values : (n_draws, n_candidates) array
        Draws; of no meaning where there is a reason.
    reasons : list of str
        Per candidate why it has none, or "".
    models : tuple of str
        Models it rests on.
    counts : tuple of str
        Columns of counts that are above zero where it was measured.
    """

    values: np.ndarray
    reasons: list[str]
    models: tuple[str, ...] = ()
    counts: tuple[str, ...] = ()


@dataclass
class MeritDraws:
    """Posterior draws of one merit.

    Parameters
    ----------
    values : (n_draws, n_ranked) array
        Draws of the merit. [unit of the merit]
    ranked : (n_candidates,) bool array
        Which candidates have draws.
    basis : list of str
        Per ranked candidate: ``measured`` where every quantity was measured at this very
        condition, ``other conditions`` where the model carries it over, ``yield only``.
    missing : list of dict
        Candidates not ranked: ``candidate`` and ``reason``.
    words, unit, better : str
        What the merit is, its unit, and ``more`` or ``less``.
    models : tuple of str
        Models it rests on.
    """

    values: np.ndarray
    ranked: np.ndarray
    basis: list[str]
    missing: list[dict] = field(default_factory=list)
    words: str = ""
    unit: str = ""
    better: str = "more"
    models: tuple[str, ...] = ()

    @property
    def oriented(self) -> np.ndarray:
        """The draws with more being better."""
        return self.values if self.better == "more" else -self.values

    def without(self, out: np.ndarray) -> "MeritDraws":
        """The same without some candidates; `out` is (n_candidates,) bool."""
        stays = ~out[self.ranked]
        basis = [b for b, s in zip(self.basis, stays, strict=True) if s]
        rest = {n: getattr(self, n) for n in ("missing", "words", "unit", "better", "models")}
        return MeritDraws(self.values[:, stays], self.ranked & ~out, basis, **rest)


class MeritSource:
    """Draws of all that merits are made of, over candidates.

    Parameters
    ----------
    candidates : DataFrame
        From `charscreen.rank.candidates.list_candidates`.
    models : mapping of str to dict
        Model records by name: char_yield, activation_yield, capacitance, esr_area,
        device_farads; may lack any.
    draws : mapping of str to DataFrame
        Their posterior draws.
    seed : int
        For the pairing of draws of different models.
    facts : Facts, optional
        Prices, kiln, feedstocks and merits of the user.
    part : str
        ``all`` draws, or the ``choice`` of a quarter or the ``rest``; see `CHOICE_SHARE`.

    Notes
    -----
    The models are fitted apart, so their draws are paired at random: yield and capacitance
    count as independent given the data, unless device farads per kg of feed are a response of
    their own (`charscreen.rank.joint.joint_reason`). Predictions are for a new firing and a new
    lot, as the median over both: exp or inverse logit of the expectation on the model's scale.
    """

    def __init__(
        self,
        candidates: pd.DataFrame,
        models: Mapping[str, dict],
        draws: Mapping[str, pd.DataFrame],
        *,
        seed: int,
        facts: Facts | None = None,
        part: str = "all",
    ):
        self.candidates = candidates.reset_index(drop=True)
        self.facts = facts or Facts()
        self._models, self._draws = models, draws
        self._activated = is_activated(self.candidates["activation"])
        lengths = [len(draws[n]) for n in WHAT if self.is_fitted(n)]
        n, cut = min(lengths, default=0), int(min(lengths, default=0) * CHOICE_SHARE)
        rows = {"all": slice(0, n), "choice": slice(0, cut), "rest": slice(cut, n)}[part]
        self.n_draws = rows.stop - rows.start
        self._known: dict[str, Quantity] = {}
        rng = np.random.default_rng(seed)
        for name in WHAT:
            order = rng.permutation(len(draws[name]))[rows] if self.is_fitted(name) else None
            self._known[name] = self._predict(name, order)
        self.joint_reason = joint_reason(models)
        if not self.joint_reason:
            apart, joint = self._device_apart(), self._known["device_farads"]
            if any(r and not a for a, r in zip(apart.reasons, joint.reasons, strict=True)):
                self.joint_reason = "the lots with both do not reach all candidates"
        self.energy_drop = self._has_drop()

    def is_fitted(self, name: str) -> bool:
        """Whether a model of that name can predict."""
        fitted = self._models.get(name, {}).get("fitted", False)
        return bool(fitted) and len(self._draws.get(name, ())) > 0

    def at(self, facts: Facts) -> "MeritSource":
        """The same draws of all models, with other prices or figures stated of the feedstocks."""
        other = copy(self)
        other.facts = facts
        other._known = {name: self._known[name] for name in WHAT}
        return other

    def draws_of(self, name: str) -> MeritDraws:
        """Draws of one merit over the candidates.

        Parameters
        ----------
        name : str
            One of `charscreen.words.MERITS` or of the expressions of the facts.
        """
        found = self.quantity(name)
        reasons = self._one_level(found)
        reasons = [
            reason or no_number
            for reason, no_number in zip(reasons, _not_finite(found.values), strict=True)
        ]
        ranked = np.array([not reason for reason in reasons], dtype=bool)
        n = len(self.candidates)
        measured = np.ones(n, dtype=bool)
        for column in found.counts:
            measured &= self.candidates[column].to_numpy() > 0
        off = self.candidates["off_plan"].to_numpy(bool)
        here = np.where(measured, np.where(off, OFF_PLAN, MEASURED), MODELLED)
        missing = [
            {"candidate": str(c), "reason": r}
            for c, r in zip(self.candidates["candidate"], reasons, strict=True)
            if r
        ]
        own = self.facts.expressions.get(name)
        unit = own.unit if own else MERITS[name][1]
        unit = unit.replace("money", self.facts.prices.get("currency", "money"))
        return MeritDraws(
            found.values[:, ranked],
            ranked,
            here[ranked].tolist(),
            missing,
            words=merit_words(name),
            unit=unit,
            better=own.better if own else MERITS[name][2],
            models=found.models,
        )

    def quantity(self, name: str) -> Quantity:
        """Draws of a merit, of a condition or of a figure of the feedstock."""
        if name not in self._known:
            self._known[name] = self._make(name)
        return self._known[name]

    def _make(self, name: str) -> Quantity:
        if name in self.facts.expressions:
            return self._expression(name)
        if name in CONDITION_COLUMNS or name in FEED_COLUMNS:
            return self._column(name)
        made = {
            "electrode_F_per_g": self._electrode,
            "cell_F_per_g": self._cell,
            "carbon_g_per_kg_d": self._carbon,
            "device_F_per_kg_d": self._device,
            "energy_Wh_per_kg": self._energy,
            "esr_area_ohm_cm2": self._resistance,
            "cost_per_kg_d": self._cost,
            "cost_per_device_F": self._cost_per_farad,
        }
        return made[name]()

    def _electrode(self) -> Quantity:
        return self._known["capacitance"]

    def _resistance(self) -> Quantity:
        return self._known["esr_area"]

    def _cell(self) -> Quantity:
        # Equal electrodes: the cell figure is a quarter of the electrode figure.
        found = self._known["capacitance"]
        return Quantity(found.values / 4, found.reasons, found.models, found.counts)

    def _carbon(self) -> Quantity:
        """Finished carbon per dry feed. [g/kg]"""
        char, step = self._known["char_yield"], self._known["activation_yield"]
        why = [r if on else "" for r, on in zip(step.reasons, self._activated, strict=True)]
        whole = np.where(self._activated, step.values / 100, 1.0)
        reasons = _first(_of("char_yield", char.reasons), _of("activation_yield", why))
        return Quantity(
            10.0 * char.values * whole, reasons, (*char.models, *step.models), char.counts
        )

    def _device(self) -> Quantity:
        return self._device_apart() if self.joint_reason else self._known["device_farads"]

    def _device_apart(self) -> Quantity:
        cell, carbon = self._cell(), self._carbon()
        return Quantity(
            carbon.values * cell.values,
            _first(carbon.reasons, _of("capacitance", cell.reasons)),
            (*carbon.models, *cell.models),
            (*carbon.counts, *cell.counts),
        )

    def _has_drop(self) -> bool:
        """Whether the ohmic drop is known for every candidate that has a capacitance."""
        esr, cell = self._known["esr_area"], self._known["capacitance"]
        unknown = [bool(e) and not c for e, c in zip(esr.reasons, cell.reasons, strict=True)]
        return self.facts.drop_A_per_cm2 is not None and not any(unknown)

    def _energy(self) -> Quantity:
        """E = C V²/2/3.6 with C of the cell and V after the drop. [Wh/kg]"""
        cell, volts = self._cell(), self.facts.voltage_V
        if volts is None:
            why = "no upper voltage is known (upper_voltage_V in config/cells.csv)"
            return Quantity(cell.values, [why] * len(self.candidates), cell.models, cell.counts)
        models = cell.models
        if self.energy_drop:
            esr = self._known["esr_area"]
            volts = volts - self.facts.drop_A_per_cm2 * esr.values
            volts = np.where(volts > 0, volts, np.nan)
            models = (*models, *esr.models)
        return Quantity(0.5 * cell.values * volts**2 / 3.6, cell.reasons, models, cell.counts)

    def _cost(self) -> Quantity:
        char = self._known["char_yield"]
        cost, reasons = cost_per_kg(self.candidates, char.values, self.facts)
        reasons = _first(_of("char_yield", char.reasons), reasons)
        return Quantity(cost, reasons, char.models, char.counts)

    def _cost_per_farad(self) -> Quantity:
        cost, device = self.quantity("cost_per_kg_d"), self._device()
        with np.errstate(all="ignore"):
            values = cost.values / device.values
        reasons = _first(_of("device_farads", device.reasons), cost.reasons)
        models = tuple(dict.fromkeys([*cost.models, *device.models]))
        return Quantity(values, reasons, models, tuple({*cost.counts, *device.counts}))

    def _column(self, name: str) -> Quantity:
        """A figure without scatter: of the condition, or stated of the feedstock."""
        if name in CONDITION_COLUMNS:
            raw = pd.to_numeric(self.candidates[name], errors="coerce").to_numpy(float)
            if name == "koh_ratio":
                raw = np.where(self._activated, raw, 0.0)
            why = f"it has no {name}"
        else:
            stated = {f: row.get(name) for f, row in self.facts.feedstocks.items()}
            raw = np.array([_float(stated.get(f)) for f in self.candidates["feedstock"]])
            why = f"{name} is not given for it in config/feedstocks.csv"
        reasons = ["" if np.isfinite(value) else why for value in raw]
        return Quantity(np.broadcast_to(raw, (self.n_draws, len(raw))), reasons)

    def _expression(self, name: str) -> Quantity:
        expression = self.facts.expressions[name].expression
        parts = {part: self.quantity(part) for part in expression.names}
        values = evaluate(expression, {part: found.values for part, found in parts.items()})
        reasons = [""] * len(self.candidates)
        for part, found in parts.items():
            why = [f"{merit_words(part)}: {r}" if r else "" for r in found.reasons]
            reasons = _first(reasons, why if part in MERITS else found.reasons)
        return Quantity(
            np.broadcast_to(values, (self.n_draws, len(self.candidates))),
            reasons,
            tuple(dict.fromkeys(m for found in parts.values() for m in found.models)),
            tuple(dict.fromkeys(c for found in parts.values() for c in found.counts)),
        )

    def _one_level(self, found: Quantity) -> list[str]:
        """Reasons with those of candidates at levels that no model can compare."""
        models = {n: self._models[n] for n in found.models if self.is_fitted(n)}
        return keep_one_level(
            self.candidates, found.reasons, models, words=WHAT, counts=list(found.counts)
        )

    def _predict(self, name: str, order: np.ndarray | None) -> Quantity:
        """Draws on the natural scale and, per candidate, why there are none."""
        counts = {
            "char_yield": ("n_yields",),
            "activation_yield": ("n_yields",),
            "esr_area": ("n_resistances",),
            "device_farads": ("n_yields", "n_cells"),
        }.get(name, ("n_cells",))
        n = len(self.candidates)
        if order is None:
            nothing = np.full((self.n_draws, n), np.nan)
            return Quantity(nothing, [f"{NO_MODEL} {WHAT[name]}"] * n, (name,), counts)
        model, draws = self._models[name], self._draws[name].iloc[order].reset_index(drop=True)
        eta = predict_draws(model, draws, self.candidates)
        return Quantity(natural(model, eta), not_covered(model, self.candidates), (name,), counts)


def _not_finite(values: np.ndarray) -> list[str]:
    """Per candidate why it is not ranked where draws of it are no numbers, or ""."""
    if not len(values):
        return [""] * values.shape[1]
    reasons = []
    for part in np.mean(~np.isfinite(values), axis=0):
        much = "all" if part == 1 else percent(part)
        reason = (
            f"{much} of its draws are no numbers (a division by zero, a log or root of what is "
            "below zero, or too large a value)"
        )
        reasons.append(reason if part > 0 else "")
    return reasons


def _of(name: str, reasons: Sequence[str]) -> list[str]:
    """Reasons with the quantity they are about in front, where they do not name it."""
    told = (NO_MODEL, *(f"{words}: " for words in WHAT.values()))
    return [r if not r or r.startswith(told) else f"{WHAT[name]}: {r}" for r in reasons]


def _first(reasons: Sequence[str], more: Sequence[str]) -> list[str]:
    """Per candidate the first reason given."""
    return [a or b for a, b in zip(reasons, more, strict=True)]


def _float(value: object) -> float:
    return np.nan if value is None else float(value)
