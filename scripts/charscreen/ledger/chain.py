"""From weighings to yields: the chain of masses of every lot, with its uncertainty."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.ledger.sizing import Sizing, carbon_from_feed, size_feed
from charscreen.ledger.weighings import WEIGHINGS, net_masses, number_column, text_column
from charscreen.uncertainty import propagate

__all__ = ["WEIGHINGS", "Sizing", "carbon_from_feed", "compute_yields", "size_feed"]

#: Quantities of the chain that carry a standard error.
QUANTITIES = (
    "feed_dry_g",
    "moisture_ar_percent",
    "yield_char_ar_percent",
    "yield_char_d_percent",
    "yield_char_daf_percent",
    "yield_ground_percent",
    "yield_activated_percent",
    "burn_off_percent",
    "carbon_g_per_kg_ar",
    "carbon_g_per_kg_d",
    "fixed_carbon_yield_percent",
)
_DESIGN_TEXT = ("feedstock", "role", "firing", "activation", "activation_firing")
_DESIGN_NUMBERS = ("koh_ratio", "peak_temperature_C", "hold_min")
#: Columns of the result, in order.
COLUMNS = (
    *("run", "lot", "feedstock", "role", "firing", "activation", "koh_ratio"),
    *("activation_firing", "peak_temperature_C", "hold_min", "dry_matter_from"),
    *(name for quantity in QUANTITIES[:5] for name in (quantity, f"{quantity}_se")),
    "ash_of_char_from",
    *(name for quantity in QUANTITIES[5:] for name in (quantity, f"{quantity}_se")),
    "note",
)
# A reading whose own uncertainty is a larger share of the mass is called near the resolution.
_NEAR_RESOLUTION = 0.1


def compute_yields(
    masses: pd.DataFrame,
    design: pd.DataFrame,
    feedstocks: pd.DataFrame,
    *,
    balances: Mapping[str, Mapping[str, float]],
    default_balance: str | None = None,
    moisture_u_percent: float = 1.0,
    moisture_aliquot_u_percent: float = 0.5,
    ash_u_percent: float = 0.5,
) -> pd.DataFrame:
    """Yields of every lot weighed, each with its standard error.

    Parameters
    ----------
    masses : DataFrame
        Column ``run`` and any of ``row``, ``<weighing>_g`` or ``<weighing>_gross_g`` with
        ``<weighing>_tare_g`` [g] for `WEIGHINGS`, ``moisture_ar_percent``,
        ``char_ash_d_percent``, ``char_volatile_d_percent`` [%], ``balance``.
    design : DataFrame
        Columns ``run``, ``feedstock`` and any of ``role``, ``firing``, ``parent``,
        ``activation``, ``koh_ratio``, ``activation_firing``, ``peak_temperature_C`` [°C],
        ``hold_min`` [min].
    feedstocks : DataFrame
        Column ``feedstock`` and any of ``moisture_ar_percent``, ``ash_d_percent`` [%].
    balances : mapping of str to mapping
        For each balance ``readability_g``, ``repeatability_g`` [g], ``calibration_percent`` [%],
        all standard uncertainties but the readability, which is the step of the display.
    default_balance : str, optional
        Balance of the rows that name none; where there is one balance only, that one.
    moisture_u_percent : float
        Standard uncertainty of a moisture taken from the feedstock table. [percentage points]
    moisture_aliquot_u_percent : float
        Standard uncertainty of a moisture measured on an aliquot of the lot. [percentage points]
        Common practice, no source.
    ash_u_percent : float
        Standard uncertainty of ash and volatile matter. [percentage points]

    Returns
    -------
    DataFrame
        One row per row of `masses`, in their order, with `COLUMNS`. What cannot be had or does
        not apply is missing, never zero; ``note`` says why where a weighing was unusable.
        An aliquot (its design row names a ``parent``) carries the char step of its parent, and
        ``lot`` is the parent: take one row per lot before counting char yields.

    Raises
    ------
    ValueError
        Where a balance is not in `balances`, a run stands twice in `design`, or parents go
        round in a circle.

    Notes
    -----
    With dry matter m_d = m_ar (1 − w):
    char yield y_ar = m_char/m_ar, y_d = m_char/m_d,
    y_daf = (m_char − m_ash,char)/(m_d − m_ash,feed); all ash of the feed counts as retained in
    the char where the char's ash was not measured.
    Activation yield = activated/char taken, burn-off = 1 − activation yield. Overall carbon is
    the product of char yield, grinding yield (where weighed) and activation yield, each on its
    own aliquot. Fixed-carbon yield = y_d (100 − ash_char − volatile_char)/(100 − ash_feed).
    Uncertainty by the law of propagation; the calibration error of a balance is one error for
    all its masses, so it cancels in ratios of masses from one balance.

    References
    ----------
    Antal M. J., Grønli M., Ind. Eng. Chem. Res. 2003, 42, 1619 (fixed-carbon yield).
    ISO 18134 (moisture at 105 °C). JCGM 100:2008, 5.1 and 5.2 (propagation).
    """
    weighed = net_masses(masses, balances=balances, default_balance=default_balance)
    chain, notes = _assemble(
        weighed,
        design,
        feedstocks,
        moisture_u_percent=moisture_u_percent,
        moisture_aliquot_u_percent=moisture_aliquot_u_percent,
        ash_u_percent=ash_u_percent,
    )
    _drop_impossible(chain, notes)

    u = {name: chain.get(f"{name}_u", np.zeros(len(weighed))) for name in _INPUTS}
    estimates, errors = propagate(
        lambda *inputs: _outputs(dict(zip(_INPUTS, inputs, strict=True)), chain),
        [chain[name] for name in _INPUTS],
        list(u.values()),
    )
    table = pd.DataFrame(index=range(len(weighed)), columns=list(COLUMNS), dtype=object)
    for name in ("run", "lot", "dry_matter_from", *_DESIGN_TEXT):
        table[name] = pd.Series(chain[name], dtype=object)
    for name in _DESIGN_NUMBERS:
        table[name] = chain[name]
    for k, name in enumerate(QUANTITIES):
        known = np.isfinite(estimates[k])
        table[name] = np.where(known, estimates[k], np.nan)
        reason_missing = chain["act_no_balance"] | (
            chain["char_no_balance"]
            if name not in ("yield_activated_percent", "burn_off_percent")
            else chain["char_no_balance"] & (chain["base"] != "taken")
        )
        table[f"{name}_se"] = np.where(known & ~reason_missing, errors[k], np.nan)
    has_daf = table["yield_char_daf_percent"].notna()
    ash_from = np.where(np.isfinite(chain["ash_char"]), "measured", "assumed all retained")
    table["ash_of_char_from"] = pd.Series(np.where(has_daf, ash_from, None), dtype=object)
    table["note"] = pd.Series(["; ".join(dict.fromkeys(n)) or None for n in notes], dtype=object)
    return table


# Inputs of the chain, each one quantity with an error of its own. `cal_char` and `cal_act` are
# the relative calibration errors (estimate 0) of the balance of the char step and of a second
# balance used after it.
_INPUTS = (
    *("ar", "dry", "moisture", "char", "ground", "taken", "activated"),
    *("ash_feed", "ash_char", "volatile_char", "cal_char", "cal_act"),
)


def _assemble(
    weighed: pd.DataFrame,
    design: pd.DataFrame,
    feedstocks: pd.DataFrame,
    *,
    moisture_u_percent: float,
    moisture_aliquot_u_percent: float,
    ash_u_percent: float,
) -> tuple[dict[str, np.ndarray], list[list[str]]]:
    """Arrays of the chain, one entry per weighed row: inputs, their u, labels, choices made."""
    n = len(weighed)
    notes: list[list[str]] = [[] for _ in range(n)]
    runs = weighed["run"].to_numpy(dtype=object)
    design_of, root_of, aliquots_of = _index_design(design)
    first_row = {run: i for i, run in reversed(list(enumerate(runs)))}
    lots = np.array([root_of.get(run, run) for run in runs], dtype=object)
    is_aliquot = lots != runs
    source = np.array([first_row.get(lot, i) for i, lot in enumerate(lots)], dtype=int)
    _note(notes, is_aliquot & (source == np.arange(n)), "its parent was not weighed")
    _note(notes, [run not in design_of for run in runs], "run is not in the design")

    chain: dict[str, np.ndarray] = {"run": runs, "lot": lots}
    # The char firing of an aliquot is that of its parent; its activation is its own.
    for name in (*_DESIGN_TEXT, *_DESIGN_NUMBERS):
        column = (text_column if name in _DESIGN_TEXT else number_column)(design, name)
        owners = lots if name in ("firing", "peak_temperature_C", "hold_min") else runs
        at = [design_of.get(own, design_of.get(run)) for own, run in zip(owners, runs, strict=True)]
        chain[name] = np.array(
            [(None if name in _DESIGN_TEXT else np.nan) if i is None else column[i] for i in at],
            dtype=object if name in _DESIGN_TEXT else float,
        )

    upstream = weighed.iloc[source].reset_index(drop=True)
    for name, column in (("ar", "feed_ar"), ("dry", "feed_dry"), ("char", "char")):
        chain[name], chain[f"{name}_u"] = _mass(upstream, column, notes)
    chain["ground"], chain["ground_u"] = _mass(upstream, "char_ground", notes)
    chain["taken"], chain["taken_u"] = _mass(weighed, "char_taken", notes)
    chain["activated"], chain["activated_u"] = _mass(weighed, "activated", notes)

    feed_at = {
        name: i for i, name in reversed(list(enumerate(text_column(feedstocks, "feedstock"))))
    }
    at = [feed_at.get(name) for name in chain["feedstock"]]

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
        [np.isfinite(chain["taken"]), whole & np.isfinite(chain["ground"]), whole],
        ["taken", "ground", "char"],
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
    chain["cal_act_u"] = np.where(
        chain["same_balance"], 0.0, weighed["calibration"].to_numpy(dtype=float)
    )
    chain["char_no_balance"] = np.array([b is None for b in balance_char], dtype=bool)
    chain["act_no_balance"] = np.array([b is None for b in balance_act], dtype=bool)
    _note(
        notes,
        chain["char_no_balance"] | chain["act_no_balance"],
        "no balance named: uncertainty not known",
    )
    return chain, notes


def _drop_impossible(chain: dict[str, np.ndarray], notes: list[list[str]]) -> None:
    """Blank the masses that cannot be, with a note; the checks report them with row and column."""

    def drop(name: str, wrong: np.ndarray, text: str) -> None:
        _note(notes, wrong, text)
        chain[name] = np.where(wrong, np.nan, chain[name])

    with np.errstate(invalid="ignore"):
        wrong = chain["dry"] > chain["ar"]
        drop("dry", wrong, "dry feed is heavier than the feed as received")
        chain["ar"] = np.where(wrong, np.nan, chain["ar"])
        chain["dry_matter_from"] = np.where(wrong, None, chain["dry_matter_from"])
        _, dry = _feed(chain)
        drop("char", chain["char"] > dry, "char is heavier than its dry feed")
        drop("ground", chain["ground"] > chain["char"], "ground char is heavier than the char")
        base = np.where(chain["base"] == "taken", chain["taken"], np.nan)
        base = np.where(chain["base"] == "ground", chain["ground"], base)
        base = np.where(chain["base"] == "char", chain["char"], base)
        drop("activated", chain["activated"] > base, "activated carbon is heavier than its char")
        ash = np.where(
            np.isfinite(chain["ash_char"]),
            chain["ash_char"] / 100 * chain["char"],
            chain["ash_feed"] / 100 * dry,
        )
        _note(notes, ash >= chain["char"], "ash is no less than the char: no ash-free yield")


def _feed(x: Mapping[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Feed as received and dry, each reckoned from the other where it was not weighed. [g]"""
    solids = 1.0 - x["moisture"] / 100.0
    ar = np.where(np.isnan(x["ar"]), x["dry"] / solids, x["ar"])
    dry = np.where(np.isnan(x["dry"]), x["ar"] * solids, x["dry"])
    return ar, dry


def _outputs(x: Mapping[str, np.ndarray], chain: Mapping[str, np.ndarray]) -> np.ndarray:
    """`QUANTITIES` from the inputs, (n_quantities, n_rows); a ratio that cannot be is missing."""
    scale_char = 1.0 + x["cal_char"]
    scale_act = np.where(chain["same_balance"], scale_char, 1.0 + x["cal_act"])
    ar, dry = (mass * scale_char for mass in _feed(x))
    char, ground = x["char"] * scale_char, x["ground"] * scale_char
    taken, activated = x["taken"] * scale_act, x["activated"] * scale_act

    both = np.isfinite(x["ar"]) & np.isfinite(x["dry"])
    moisture = np.where(both, 100.0 * (1.0 - dry / ar), x["moisture"])
    ash_feed = x["ash_feed"] / 100.0 * dry
    ash_char = np.where(np.isnan(x["ash_char"]), ash_feed, x["ash_char"] / 100.0 * char)
    daf = (char - ash_char) / (dry - ash_feed)
    fixed = char / dry * (100.0 - x["ash_char"] - x["volatile_char"]) / (100.0 - x["ash_feed"])

    base = np.select(
        [chain["base"] == "taken", chain["base"] == "ground", chain["base"] == "char"],
        [taken, ground, char],
        np.nan,
    )
    activation = activated / base
    # Where the char was not ground, or was activated as it came, grinding is no step.
    skip = np.isnan(ground) | (chain["base"] == "char")
    grinding = np.where(skip, 1.0, ground / char)
    after_char = grinding * np.where(chain["char_is_final"], 1.0, activation)
    positive = np.where(daf > 0, daf, np.nan)
    fixed = np.where(fixed > 0, fixed, np.nan)
    return np.stack(
        [
            dry,
            moisture,
            100.0 * char / ar,
            100.0 * char / dry,
            100.0 * positive,
            100.0 * ground / char,
            100.0 * activation,
            100.0 * (1.0 - activation),
            1000.0 * char / ar * after_char,
            1000.0 * char / dry * after_char,
            100.0 * fixed,
        ]
    )


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
        _note(notes, u > _NEAR_RESOLUTION * mass, f"{name}_g is near the balance's resolution")
    return mass, u


def _note(notes: list[list[str]], where: np.ndarray, text: str) -> None:
    for i in np.flatnonzero(where):
        notes[i].append(text)
