"""A checked request as a problem for the search: settings, what is forbidden, what is known."""

import itertools
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.designs.information import codes_of, information
from charscreen.designs.problem import PREDICTION, Problem, weak_prior, weights_of
from charscreen.designs.terms import (
    ACTIVATION_FACTORS,
    FACTORS,
    FIRING_FACTORS,
    INTERACTIONS,
    KOH,
    LOT_FACTORS,
    MAIN,
    QUADRATIC,
    Terms,
    model_matrix,
    terms_of,
)
from charscreen.findings import STOPS, Finding
from charscreen.plan.settings import PlanError, Wanted

# Combinations of feedstock and settings looked at one by one; beyond, levels are too many.
_MOST_COMBINATIONS = 8_000_000
# Points over which a prediction is averaged, drawn where there are more combinations.
_POINTS = 4000
AUTO = "auto"


class Settings:
    """Everything a firing, a lot and an activation firing may be set to, and what is forbidden.

    Parameters
    ----------
    wanted : Wanted
    known : mapping of str to mapping
        Feedstock table by id.

    Attributes
    ----------
    firing, lot, activation : tuple of dict
        Settings; a lot without activation has no ``koh_ratio``.
    activated : (n_lot,) bool array
    allowed : (n_feedstocks, n_firing, n_lot, n_activation) bool array
        Feedstocks in the order of `feedstocks`.
    feedstocks : tuple of str
        Those of the plan, the reference, and those of kept lots.

    Raises
    ------
    PlanError
        Where everything is forbidden, all for a feedstock, or there are too many combinations.
    """

    def __init__(self, wanted: Wanted, known: Mapping[str, Mapping]) -> None:
        self._wanted, self._known = wanted, known
        factors = wanted.factors
        self.firing = _grid(factors, FIRING_FACTORS)
        lots = _grid(factors, LOT_FACTORS)
        self.lot = tuple(
            setting
            for n, setting in enumerate(lots)
            if setting["activation"] == KOH
            or _without_ratio(setting) not in map(_without_ratio, lots[:n])
        )
        self.lot = tuple(
            setting if setting["activation"] == KOH else _without_ratio(setting)
            for setting in self.lot
        )
        self.activation = _grid(factors, ACTIVATION_FACTORS)
        self.activated = np.array([setting["activation"] == KOH for setting in self.lot])
        others = [wanted.reference] if wanted.reference else []
        others += [row["feedstock"] for row in wanted.kept]
        self.feedstocks = tuple(dict.fromkeys([*wanted.feedstocks, *others]))
        shape = tuple(map(len, (self.feedstocks, self.firing, self.lot, self.activation)))
        if np.prod(shape, dtype=float) > _MOST_COMBINATIONS:
            text = (
                f"{shape[0]} feedstocks, {shape[1]} settings of a firing, {shape[2]} of a lot and "
                f"{shape[3]} of an activation firing are too many combinations. Give fewer levels, "
                "or fewer points to the ranges."
            )
            raise PlanError([Finding("config", None, "plan", "", STOPS, text)])
        self.allowed = self._allow(shape)
        self._check(wanted)

    def _allow(self, shape: tuple) -> np.ndarray:
        values = {
            name: column[:, None, None, None]
            for name, column in self._about_feeds(self.feedstocks).items()
        }
        for settings, names, place in (
            (self.firing, FIRING_FACTORS, (None, slice(None), None, None)),
            (self.lot, LOT_FACTORS, (None, None, slice(None), None)),
            (self.activation, ACTIVATION_FACTORS, (None, None, None, slice(None))),
        ):
            for name in names:
                column = [setting.get(name, np.nan) for setting in settings]
                kind = object if name == "activation" else float
                values[name] = np.array(column, dtype=kind)[place]
        on = self.activated[None, None, :, None]
        for name in ACTIVATION_FACTORS:
            values[name] = np.where(on, values[name], np.nan)
        return self._permitted(values, shape)

    def permits(self, lots: pd.DataFrame) -> np.ndarray:
        """Which lots of a table no condition forbids, on the grid of settings or beside it.

        Parameters
        ----------
        lots : DataFrame
            feedstock and factors.
        """
        values = dict(self._about_feeds(lots["feedstock"].tolist()))
        for name in FACTORS:
            missing = pd.Series(np.nan, index=lots.index)
            kind = object if name == "activation" else float
            values[name] = lots.get(name, missing).to_numpy(dtype=kind)
        return self._permitted(values, (len(lots),))

    def _about_feeds(self, names: Sequence[str]) -> dict[str, np.ndarray]:
        """What conditions can ask of feedstocks, one value for each of some names."""
        rows = [self._known.get(name, {}) for name in names]
        values: dict[str, np.ndarray] = {}
        for key in {key for row in self._known.values() for key in row}:
            column = [row.get(key) for row in rows]
            if not any(isinstance(value, str) for value in column):
                column = [np.nan if value is None else value for value in column]
                values[key] = np.array(column, dtype=float)
        may = self._wanted.may_activate
        answers = ["yes" if may.get(name, True) else "no" for name in names]
        return values | {
            "may_activate": np.array(answers, dtype=object),
            "feedstock": np.array(list(names), dtype=object),
        }

    def _permitted(self, values: Mapping[str, np.ndarray], shape: tuple) -> np.ndarray:
        allowed = ~((values["activation"] == KOH) & (values["may_activate"] == "no"))
        allowed = np.array(np.broadcast_to(allowed, shape))
        for condition in self._wanted.forbidden:
            allowed &= ~np.broadcast_to(condition(values), shape)
        return allowed

    def _check(self, wanted: Wanted) -> None:
        problems = []
        if not self.allowed.any():
            text = "taken together they forbid everything. Take one out, or make it narrower."
            raise PlanError([Finding("config", None, "plan.forbidden", "", STOPS, text)])
        for feedstock, activation in wanted.lots:
            here = self.allowed[self.feedstocks.index(feedstock)]
            if not here[:, self.activated == (activation == KOH)].any():
                how = "with KOH" if activation == KOH else "without activation"
                text = (
                    f"they leave {feedstock} {how} no setting at all. Make one narrower, or take "
                    "the feedstock or the activation out."
                )
                problems.append(Finding("config", None, "plan.forbidden", feedstock, STOPS, text))
        if wanted.reference:
            here = self.allowed[self.feedstocks.index(wanted.reference)]
            if not here[:, self.reference_setting(wanted)].any():
                text = f"they leave the reference {wanted.reference} no setting. Make one narrower."
                problems.append(
                    Finding("config", None, "plan.forbidden", wanted.reference, STOPS, text)
                )
        if problems:
            raise PlanError(problems)

    def reference_setting(self, wanted: Wanted) -> int:
        """Lot setting of a reference lot: the middle of those with its activation."""
        of_kind = np.flatnonzero(self.activated == (wanted.reference_activation == KOH))
        return int(of_kind[len(of_kind) // 2])


def _grid(factors: Mapping[str, Sequence], names: Sequence[str]) -> tuple[dict, ...]:
    here = [name for name in names if factors.get(name)]
    return tuple(
        dict(zip(here, levels, strict=True))
        for levels in itertools.product(*(factors[name] for name in here))
    )


def _without_ratio(setting: Mapping) -> dict:
    return {key: value for key, value in setting.items() if key != "koh_ratio"}


def choose_model(wanted: Wanted, feedstocks: Sequence[str], asked: str) -> tuple[Terms, str]:
    """Terms of the planned model and a sentence on what was left out, if anything.

    Parameters
    ----------
    wanted : Wanted
    feedstocks : sequence of str
        All that have a mean.
    asked : str
        `auto` for the richest model that firings and lots can carry, else the model.
    """
    n_firings = wanted.firings + len({row["firing"] for row in wanted.counted})
    n_lots = wanted.firings * wanted.crucibles + len(wanted.counted)
    models = [QUADRATIC, INTERACTIONS, MAIN] if asked == AUTO else [asked]
    terms = terms_of(feedstocks, wanted.factors, model=models[0])
    for model in models:
        terms = terms_of(feedstocks, wanted.factors, model=model)
        whole = [p for p in terms.products if set(p) <= set(FIRING_FACTORS)]
        if len(whole) + 1 < n_firings and len(terms.names) < n_lots:
            break
    whole = [p for p in terms.products if set(p) <= set(FIRING_FACTORS)]
    if len(whole) + 1 >= n_firings or len(terms.names) >= n_lots:
        return terms, (
            f"{n_firings} firings and {n_lots} lots are fewer than the terms of the model need "
            f"({len(whole) + 1} for the firings, {len(terms.names)} in all): some effects cannot "
            "be told. Plan more firings, or vary less."
        )
    if model != models[0]:
        return terms, (
            f"{n_firings} firings cannot carry "
            f"{'curvature' if model == INTERACTIONS else 'interactions and curvature'}: the plan "
            "is made for a model without."
        )
    return terms, ""


def pose_problem(
    wanted: Wanted,
    settings: Settings,
    *,
    terms: Terms,
    kinds: Sequence[tuple[str, str]],
    sizes: np.ndarray,
    plan: Mapping,
    most: Mapping[str, int],
) -> Problem:
    """The problem of the optimal plan.

    Parameters
    ----------
    wanted : Wanted
    settings : Settings
    terms : Terms
        The model.
    kinds : sequence of (str, str)
        Feedstock and activation of every screening lot, as the search starts.
    sizes : (n_firings,) int array
        Screening lots in each firing.
    plan : mapping
        ``criterion``, ``variance_ratios``, ``activation_firings`` are read.
    most : mapping of str to int
        Lots of a feedstock at most, where its stock limits them.
    """
    at = {name: i for i, name in enumerate(settings.feedstocks)}
    held = np.isin(np.arange(len(sizes)), wanted.reference_firings).astype(int)
    reference_setting = settings.reference_setting(wanted) if held.any() else -1
    reference = at[wanted.reference] if wanted.reference else -1
    fixed, fixed_setting = [], []
    for size, has in zip(sizes, held, strict=True):
        fixed += [reference] * has + [-1] * int(size)
        fixed_setting += [reference_setting] * has + [-1] * int(size)
    least = np.zeros((len(at), 2), dtype=int)
    planned = pd.Series(list(kinds)).value_counts().to_dict() if kinds else {}
    done = [(row["feedstock"], row["activation"]) for row in wanted.counted]
    for kind in wanted.lots:
        wish = max(0, wanted.replicates - done.count(kind))
        least[at[kind[0]], int(kind[1] == KOH)] = min(wish, planned.get(kind, 0))
    ceiling = np.array([most.get(name, 10**6) for name in settings.feedstocks], dtype=int)
    ceiling[[i for name, i in at.items() if name not in wanted.feedstocks]] = 0
    n_activated = sum(kind[1] == KOH for kind in kinds)
    n_activated += int(held.sum()) if wanted.reference_activation == KOH else 0
    ratios = tuple(float(ratio) for ratio in plan.get("variance_ratios") or (0.25, 1.0, 4.0))
    criterion = str(plan.get("criterion") or PREDICTION)
    p = len(terms.names)
    prior = weak_prior(len(ratios), n_feedstocks=len(at), p=p)
    if wanted.counted:
        prior = prior + known_from(pd.DataFrame(wanted.counted), terms, ratios)
    given = {
        "terms": terms,
        "firing_settings": settings.firing,
        "lot_settings": settings.lot,
        "activation_settings": settings.activation,
        "activated": settings.activated,
        "allowed": settings.allowed,
        "sizes": np.asarray(sizes) + held,
        "activation_firings": count_activation_firings(wanted, n_activated, plan),
        "activation_size": wanted.crucibles,
        "fixed": np.array(fixed, dtype=int),
        "fixed_setting": np.array(fixed_setting, dtype=int),
        "kinds": tuple((at[feedstock], activation == KOH) for feedstock, activation in kinds),
        "least": least,
        "most": ceiling,
        "ratios": ratios,
        "criterion": criterion,
        "prior": prior,
    }
    blank = Problem(**given, weights=np.zeros((p, p)))
    n = len(wanted.feedstocks)
    points = np.argwhere(settings.allowed[:n])
    if len(points) > _POINTS:
        rng = np.random.default_rng(0)
        points = points[np.sort(rng.choice(len(points), _POINTS, replace=False))]
    rows = blank.rows(*points.T)
    weights = weights_of(rows, n_feedstocks=len(at), criterion=criterion)
    return Problem(**given, weights=weights)


def count_activation_firings(wanted: Wanted, n_activated: int, plan: Mapping) -> int:
    """Activation firings: as few as hold the lots, and enough to tell their settings apart."""
    if not n_activated:
        return 0
    enough = -(-n_activated // wanted.crucibles)
    given = plan.get("activation_firings")
    if given is None:
        return max(enough, min(n_activated, 1 + len(wanted.varies(ACTIVATION_FACTORS))))
    if given < enough:
        text = (
            f"{given} activation firings of {wanted.crucibles} crucibles do not hold "
            f"{n_activated} activated lots. Write {enough} or more."
        )
        raise PlanError(
            [Finding("config", None, "plan.activation_firings", str(given), STOPS, text)]
        )
    return int(given)


def known_from(design: pd.DataFrame, terms: Terms, ratios: Sequence[float]) -> np.ndarray:
    """What lots that stand already tell of the model: (n_ratios, p, p)."""
    design = design.copy()
    for scale in terms.scales:
        if scale.name not in design:
            design[scale.name] = np.nan
    X, _ = model_matrix(design, terms)
    firings = codes_of(design["firing"].tolist())
    activations = codes_of(design["activation_firing"].tolist())
    return np.array([information(X, firings, activations, ratio) for ratio in ratios])
