"""What was screened: each feedstock with its moisture, and how often it was fired and measured."""

from collections.abc import Mapping

import pandas as pd

from charscreen.report.blocks import Column, Section, Table, Text, fold_if_long
from charscreen.report.ranking_view import has_values
from charscreen.report.tables import Names, count_text
from charscreen.rounding import decimals_for, fixed, is_number, with_uncertainty
from charscreen.words import count_words, feedstock_words, number_text

TITLE = "What was screened"
_WEIGHED = ("weighed", "aliquot")


def screened_section(inputs: Mapping, folder: str) -> Section:
    """A sentence of counts and a row per feedstock; folded where there are many.

    Parameters
    ----------
    inputs : mapping
        ``yields``, ``cells``, ``feedstock_names``, and ``moistures``: feedstock to the moisture
        stated for it [% as received] or None; may be absent.
    folder : str
        Of the results.
    """
    names, stated = inputs.get("feedstock_names"), inputs.get("moistures") or {}
    yields, cells = _known(inputs["yields"], _YIELDS), _known(inputs["cells"], _CAPACITANCE)
    seen = [*(names or {}), *stated, *yields["feedstock"], *cells["feedstock"]]
    feedstocks = list(dict.fromkeys(seen))
    if not feedstocks:
        return Section("screened", TITLE, [Text("config/feedstocks.csv names no feedstock yet.")])
    firings, lots, _ = _counts(yields, cells)
    rows = [
        _row(
            feedstock,
            yields[yields["feedstock"] == feedstock],
            cells[cells["feedstock"] == feedstock],
            stated=stated.get(feedstock),
            names=names,
        )
        for feedstock in feedstocks
    ]
    n_without = sum(row[3] == "0" for row in rows)
    text = (
        f"{count_words(len(feedstocks), 'feedstock')}: {count_words(lots, 'lot')} from "
        f"{count_words(firings, 'char firing')} weighed or measured, "
        f"{count_words(len(cells), 'cell')} with a capacitance."
    )
    if n_without and lots:
        text += f" Of {count_words(n_without, 'feedstock')} nothing was weighed or measured yet."
    table = Table(
        id="table-screened",
        caption="Feedstocks of the screen",
        file=f"{folder}/collect/yields.csv, {folder}/collect/cells.csv",
        columns=[
            Column("Feedstock"),
            Column("Moisture of the feed [% as received]", True),
            Column("Char firings", True),
            Column("Lots", True),
            Column("Activated", True),
            Column("Cells", True),
        ],
        rows=rows,
        note="Moisture: mean of the lots, least to greatest in brackets; ± one standard "
        "uncertainty where one lot was weighed; stated: as given, not weighed. Lots: weighed or "
        "measured; activated: lots and aliquots. Rows left out are not counted.",
    )
    return Section("screened", TITLE, [Text(text), fold_if_long(table, on_paper=True)])


_YIELDS = ("yield_char_d_percent", "yield_activated_percent")
_CAPACITANCE = ("electrode_F_per_g",)


def _known(frame: pd.DataFrame, columns: tuple[str, ...]) -> pd.DataFrame:
    """Rows of a collected table that carry any of these numbers."""
    present = [name for name in columns if has_values(frame, name)]
    if not present:
        return frame.iloc[:0]
    return frame[frame[present].map(is_number).any(axis=1)]


def _counts(yields: pd.DataFrame, cells: pd.DataFrame) -> tuple[int, int, int]:
    """Char firings, lots, and activated lots and aliquots that carry any figure."""
    both = pd.concat([frame[["run", "lot", "firing", "activation"]] for frame in (yields, cells)])
    activated = both[both["activation"] == "KOH"]
    return both["firing"].nunique(), both["lot"].nunique(), activated["run"].nunique()


def _row(feedstock: str, yields, cells, *, stated: float | None, names: Names) -> list[str]:
    firings, lots, activated = _counts(yields, cells)
    return [
        feedstock_words(feedstock, names),
        _moisture(yields, stated),
        count_text(firings),
        count_text(lots),
        count_text(activated),
        count_text(len(cells)),
    ]


def _moisture(yields: pd.DataFrame, stated: float | None) -> str:
    """What was weighed, over the lots; else what was stated."""
    weighed = yields.iloc[:0]
    if "moisture_ar_percent" in yields and "dry_matter_from" in yields:
        is_weighed = yields["dry_matter_from"].isin(_WEIGHED)
        weighed = yields[is_weighed & yields["moisture_ar_percent"].map(is_number)]
        weighed = weighed.drop_duplicates("lot")
    values = weighed["moisture_ar_percent"] if len(weighed) else pd.Series(dtype=float)
    if len(values) > 1:
        span = values.max() - values.min()
        places = decimals_for(span) if span > 0 else 1
        mean, low, high = (fixed(v, places) for v in (values.mean(), values.min(), values.max()))
        return f"{mean} ({low} to {high})"
    if len(values) == 1:
        row = weighed.iloc[0]
        pair = with_uncertainty(row["moisture_ar_percent"], row.get("moisture_ar_percent_se"))
        return " ± ".join(filter(None, pair))
    return f"{number_text(stated)} (stated)" if is_number(stated) else "not known"
