"""How far a firing may be from its plan before it is asked about."""

from collections.abc import Mapping

#: What a firing is planned and done with. [°C, min, °C/min]
FIRING_QUANTITIES = ("peak_temperature_C", "hold_min", "ramp_C_per_min")
#: Keys of the config's limits that concern firings, with their defaults.
DEFAULT_LIMITS = {
    "peak_off_C": 20.0,
    "hold_off_percent": 25.0,
    "ramp_off_percent": 30.0,
    "thermocouple_spread_C": 25.0,
}
# A hold may always be so far off: minutes until somebody is at the kiln. [min] Common practice,
# no source.
_HOLD_OFF_MIN = 10.0


def other_scale(done_C: float, wanted_C: float | None = None) -> str:
    """Words on a temperature that was read in °F or K, with a blank before; empty where neither.

    Parameters
    ----------
    done_C : float
        As it was written. [°C]
    wanted_C : float, optional
        As planned [°C]; without it °F is thought of in any case.
    """
    for unit, value in (("°F", (done_C - 32.0) / 1.8), ("K", done_C - 273.15)):
        if wanted_C is None or abs(value - wanted_C) <= DEFAULT_LIMITS["peak_off_C"]:
            return f" {done_C:g} {unit} would be {value:.0f} °C."
    return ""


def off_plan(name: str, done: float, wanted: float, limits: Mapping) -> bool:
    """Whether what was done is further from what was wanted than the limits allow.

    Parameters
    ----------
    name : str
        One of `FIRING_QUANTITIES`.
    done, wanted : float
        [°C, min or °C/min]
    limits : mapping
        Any of the keys of `DEFAULT_LIMITS`.
    """
    limits = DEFAULT_LIMITS | dict(limits)
    if name == "peak_temperature_C":
        return abs(done - wanted) > limits["peak_off_C"]
    if name == "hold_min":
        allowed = max(_HOLD_OFF_MIN, limits["hold_off_percent"] / 100 * wanted)
        return abs(done - wanted) > allowed
    return abs(done - wanted) > limits["ramp_off_percent"] / 100 * wanted
