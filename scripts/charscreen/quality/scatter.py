"""The scatter a plan is judged under: stated in the settings, kept from a fit, or usual."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

#: Common practice, no source. [%]
USUAL_PERCENT = {
    "firing_percent": 10.0,
    "activation_firing_percent": 8.0,
    "lot_percent": 8.0,
    "cell_percent": 10.0,
    "between_feedstocks_percent": 20.0,
    "slope_percent": 4.0,
    "activation_gain_percent": 6.0,
    "temperature_percent": 8.0,
    "bend_percent": 4.0,
    "hold_percent": 4.0,
    "activation_percent": 35.0,
    "koh_ratio_percent": 8.0,
}
BETWEEN = "between_feedstocks_percent"
# Level of a kept fit that says the same.
_KEPT = {
    "firing_percent": "firing",
    "activation_firing_percent": "activation_firing",
    "lot_percent": "lot",
    "cell_percent": "residual",
    BETWEEN: "feedstock",
    "slope_percent": "feedstock|temperature",
    "activation_gain_percent": "feedstock:activation",
}
# The merit whose scatter on the log scale priors.yaml keeps, and its section there.
_KEPT_MERITS = {"electrode_F_per_g": "capacitance"}
STATED, PRIORS, USUAL = "config.yaml", "priors.yaml", "common practice, no source"


@dataclass(frozen=True)
class Scatter:
    """Stated scatter of one merit.

    Parameters
    ----------
    percent : dict of str to float
        Relative standard deviations by key of ``plan.scatter``. [%]
    source : dict of str to str
        Where each comes from: `STATED`, `PRIORS` or `USUAL`.
    """

    percent: dict[str, float]
    source: dict[str, str]

    def sd(self, key: str) -> float:
        """Standard deviation on the log scale; see `log_sd`."""
        return log_sd(self.percent[key])

    def variance(self, key: str) -> float:
        """Variance on the log scale."""
        return self.sd(key) ** 2

    def times(self, key: str, factor: float) -> "Scatter":
        """The same with one figure multiplied."""
        return replace(self, percent=self.percent | {key: self.percent[key] * factor})


def log_sd(percent: float) -> float:
    """Standard deviation on the log scale of a relative standard deviation in percent.

    Notes
    -----
    Of a lognormal quantity: sqrt(ln(1 + (p/100)²)), the inverse of what the model tables do.
    """
    return math.sqrt(math.log1p((percent / 100.0) ** 2))


def percent_of(sd: float) -> float:
    """Relative standard deviation [%] of a standard deviation on the log scale."""
    return 100.0 * math.sqrt(math.expm1(sd**2))


def scatter_for(stated: Mapping, priors: Mapping, *, merit: str) -> Scatter:
    """Each figure from the settings, else from kept priors, else the usual one.

    Parameters
    ----------
    stated : mapping
        ``plan.scatter`` of the settings; None or absent where nothing is stated. [%]
    priors : mapping
        From `charscreen.priors.read_priors`.
    merit : str
        First of the merits; kept scatter counts only where it is that of this merit.
    """
    kept = (priors.get(_KEPT_MERITS.get(merit, "")) or {}).get("scatter") or {}
    percent, source = {}, {}
    for key, usual in USUAL_PERCENT.items():
        level = _KEPT.get(key)
        if stated.get(key) is not None:
            percent[key], source[key] = float(stated[key]), STATED
        elif level in kept:
            percent[key], source[key] = percent_of(float(kept[level])), PRIORS
        else:
            percent[key], source[key] = usual, USUAL
    return Scatter(percent, source)
