"""Lots in firings, by each kind of plan, before they have names, crucibles and an order."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from charscreen.designs.information import codes_of
from charscreen.designs.search import find_design, usual_starts
from charscreen.designs.start import NoLayoutError
from charscreen.designs.terms import ACTIVATION_FACTORS, FACTORS, KOH
from charscreen.findings import STOPS, Finding
from charscreen.plan.layout import Avoid, Spread, choose_conditions, fill_sizes, spread_lots
from charscreen.plan.posing import Settings, choose_model, count_activation_firings, pose_problem
from charscreen.plan.settings import PlanError, Wanted

SCREEN, REFERENCE = "screen", "reference"


@dataclass(frozen=True)
class Laid:
    """Lots in firings.

    Parameters
    ----------
    lots : DataFrame
        role, feedstock, every factor, ``k`` (char firing) and ``a`` (activation firing, -1 for
        none), both counted from 0.
    notes : list of str
        What could not be kept, in sentences.
    search : dict
        Of a search: criterion, its value at the best start and at each.
    """

    lots: pd.DataFrame
    notes: list[str] = field(default_factory=list)
    search: dict = field(default_factory=dict)


def kinds_to_place(
    wanted: Wanted, rng: np.random.Generator, most: Mapping[str, int]
) -> list[tuple[str, str]]:
    """Feedstock and activation of every screening lot.

    Parameters
    ----------
    wanted : Wanted
    rng : numpy.random.Generator
        Chooses who gets one lot more.
    most : mapping of str to int
        Lots of a feedstock at most.
    """
    done = [(row["feedstock"], row["activation"]) for row in wanted.counted]
    kinds = [lot for lot in wanted.lots for _ in range(max(0, wanted.replicates - done.count(lot)))]
    room = sum(wanted.free) - len(kinds) if wanted.fill else 0
    taken: dict[str, int] = {}
    for feedstock, _ in kinds:
        taken[feedstock] = taken.get(feedstock, 0) + 1
    while room > 0:
        queue = [wanted.lots[i] for i in rng.permutation(len(wanted.lots))]
        queue = [kind for kind in queue if taken.get(kind[0], 0) < most.get(kind[0], 10**6)]
        if not queue:
            break
        if room < len(queue):
            # The rest goes to different feedstocks before any gets two.
            given: dict[str, int] = {}
            chosen = []
            for _ in range(room):
                pick = min(queue, key=lambda kind: given.get(kind[0], 0))
                queue.remove(pick)
                given[pick[0]] = given.get(pick[0], 0) + 1
                chosen.append(pick)
            queue = chosen
        for kind in queue:
            if taken.get(kind[0], 0) < most.get(kind[0], 10**6):
                taken[kind[0]] = taken.get(kind[0], 0) + 1
                kinds.append(kind)
                room -= 1
    return kinds


def lay_optimal(
    wanted: Wanted,
    settings: Settings,
    *,
    plan: Mapping,
    most: Mapping[str, int],
    seed: int,
    workers: int,
    progress: Callable[[str, int, int], None] | None,
) -> Laid:
    """The plan that tells most of its model, by search.

    Parameters
    ----------
    wanted, settings
        The request and what may be set.
    plan : mapping
        The config's part of that name.
    most : mapping of str to int
        Lots of a feedstock at most.
    seed : int
    workers : int
        Processes.
    progress : callable or None
        Told after each start.
    """
    kinds = kinds_to_place(wanted, np.random.default_rng(seed), most)
    held = [int(k in wanted.reference_firings) for k in range(wanted.firings)]
    sizes = fill_sizes(len(kinds), wanted.free, held)
    terms, note = choose_model(wanted, settings.feedstocks, str(plan.get("model") or "auto"))
    problem = pose_problem(
        wanted, settings, terms=terms, kinds=kinds, sizes=sizes, plan=plan, most=most
    )
    starts = int(plan.get("starts") or usual_starts(len(problem.fixed)))
    try:
        found = find_design(problem, seed=seed, starts=starts, workers=workers, progress=progress)
    except NoLayoutError as error:
        text = f"{error}. Forbid less, give more activation firings, or fewer lots with KOH."
        raise PlanError([Finding("config", None, "plan.forbidden", "", STOPS, text)]) from None
    layout, rows = found.layout, []
    for i, k in enumerate(layout.firing):
        setting = settings.lot[layout.lot[i]]
        a = int(layout.activation[i])
        rows.append(
            {
                "role": REFERENCE if problem.fixed[i] >= 0 else SCREEN,
                "feedstock": settings.feedstocks[layout.feed[i]],
                **settings.firing[layout.setting[k]],
                **setting,
                **(settings.activation[layout.activation_setting[a]] if a >= 0 else {}),
                "k": int(k),
                "a": a,
            }
        )
    search = {
        "criterion": problem.criterion,
        "terms": list(terms.products),
        "starts": starts,
        "value": found.value,
        "values": list(found.values),
        "variance_ratios": list(problem.ratios),
    }
    notes = [note] if note else []
    return Laid(lots_table(rows), notes, search)


def lay_balanced(
    wanted: Wanted,
    settings: Settings,
    *,
    plan: Mapping,
    most: Mapping[str, int],
    rng: np.random.Generator,
) -> Laid:
    """Lots spread evenly: feedstocks over conditions and firings, and over each other.

    Parameters
    ----------
    wanted, settings, plan, most
        As in `lay_optimal`.
    rng : numpy.random.Generator
    """
    kinds = kinds_to_place(wanted, rng, most)
    first = len(wanted.temperatures_C)
    conditions = choose_conditions(
        wanted.firings,
        n_temperatures=first,
        n_holds=len(settings.firing) // first,
        rng=rng,
    )
    setting_of = conditions[:, 0] * (len(settings.firing) // first) + conditions[:, 1]
    lot_settings = _deal_settings(kinds, settings, rng)
    at = {name: i for i, name in enumerate(settings.feedstocks)}
    feed_at = np.array([at[feedstock] for feedstock, _ in kinds], dtype=int)
    suited = settings.allowed.any(axis=3)[
        feed_at[:, None], setting_of[None, :], lot_settings[:, None]
    ]
    held = [int(k in wanted.reference_firings) for k in range(wanted.firings)]
    sizes = fill_sizes(len(kinds), wanted.free, held)
    feed, kind = codes_of([f for f, _ in kinds]), codes_of(kinds)
    itself, temperature = np.arange(wanted.firings), conditions[:, 0]
    wishes = [
        Spread(feed, itself, 8.0),
        Spread(feed, temperature, 3.0),
        Spread(feed, conditions[:, 1], 2.0),
        Spread(kind, temperature, 2.0),
        Spread(feed, setting_of, 1.0),
        Spread(codes_of([a for _, a in kinds]), itself, 1.0),
    ]
    if not suited.all():
        wishes.append(Avoid(~suited))
    firing_of = spread_lots(sizes, wishes, partners=feed, rng=rng)
    wrong = ~suited[np.arange(len(kinds)), firing_of]
    if wrong.any():
        feedstock, activation = kinds[int(np.flatnonzero(wrong)[0])]
        text = (
            f"a lot of {feedstock} (activation {activation}) finds no firing that is not "
            "forbidden. Forbid less, or write kind: optimal, which chooses firings to suit."
        )
        raise PlanError([Finding("config", None, "plan.forbidden", "", STOPS, text)])
    rows = []
    for k in range(wanted.firings):
        firing = settings.firing[setting_of[k]]
        rows += [
            {"role": SCREEN, "feedstock": kinds[i][0], **firing, "k": k}
            | settings.lot[lot_settings[i]]
            for i in np.flatnonzero(firing_of == k)
        ]
        if k in wanted.reference_firings:
            rows.append(reference_row(wanted, settings, firing) | {"k": k})
    return Laid(group_activations(lots_table(rows), wanted, settings, plan=plan, rng=rng))


def reference_row(wanted: Wanted, settings: Settings, firing: Mapping) -> dict:
    """A reference lot in a firing of some setting."""
    setting = settings.lot[settings.reference_setting(wanted)]
    return {"role": REFERENCE, "feedstock": wanted.reference, **firing, **setting}


def _deal_settings(
    kinds: Sequence[tuple[str, str]], settings: Settings, rng: np.random.Generator
) -> np.ndarray:
    """Lot setting of every lot: each feedstock goes round those of its activation, at random."""
    out = np.zeros(len(kinds), dtype=int)
    hands: dict[tuple[str, str], list[int]] = {}
    for i, (feedstock, activation) in enumerate(kinds):
        hand = hands.setdefault((feedstock, activation), [])
        if not hand:
            of_kind = np.flatnonzero(settings.activated == (activation == KOH))
            here = settings.allowed[settings.feedstocks.index(feedstock)][:, of_kind]
            hand.extend(rng.permutation(of_kind[here.any(axis=(0, 2))]).tolist())
        out[i] = hand.pop()
    return out


def group_activations(
    lots: pd.DataFrame,
    wanted: Wanted,
    settings: Settings,
    *,
    plan: Mapping,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Lots with their activation firings; char firings and feedstocks are spread over them.

    Parameters
    ----------
    lots : DataFrame
        With ``k``; where the factors of activation are given, lots of one activation firing
        share them, else each firing gets a setting.
    wanted, settings, plan, rng
        As in `lay_balanced`.
    """
    lots = lots.reset_index(drop=True).assign(a=-1)
    on = np.flatnonzero(lots["activation"] == KOH)
    if not on.size:
        return lots
    given = [name for name in ACTIVATION_FACTORS if name in lots and lots[name].notna().any()]
    groups = lots.loc[on].groupby(given, sort=True).indices.values() if given else [range(len(on))]
    n_before = 0
    for members in groups:
        here = on[np.asarray(list(members), dtype=int)]
        n = -(-len(here) // wanted.crucibles)
        if not given:
            n = count_activation_firings(wanted, len(here), plan)
        part = lots.loc[here]
        sizes = fill_sizes(len(here), [wanted.crucibles] * n, [0] * n)
        feed, itself = codes_of(part["feedstock"].tolist()), np.arange(n)
        wishes: list[Spread | Avoid] = [
            Spread(feed, itself, 8.0),
            Spread(part["k"].to_numpy(), itself, 2.0),
            Spread(codes_of(part["peak_temperature_C"].tolist()), itself, 1.0),
        ]
        if not given:
            chosen = np.resize(rng.permutation(len(settings.activation)), n)
            wishes += _suit_activations(part, settings, chosen)
        group = spread_lots(sizes, wishes, partners=feed, rng=rng)
        lots.loc[here, "a"] = n_before + group
        if not given:
            for name in ACTIVATION_FACTORS:
                values = [settings.activation[chosen[g]].get(name, np.nan) for g in group]
                lots.loc[here, name] = values
        n_before += n
    return lots


def _suit_activations(part: pd.DataFrame, settings: Settings, chosen: np.ndarray) -> list[Avoid]:
    """Keeps lots out of activation firings at settings that are forbidden for them."""
    suited = np.column_stack(
        [settings.permits(part.assign(**settings.activation[c])) for c in chosen]
    )
    return [] if suited.all() else [Avoid(~suited)]


def lots_table(rows: Sequence[Mapping]) -> pd.DataFrame:
    """Lots as a table with a column for every factor, missing where a lot has none.

    Parameters
    ----------
    rows : sequence of mappings
        One for each lot.
    """
    table = pd.DataFrame(list(rows))
    for name in FACTORS:
        if name not in table:
            table[name] = np.nan
    return table
