"""The arrays of the chain of masses: inputs of every lot, labels, and what cannot be."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.ledger.weighings import number_column, text_column

DESIGN_TEXT = ("feedstock", "role", "firing", "activation", "activation_firing")
DESIGN_NUMBERS = ("koh_ratio", "peak_temperature_C", "hold_min")
#: Inputs that are masses, each by the weighing it comes from and whether the parent's counts.
MASSES = {
    "ar": ("feed_ar", True),
    "dry": ("feed_dry", True),
    "char": ("char", True),
    "ground": ("char_ground", True),
    "washed": ("char_washed", True),
    "taken": ("char_taken", False),
    "koh": ("koh", False),
    "unwashed": ("activated_unwashed", False),
    "activated": ("activated", False),
}
# Inputs of the chain, each one quantity with an error of its own. `cal_char` and `cal_act` are
# the relative calibration errors (estimate 0) of the balance of the char step and of a second
# balance used after it.
INPUTS = (
    *MASSES,
    *("moisture", "ash_feed", "ash_char", "volatile_char", "cal_char", "cal_act"),
)


def assemble(
    weighed: pd.DataFrame,
    design: pd.DataFrame,
    feedstocks: pd.DataFrame,
    *,
    moisture_u_percent: float,
    moisture_aliquot_u_percent: float,
    ash_u_percent: float,
    monte_carlo_above: float,
) -> tuple[dict[str, np.ndarray], list[list[str]]]:
    """Arrays of the chain, one entry per weighed row: inputs, their u, labels, choices made."""
    n = len(weighed)
    notes: list[list[str]] = [[] for _ in range(n)]
    runs = weighed["run"].to_numpy(dtype=object)
    design_of, root_of, aliquots_of = _index_design(design)
    twice = [run for run, count in pd.Series(runs).value_counts(sort=False).items() if count > 1]
    if twice:
        names = ", ".join(repr(run) for run in twice)
        raise ValueError(
            f"run {names} stands more than once in the masses; each run has one row. Give "
            "an aliquot a run of its own with its parent in the design"
        )
    first_row = {run: i for i, run in reversed(list(enumerate(runs)))}
    lots = np.array([root_of.get(run, run) for run in runs], dtype=object)
    is_aliquot = lots != runs
    source = np.array([first_row.get(lot, i) for i, lot in enumerate(lots)], dtype=int)
    _note(notes, is_aliquot & (source == np.arange(n)), "its parent was not weighed")
    _note(notes, [run not in design_of for run in runs], "run is not in the design")

    chain: dict[str, np.ndarray] = {"run": runs, "lot": lots}
    # The char firing of an aliquot is that of its parent; its activation is its own.
    for name in (*DESIGN_TEXT, *DESIGN_NUMBERS):
        column = (text_column if name in DESIGN_TEXT else number_column)(design, name)
        owners = lots if name in ("firing", "peak_temperature_C", "hold_min") else runs
        at = [design_of.get(own, design_of.get(run)) for own, run in zip(owners, runs, strict=True)]
        chain[name] = np.array(
            [(None if name in DESIGN_TEXT else np.nan) if i is None else column[i] for i in at],
            dtype=object if name in DESIGN_TEXT else float,
        )

    upstream = weighed.iloc[source].reset_index(drop=True)
    near = np.zeros(n, dtype=bool)
    for name, (column, of_parent) in MASSES.items():
        where = upstream if of_parent else weighed
        mass, u = _mass(where, column, notes)
        chain[name], chain[f"{name}_u"] = mass, u
        for part in ("readability", "repeatability"):
            chain[f"{name}_{part}"] = where[part].to_numpy(dtype=float)
        with np.errstate(invalid="ignore"):
            here = u > monte_carlo_above * mass
        _note(notes, here, f"{column}_g is near the balance's resolution")
        near |= here
    chain["near_resolution"] = near

    feed_at = {
        name: i for i, name in reversed(list(enumerate(text_column(feedstocks, "feedstock"))))
    }
    at = [feed_at.get(name) for name in chain["feedstock"]]
    strange = [
        k is None and name is not None for k, name in zip(at, chain["feedstock"], strict=True)
    ]
    _note(notes, strange, "feedstock is not in the table of feedstocks")

    def of_feed(column: str) -> np.ndarray:
        values = number_column(feedstocks, column)
        return np.array([np.nan if i is None else values[i] for i in at], dtype=float)

    aliquot = upstream["moisture_ar_percent"].to_numpy(dtype=float)
    from_aliquot = np.isfinite(aliquot)
    moisture = np.where(from_aliquot, aliquot, of_feed("moisture_ar_percent"))
    possible = (moisture >= 0) & (moisture < 100)
    _note(notes, np.isfinite(moisture) & ~possible, "moisture is not between 0 and 100 %")
    chain["moisture"] = np.where(possible, moisture, np.nan)
    chain["moisture_u"] = np.where(from_aliquot, moisture_aliquot_u_percent, moisture_u_percent)
    source_of_dry = np.where(from_aliquot, "aliquot", "assumed")
    can_dry = np.isfinite(chain["ar"]) & np.isfinite(chain["moisture"])
    chain["dry_matter_from"] = np.where(
        np.isfinite(chain["dry"]), "weighed", np.where(can_dry, source_of_dry, None)
    ).astype(object)
    assumed_ar = np.isfinite(chain["dry"]) & np.isnan(chain["ar"]) & np.isfinite(chain["moisture"])
    _note(notes, assumed_ar, "feed as received not weighed: reckoned from dry feed and moisture")

    chain["ash_feed"] = of_feed("ash_d_percent")
    chain["ash_char"] = upstream["char_ash_d_percent"].to_numpy(dtype=float)
    chain["volatile_char"] = upstream["char_volatile_d_percent"].to_numpy(dtype=float)
    for name in ("ash_feed", "ash_char", "volatile_char"):
        chain[f"{name}_u"] = np.full(n, float(ash_u_percent))

    only = np.array([aliquots_of.get(lot, 0) == 1 for lot in lots], dtype=bool)
    whole = ~is_aliquot | only
    chain["base"] = np.select(
        [
            np.isfinite(chain["taken"]),
            whole & np.isfinite(chain["washed"]),
            whole & np.isfinite(chain["ground"]),
            whole,
        ],
        ["taken", "washed", "ground", "char"],
        "none",
    )
    # An activated mass under "activation none" is a slip the checks report; it is no yield.
    says_none = np.array(
        [str(a or "").casefold() == "none" for a in chain["activation"]], dtype=bool
    )
    weighed_anyway = says_none & np.isfinite(chain["activated"])
    _note(notes, weighed_anyway, "an activated mass, but the design says no activation")
    chain["activated"] = np.where(says_none, np.nan, chain["activated"])
    unsaid = np.array([a is None for a in chain["activation"]], dtype=bool)
    chain["char_is_final"] = says_none | (unsaid & np.isnan(chain["activated"]))
    _note(
        notes,
        np.isfinite(chain["activated"]) & (chain["base"] == "none"),
        "char_taken_g is missing and the char was split: no activation yield",
    )

    balance_char = upstream["balance"].to_numpy(dtype=object)
    balance_act = weighed["balance"].to_numpy(dtype=object)
    chain["same_balance"] = np.array(
        [a == b for a, b in zip(balance_char, balance_act, strict=True)], dtype=bool
    )
    chain["cal_char"] = np.zeros(n)
    chain["cal_act"] = np.zeros(n)
    chain["cal_char_u"] = upstream["calibration"].to_numpy(dtype=float)
    chain["cal_act_u"] = weighed["calibration"].to_numpy(dtype=float)
    chain["char_no_balance"] = np.array([b is None for b in balance_char], dtype=bool)
    chain["act_no_balance"] = np.array([b is None for b in balance_act], dtype=bool)
    _note(
        notes,
        chain["char_no_balance"] | chain["act_no_balance"],
        "no balance named: uncertainty not known",
    )
    return chain, notes


def drop_impossible(chain: dict[str, np.ndarray], notes: list[list[str]]) -> None:
    """Blank the masses that cannot be, with a note; the checks report them with row and column."""

    def drop(name: str, wrong: np.ndarray, text: str) -> None:
        _note(notes, wrong, text)
        chain[name] = np.where(wrong, np.nan, chain[name])

    with np.errstate(invalid="ignore"):
        wrong = chain["dry"] > chain["ar"]
        drop("dry", wrong, "dry feed is heavier than the feed as received")
        chain["ar"] = np.where(wrong, np.nan, chain["ar"])
        chain["dry_matter_from"] = np.where(wrong, None, chain["dry_matter_from"])
        _, dry = feed(chain)
        drop("char", chain["char"] > dry, "char is heavier than its dry feed")
        drop("ground", chain["ground"] > chain["char"], "ground char is heavier than the char")
        before = np.where(np.isfinite(chain["ground"]), chain["ground"], chain["char"])
        drop("washed", chain["washed"] > before, "washed char is heavier than the char")
        base = activated_from(chain, chain)
        drop("activated", chain["activated"] > base, "activated carbon is heavier than its char")
        drop(
            "unwashed",
            chain["unwashed"] < chain["activated"],
            "activated carbon is heavier than before its wash",
        )
        ash = np.where(
            np.isfinite(chain["ash_char"]),
            chain["ash_char"] / 100 * chain["char"],
            chain["ash_feed"] / 100 * dry,
        )
        _note(notes, ash >= chain["char"], "ash is no less than the char: no ash-free yield")


def feed(x: Mapping[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Feed as received and dry, each reckoned from the other where it was not weighed. [g]"""
    solids = 1.0 - x["moisture"] / 100.0
    ar = np.where(np.isnan(x["ar"]), x["dry"] / solids, x["ar"])
    dry = np.where(np.isnan(x["dry"]), x["ar"] * solids, x["dry"])
    return ar, dry


def activated_from(x: Mapping[str, np.ndarray], chain: Mapping[str, np.ndarray]) -> np.ndarray:
    """Char that went into the activation: weighed on its own, or all there was. [g]"""
    bases = ("taken", "washed", "ground", "char")
    return np.select([chain["base"] == name for name in bases], [x[name] for name in bases], np.nan)


def _index_design(design: pd.DataFrame) -> tuple[dict, dict, dict]:
    """Row of each run, the run whose char it is, and how many aliquots each char was split into."""
    runs, parents = text_column(design, "run"), text_column(design, "parent")
    row_of: dict[str, int] = {}
    for i, run in enumerate(runs):
        if run in row_of:
            raise ValueError(f"run {run!r} stands twice in the design; each run has one row")
        row_of[run] = i
    root_of = {}
    aliquots_of: dict[str, int] = {}
    for run, parent in zip(runs, parents, strict=True):
        seen = [run]
        while parent is not None:
            if parent in seen:
                raise ValueError(f"parents go round in a circle: {' → '.join([*seen, parent])}")
            seen.append(parent)
            parent = parents[row_of[parent]] if parent in row_of else None
        root_of[run] = seen[-1]
        if len(seen) > 1:
            aliquots_of[seen[-1]] = aliquots_of.get(seen[-1], 0) + 1
    return row_of, root_of, aliquots_of


def _mass(
    weighed: pd.DataFrame, name: str, notes: list[list[str]]
) -> tuple[np.ndarray, np.ndarray]:
    """A mass and its reading uncertainty [g]; what is not above zero is missing, with a note."""
    mass = weighed[f"{name}_g"].to_numpy(dtype=float)
    u = weighed[f"{name}_u"].to_numpy(dtype=float)
    with np.errstate(invalid="ignore"):
        _note(notes, mass <= 0, f"{name}_g is not above zero")
        mass = np.where(mass > 0, mass, np.nan)
    return mass, u


def _note(notes: list[list[str]], where: np.ndarray, text: str) -> None:
    for i in np.flatnonzero(where):
        notes[i].append(text)
