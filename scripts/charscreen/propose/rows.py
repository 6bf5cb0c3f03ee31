"""Rows of a proposed firing, ready to be added to the design."""

import re
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from charscreen.plan.make import DESIGN_COLUMNS
from charscreen.plan.settings import KOH

_NUMBERED = re.compile(r"(.*?)(\d+)")
_KEY = ["feedstock", "activation", "peak_temperature_C", "hold_min"]


def next_ids(taken: Sequence[str], n: int, *, letter: str) -> list[str]:
    """Ids that go on where those taken stop: R09 after R08.

    Parameters
    ----------
    taken : sequence of str
        Ids in use.
    n : int
        How many are wanted.
    letter : str
        What they begin with where none of those taken ends in a number.
    """
    found = [m.groups() for name in taken if (m := _NUMBERED.fullmatch(str(name)))]
    counts: dict[str, int] = {}
    for prefix, _ in found:
        counts[prefix] = counts.get(prefix, 0) + 1
    prefix = max(counts, key=lambda name: (counts[name], name)) if counts else letter
    numbers = [digits for name, digits in found if name == prefix]
    last = max((int(digits) for digits in numbers), default=0)
    width = max((len(digits) for digits in numbers), default=2)
    used = {str(name) for name in taken}
    ids: list[str] = []
    while len(ids) < n:
        last += 1
        name = f"{prefix}{last:0{width}d}"
        if name not in used:
            ids.append(name)
    return ids


def design_rows(
    firings: Sequence[pd.DataFrame],
    design: pd.DataFrame,
    firings_done: pd.DataFrame,
    *,
    taken_runs: Sequence[str] = (),
    reference: str | None,
    kiln: Mapping,
    seed: int,
) -> pd.DataFrame:
    """Proposed lots as rows of the design.

    Parameters
    ----------
    firings : sequence of DataFrame
        The lots of each proposed firing, from `charscreen.propose.feasible.feasible_lots`.
    design : DataFrame
        The design as it stands.
    firings_done : DataFrame
        firing: ids in use.
    taken_runs : sequence of str
        Further ids in use, such as those of rows left out.
    reference : str or None
        Feedstock of the reference lot, of which each firing has one.
    kiln : mapping
        ``crucibles``, ``ramp_C_per_min``.
    seed : int
        Of the random places and order.

    Returns
    -------
    DataFrame
        Columns of the design; feed_ar_g is still empty.

    Notes
    -----
    ``repeat`` where feedstock, activation, temperature and hold stand in the design already,
    else ``screen``; the first lot of the reference feedstock is ``reference``. Crucibles and
    order are random. All KOH lots of a char firing go into one activation firing.
    """
    rng = np.random.default_rng(seed)
    done = list(firings_done["firing"]) if len(firings_done) else []
    second = design["activation_firing"].dropna().tolist()
    char_ids = next_ids(_only(design["firing"], done, second), len(firings), letter="F")
    with_koh = [bool((lots["activation"] == KOH).any()) for lots in firings]
    others = [name for name in done if name not in set(design["firing"])]
    koh_ids = iter(next_ids([*second, *others, *char_ids], sum(with_koh), letter="A"))
    made = {tuple(row) for row in design[_KEY].itertuples(index=False)}
    rows = []
    for lots, firing, koh in zip(firings, char_ids, with_koh, strict=True):
        activation_firing = next(koh_ids) if koh else None
        places = 1 + rng.permutation(max(int(kiln["crucibles"]), len(lots)))[: len(lots)]
        order = 1 + rng.permutation(len(lots))
        here = []
        has_reference = False
        for lot, place, turn in zip(lots.to_dict("records"), places, order, strict=True):
            is_reference = lot["feedstock"] == reference and not has_reference
            has_reference |= is_reference
            role = "repeat" if tuple(lot[name] for name in _KEY) in made else "screen"
            on = bool(lot["activation"] == KOH)
            here.append(
                {
                    **{name: lot[name] for name in _KEY},
                    "role": "reference" if is_reference else role,
                    "firing": firing,
                    "crucible": str(place),
                    "ramp_C_per_min": kiln.get("ramp_C_per_min"),
                    "koh_ratio": lot["koh_ratio"],
                    "activation_firing": activation_firing if on else None,
                    "activation_temperature_C": lot["activation_temperature_C"],
                    "activation_hold_min": lot["activation_hold_min"],
                    "order": int(turn),
                }
            )
        rows += sorted(here, key=lambda row: int(row["crucible"]))
    runs = next_ids([*design["run"].dropna(), *taken_runs], len(rows), letter="R")
    table = pd.DataFrame([{**row, "run": run} for row, run in zip(rows, runs, strict=True)])
    return table.reindex(columns=list(DESIGN_COLUMNS))


def _only(column: pd.Series, done: Sequence[str], second: Sequence[str]) -> list[str]:
    """Ids of char firings, in the design or done."""
    return [*column.dropna(), *(name for name in done if name not in set(second))]
