"""Merits: what candidates are compared by, drawn from the posterior of the models."""

from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, field
from functools import partial

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
from charscreen.rank.reasons import NO_MODEL, WHAT, first_reasons, naming, not_finite
from charscreen.words import CONDITION_COLUMNS, FEED_COLUMNS, MERITS, merit_words

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
        rng = np.random.default_rng(seed)
        self._order = {
            name: rng.permutation(len(draws[name]))[rows] for name in WHAT if self.is_fitted(name)
        }
        self._reasons = {name: self._not_covered(name) for name in WHAT}
        self._whole: tuple[MeritSource, np.ndarray] | None = None
        self._settle()

    def _settle(self) -> None:
        """What hangs on who the candidates are; draws are made when first asked for."""
        self._forget()
        self.joint_reason = joint_reason(self._models)
        if not self.joint_reason:
            apart, joint = self._reasons_apart(), self._reasons["device_farads"]
            if any(r and not a for a, r in zip(apart, joint, strict=True)):
                self.joint_reason = "the lots with both do not reach all candidates"
        self.energy_drop = self._has_drop()

    def _forget(self) -> None:
        self._told: dict[str, Quantity] = {}  # by the models
        self._made: dict[str, Quantity] = {}  # of these and of the facts

    def is_fitted(self, name: str) -> bool:
        """Whether a model of that name can predict."""
        fitted = self._models.get(name, {}).get("fitted", False)
        return bool(fitted) and len(self._draws.get(name, ())) > 0

    def at(self, facts: Facts) -> "MeritSource":
        """The same draws of all models, with other prices or figures stated of the feedstocks."""
        other = copy(self)
        other.facts, other._made = facts, {}
        return other

    def fed(self, draws: Mapping[str, pd.DataFrame]) -> "MeritSource":
        """The same candidates asked with other draws, as many as those at hand."""
        other = copy(self)
        other._draws = draws
        other._forget()
        return other

    def every(self, step: int) -> "MeritSource":
        """The same candidates with the first of each so many draws."""
        other = copy(self)
        other._order = {name: order[::step] for name, order in self._order.items()}
        other.n_draws = -(-self.n_draws // step)
        other._forget()
        other._whole = self._whole and (self._whole[0].every(step), self._whole[1])
        return other

    def only(self, places: np.ndarray) -> "MeritSource":
        """The same draws for some of the candidates, as if asked for them alone."""
        other = copy(self)
        other.candidates = self.candidates.iloc[places].reset_index(drop=True)
        other._activated = self._activated[places]
        other._reasons = {n: [why[k] for k in places] for n, why in self._reasons.items()}
        other._whole = (self, places)
        other._settle()
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
            for reason, no_number in zip(reasons, not_finite(found.values), strict=True)
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
        if name not in self._made:
            self._made[name] = self._make(name)
        return self._made[name]

    def _model(self, name: str) -> Quantity:
        """Draws of what one model tells."""
        if name not in self._told:
            self._told[name] = self._predict(name)
        return self._told[name]

    def _make(self, name: str) -> Quantity:
        if name in self.facts.expressions:
            return self._expression(name)
        if name in CONDITION_COLUMNS or name in FEED_COLUMNS:
            return self._column(name)
        made = {
            "electrode_F_per_g": partial(self._model, "capacitance"),
            "cell_F_per_g": self._cell,
            "carbon_g_per_kg_d": self._carbon,
            "device_F_per_kg_d": self._device,
            "energy_Wh_per_kg": self._energy,
            "esr_area_ohm_cm2": partial(self._model, "esr_area"),
            "cost_per_kg_d": self._cost,
            "cost_per_device_F": self._cost_per_farad,
        }
        return made[name]()

    def _cell(self) -> Quantity:
        # Equal electrodes: the cell figure is a quarter of the electrode figure.
        found = self._model("capacitance")
        return Quantity(found.values / 4, found.reasons, found.models, found.counts)

    def _carbon(self) -> Quantity:
        """Finished carbon per dry feed. [g/kg]"""
        char, step = self._model("char_yield"), self._model("activation_yield")
        whole = np.where(self._activated, step.values / 100, 1.0)
        models = (*char.models, *step.models)
        return Quantity(10.0 * char.values * whole, self._reasons_carbon(), models, char.counts)

    def _reasons_carbon(self) -> list[str]:
        step = zip(self._reasons["activation_yield"], self._activated, strict=True)
        why = [reason if on else "" for reason, on in step]
        return first_reasons(
            naming("char_yield", self._reasons["char_yield"]), naming("activation_yield", why)
        )

    def _reasons_apart(self) -> list[str]:
        return first_reasons(
            self._reasons_carbon(), naming("capacitance", self._reasons["capacitance"])
        )

    def _device(self) -> Quantity:
        return self._device_apart() if self.joint_reason else self._model("device_farads")

    def _device_apart(self) -> Quantity:
        cell, carbon = self._cell(), self._carbon()
        return Quantity(
            carbon.values * cell.values,
            self._reasons_apart(),
            (*carbon.models, *cell.models),
            (*carbon.counts, *cell.counts),
        )

    def _has_drop(self) -> bool:
        """Whether the ohmic drop is known for every candidate that has a capacitance."""
        esr, cell = self._reasons["esr_area"], self._reasons["capacitance"]
        unknown = [bool(e) and not c for e, c in zip(esr, cell, strict=True)]
        return self.facts.drop_A_per_cm2 is not None and not any(unknown)

    def _energy(self) -> Quantity:
        """E = C V²/2/3.6 with C of the cell and V after the drop. [Wh/kg]"""
        cell, volts = self._cell(), self.facts.voltage_V
        if volts is None:
            why = "no upper voltage is known (upper_voltage_V in config/cells.csv)"
            return Quantity(cell.values, [why] * len(self.candidates), cell.models, cell.counts)
        models = cell.models
        if self.energy_drop:
            esr = self._model("esr_area")
            volts = volts - self.facts.drop_A_per_cm2 * esr.values
            volts = np.where(volts > 0, volts, np.nan)
            models = (*models, *esr.models)
        return Quantity(0.5 * cell.values * volts**2 / 3.6, cell.reasons, models, cell.counts)

    def _cost(self) -> Quantity:
        char = self._model("char_yield")
        cost, reasons = cost_per_kg(self.candidates, char.values, self.facts)
        reasons = first_reasons(naming("char_yield", char.reasons), reasons)
        return Quantity(cost, reasons, char.models, char.counts)

    def _cost_per_farad(self) -> Quantity:
        cost, device = self.quantity("cost_per_kg_d"), self._device()
        with np.errstate(all="ignore"):
            values = cost.values / device.values
        reasons = first_reasons(naming("device_farads", device.reasons), cost.reasons)
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
            reasons = first_reasons(reasons, why if part in MERITS else found.reasons)
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

    def _not_covered(self, name: str) -> list[str]:
        """Per candidate why a model says nothing of it, or ""."""
        if not self.is_fitted(name):
            return [f"{NO_MODEL} {WHAT[name]}"] * len(self.candidates)
        return not_covered(self._models[name], self.candidates)

    def _predict(self, name: str) -> Quantity:
        """Draws on the natural scale."""
        counts = {
            "char_yield": ("n_yields",),
            "activation_yield": ("n_yields",),
            "esr_area": ("n_resistances",),
            "device_farads": ("n_yields", "n_cells"),
        }.get(name, ("n_cells",))
        if self._whole is not None:
            whole, places = self._whole
            values = whole._model(name).values[:, places]
        elif name in self._order:
            draws = self._draws[name].iloc[self._order[name]].reset_index(drop=True)
            eta = predict_draws(self._models[name], draws, self.candidates)
            values = natural(self._models[name], eta)
        else:
            values = np.full((self.n_draws, len(self.candidates)), np.nan)
        return Quantity(values, self._reasons[name], (name,), counts)


def _float(value: object) -> float:
    return np.nan if value is None else float(value)
