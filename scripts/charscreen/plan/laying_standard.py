"""Standard designs and resolvable blocks, fitted into the firings of a kiln."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.designs.blocks import efficiency_factors, resolvable_blocks
from charscreen.designs.information import codes_of
from charscreen.designs.standard import (
    COMPOSITE,
    EDGES,
    FACTOR_LIMITS,
    FILLING,
    FRACTION,
    FULL,
    SCREENING,
    aliases,
    standard_design,
)
from charscreen.designs.terms import (
    ACTIVATION_FACTORS,
    FIRING_FACTORS,
    KOH,
    LOT_FACTORS,
    ONLY_ACTIVATED,
)
from charscreen.findings import STOPS, Finding
from charscreen.plan.laying import (
    SCREEN,
    Laid,
    group_activations,
    kinds_to_place,
    lots_table,
    reference_row,
)
from charscreen.plan.layout import Avoid, Spread, fill_sizes, spread_lots
from charscreen.plan.posing import Settings
from charscreen.plan.settings import PlanError, Wanted
from charscreen.words import count_words

# Kinds that have activation among their two-level factors; the others are made once without it and
# once with it.
_TWO_LEVELS = (FULL, FRACTION, SCREENING)
_CENTRES = 3
_FILLING_TRIES = 20


def lay_standard(
    wanted: Wanted, settings: Settings, *, plan: Mapping, rng: np.random.Generator
) -> Laid:
    """A standard design of the factors, every feedstock meeting all of its points.

    Parameters
    ----------
    wanted, settings : Wanted, Settings
        The request and what may be set.
    plan : mapping
        The config's part of that name.
    rng : numpy.random.Generator

    Raises
    ------
    PlanError
        Where the kind cannot take the factors, or needs more firings than there are.
    """
    points, notes = _points(wanted, plan)
    lots = pd.DataFrame(
        [
            {"feedstock": feedstock} | point
            for _ in range(wanted.replicates)
            for point in points
            for feedstock in wanted.feedstocks
        ]
    )
    keep = settings.permits(lots)
    if not keep.all():
        notes.append(
            f"{count_words(int((~keep).sum()), 'lot')} of the design would be forbidden and left "
            "out, so its effects are no longer clear of each other."
        )
    lots = _into_firings(lots[keep].reset_index(drop=True), wanted, settings, plan, rng)
    firing_factors = [name for name in wanted.varies(FIRING_FACTORS) if name in lots]
    if firing_factors:
        notes.append(
            f"{', '.join(firing_factors)} are set once per firing, not lot by lot as the standard "
            "design supposes: their effects carry the scatter of firings, the others do not."
        )
    lots = group_activations(lots, wanted, settings, plan=plan, rng=rng)
    return Laid(lots, notes)


def lay_filling(
    wanted: Wanted,
    settings: Settings,
    *,
    plan: Mapping,
    most: Mapping[str, int],
    rng: np.random.Generator,
) -> Laid:
    """Firings, lots and activation firings spread through the ranges, feedstocks spread over them.

    Parameters
    ----------
    wanted, settings, plan, rng
        As in `lay_standard`.
    most : mapping of str to int
        Lots of a feedstock at most.
    """
    kinds = kinds_to_place(wanted, rng, most)
    held = [int(k in wanted.reference_firings) for k in range(wanted.firings)]
    sizes = fill_sizes(len(kinds), wanted.free, held)
    feed, itself = codes_of([f for f, _ in kinds]), np.arange(wanted.firings)
    lots = pd.DataFrame()
    for _ in range(_FILLING_TRIES):
        firings = _spread_points(wanted, FIRING_FACTORS, wanted.firings, rng)
        inner = _spread_points(wanted, LOT_FACTORS[1:], len(kinds), rng)
        hotter = codes_of((np.argsort(np.argsort(_first(firings))) * 3 // wanted.firings).tolist())
        wishes: list[Spread | Avoid] = [
            Spread(feed, itself, 4.0),
            Spread(feed, hotter, 3.0),
            Spread(codes_of([a for _, a in kinds]), itself, 1.0),
        ]
        rows = []
        for (feedstock, activation), setting in zip(kinds, inner, strict=True):
            own = {key: v for key, v in setting.items() if activation == KOH or key != "koh_ratio"}
            rows.append({"role": SCREEN, "feedstock": feedstock, "activation": activation} | own)
        everywhere = lots_table([row | firing for row in rows for firing in firings])
        suited = settings.permits(everywhere).reshape(len(rows), len(firings))
        if not suited.all():
            wishes.append(Avoid(~suited))
        group = spread_lots(sizes, wishes, partners=feed, rng=rng)
        rows = [row | firings[k] | {"k": int(k)} for row, k in zip(rows, group, strict=True)]
        rows += [
            reference_row(wanted, settings, firings[k]) | {"k": k} for k in wanted.reference_firings
        ]
        lots = lots_table(rows)
        lots = _fill_activations(lots, wanted, settings, plan, rng)
        keep = settings.permits(lots)
        if keep.all():
            return Laid(lots)
    text = "no spread of points keeps clear of them. Forbid less, or choose kind: optimal."
    raise PlanError([Finding("config", None, "plan.forbidden", "", STOPS, text)])


def _fill_activations(
    lots: pd.DataFrame, wanted: Wanted, settings: Settings, plan: Mapping, rng: np.random.Generator
) -> pd.DataFrame:
    lots = group_activations(lots, wanted, settings, plan=plan, rng=rng)
    points = _spread_points(wanted, ACTIVATION_FACTORS, int(lots["a"].max()) + 1, rng)
    for a, point in enumerate(points):
        for name, value in point.items():
            lots.loc[lots["a"] == a, name] = value
    return lots


def _spread_points(
    wanted: Wanted, names: Sequence[str], count: int, rng: np.random.Generator
) -> list[dict]:
    """Points of a space-filling design over some factors; the others at their middle level."""
    here = [name for name in names if name in wanted.factors]
    points = [{name: _middle(wanted.factors[name]) for name in here} for _ in range(count)]
    varied = [name for name in here if len(wanted.factors[name]) > 1]
    if varied and count:
        seed = int(rng.integers(2**31))
        coded = standard_design(FILLING, [2] * len(varied), points=count, seed=seed)
        for point, row in zip(points, coded, strict=True):
            for name, code in zip(varied, row, strict=True):
                point[name] = _level(name, wanted.factors[name], float(code), exact=False)
    return points


def _middle(levels: tuple) -> object:
    return levels[len(levels) // 2]


def _first(points: Sequence[Mapping]) -> list[float]:
    return [float(point["peak_temperature_C"]) for point in points]


def lay_blocks(
    wanted: Wanted, settings: Settings, *, plan: Mapping, rng: np.random.Generator
) -> Laid:
    """Every feedstock once at each condition, in blocks that share pairs evenly.

    Parameters
    ----------
    wanted, settings, plan, rng
        As in `lay_standard`.
    """
    size = _places(wanted)
    n_settings = len(settings.firing)
    layout = resolvable_blocks(
        len(wanted.lots), block_size=size, replicates=n_settings * wanted.replicates, rng=rng
    )
    rows = []
    hands: dict[tuple[str, str], list[int]] = {}
    n_blocks = int(layout.max()) + 1
    for r, blocks in enumerate(layout):
        for t, (feedstock, activation) in enumerate(wanted.lots):
            hand = hands.setdefault((feedstock, activation), [])
            if not hand:
                of_kind = np.flatnonzero(settings.activated == (activation == KOH))
                hand.extend(rng.permutation(of_kind).tolist())
            rows.append(
                {
                    "role": SCREEN,
                    "feedstock": feedstock,
                    **settings.firing[r % n_settings],
                    **settings.lot[hand.pop()],
                    "k": r * n_blocks + int(blocks[t]),
                }
            )
    lots = lots_table(rows)
    keep = settings.permits(lots)
    notes = []
    if not keep.all():
        notes.append(
            f"{count_words(int((~keep).sum()), 'lot')} would be forbidden and left out, so some "
            "feedstocks are not fired at every condition."
        )
    if n_blocks > 1:
        factors = efficiency_factors(layout)
        lowest = factors[0]
        mean = len(factors) / float(np.sum(1.0 / factors)) if lowest > 1e-9 else 0.0
        notes.append(
            f"Comparisons of two feedstocks within firings keep {100 * mean:.0f} % of what they "
            "would tell if one firing held all lots of a condition."
        )
    lots = lots[keep].copy()
    lots["k"] = codes_of(lots["k"].tolist())
    _check_count(int(lots["k"].max()) + 1, wanted, plan)
    lots = _with_references(lots, wanted, settings)
    return Laid(group_activations(lots, wanted, settings, plan=plan, rng=rng), notes)


def _points(wanted: Wanted, plan: Mapping) -> tuple[list[dict], list[str]]:
    """Points of the design as factors, with what could not be kept of it."""
    kind, notes = wanted.kind, []
    names = wanted.varies()
    crossed = "activation" in names and kind not in _TWO_LEVELS
    if crossed:
        names.remove("activation")
        notes.append(f"{kind} is laid out twice, for lots without activation and with KOH.")
    least, most = FACTOR_LIMITS[kind]
    if not least <= len(names) <= most:
        text = (
            f"{kind} takes {least} to {most} factors with two levels or more, and here "
            f"{count_words(len(names), 'factor')} "
            f"{'has' if len(names) == 1 else 'have'}: {', '.join(names) or 'none'}. Give more "
            "levels to another factor, or choose another kind."
            if len(names) < least
            else f"{kind} takes {most} factors at most, and here {len(names)} vary. Hold some of "
            "them at one level, or choose another kind."
        )
        raise PlanError([Finding("config", None, "plan.kind", kind, STOPS, text)])
    levels = [wanted.factors[name] for name in names]
    coded = standard_design(
        kind,
        [len(one) for one in levels],
        resolution=int(plan.get("resolution") or 4),
        centres=_CENTRES if kind in (COMPOSITE, EDGES) else 1,
    )
    constants = {
        name: _middle(one)
        for name, one in wanted.factors.items()
        if name not in names and name != "activation"
    }
    activations = wanted.factors["activation"]
    points: list[dict] = []
    for row in coded:
        point = dict(constants)
        for name, one, code in zip(names, levels, row, strict=True):
            point[name] = _level(name, one, float(code), exact=kind == FULL)
        for activation in activations if "activation" not in names else (point["activation"],):
            full = point | {"activation": activation}
            if activation != KOH:
                full = {key: v for key, v in full.items() if key not in ONLY_ACTIVATED}
            # What only an activated lot has makes no difference to the others.
            if activation == KOH or full not in points:
                points.append(full)
    if kind == FRACTION:
        notes += [f"Not told apart: {one}." for one in aliases(coded, names)]
    if kind == SCREENING:
        notes.append(
            "Main effects are clear of each other, but each is partly mixed with the interactions "
            "of the other factors."
        )
    if set(names) & set(ONLY_ACTIVATED) and len(activations) > 1:
        notes.append(
            "What only activated lots have is not varied in the others, so its effect is clear of "
            "the others among the activated lots only."
        )
    if kind == COMPOSITE:
        notes.append(
            "The star points of the central composite design stand at the ends of the ranges, its "
            "corners inside, so that nothing leaves them."
        )
    return points, notes


def _level(name: str, levels: tuple, code: float, *, exact: bool) -> object:
    if name == "activation":
        return levels[0] if code < 0 else levels[-1]
    if exact:
        return levels[round((code + 1.0) / 2.0 * (len(levels) - 1))]
    value = levels[0] + (code + 1.0) / 2.0 * (levels[-1] - levels[0])
    return float(f"{value:.4g}")


def _into_firings(
    lots: pd.DataFrame,
    wanted: Wanted,
    settings: Settings,
    plan: Mapping,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Lots of one firing setting share firings, as many as hold them, feedstocks spread evenly."""
    by = [name for name in FIRING_FACTORS if name in lots]
    parts, n_before = [], 0
    for members in lots.groupby(by, sort=True).indices.values():
        here = lots.iloc[members].reset_index(drop=True)
        n = -(-len(here) // _places(wanted))
        sizes = fill_sizes(len(here), [_places(wanted)] * n, [0] * n)
        feed, itself = codes_of(here["feedstock"].tolist()), np.arange(n)
        wishes = [Spread(feed, itself, 4.0)]
        wishes += [
            Spread(codes_of(here[name].tolist()) + 1, itself, 1.0)
            for name in (*LOT_FACTORS, *ACTIVATION_FACTORS)
            if name in here and here[name].nunique() > 1
        ]
        group = spread_lots(sizes, wishes, partners=feed, rng=rng)
        parts.append(here.assign(k=n_before + group, role=SCREEN))
        n_before += n
    _check_count(n_before, wanted, plan)
    return _with_references(lots_table(pd.concat(parts).to_dict("records")), wanted, settings)


def _with_references(lots: pd.DataFrame, wanted: Wanted, settings: Settings) -> pd.DataFrame:
    if not wanted.reference:
        return lots
    rows = []
    for k, here in lots.groupby("k", sort=True):
        if int(k) % wanted.reference_every == 0:
            firing = {name: here[name].iloc[0] for name in FIRING_FACTORS if name in here}
            rows.append(reference_row(wanted, settings, firing) | {"k": k})
    return lots_table([*lots.to_dict("records"), *rows])


def _places(wanted: Wanted) -> int:
    """Crucibles for screening lots in a firing; one stays for the reference where there is one."""
    if wanted.reference and wanted.crucibles == 1:
        text = (
            f"{wanted.kind} keeps a crucible of each firing for the reference, and the kiln takes "
            "one. Write 0, or choose kind: optimal."
        )
        every = str(wanted.reference_every)
        raise PlanError([Finding("config", None, "plan.reference_every", every, STOPS, text)])
    return wanted.crucibles - (1 if wanted.reference else 0)


def _check_count(needed: int, wanted: Wanted, plan: Mapping) -> None:
    if not wanted.fill or needed <= wanted.firings:
        return
    key = "plan.firings" if plan.get("firings") is not None else "plan.budget"
    text = (
        f"{wanted.kind} needs {needed} char firings of {wanted.crucibles} crucibles, and "
        f"{wanted.firings} are given. Write {needed}, vary less, take fewer feedstocks, or choose "
        "kind: optimal, which makes the best of what there is."
    )
    raise PlanError([Finding("config", None, key, str(wanted.firings), STOPS, text)])
