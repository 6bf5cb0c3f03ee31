"""Merits: what candidates are compared by, drawn from the posterior of the models."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from charscreen.models.covariates import is_activated
from charscreen.models.tables import natural, not_covered, predict_draws
from charscreen.rank.one_level import keep_one_level

WHAT = {
    "char_yield": "char yield",
    "activation_yield": "activation yield",
    "capacitance": "capacitance",
}


@dataclass(frozen=True)
class Merit:
    """A merit; more is better.

    Parameters
    ----------
    words : str
        What it is, in a sentence.
    unit : str
        Unit of the value.
    needs_capacitance, needs_yield : bool
        Which measurements it rests on.
    """

    words: str
    unit: str
    needs_capacitance: bool
    needs_yield: bool


MERITS = {
    "electrode_F_per_g": Merit("electrode capacitance", "F/g", True, False),
    "cell_F_per_g": Merit("cell capacitance", "F/g", True, False),
    "carbon_g_per_kg_d": Merit("finished carbon per kg dry feed", "g/kg dry feed", False, True),
    "device_F_per_kg_d": Merit("device farads per kg dry feed", "F/kg dry feed", True, True),
}
NO_MODEL = "there is no model of"
MEASURED, MODELLED, YIELD_ONLY = "measured", "other conditions", "yield only"
OFF_PLAN = "fired off plan"


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
    """

    values: np.ndarray
    ranked: np.ndarray
    basis: list[str]
    missing: list[dict] = field(default_factory=list)


class MeritSource:
    """Draws of yield and capacitance of all candidates, from which any merit is formed.

    Parameters
    ----------
    candidates : DataFrame
        From `charscreen.rank.candidates.list_candidates`.
    models : mapping of str to dict
        Model records by name: char_yield, activation_yield, capacitance; may lack any.
    draws : mapping of str to DataFrame
        Their posterior draws.
    seed : int
        For the pairing of draws of different models.

    Notes
    -----
    The models are fitted apart, so their draws are paired at random: yield and capacitance
    count as independent given the data. Predictions are for a new firing and a new lot, as the
    median over both: exp or inverse logit of the expectation on the scale of the model.
    """

    def __init__(
        self,
        candidates: pd.DataFrame,
        models: Mapping[str, dict],
        draws: Mapping[str, pd.DataFrame],
        *,
        seed: int,
    ):
        self.candidates = candidates.reset_index(drop=True)
        self._models, self._draws = models, draws
        self._activated = is_activated(self.candidates["activation"])
        self._rng = np.random.default_rng(seed)
        used = {"char_yield", "activation_yield", "capacitance"}
        lengths = [len(draws[n]) for n in used & set(draws) if self.is_fitted(n)]
        self.n_draws = min(lengths, default=0)
        self._predicted: dict[str, tuple[np.ndarray, list[str]]] = {}
        for name in ("char_yield", "activation_yield", "capacitance"):
            self._predicted[name] = self._predict(name)

    def is_fitted(self, name: str) -> bool:
        """Whether a model of that name can predict."""
        fitted = self._models.get(name, {}).get("fitted", False)
        return bool(fitted) and len(self._draws.get(name, ())) > 0

    def draws_of(self, name: str) -> MeritDraws:
        """Draws of one merit over the candidates.

        Parameters
        ----------
        name : str
            One of `MERITS`.
        """
        merit = MERITS[name]
        n = len(self.candidates)
        value = np.ones((self.n_draws, n))
        reasons = [""] * n
        measured = np.ones(n, dtype=bool)
        if merit.needs_yield:
            carbon, why = self._carbon()
            value = value * carbon
            reasons = _first(reasons, why)
            measured &= self.candidates["n_yields"].to_numpy() > 0
        if merit.needs_capacitance:
            electrode, why = self._predicted["capacitance"]
            # Equal electrodes: the cell figure is a quarter of the electrode figure.
            value = value * (electrode if name == "electrode_F_per_g" else electrode / 4)
            # Where capacitance is all that counts the sentence names it already.
            reasons = _first(reasons, _of("capacitance", why) if merit.needs_yield else why)
            measured &= self.candidates["n_cells"].to_numpy() > 0
        reasons = self._one_level(merit, reasons)
        ranked = np.array([not reason for reason in reasons], dtype=bool)
        off = np.asarray(self.candidates.get("off_plan", np.zeros(n)), dtype=bool)
        here = np.where(measured, np.where(off, OFF_PLAN, MEASURED), MODELLED)
        basis = here[ranked].tolist()
        names = self.candidates["candidate"]
        missing = [
            {"candidate": str(c), "reason": r} for c, r in zip(names, reasons, strict=True) if r
        ]
        return MeritDraws(value[:, ranked], ranked, basis, missing)

    def _one_level(self, merit: Merit, reasons: list[str]) -> list[str]:
        """Reasons with those of candidates at levels that no model can compare."""
        of_yield = ["char_yield", "activation_yield"] if merit.needs_yield else []
        of_cells = ["capacitance"] if merit.needs_capacitance else []
        counts = ["n_yields"] if merit.needs_yield else []
        counts += ["n_cells"] if merit.needs_capacitance else []
        models = {n: self._models[n] for n in [*of_yield, *of_cells] if self.is_fitted(n)}
        return keep_one_level(self.candidates, reasons, models, words=WHAT, counts=counts)

    def _carbon(self) -> tuple[np.ndarray, list[str]]:
        """Finished carbon per dry feed. [g/kg]"""
        char, reasons = self._predicted["char_yield"]
        step, why = self._predicted["activation_yield"]
        reasons, why = _of("char_yield", reasons), _of("activation_yield", why)
        carbon = 10.0 * char
        carbon = np.where(self._activated, carbon * step / 100, carbon)
        why = [reason if on else "" for reason, on in zip(why, self._activated, strict=True)]
        return carbon, _first(reasons, why)

    def _predict(self, name: str) -> tuple[np.ndarray, list[str]]:
        """Draws on the natural scale and, per candidate, why there are none."""
        n = len(self.candidates)
        if not self.is_fitted(name):
            return np.full((self.n_draws, n), np.nan), [f"{NO_MODEL} {WHAT[name]}"] * n
        model, draws = self._models[name], self._draws[name]
        eta = predict_draws(model, draws, self.candidates)
        order = self._rng.permutation(len(draws))[: self.n_draws]
        return natural(model, eta)[order], not_covered(model, self.candidates)


def _of(name: str, reasons: Sequence[str]) -> list[str]:
    """Reasons with the quantity they are about in front, where they do not name it."""
    return [r if not r or r.startswith(NO_MODEL) else f"{WHAT[name]}: {r}" for r in reasons]


def _first(reasons: Sequence[str], more: Sequence[str]) -> list[str]:
    """Per candidate the first reason given."""
    return [a or b for a, b in zip(reasons, more, strict=True)]
