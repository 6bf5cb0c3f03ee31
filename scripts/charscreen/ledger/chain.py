"""From weighings to yields: the chain of masses of every lot, with its uncertainty."""

import zlib
from collections.abc import Mapping

import numpy as np
import pandas as pd

from charscreen.ledger.assemble import (
    DESIGN_NUMBERS,
    DESIGN_TEXT,
    INPUTS,
    MASSES,
    activated_from,
    assemble,
    drop_impossible,
    feed,
)
from charscreen.ledger.stoichiometry import PER_G_KOH
from charscreen.ledger.weighings import net_masses
from charscreen.uncertainty import propagate

#: Quantities of the chain that carry a standard error.
QUANTITIES = (
    "feed_dry_g",
    "moisture_ar_percent",
    "yield_char_ar_percent",
    "yield_char_d_percent",
    "yield_char_daf_percent",
    "loss_grinding_percent",
    "loss_char_washing_percent",
    "yield_activated_percent",
    "burn_off_percent",
    "loss_activated_washing_percent",
    "carbon_g_per_kg_ar",
    "carbon_g_per_kg_d",
    "fixed_carbon_yield_percent",
    "koh_ratio_weighed",
    "koh_carbon_percent",
    "koh_potassium_g",
    "koh_hydrogen_L",
)
PROPAGATION, MONTE_CARLO = "propagation", "Monte Carlo"
# Of the activation alone: known without the char's balance.
_ACTIVATION = (
    *("yield_activated_percent", "burn_off_percent", "loss_activated_washing_percent"),
    *("koh_ratio_weighed", "koh_carbon_percent", "koh_potassium_g", "koh_hydrogen_L"),
)
#: Columns of the result, in order.
COLUMNS = (
    *("run", "lot", "feedstock", "role", "firing", "activation", "koh_ratio"),
    *("activation_firing", "peak_temperature_C", "hold_min", "dry_matter_from"),
    *(name for quantity in QUANTITIES[:5] for name in (quantity, f"{quantity}_se")),
    "ash_of_char_from",
    *(name for quantity in QUANTITIES[5:] for name in (quantity, f"{quantity}_se")),
    *("uncertainty_from", "note"),
)
# Draws of one lot, and of all lots together: a long table gets fewer for each.
_DRAWS, _LEAST_DRAWS, _ALL_DRAWS = 20_000, 1_000, 20_000_000


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
    koh_purity_percent: float = 100.0,
    monte_carlo_above_percent: float = 10.0,
    seed: int = 0,
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
    koh_purity_percent : float
        KOH in the pellets as weighed. [%]
    monte_carlo_above_percent : float
        A lot with a reading less certain than this share of its mass gets its standard errors
        from Monte Carlo draws. [%]
    seed : int
        Seed of those draws; each run has a stream of its own.

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
        Where a balance is not in `balances`, a run stands twice in `masses` or in `design`, or
        parents go round in a circle.

    Notes
    -----
    With dry matter m_d = m_ar (1 − w):
    char yield y_ar = m_char/m_ar, y_d = m_char/m_d,
    y_daf = (m_char − m_ash,char)/(m_d − m_ash,feed); all ash of the feed counts as retained in
    the char where the char's ash was not measured.
    Activation yield = activated/char taken, burn-off = 1 − activation yield. Overall carbon is
    the product of char yield, what grinding and a wash of the char left (where weighed) and
    activation yield, each on its own aliquot.
    Fixed-carbon yield = y_d (100 − ash_char − volatile_char)/(100 − ash_feed).
    The KOH ratio counts pure KOH; ``koh_carbon_percent`` of the char can go by
    6 KOH + 2 C → 2 K + 3 H2 + 2 K2CO3, see `charscreen.ledger.stoichiometry`.
    Uncertainty by the law of propagation; the calibration error of a balance is one error for
    all its masses, so it cancels in ratios of masses from one balance. Near the resolution of
    the balance (``uncertainty_from`` says Monte Carlo) the standard deviation of draws, the
    display's step rectangular in each of the two readings, all else normal, masses above zero;
    the value stays that of the formula, so that steps still multiply to the whole.

    References
    ----------
    Antal M. J., Grønli M., Ind. Eng. Chem. Res. 2003, 42, 1619 (fixed-carbon yield).
    ISO 18134 (moisture at 105 °C). JCGM 100:2008, 5.1 and 5.2 (propagation).
    JCGM 101:2008, 6.4 and 7 (distributions; from memory).
    """
    weighed = net_masses(masses, balances=balances, default_balance=default_balance)
    chain, notes = assemble(
        weighed,
        design,
        feedstocks,
        moisture_u_percent=moisture_u_percent,
        moisture_aliquot_u_percent=moisture_aliquot_u_percent,
        ash_u_percent=ash_u_percent,
        monte_carlo_above=monte_carlo_above_percent / 100.0,
    )
    drop_impossible(chain, notes)
    chain["purity"] = np.full(len(weighed), koh_purity_percent / 100.0)

    u = {name: chain.get(f"{name}_u", np.zeros(len(weighed))) for name in INPUTS}
    estimates, errors = propagate(
        lambda *inputs: _outputs(dict(zip(INPUTS, inputs, strict=True)), chain),
        [chain[name] for name in INPUTS],
        list(u.values()),
    )
    drawn = np.flatnonzero(chain["near_resolution"])
    n_draws = int(np.clip(_ALL_DRAWS // max(len(drawn), 1), _LEAST_DRAWS, _DRAWS))
    for i in drawn:
        errors[:, i] = _drawn_errors(chain, u, int(i), seed=seed, n=n_draws)
    table = pd.DataFrame(index=range(len(weighed)), columns=list(COLUMNS), dtype=object)
    for name in ("run", "lot", "dry_matter_from", *DESIGN_TEXT):
        table[name] = pd.Series(chain[name], dtype=object)
    for name in DESIGN_NUMBERS:
        table[name] = chain[name]
    for k, name in enumerate(QUANTITIES):
        known = np.isfinite(estimates[k])
        table[name] = np.where(known, estimates[k], np.nan)
        reason_missing = chain["act_no_balance"] | (
            chain["char_no_balance"]
            if name not in _ACTIVATION
            else chain["char_no_balance"] & (chain["base"] != "taken")
        )
        table[f"{name}_se"] = np.where(known & ~reason_missing, errors[k], np.nan)
    has_daf = table["yield_char_daf_percent"].notna()
    ash_from = np.where(np.isfinite(chain["ash_char"]), "measured", "assumed all retained")
    table["ash_of_char_from"] = pd.Series(np.where(has_daf, ash_from, None), dtype=object)
    how = np.where(chain["near_resolution"], MONTE_CARLO, PROPAGATION)
    table["uncertainty_from"] = pd.Series(how, dtype=object)
    table["note"] = pd.Series(["; ".join(dict.fromkeys(n)) or None for n in notes], dtype=object)
    return table


def _outputs(x: Mapping[str, np.ndarray], chain: Mapping[str, np.ndarray]) -> np.ndarray:
    """`QUANTITIES` from the inputs, (n_quantities, n_rows); a ratio that cannot be is missing."""
    scale_char = 1.0 + x["cal_char"]
    scale_act = np.where(chain["same_balance"], scale_char, 1.0 + x["cal_act"])
    ar, dry = (mass * scale_char for mass in feed(x))
    char, ground, washed = (x[name] * scale_char for name in ("char", "ground", "washed"))
    taken, koh, unwashed, activated = (
        x[name] * scale_act for name in ("taken", "koh", "unwashed", "activated")
    )

    both = np.isfinite(x["ar"]) & np.isfinite(x["dry"])
    moisture = np.where(both, 100.0 * (1.0 - dry / ar), x["moisture"])
    ash_feed = x["ash_feed"] / 100.0 * dry
    ash_char = np.where(np.isnan(x["ash_char"]), ash_feed, x["ash_char"] / 100.0 * char)
    daf = (char - ash_char) / (dry - ash_feed)
    fixed = char / dry * (100.0 - x["ash_char"] - x["volatile_char"]) / (100.0 - x["ash_feed"])

    masses = {"taken": taken, "washed": washed, "ground": ground, "char": char}
    base = activated_from(masses, chain)
    activation = activated / base
    # What was not weighed is no step.
    before_wash = np.where(np.isnan(ground), char, ground)
    grinding = np.where(np.isnan(ground), 1.0, ground / char)
    washing = np.where(np.isnan(washed), 1.0, washed / before_wash)
    after_char = grinding * washing * np.where(chain["char_is_final"], 1.0, activation)
    pure = koh * chain["purity"]
    consumed = np.minimum(pure * PER_G_KOH["carbon_g"] / base, 1.0)
    reacting = np.where(np.isnan(consumed), pure, consumed * base / PER_G_KOH["carbon_g"])
    positive = np.where(daf > 0, daf, np.nan)
    fixed = np.where(fixed > 0, fixed, np.nan)
    return np.stack(
        [
            dry,
            moisture,
            100.0 * char / ar,
            100.0 * char / dry,
            100.0 * positive,
            100.0 * (1.0 - ground / char),
            100.0 * (1.0 - washed / before_wash),
            100.0 * activation,
            100.0 * (1.0 - activation),
            100.0 * (1.0 - activated / unwashed),
            1000.0 * char / ar * after_char,
            1000.0 * char / dry * after_char,
            100.0 * fixed,
            pure / base,
            100.0 * consumed,
            reacting * PER_G_KOH["potassium_g"],
            reacting * PER_G_KOH["hydrogen_L"],
        ]
    )


def _drawn_errors(
    chain: Mapping[str, np.ndarray], u: Mapping[str, np.ndarray], i: int, *, seed: int, n: int
) -> np.ndarray:
    """Standard errors of `QUANTITIES` of one lot from Monte Carlo draws, (n_quantities,)."""
    key = zlib.crc32(str(chain["run"][i]).encode("utf-8"))
    rng = np.random.default_rng(np.random.SeedSequence([int(seed), key]))
    draws = {}
    for name in INPUTS:
        if name not in MASSES:
            draws[name] = rng.normal(chain[name][i], np.nan_to_num(u[name][i]), n)
            continue
        step, sd = (
            np.nan_to_num(chain[f"{name}_{part}"][i]) for part in ("readability", "repeatability")
        )
        # Two readings: before and after taring, or gross and tare.
        error = rng.uniform(-step / 2, step / 2, (2, n)).sum(axis=0)
        mass = chain[name][i] + error + rng.normal(0.0, np.sqrt(2.0) * sd, n)
        draws[name] = np.where(mass > 0, mass, np.nan)
    one = {name: chain[name][i : i + 1] for name in ("base", "char_is_final", "same_balance")}
    one["purity"] = chain["purity"][i : i + 1]
    # A mass that is missing stays missing in every draw; one that was drawn below zero must not
    # pass for one that was not weighed.
    lost = np.zeros(n, dtype=bool)
    for name in MASSES:
        if np.isfinite(chain[name][i]):
            lost |= np.isnan(draws[name])
    outputs = _outputs(draws, one)[:, ~lost]
    known = np.isfinite(outputs).sum(axis=1)
    enough = known > max(2, outputs.shape[1] // 2)
    errors = np.full(len(outputs), np.nan)
    errors[enough] = np.nanstd(outputs[enough], axis=1, ddof=1)
    return errors
