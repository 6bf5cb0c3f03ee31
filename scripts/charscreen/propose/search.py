"""Search among firings to come and cells to make: what each is expected to gain."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from charscreen.plan.settings import KOH, NONE
from charscreen.propose.feasible import NEXT, existing_lots
from charscreen.propose.knowledge import Knowledge, Readings, node_variances
from charscreen.propose.prospect import Prospect, local_merit, worth_carrying
from charscreen.propose.value import expected_gain, fill_places
from charscreen.words import merit_words

OUTCOMES = 2048
"""Simulated outcomes behind each gain that is reported."""


@dataclass(frozen=True)
class Stakes:
    """What is to be chosen, and what is known of it.

    Parameters
    ----------
    merit : str
        Name of the merit.
    unit : str
        Its unit.
    candidates : DataFrame, J rows
        The ranked candidates: candidate, feedstock, activation, conditions.
    values : (n_draws, J) array
        Draws of the merit. [unit of the merit]
    sign : float
        1 where more is better, -1 where less is.
    merit_of : callable
        See `charscreen.propose.prospect.local_merit`.
    models, draws : mapping
        Records and posterior draws of the models that were fitted.
    rows : mapping
        Fitted rows (`charscreen.propose.knowledge.model_rows`) of those that the merit rests on.
    """

    merit: str
    unit: str
    candidates: pd.DataFrame
    values: np.ndarray
    sign: float
    merit_of: Callable[[Mapping[str, pd.DataFrame]], np.ndarray]
    models: Mapping[str, Mapping]
    draws: Mapping[str, pd.DataFrame]
    rows: Mapping[str, pd.DataFrame]

    @property
    def used(self) -> dict[str, Mapping]:
        """Records of the models that the merit rests on."""
        return {name: self.models[name] for name in self.rows}

    @property
    def best(self) -> int:
        """The candidate with the best expected merit."""
        return int(np.argmax(self.sign * self.values.mean(axis=0)))

    @cached_property
    def losses(self) -> np.ndarray:
        """What is lost by choosing the best as it seems now, in each draw (n_draws,)."""
        signed = self.sign * self.values
        return signed.max(axis=1) - signed[:, self.best]


@dataclass(frozen=True)
class Option:
    """A move with what it is expected to gain.

    Parameters
    ----------
    move : str
        ``cells``, ``lots`` (one firing) or ``firings`` (several).
    firings : list of DataFrame
        The lots of each firing; empty for cells alone.
    cells : dict of str to int
        Further cells by run; empty for firings.
    gain, se : float
        Expected gain and the error of its simulation. [unit of the merit]
    """

    move: str
    firings: list[pd.DataFrame]
    cells: dict[str, int] = field(default_factory=dict)
    gain: float = 0.0
    se: float = 0.0

    @property
    def n_lots(self) -> int:
        """Lots in all firings."""
        return sum(len(lots) for lots in self.firings)


class Search:
    """Firings and cells compared by what they are expected to gain.

    Parameters
    ----------
    stakes : Stakes
    lots : DataFrame
        Feasible lots with their feed; see `charscreen.propose.feasible.feasible_lots`.
    places : int
        Crucibles of a firing.
    reference : str or None
        Feedstock of the reference lot that each firing holds.
    cells_per_lot : int
        Cells made of each new lot.
    stock_kg : mapping
        Feed left by feedstock; one that is absent does not run out. [kg]
    seed : int
    """

    def __init__(
        self,
        stakes: Stakes,
        lots: pd.DataFrame,
        *,
        places: int,
        reference: str | None,
        cells_per_lot: int,
        stock_kg: Mapping[str, float],
        seed: int,
    ):
        self.lots, self.places, self.reference = lots.reset_index(drop=True), places, reference
        self.cells_per_lot, self.stock_kg, self.seed = cells_per_lot, stock_kg, seed
        merit = local_merit(
            stakes.merit_of, stakes.candidates, stakes.used, stakes.draws, sign=stakes.sign
        )
        kept = worth_carrying(stakes.values, sign=stakes.sign)
        self.merit = merit.only(kept)
        self.candidates = stakes.candidates.iloc[kept].reset_index(drop=True)
        self.known, self.no_cells = {}, ""
        for number, name in enumerate(self.merit.slope):
            readings = None
            if name == "device_farads":
                readings, self.no_cells = _readings_of_lots(stakes)
            self.known[name] = Knowledge(
                stakes.models[name],
                stakes.rows[name],
                node_variances(stakes.draws[name], seed=number),
                readings,
            )

    @property
    def of_cells(self) -> list[str]:
        """Models that the merit rests on and further cells would inform."""
        return [n for n, k in self.known.items() if k.model["unit"] == "cell" or k.readings]

    def firings(self, before: Sequence[pd.DataFrame] = ()) -> list[Option]:
        """The best filling of a firing at each condition, after firings already chosen.

        Parameters
        ----------
        before : sequence of DataFrame
            Lots of the firings that come first; their outcomes are simulated, not known.

        Returns
        -------
        list of Option
            By falling gain, that of all firings together.
        """
        if self.lots.empty:
            return []
        earlier = [lots.assign(**_labels(lots, k)) for k, lots in enumerate(before)]
        here = self.lots.assign(**_labels(self.lots, len(before)))
        table = pd.concat([*earlier, here], ignore_index=True)
        n_before = sum(len(lots) for lots in earlier)
        prospect = self._prospect(table, own_lot=True)
        used = _feed_kg(pd.concat(earlier)) if earlier else {}
        found = []
        conditions = self.lots.groupby(["peak_temperature_C", "hold_min"], sort=True)
        for _, group in conditions:
            index = np.concatenate([np.arange(n_before), n_before + group.index.to_numpy()])
            choice, channels = prospect.collapsed(index)
            chosen, _ = fill_places(
                choice,
                channels,
                places=self.places,
                allowed=self._rule(group, n_before, used),
                first=range(n_before),
                seed=self.seed,
            )
            if len(chosen) == n_before:
                continue
            places = index[chosen]
            own = group.iloc[np.array(chosen[n_before:]) - n_before].reset_index(drop=True)
            gain, se = expected_gain(*prospect.exact(places), outcomes=OUTCOMES, seed=self.seed)
            move = "firings" if before else "lots"
            found.append(Option(move, [*before, own], gain=gain, se=se))
        return sorted(found, key=lambda option: -option.gain)

    def gain_of(self, lots: pd.DataFrame, prospect: Prospect | None = None) -> tuple[float, float]:
        """Expected gain of a firing of these lots, and the error of its simulation.

        Where there is one already, `prospect` is that of a firing that begins with them.
        """
        prospect = prospect or self._of_firing(lots)
        exact = prospect.exact(range(len(lots)))
        return expected_gain(*exact, outcomes=OUTCOMES, seed=self.seed)

    def partly_filled(self, lots: pd.DataFrame) -> list[Option]:
        """The same firing with only its first lots, in the order in which they were chosen."""
        prospect = self._of_firing(lots)
        found = []
        for n in range(1, len(lots)):
            gain, se = self.gain_of(lots.head(n), prospect)
            found.append(Option("lots", [lots.head(n)], gain=gain, se=se))
        return found

    def _of_firing(self, lots: pd.DataFrame) -> Prospect:
        return self._prospect(lots.assign(**_labels(lots, 0)), own_lot=True)

    def cells(self, numbers: Sequence[int]) -> list[Option]:
        """The best use of so many further cells of the lots at hand.

        Parameters
        ----------
        numbers : sequence of int
            How many cells, each an option of its own.
        """
        if not self.of_cells:
            return []
        best_first = np.argsort(-self.merit.sign * self.merit.value, kind="stable")
        lots = existing_lots(self.known[self.of_cells[0]].rows, self.candidates.iloc[best_first])
        prospect = self._prospect(lots, own_lot=False)
        choice, channels = prospect.collapsed(range(len(lots)))
        chosen, _ = fill_places(
            choice,
            channels,
            places=max(numbers),
            allowed=lambda chosen: np.ones(len(lots), dtype=bool),
            seed=self.seed,
        )
        found = []
        for n in sorted(set(numbers)):
            exact = prospect.exact(chosen[:n])
            gain, se = expected_gain(*exact, outcomes=OUTCOMES, seed=self.seed)
            runs = lots["aliquot"].iloc[chosen[:n]].value_counts(sort=False).sort_index()
            found.append(Option("cells", [], runs.to_dict(), gain=gain, se=se))
        return found

    def _prospect(self, lots: pd.DataFrame, *, own_lot: bool) -> Prospect:
        readings = {}
        for name, known in self.known.items():
            if name in self.of_cells:
                each = np.full(len(lots), float(self.cells_per_lot if own_lot else 1))
                if known.readings and not own_lot:
                    each *= lots["aliquot"].isin(known.rows["aliquot"]).to_numpy()
            elif not own_lot:
                each = np.zeros(len(lots))
            elif name == "activation_yield":
                each = (lots["activation"] != NONE).to_numpy(float)
            else:
                each = np.ones(len(lots))
            readings[name] = each
        return Prospect(self.merit, self.known, self.candidates, lots, readings, own_lot=own_lot)

    def _rule(self, group: pd.DataFrame, n_before: int, used: Mapping[str, float]) -> Callable:
        """Which lots may follow: as feed is left; the last place is the reference's."""
        feeds = group["feedstock"].to_numpy()
        koh = (group["activation"] == KOH).to_numpy()
        needs = group["feed_ar_g"].fillna(0.0).to_numpy() / 1000

        def allowed(chosen: list[int]) -> np.ndarray:
            own = [place - n_before for place in chosen[n_before:]]
            taken = dict(used)
            for place in own:
                taken[feeds[place]] = taken.get(feeds[place], 0.0) + needs[place]
            left = np.array([self.stock_kg.get(f, np.inf) - taken.get(f, 0.0) for f in feeds])
            mask = needs <= left + 1e-9
            last = len(own) == self.places - 1
            if last and self.reference is not None and self.reference not in feeds[own]:
                only = mask & (feeds == self.reference)
                if not koh[own].any() and (only & ~koh).any():
                    only &= ~koh  # no activation firing for the sake of the reference alone
                mask = only if only.any() else mask
            return np.concatenate([np.zeros(n_before, dtype=bool), mask])

        return allowed


def _readings_of_lots(stakes: Stakes) -> tuple[Readings | None, str]:
    """What cells scatter about their lot, for a response that is one value per lot; or why not.

    The response of a lot is, on the log scale, its yield and the mean of its cells, so it holds
    the scatter of one cell over their number, which the model of the cells tells. Cells to come
    are another batch of assembly, which counts as scatter of each of them.
    """
    words = merit_words(stakes.merit)
    start = f"What more cells of the lots you have would add cannot be told: by {words} a lot is "
    model, rows = stakes.models.get("capacitance"), stakes.rows["device_farads"]
    if model is None:
        return None, f"{start}one value, and there is no model of single cells."
    if not {"lot", "aliquot"} & set(model["random"]):
        return None, (
            f"{start}one value, and what of its scatter is that of its cells is not known: too few "
            "lots have a second cell."
        )
    v = node_variances(stakes.draws["capacitance"], seed=len(stakes.rows))
    own = v["residual"] + v.get("assembly_batch", 0.0)
    return Readings(own.to_numpy(float), rows["n_cells"].to_numpy(float)), ""


def _labels(lots: pd.DataFrame, number: int) -> dict:
    """Levels of a firing to come, by its number."""
    name = f"{NEXT}{number}"
    second = [None if v is None else name for v in lots["activation_firing"]]
    return {
        "firing": name,
        "activation_firing": pd.Series(second, dtype=object, index=lots.index),
        "assembly_batch": name,
    }


def _feed_kg(lots: pd.DataFrame) -> dict[str, float]:
    return (lots.groupby("feedstock")["feed_ar_g"].sum() / 1000).to_dict()
