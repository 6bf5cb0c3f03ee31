"""What KOH can do to a char: carbon it consumes, gas and potassium it makes."""

from dataclasses import dataclass

#: Standard atomic weights, abridged. [g/mol] A test compares them with a published table.
ATOMIC_MASS = {"H": 1.008, "C": 12.011, "O": 15.999, "K": 39.0983}
_KOH = ATOMIC_MASS["K"] + ATOMIC_MASS["O"] + ATOMIC_MASS["H"]
_K2CO3 = 2 * ATOMIC_MASS["K"] + ATOMIC_MASS["C"] + 3 * ATOMIC_MASS["O"]
#: Molar volume of an ideal gas at 20 °C and 1 atm. [L/mol] R = 8.314462618 J/(mol K).
MOLAR_VOLUME_L = 8.314462618 * 293.15 / 101325.0 * 1000.0
#: Grams made or consumed per gram of pure KOH by 6 KOH + 2 C → 2 K + 3 H2 + 2 K2CO3.
PER_G_KOH = {
    "carbon_g": 2 * ATOMIC_MASS["C"] / (6 * _KOH),
    "potassium_g": 2 * ATOMIC_MASS["K"] / (6 * _KOH),
    "hydrogen_g": 6 * ATOMIC_MASS["H"] / (6 * _KOH),
    "hydrogen_L": 3 * MOLAR_VOLUME_L / (6 * _KOH),
    "carbonate_g": 2 * _K2CO3 / (6 * _KOH),
}


@dataclass(frozen=True)
class KohBalance:
    """What a charge of KOH and char can come to.

    Parameters
    ----------
    koh_pure_g : float
        KOH without the water of the pellets. [g]
    ratio : float or None
        Pure KOH per char; None where the char is not known. [g/g]
    carbon_g : float
        Carbon that the reaction can consume, no more than there is. [g]
    carbon_percent : float or None
        The same as a share of the char, counted as carbon. [%]
    potassium_g, hydrogen_L, carbonate_g : float
        Metal [g], gas at 20 °C and 1 atm [L] and potassium carbonate [g] that can form.
    """

    koh_pure_g: float
    ratio: float | None
    carbon_g: float
    carbon_percent: float | None
    potassium_g: float
    hydrogen_L: float
    carbonate_g: float


def koh_balance(
    koh_g: float, *, char_g: float | None = None, purity_percent: float = 100.0
) -> KohBalance:
    """Most that KOH can consume and make with carbon.

    Parameters
    ----------
    koh_g : float
        KOH as weighed, pellets with their water. [g]
    char_g : float, optional
        Char that it meets, counted as carbon. [g]
    purity_percent : float
        KOH in the pellets. [%]

    Returns
    -------
    KohBalance

    Raises
    ------
    ValueError
        Where a mass is below zero or the purity is not above 0 and up to 100.

    Notes
    -----
    6 KOH + 2 C → 2 K + 3 H2 + 2 K2CO3, run to its end; further reactions (of the carbonate, of
    the pellets' water with carbon) are not counted, so neither gas nor burn-off is bounded by it.
    What forms in a crucible is less where KOH evaporates or the firing is short.

    References
    ----------
    Lillo-Ródenas M. A., Cazorla-Amorós D., Linares-Solano A., Carbon 2003, 41, 267.
    """
    if not koh_g >= 0 or (char_g is not None and not char_g >= 0):
        raise ValueError(f"masses of {koh_g} g KOH and {char_g} g char; neither can be below zero")
    if not 0 < purity_percent <= 100:
        raise ValueError(f"purity_percent is {purity_percent}, not above 0 and up to 100")
    pure = koh_g * purity_percent / 100.0
    carbon = pure * PER_G_KOH["carbon_g"]
    # With too little carbon the rest of the KOH has nothing to react with.
    share = 1.0 if char_g is None or carbon <= char_g else char_g / carbon
    reacting = pure * share
    known = char_g is not None and char_g > 0
    return KohBalance(
        koh_pure_g=pure,
        ratio=pure / char_g if known else None,
        carbon_g=carbon * share,
        carbon_percent=100.0 * carbon * share / char_g if known else None,
        potassium_g=reacting * PER_G_KOH["potassium_g"],
        hydrogen_L=reacting * PER_G_KOH["hydrogen_L"],
        carbonate_g=reacting * PER_G_KOH["carbonate_g"],
    )
