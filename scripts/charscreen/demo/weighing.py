"""The demo's bench balance: what was weighed from feed to carbon, mistakes included."""

from dataclasses import dataclass

import numpy as np

from charscreen.demo.feedstocks import BY_ID
from charscreen.demo.random_streams import stream
from charscreen.demo.scenario import KOH_RATIO, Lot, Scenario
from charscreen.demo.truth import SCATTER, Truth, fraction

BENCH_SD_G = 0.01


@dataclass
class Chain:
    """True masses of one run, before any weighing. [g]"""

    feed_ar_g: float = 0.0
    feed_dry_g: float = 0.0
    char_g: float = 0.0
    char_taken_g: float = 0.0
    koh_g: float = 0.0
    activated_g: float = 0.0


def make_chains(scenario: Scenario, truth: Truth) -> dict[str, Chain]:
    """True masses of every run: the truth of its waste, the kiln's firing, and the lot's own luck.

    Notes
    -----
    The temperature that counts is the one the kiln reached, not the planned one.
    """
    scatter, seed = SCATTER["char_yield"], scenario.seed
    firing_effect = {
        firing.firing: float(
            stream(seed, "yield of firing", firing.firing).normal(
                0.0,
                scatter["firing"]
                if firing.kind == "carbonise"
                else SCATTER["activation_yield"]["activation_firing"],
            )
        )
        for firing in scenario.firings
    }
    chains: dict[str, Chain] = {}
    for lot in scenario.lots:
        rng = stream(seed, "masses", lot.run)
        item = BY_ID[lot.feedstock]
        chain = Chain()
        if not lot.parent:
            moisture = rng.normal(item.moisture_ar_percent, item.moisture_sd_percent) / 100.0
            chain.feed_ar_g = float(item.feed_ar_g * rng.uniform(0.97, 1.03))
            chain.feed_dry_g = float(chain.feed_ar_g * (1.0 - moisture))
            value = truth.logit_char_yield(
                lot.feedstock, lot.firing.done_C, lot.firing.planned_hold_min
            )
            value += firing_effect[lot.firing.firing] + rng.normal(0.0, scatter["lot"])
            chain.char_g = chain.feed_dry_g * fraction(value)
        if lot.activated:
            source = chains[lot.parent].char_g if lot.parent else chain.char_g
            _activate(chain, lot, source, truth, firing_effect, rng)
        chains[lot.run] = chain
    return chains


def _activate(
    chain: Chain,
    lot: Lot,
    char_g: float,
    truth: Truth,
    firing_effect: dict[str, float],
    rng: np.random.Generator,
) -> None:
    """Take char, weigh in KOH, and get the washed and dried carbon back."""
    share = 0.5 if lot.parent else 0.9
    chain.char_taken_g = min(5.0, np.floor(20.0 * share * char_g) / 20.0) + rng.uniform(0, 0.04)
    chain.koh_g = KOH_RATIO * chain.char_taken_g * rng.uniform(0.998, 1.004)
    value = truth.logit_activation_yield(lot.feedstock, lot.firing.done_C)
    value += firing_effect[lot.activation_firing.firing]
    value += rng.normal(0.0, SCATTER["activation_yield"]["lot"])
    chain.activated_g = chain.char_taken_g * fraction(value)


def describe_chain(chain: Chain) -> dict[str, float | None]:
    """Yields of one run without any error of weighing; None where there is no such step."""
    return {
        "char_yield_d_percent": round(100.0 * chain.char_g / chain.feed_dry_g, 4)
        if chain.feed_dry_g
        else None,
        "activation_yield_percent": round(100.0 * chain.activated_g / chain.char_taken_g, 4)
        if chain.char_taken_g
        else None,
    }


def weigh_lots(scenario: Scenario, chains: dict[str, Chain]) -> list[dict]:
    """Rows of masses.csv, with gaps, gross weighings and one slip of the pen."""
    rows = []
    for lot in scenario.lots:
        rng = stream(scenario.seed, "weighing", lot.run)
        row = _weigh(lot, chains[lot.run], scenario, rng)
        rows.append({name: value for name, value in row.items() if value not in ("", None)})
    return rows


def _weigh(lot: Lot, chain: Chain, scenario: Scenario, rng: np.random.Generator) -> dict:
    mishaps, item = scenario.mishaps, BY_ID[lot.feedstock]

    def bench(mass_g: float) -> str:
        # A net mass, read once on a balance zeroed under the empty vessel.
        return f"{mass_g + rng.normal(0.0, BENCH_SD_G):.2f}"

    row: dict[str, str] = {"run": lot.run, "note": lot.note}
    if not lot.parent:
        row["feed_ar_g"] = bench(chain.feed_ar_g)
        if lot.run in mishaps.moisture_by_aliquot:
            moisture = 100.0 * (1.0 - chain.feed_dry_g / chain.feed_ar_g)
            row["moisture_ar_percent"] = f"{moisture + rng.normal(0.0, 0.3):.1f}"
            row["note"] = "moisture from an aliquot"
        elif lot.run in mishaps.moisture_assumed:
            row["note"] = "drying not weighed"
        else:
            row["feed_dry_g"] = bench(chain.feed_dry_g)
        if lot.run == mishaps.cracked:
            row["note"] = "no char to weigh"
            return row
        if lot.run in mishaps.weighed_gross:
            tare = 61.0 + rng.uniform(0.0, 4.0)
            row["char_gross_g"] = f"{tare + chain.char_g + rng.normal(0.0, BENCH_SD_G):.2f}"
            row["char_tare_g"] = f"{tare + rng.normal(0.0, BENCH_SD_G):.2f}"
        else:
            row["char_g"] = bench(chain.char_g)
        if lot.run in mishaps.ash_measured:
            ash_g = chain.feed_dry_g * item.ash_d_percent / 100.0
            ash = 100.0 * ash_g * rng.uniform(0.90, 0.97) / chain.char_g
            row["char_ash_d_percent"] = f"{ash:.1f}"
            row["char_volatile_d_percent"] = f"{rng.uniform(4.0, 9.0):.1f}"
        if lot.run == mishaps.mistyped:
            # The decimal point went one place too far; the table check has to notice.
            row["char_g"] = f"{10.0 * chain.char_g:.1f}"
    if lot.activated:
        row["char_taken_g"] = bench(chain.char_taken_g)
        row["koh_g"] = bench(chain.koh_g)
        row["activated_g"] = bench(chain.activated_g)
    return row
