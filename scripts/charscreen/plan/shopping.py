"""What a plan uses up, beside what is at hand: feed, KOH, acid, collectors, binder, cells."""

from collections.abc import Mapping, Sequence
from decimal import ROUND_CEILING, Decimal

import pandas as pd

from charscreen.plan.pages import name_of
from charscreen.rounding import is_number

#: Columns of the shopping list.
SHOPPING_COLUMNS = (
    *("item", "kind", "needed", "at_hand", "to_get", "unit", "price_per_unit", "cost", "remark"),
)
FEED, CHEMICAL, CELL_PART = "feed", "chemical", "for cells"


def shopping_list(
    lots: pd.DataFrame,
    cells: pd.DataFrame,
    *,
    feedstocks: Sequence[Mapping],
    plan: Mapping,
    prices: Mapping,
) -> pd.DataFrame:
    """What the plan needs, a row per thing to get.

    Parameters
    ----------
    lots, cells : DataFrame
        Tables of a plan: feedstock, feed_ar_g, expected_char_g, koh_g [g]; a row per cell.
    feedstocks : sequence of mappings
        ``feedstock``, ``name``, ``stock_kg`` [kg], ``moisture_ar_percent`` [%], ``price_per_kg``.
    plan : mapping
        ``electrode_coating_mg`` [mg], ``coating_carbon_percent``,
        ``coating_binder_percent``, ``coating_loss_percent`` [%], ``electrode_area_cm2`` [cm²].
    prices : mapping
        ``koh_per_kg``, ``acid_per_L``, ``acid_mL_per_g_char``; what is empty has no cost.

    Returns
    -------
    DataFrame
        `SHOPPING_COLUMNS`: needed, at_hand and to_get in ``unit``; missing where it cannot be
        reckoned, the remark then says what is missing. ``cost`` is of what is to be got. [money]

    Notes
    -----
    Paste is made for more coating than the electrodes carry: needed = coatings / (1 - loss).
    """
    rows = _feed_rows(lots, feedstocks)
    rows += _chemical_rows(lots, prices)
    rows += _cell_rows(len(cells), plan)
    for row in rows:
        have = row["at_hand"] if is_number(row["at_hand"]) else 0.0
        needed = row["needed"]
        row["to_get"] = _up(max(0.0, needed - have)) if is_number(needed) else None
        priced = is_number(row["price_per_unit"]) and row["to_get"] is not None
        row["cost"] = row["to_get"] * row["price_per_unit"] if priced else None
    frame = pd.DataFrame(rows, columns=list(SHOPPING_COLUMNS))
    numbers = ["needed", "at_hand", "to_get", "price_per_unit", "cost"]
    return frame.astype(dict.fromkeys(numbers, float))


def _row(item: str, kind: str, needed: float | None, unit: str, remark: str = "", **more) -> dict:
    nothing = {"at_hand": None, "price_per_unit": None}
    needed = float(needed) if is_number(needed) else None
    return {"item": item, "kind": kind, "needed": needed, "unit": unit, "remark": remark} | (
        nothing | more
    )


def _feed_rows(lots: pd.DataFrame, feedstocks: Sequence[Mapping]) -> list[dict]:
    known = {str(row["feedstock"]): row for row in feedstocks}
    rows = []
    for feedstock, here in lots.groupby("feedstock", sort=True):
        about = known.get(str(feedstock), {})
        moisture = about.get("moisture_ar_percent")
        complete = here["feed_ar_g"].notna().all()
        needed = here["feed_ar_g"].sum() / 1000 if complete else None
        remark = f"as received, {moisture:g} % water" if is_number(moisture) else "as received"
        if not complete:
            remark = "no mass without moisture_ar_percent in feedstocks.csv"
        stock, price = about.get("stock_kg"), about.get("price_per_kg")
        rows.append(
            _row(
                name_of(str(feedstock), known),
                FEED,
                needed,
                "kg",
                remark,
                at_hand=float(stock) if is_number(stock) else None,
                price_per_unit=float(price) if is_number(price) else None,
            )
        )
    return rows


def _chemical_rows(lots: pd.DataFrame, prices: Mapping) -> list[dict]:
    activated = lots[lots["koh_g"].notna()]
    if not len(activated):
        return []
    koh = _row(
        "KOH, as weighed",
        CHEMICAL,
        activated["koh_g"].sum() / 1000,
        "kg",
        "for activation; electrolyte comes on top",
        price_per_unit=prices.get("koh_per_kg"),
    )
    per_g = prices.get("acid_mL_per_g_char")
    acid = _row(
        "Acid for washing",
        CHEMICAL,
        activated["expected_char_g"].sum() * per_g / 1000 if is_number(per_g) else None,
        "L",
        f"{per_g:g} mL per g char" if is_number(per_g) else "write prices.acid_mL_per_g_char",
        price_per_unit=prices.get("acid_per_L"),
    )
    return [koh, acid]


def _cell_rows(cells: int, plan: Mapping) -> list[dict]:
    if not cells:
        return []
    electrodes = 2 * cells
    area = plan.get("electrode_area_cm2")
    kept = 1 - plan["coating_loss_percent"] / 100
    coating_g = electrodes * plan["electrode_coating_mg"] / 1000 / kept
    binder = plan["coating_binder_percent"]
    additive = 100 - plan["coating_carbon_percent"] - binder
    loss = f"{plan['coating_loss_percent']:g} % lost on the way counted in"
    rows = [
        _row("Cells: cases or clips", CELL_PART, cells, "pieces"),
        _row("Separators", CELL_PART, cells, "pieces", "electrolyte comes on top"),
        _row("Collectors", CELL_PART, electrodes, "pieces", "two for each cell"),
        _row(
            "Collector, coated area",
            CELL_PART,
            electrodes * area if is_number(area) else None,
            "cm²",
            "tabs and cuttings come on top" if is_number(area) else "write plan.electrode_area_cm2",
        ),
        _row("Binder, dry", CELL_PART, coating_g * binder / 100, "g", loss),
    ]
    if additive > 0:
        rows.append(_row("Conductive additive", CELL_PART, coating_g * additive / 100, "g", loss))
    return rows


def _up(value: float) -> float:
    """An amount to get: three significant digits, never rounded down."""
    if value <= 0:
        return 0.0
    # Rounded first: below a billionth is the noise of binary fractions.
    exact = Decimal(repr(float(f"{value:.9g}")))
    step = Decimal(1).scaleb(exact.adjusted() - 2)
    return float((exact / step).to_integral_value(ROUND_CEILING) * step)
