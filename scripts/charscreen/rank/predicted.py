"""The predicted best condition of each feedstock, never outside what was tested."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import product

import numpy as np
import pandas as pd

from charscreen.models.covariates import is_activated
from charscreen.rank.candidates import COLUMNS, CONDITION, candidate_name, condition_keys
from charscreen.rank.merits import MeritSource

MOST_POINTS = 400
"""Conditions tried per activation."""
MOST_LEVELS = 9
MOST_ASKED = 2000
"""Conditions asked at once, so that the draws take little room."""
LEAST_GAIN = 0.01
"""Gain over the best tested condition from which on another one is worth naming."""
_STEPS = {
    "peak_temperature_C": 25.0,
    "activation_temperature_C": 25.0,
    "koh_ratio": 0.5,
    "hold_min": None,
    "activation_hold_min": None,
}
_HOLD_STEP_MIN = 5.0
_COUNTS = ("n_firings", "n_lots", "n_yields", "n_cells", "n_resistances")


def predicted_candidates(
    tested: pd.DataFrame,
    source_of: Callable[[pd.DataFrame], MeritSource],
    merits: Sequence[str],
) -> tuple[pd.DataFrame, list[dict]]:
    """Conditions that the models expect to be better than any tested one of a feedstock.

    Parameters
    ----------
    tested : DataFrame
        From `charscreen.rank.candidates.list_candidates`.
    source_of : callable
        Candidates to a `MeritSource` over the draws that the choice is made by.
    merits : sequence of str
        Merits; for each one condition per feedstock is sought.

    Returns
    -------
    added : DataFrame
        Candidates as `tested` with all counts 0 and predicted ``yes``; none stands in `tested`.
    chosen : list of dict
        feedstock, merit, candidate, gain_percent: the choice for each feedstock and merit, where
        the best is a tested condition the name of that one and a gain of 0.

    Notes
    -----
    Tried are round values of each factor between the lowest and the highest tested, as far as
    they lie within the convex hull of the conditions tested under that activation (holds by their
    logarithm); a feedstock is tried only under activations it was measured under. The condition of
    the best posterior mean is taken where it beats the best tested one by `LEAST_GAIN` (common
    practice, no source). The mean is that of draws which are not used to say how good the
    condition is, so the noise of drawing does not flatter it. What firings scattered by still
    does: effects of conditions are not drawn towards zero. In 20 simulated screens of the demo's
    shape predicted candidates came out 6 % too good (best tested ones 3 %), and 90 % intervals
    held 91 % of them (``tests/bench/bench_predicted.py``).
    """
    chosen: list[dict] = []
    added: dict[tuple, dict] = {}
    conditions = {
        activation: _conditions(tested[tested["activation"] == activation], activation)
        for activation in sorted(set(tested["activation"]))
    }
    feedstocks = sorted(set(tested["feedstock"]))
    for feedstock, both, source in _asked(tested, feedstocks, conditions, source_of):
        mine = (both["feedstock"] == feedstock).to_numpy()
        is_new = np.arange(len(both)) >= len(tested)
        for merit in merits:
            drawn = source.draws_of(merit)
            mean = np.full(len(both), -np.inf)
            mean[drawn.ranked] = drawn.oriented.mean(axis=0)
            old, new = (np.where(mine & part, mean, -np.inf) for part in (~is_new, is_new))
            best, place = int(np.argmax(old)), int(np.argmax(new))
            if not np.isfinite(mean[best]):
                continue
            gain = (new[place] - old[best]) / abs(old[best]) if old[best] else 0.0
            entry = {"feedstock": feedstock, "merit": merit}
            if not np.isfinite(gain) or gain < LEAST_GAIN:
                name = str(both["candidate"].iloc[best])
                chosen.append(entry | {"candidate": name, "gain_percent": 0.0})
                continue
            row = both.iloc[place].to_dict()
            key = (feedstock, *condition_keys(both.iloc[[place]])[0])
            if key not in added:
                row["candidate"] = _free_name(row, [*tested["candidate"], *_names(added)])
                added[key] = row
            name = added[key]["candidate"]
            chosen.append(entry | {"candidate": name, "gain_percent": float(100 * gain)})
    rows = sorted(added.values(), key=lambda row: row["candidate"])
    return pd.DataFrame(rows, columns=COLUMNS), chosen


def unmeasured(conditions: pd.DataFrame, feedstock: str) -> pd.DataFrame:
    """Conditions as candidates of a feedstock at which nothing is measured; names are empty."""
    same = dict.fromkeys(_COUNTS, 0) | {"feedstock": feedstock, "candidate": ""}
    same |= {"off_plan": False, "predicted": "yes"}
    columns = {name: same[name] if name in same else conditions[name] for name in COLUMNS}
    return pd.DataFrame(columns).reset_index(drop=True)


def inside_hull(points: np.ndarray, tested: np.ndarray) -> np.ndarray:
    """Whether points lie within the convex hull of tested ones.

    Parameters
    ----------
    points : (n, d) array
        Points to ask for.
    tested : (m, d) array
        Points that span the hull; they may lie on a line or a plane.

    Returns
    -------
    (n,) bool array

    Notes
    -----
    A point is inside where weights of 0 or more that add up to 1 give it from the tested ones;
    found by least squares with weights of 0 or more (Lawson & Hanson 1974, from memory).
    """
    from scipy.optimize import nnls

    low, span = tested.min(axis=0), np.ptp(tested, axis=0)
    span = np.where(span > 0, span, 1.0)
    corners = np.vstack([((tested - low) / span).T, np.ones(len(tested))])
    inside = []
    for point in points:
        _, rest = nnls(corners, np.append((point - low) / span, 1.0))
        inside.append(rest < 1e-9)
    return np.array(inside, dtype=bool)


def _asked(
    tested: pd.DataFrame,
    feedstocks: Sequence[str],
    conditions: Mapping[str, pd.DataFrame],
    source_of: Callable[[pd.DataFrame], MeritSource],
) -> Iterator[tuple[str, pd.DataFrame, MeritSource]]:
    """Each feedstock with the candidates asked for it, tested ones first, and their source.

    Models are asked for several feedstocks at once, so that the tested ones are not predicted anew
    for each; what counts as ranked still hangs on the tested ones and its own grid alone.
    """
    grids = {feedstock: _grid(tested, feedstock, conditions) for feedstock in feedstocks}
    most = max(1, MOST_ASKED // max(1, *(len(grid) for grid in grids.values())))
    for first in range(0, len(feedstocks), most):
        some = feedstocks[first : first + most]
        parts = [tested, *(grids[feedstock] for feedstock in some)]
        whole = source_of(pd.concat(parts, ignore_index=True))
        start = len(tested)
        for feedstock in some:
            end = start + len(grids[feedstock])
            source = whole.only(np.r_[: len(tested), start:end])
            yield feedstock, source.candidates, source
            start = end


def _grid(
    tested: pd.DataFrame, feedstock: str, conditions: Mapping[str, pd.DataFrame]
) -> pd.DataFrame:
    """Conditions to try for a feedstock, those it was tested at left out."""
    own = tested[tested["feedstock"] == feedstock]
    parts = [conditions[activation] for activation in sorted(set(own["activation"]))]
    grid = unmeasured(pd.concat(parts, ignore_index=True), feedstock)
    done = set(condition_keys(own))
    kept = [key not in done for key in condition_keys(grid)]
    return grid[kept].reset_index(drop=True)


def _conditions(like: pd.DataFrame, activation: str) -> pd.DataFrame:
    """Conditions within the range of candidates of one activation."""
    distinct = like[CONDITION[1:]].drop_duplicates().reset_index(drop=True)
    activated = is_activated(distinct["activation"]).any()
    names = [name for name in _STEPS if activated or name in ("peak_temperature_C", "hold_min")]
    vary, fixed = [], {}
    for name in _STEPS:
        values = distinct[name].to_numpy(float)
        if name in names and np.isfinite(values).all() and np.ptp(values) > 0:
            vary.append(name)
        else:
            known = pd.Series(values[np.isfinite(values)])
            fixed[name] = float(known.mode().iloc[0]) if len(known) else np.nan
    # Conditions tested elsewhere are tried too, with what does not vary at its usual value.
    points = distinct.assign(**fixed)[list(_STEPS)].drop_duplicates()
    if vary:
        most = int(MOST_POINTS ** (1 / len(vary)) + 1e-9)
        levels = [_levels(distinct[name], name, min(most, MOST_LEVELS)) for name in vary]
        grid = pd.DataFrame(list(product(*levels)), columns=vary)
        inside = inside_hull(_scaled(grid), _scaled(distinct[vary]))
        points = pd.concat([points, grid[inside].assign(**fixed)], ignore_index=True)
    points = points.drop_duplicates().reset_index(drop=True)
    return points.reindex(columns=CONDITION).assign(activation=activation)


def _levels(values: pd.Series, name: str, most: int) -> np.ndarray:
    """Round values from the lowest to the highest tested, `most` at most, both ends among them."""
    lo, hi, step = float(values.min()), float(values.max()), _STEPS[name]
    if step is None:
        ends = np.geomspace(max(lo, 1.0), max(hi, 1.0), max(most, 2))
        found = np.clip(_HOLD_STEP_MIN * np.round(ends / _HOLD_STEP_MIN), lo, hi)
    else:
        first = step * np.ceil(lo / step)
        found = np.arange(first, hi + step / 1e6, step)
    found = np.unique(np.r_[lo, found, hi])
    if len(found) > most:
        found = found[np.unique(np.linspace(0, len(found) - 1, max(most, 2)).round().astype(int))]
    return found


def _scaled(conditions: pd.DataFrame) -> np.ndarray:
    """Columns as the models take them: holds by their logarithm."""
    columns = []
    for name in conditions:
        values = conditions[name].to_numpy(float)
        columns.append(np.log2(np.maximum(values, 1.0)) if name.endswith("hold_min") else values)
    return np.column_stack(columns)


def _names(added: dict[tuple, dict]) -> list[str]:
    return [row["candidate"] for row in added.values()]


def _free_name(row: dict, taken: Sequence[str]) -> str:
    """Name of a condition that no other has; the activation condition only where it must be."""
    name = candidate_name(row)
    for column, unit in (("activation_temperature_C", "C"), ("activation_hold_min", "min")):
        if name in taken and np.isfinite(row[column]):
            name += f"_{row[column]:g}{unit}"
    return name
