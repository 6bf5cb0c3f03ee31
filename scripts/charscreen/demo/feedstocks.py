"""The twelve wastes of the invented workshop.

Ash and lignin of rice husk, corn cob and wheat straw are those of Raveendran, Ganesh & Khilar,
Fuel 1995, 74, 1812. All other figures are invented, of an order that such wastes may have.
"""

from dataclasses import dataclass

REFERENCE = "walnut_shell"


@dataclass(frozen=True)
class Feedstock:
    """One waste: composition, handling, and how much of it fills a crucible.

    Parameters
    ----------
    feedstock, name : str
        Id and name for people.
    moisture_ar_percent, moisture_sd_percent : float
        Water as received, mean and spread from lot to lot. [percent; percentage points]
    ash_d_percent, volatile_d_percent, nitrogen_d_percent, lignin_d_percent : float
        Composition of the dry matter. [percent]
    bulk_density_g_per_L, price_per_kg, stock_kg : float
        Handling. [g/L; money per kg as received; kg]
    expected_char_yield_d_percent : float or None
        What the workshop expects; None where it has no idea. [percent]
    may_activate : str
        ``yes`` or ``no``.
    feed_ar_g : float
        Usual charge of one crucible. [g]
    note : str
        For the table.
    """

    feedstock: str
    name: str
    moisture_ar_percent: float
    moisture_sd_percent: float
    ash_d_percent: float
    volatile_d_percent: float
    nitrogen_d_percent: float
    lignin_d_percent: float
    bulk_density_g_per_L: float
    price_per_kg: float
    stock_kg: float
    expected_char_yield_d_percent: float | None
    may_activate: str
    feed_ar_g: float
    note: str = ""


FEEDSTOCKS = (
    Feedstock(
        *("walnut_shell", "Walnut shell", 9.0, 0.4, 0.9, 78.0, 0.3, 42.0, 420.0, 0.10, 40.0),
        *(31.0, "yes", 70.0, "reference: one lot in every firing"),
    ),
    Feedstock(
        *("coffee_grounds", "Coffee grounds, spent", 61.0, 1.2, 1.8, 79.0, 1.9, 24.0, 520.0),
        *(0.00, 25.0, 25.0, "yes", 110.0),
    ),
    Feedstock(
        *("rice_husk", "Rice husk", 9.5, 0.4, 23.5, 61.0, 0.5, 14.3, 120.0, 0.05, 30.0),
        *(38.0, "yes", 28.0, "ash and lignin from a published table; the rest invented"),
    ),
    Feedstock(
        *("orange_peel", "Orange peel", 76.0, 1.2, 4.2, 78.0, 1.1, 5.0, 600.0, 0.00, 20.0),
        *(25.0, "yes", 140.0),
    ),
    Feedstock(
        *("potato_peel", "Potato peel", 81.0, 1.0, 7.5, 75.0, 1.7, 9.0, 680.0, 0.00, 30.0),
        *(None, "yes", 160.0),
    ),
    Feedstock(
        *("banana_peel", "Banana peel", 86.0, 0.8, 11.5, 74.0, 1.2, 12.0, 720.0, 0.00, 18.0),
        *(30.0, "yes", 175.0),
    ),
    Feedstock(
        *("spent_grain", "Brewery grain, spent", 77.0, 1.0, 4.0, 79.0, 3.8, 16.0, 650.0, 0.02),
        *(35.0, 27.0, "no", 150.0, "rich in nitrogen, so not taken for KOH"),
    ),
    Feedstock(
        *("olive_stone", "Olive stones", 12.0, 0.5, 1.1, 79.0, 0.4, 34.0, 620.0, 0.08, 25.0),
        *(29.0, "yes", 75.0),
    ),
    Feedstock(
        *("corn_cob", "Corn cob", 10.0, 0.5, 2.8, 80.0, 0.5, 16.6, 190.0, 0.04, 22.0, 26.0),
        *("yes", 42.0, "ash and lignin from a published table; the rest invented"),
    ),
    Feedstock(
        *("oat_hulls", "Oat hulls", 9.0, 0.4, 5.1, 76.0, 0.7, 17.0, 140.0, 0.05, 28.0, None),
        *("yes", 32.0),
    ),
    Feedstock(
        *("onion_skin", "Onion skin, dry", 14.0, 0.6, 8.0, 72.0, 0.9, 22.0, 110.0, 0.00, 6.0),
        *(None, "yes", 26.0),
    ),
    Feedstock(
        *("wheat_straw", "Wheat straw, chopped", 11.0, 0.5, 11.2, 71.0, 0.6, 16.4, 130.0, 0.03),
        *(45.0, 30.0, "yes", 30.0, "ash and lignin from a published table; the rest invented"),
    ),
)
BY_ID = {item.feedstock: item for item in FEEDSTOCKS}
