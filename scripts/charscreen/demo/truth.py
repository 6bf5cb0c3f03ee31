"""The known truth behind the demo: what each candidate really gives, and how things scatter.

All figures are invented. Responses are linear on a transformed scale: log for farads per gram,
logit for the two yields; the truth of a candidate is its median over firings, lots and cells.
"""

from dataclasses import dataclass

import numpy as np

from charscreen.demo.feedstocks import FEEDSTOCKS
from charscreen.demo.random_streams import stream
from charscreen.demo.scenario import HOLDS_MIN, KOH_RATIO, TEMPERATURES_C, Scenario

SCATTER = {
    "capacitance": {"firing": 0.10, "activation_firing": 0.05, "lot": 0.08, "cell": 0.10},
    "char_yield": {"firing": 0.08, "lot": 0.10},
    "activation_yield": {"activation_firing": 0.06, "lot": 0.10},
}
SPREAD = {
    "capacitance": {"feedstock": 0.25, "feedstock_per_100C": 0.05, "feedstock_activation": 0.12},
    "char_yield": {"feedstock": 0.10, "feedstock_per_100C": 0.03},
    "activation_yield": {"feedstock": 0.12},
}
FIXED = {
    "capacitance": {
        "electrode_F_per_g_at_700C_60min": 72.0,
        "log_per_100C": 0.10,
        "log_per_ln_hold": 0.08,
        "log_KOH": 0.75,
    },
    "char_yield": {
        "char_yield_d_percent_at_700C_60min_lignin20_ash5": 27.0,
        "logit_per_100C": -0.12,
        "logit_per_ln_hold": -0.05,
        "logit_per_lignin_percent": 0.012,
        "logit_per_ash_percent": 0.035,
    },
    "activation_yield": {"activation_yield_percent_at_700C": 25.0, "logit_per_100C": 0.06},
}


def logit(fraction: float) -> float:
    """Log odds of a fraction."""
    return float(np.log(fraction / (1.0 - fraction)))


def fraction(logit_value: float) -> float:
    """Fraction from its log odds."""
    return float(1.0 / (1.0 + np.exp(-logit_value)))


@dataclass(frozen=True)
class Truth:
    """The invented nature of the wastes: one number of each kind per feedstock."""

    capacitance: dict[str, float]
    capacitance_per_100C: dict[str, float]
    capacitance_activation: dict[str, float]
    char_yield: dict[str, float]
    char_yield_per_100C: dict[str, float]
    activation_yield: dict[str, float]

    def log_electrode(self, name: str, temperature_C: float, hold_min: float, koh: bool) -> float:
        """Log of the electrode capacitance [F/g] of a waste fired so."""
        fixed = FIXED["capacitance"]
        step = (temperature_C - 700.0) / 100.0
        value = np.log(fixed["electrode_F_per_g_at_700C_60min"]) + self.capacitance[name]
        value += (fixed["log_per_100C"] + self.capacitance_per_100C[name]) * step
        value += fixed["log_per_ln_hold"] * np.log(hold_min / 60.0)
        # The interaction is written as half up, half down, so that a waste's own effect
        # stays its mean over both kinds of carbon.
        sign = 0.5 if koh else -0.5
        value += fixed["log_KOH"] * koh + sign * self.capacitance_activation[name]
        return float(value)

    def logit_char_yield(self, name: str, temperature_C: float, hold_min: float) -> float:
        """Logit of the char yield on dry feed of a waste fired so."""
        fixed = FIXED["char_yield"]
        item = next(item for item in FEEDSTOCKS if item.feedstock == name)
        step = (temperature_C - 700.0) / 100.0
        value = logit(fixed["char_yield_d_percent_at_700C_60min_lignin20_ash5"] / 100.0)
        value += fixed["logit_per_lignin_percent"] * (item.lignin_d_percent - 20.0)
        value += fixed["logit_per_ash_percent"] * (item.ash_d_percent - 5.0)
        value += self.char_yield[name]
        value += (fixed["logit_per_100C"] + self.char_yield_per_100C[name]) * step
        value += fixed["logit_per_ln_hold"] * np.log(hold_min / 60.0)
        return float(value)

    def logit_activation_yield(self, name: str, temperature_C: float) -> float:
        """Logit of the yield of KOH activation of a char fired at that temperature."""
        fixed = FIXED["activation_yield"]
        value = logit(fixed["activation_yield_percent_at_700C"] / 100.0)
        value += fixed["logit_per_100C"] * (temperature_C - 700.0) / 100.0
        return float(value + self.activation_yield[name])


def make_truth(seed: int) -> Truth:
    """Draw the nature of each waste; every kind of effect has a mean of zero over the wastes."""

    def draw(subject: str, sd: float) -> dict[str, float]:
        values = stream(seed, "truth", subject).normal(0.0, sd, len(FEEDSTOCKS))
        values -= values.mean()
        return {i.feedstock: float(v) for i, v in zip(FEEDSTOCKS, values, strict=True)}

    capacitance, char, activation = (
        SPREAD[name] for name in ("capacitance", "char_yield", "activation_yield")
    )
    return Truth(
        capacitance=draw("capacitance", capacitance["feedstock"]),
        capacitance_per_100C=draw("capacitance slope", capacitance["feedstock_per_100C"]),
        capacitance_activation=draw("capacitance KOH", capacitance["feedstock_activation"]),
        char_yield=draw("char yield", char["feedstock"]),
        char_yield_per_100C=draw("char yield slope", char["feedstock_per_100C"]),
        activation_yield=draw("activation yield", activation["feedstock"]),
    )


def candidate_id(name: str, temperature_C: int, hold_min: int, koh: bool) -> str:
    """Id of a candidate: waste, peak temperature, hold, and KOH ratio where activated."""
    tail = f"_KOH{KOH_RATIO}" if koh else ""
    return f"{name}_{temperature_C}C_{hold_min}min{tail}"


def describe_truth(truth: Truth, scenario: Scenario) -> dict:
    """Everything a test needs to know about the truth, as plain data for JSON."""
    lots: dict[str, int] = {}
    for lot in scenario.lots:
        if not lot.exclude_reason:
            firing = lot.firing
            name = candidate_id(
                lot.feedstock, firing.planned_C, firing.planned_hold_min, lot.activated
            )
            lots[name] = lots.get(name, 0) + 1
    candidates = {}
    for item in FEEDSTOCKS:
        for koh in (False, True):
            if koh and item.may_activate != "yes":
                continue
            for temperature in TEMPERATURES_C:
                for hold in HOLDS_MIN:
                    name = candidate_id(item.feedstock, temperature, hold, koh)
                    values = _candidate(truth, item.feedstock, temperature, hold, koh)
                    candidates[name] = values | {"lots": lots.get(name, 0)}
    return {
        "about": "Known truth of the invented demo screen, written by scripts/make_demo.py. "
        "Medians over firings, lots and cells; scatter as standard deviations on the log scale "
        "(capacitance) and the logit scale (yields).",
        "seed": scenario.seed,
        "scatter_sd": SCATTER,
        "spread_sd": SPREAD,
        "fixed": FIXED,
        "candidates": candidates,
    }


def _candidate(truth: Truth, name: str, temperature: int, hold: int, koh: bool) -> dict:
    """Truth of one candidate at its nominal condition."""
    electrode = np.exp(truth.log_electrode(name, temperature, hold, koh))
    char = fraction(truth.logit_char_yield(name, temperature, hold))
    activation = fraction(truth.logit_activation_yield(name, temperature)) if koh else None
    carbon = 1000.0 * char * (activation if koh else 1.0)
    return {
        "electrode_F_per_g": round(float(electrode), 6),
        "char_yield_d_percent": round(100.0 * char, 6),
        "activation_yield_percent": round(100.0 * activation, 6) if koh else None,
        "carbon_g_per_kg_d": round(carbon, 6),
        "device_F_per_kg_d": round(float(electrode) / 4.0 * carbon, 6),
    }
