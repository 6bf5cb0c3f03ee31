"""Cautions for run sheets, report and README: one wording, chosen by what is being done.

No caution says that a step is safe. The list is ours and is not complete; exposure limits stand
with the body that publishes them.
"""

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution.

    Parameters
    ----------
    key : str
        Short name by which pages pick it.
    title : str
        A few words.
    text : str
        What can happen and what that asks for.
    """

    key: str
    title: str
    text: str


#: Stands under every list of cautions.
FOOTER = (
    "Follow your safety data sheets, local codes and licensed practice; this list is not complete."
)

#: Asked, with yes and no to tick, before a KOH firing at or above the warning temperature.
KOH_QUESTIONS = (
    "Does inert gas flow through the kiln for the whole firing, the cooling included?",
    "Is the off-gas led away and handled, hydrogen and potassium vapour included?",
    "Is there a written procedure for opening and passivating, and are trained people here for it?",
)
#: Stands under those questions.
KOH_ANSWER = "One no: do not start this firing."


def cautions_for(
    *,
    carbonise: bool = False,
    activate: bool = False,
    activation_temperature_C: float | None = None,
    potassium_g: float | None = None,
    hydrogen_L: float | None = None,
    nitrogen_rich: Sequence[str] = (),
    handling: bool = False,
    cells: bool = False,
    upper_voltage_V: float | None = None,
    koh_warning_C: float = 650.0,
    aqueous_voltage_V: float = 1.0,
    nitrogen_limit_d_percent: float = 2.0,
) -> list[Caution]:
    """Cautions that belong to a piece of work, the most urgent first.

    Parameters
    ----------
    carbonise, activate : bool
        A char firing; an activation with KOH.
    activation_temperature_C : float, optional
        Peak temperature of the activation; None counts as above the warning temperature. [°C]
    potassium_g, hydrogen_L : float, optional
        Potassium metal [g] and hydrogen [L at 20 °C] that the KOH of the firing can form.
    nitrogen_rich : sequence of str
        Names of feeds to be activated whose nitrogen is above the limit.
    handling : bool
        Char or carbon is ground, sieved or blended.
    cells : bool
        Cells are assembled or tested.
    upper_voltage_V : float, optional
        Highest voltage of the cells. [V]
    koh_warning_C : float
        Temperature from which metallic potassium is warned of. [°C]
    aqueous_voltage_V : float
        Highest voltage of aqueous cells that raises no further warning. [V]
    nitrogen_limit_d_percent : float
        Nitrogen of dry feed above which cyanide is warned of. [%]

    Returns
    -------
    list of Caution

    References
    ----------
    Exposure limits: NIOSH Pocket Guide to Chemical Hazards, OSHA 29 CFR 1910.1000 (from memory).
    Transport classes: UN Model Regulations, UN 1361 and UN 1362 (from memory).
    """
    found = []
    if activate:
        hot = activation_temperature_C is None or activation_temperature_C >= koh_warning_C
        if hot:
            found.append(_potassium(activation_temperature_C, koh_warning_C, potassium_g))
        if nitrogen_rich:
            found.append(_cyanide(nitrogen_rich, nitrogen_limit_d_percent))
        found += [_LYE, _hydrogen(hydrogen_L)]
    if carbonise or activate:
        found += [_SMOKE, _KILN, _SELF_HEATING]
    if carbonise or activate or handling:
        found.append(_DUST)
    if activate or cells:
        found.append(_ACIDS)
    if cells:
        found.append(_cells(upper_voltage_V, aqueous_voltage_V))
    return found


def all_cautions() -> list[Caution]:
    """Every caution in its general wording, for README and report."""
    return [
        _SMOKE,
        _KILN,
        _SELF_HEATING,
        _DUST,
        _LYE,
        _potassium(None, 650.0),
        _hydrogen(None),
        _cyanide((), 2.0),
        _ACIDS,
        _cells(None, 1.0),
    ]


_SMOKE = Caution(
    "smoke",
    "Carbon monoxide, smoke and flammable gas",
    "Plant matter in a hot kiln gives off carbon monoxide, tar and gas that burns. Lead it "
    "outdoors and keep a carbon monoxide alarm by the people, not only by the kiln. Workplace "
    "limits: NIOSH 35 ppm over a shift and 200 ppm at any time, OSHA 50 ppm over a shift.",
)
_KILN = Caution(
    "kiln",
    "Kiln: burns, fire, mains",
    "Wiring is work for a licensed electrician, with earth and residual-current protection. Fit "
    "an over-temperature cut-out that does not depend on the controller. Keep fuel away from it. "
    "Open it only when it is cold right through.",
)
_SELF_HEATING = Caution(
    "self_heating",
    "Fresh char heats itself",
    "New char takes up oxygen, warms by itself and can catch fire hours later (carbon is UN 1361, "
    "activated carbon UN 1362, both class 4.2). Let it cool closed, keep it in closed metal, and "
    "wait before it is packed or left alone.",
)
_DUST = Caution(
    "dust",
    "Carbon dust burns and harms lungs",
    "A cloud of fine carbon can explode. No sparks or flames, no blending in the open: handle it "
    "wet or under extraction, with a respirator.",
)
_LYE = Caution(
    "koh",
    "KOH burns skin and eyes",
    "Goggles, face shield and gloves made for lye. It gets hot as it dissolves: add it slowly to "
    "water, never water to it. Melted, it eats glass and many crucibles. Limit in air: 2 mg/m³ at "
    "any time (NIOSH).",
)
_ACIDS = Caution(
    "acids",
    "Acids and electrolytes",
    "Hydrochloric acid fumes, sulphuric acid burns, organic electrolytes are flammable and toxic: "
    "work under extraction, with eye protection and the gloves the data sheet names.",
)


def _hydrogen(hydrogen_L: float | None) -> Caution:
    amount = (
        ""
        if hydrogen_L is None
        else f", by 6 KOH + 2 C → 2 K + 3 H2 + 2 K2CO3 up to about {hydrogen_L:.2g} L (20 °C) here"
    )
    return Caution(
        "hydrogen",
        "Hydrogen from KOH and carbon",
        f"The reaction gives off hydrogen{amount}, and its cooled residue can still react with "
        "water. No closed vessel, no flame at the outlet unless the off-gas handling was built "
        "for it.",
    )


def _potassium(
    temperature_C: float | None, koh_warning_C: float, potassium_g: float | None = None
) -> Caution:
    at = (
        f"from about {koh_warning_C:g} °C up"
        if temperature_C is None
        else f"and this firing goes to {temperature_C:g} °C"
    )
    amount = (
        ""
        if potassium_g is None
        else f" The KOH planned here can make up to about {potassium_g:.2g} g of it."
    )
    return Caution(
        "potassium",
        "Metallic potassium",
        f"KOH and carbon make potassium metal when hot, {at}.{amount} It boils at 759 °C, settles "
        "in the cold parts of kiln and pipes, and takes fire in air or with water. A crucible "
        "packed in carbon powder is not an inert atmosphere. Let everything cool fully under inert "
        "gas. Never open it hot. Never quench it. Opening and passivating is for trained people "
        "with a written procedure.",
    )


def _cyanide(names: Sequence[str], limit_d_percent: float) -> Caution:
    who = (
        f"{', '.join(names)}: more than {limit_d_percent:g} % nitrogen in the dry feed. "
        if names
        else f"Feeds with more than {limit_d_percent:g} % nitrogen (dry) are marked. "
    )
    return Caution(
        "cyanide",
        "Cyanide",
        f"{who}Nitrogen, carbon and hot KOH can form cyanides, and acid sets hydrogen cyanide "
        "free from them. Test for cyanide before any acid touches the product.",
    )


def _cells(upper_voltage_V: float | None, aqueous_voltage_V: float) -> Caution:
    beyond = ""
    if upper_voltage_V is not None and upper_voltage_V > aqueous_voltage_V:
        beyond = f"A cell here is charged to {upper_voltage_V:g} V. "
    return Caution(
        "cells",
        "Cells",
        f"{beyond}Water splits from 1.23 V: keep aqueous cells at or below "
        f"{aqueous_voltage_V:g} V unless there is evidence for that very electrolyte and "
        "electrode, never sealed, with the gas led away. Discharge through a resistor, never by "
        "a short. Stored energy burns.",
    )
