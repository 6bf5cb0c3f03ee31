"""Names of quantities, candidates and levels in the words of a page."""

import re
from collections.abc import Mapping

from charscreen.rounding import is_number

# merit: (what it is, unit, whether more or less of it is better); `money` stands for the currency
MERITS = {
    "electrode_F_per_g": ("electrode capacitance", "F/g", "more"),
    "cell_F_per_g": ("cell capacitance", "F/g", "more"),
    "carbon_g_per_kg_d": ("finished carbon per kg dry feed", "g/kg dry feed", "more"),
    "device_F_per_kg_d": ("device farads per kg dry feed", "F/kg dry feed", "more"),
    "energy_Wh_per_kg": ("energy per kg of carbon in a cell", "Wh/kg", "more"),
    "esr_area_ohm_cm2": ("series resistance times area", "Ω·cm²", "less"),
    "cost_per_kg_d": ("cost of turning one kg of dry feed into carbon", "money/kg", "less"),
    "cost_per_device_F": ("cost per device farad", "money/F", "less"),
}
# What an expression may name beside these: conditions of a candidate, figures of its feedstock.
CONDITION_COLUMNS = (
    "peak_temperature_C",
    "hold_min",
    "koh_ratio",
    "activation_temperature_C",
    "activation_hold_min",
)
FEED_COLUMNS = (
    "moisture_ar_percent",
    "ash_d_percent",
    "volatile_d_percent",
    "nitrogen_d_percent",
    "lignin_d_percent",
    "bulk_density_g_per_L",
    "price_per_kg",
    "stock_kg",
)
PRICES = ("electricity_per_kWh", "labour_per_h", "koh_per_kg", "acid_per_L")
EXPRESSION_NAMES = (*MERITS, *CONDITION_COLUMNS, *FEED_COLUMNS)
# kind of a firing: what it is called
FIRING_KINDS = {"carbonise": "char", "activate": "activation"}
# test method: (how it works, the same in short for a small picture)
METHODS = {
    "constant_current": ("discharge at constant current", "constant current"),
    "through_resistor": ("discharge through a resistor", "through a resistor"),
    "voltammetry": ("voltammetry", "voltammetry"),
    "open_circuit": ("self-discharge", "self-discharge"),
    "held_voltage": ("leakage at held voltage", "leakage"),
    "direct": ("farads typed in by the user", "typed in"),
}
# model: (what it models, how it is headed)
MODELS = {
    "char_yield": "char yield (dry basis)",
    "activation_yield": "activation yield",
    "overall_yield": "finished carbon per kg dry feed",
    "capacitance": "electrode capacitance",
    "esr_area": "series resistance times area",
    "retention": "retention",
    "device_farads": "device farads per kg dry feed",
}


def merit_words(merit: str) -> str:
    """What a merit is called in a sentence."""
    return MERITS[merit][0] if merit in MERITS else merit.replace("_", " ")


def merit_unit(merit: str, unit: object = None) -> str:
    """Unit of a merit: as the ranking states it, else as we know it."""
    if isinstance(unit, str) and unit:
        return unit
    return MERITS[merit][1] if merit in MERITS else ""


def method_words(method: str) -> str:
    """How a test method works."""
    return METHODS[method][0] if method in METHODS else method


def method_in_short(method: str) -> str:
    """How a test method works, in a word or two."""
    return METHODS[method][1] if method in METHODS else method


def model_words(model: str) -> str:
    """What a model describes."""
    return MODELS.get(model, model.replace("_", " "))


def first_upper(text: str) -> str:
    """The text with a capital first letter and the rest as it is."""
    return text[:1].upper() + text[1:]


def number_text(value: object) -> str:
    """A setting such as a temperature as it would be typed: 700, not 700.0."""
    return f"{value:g}" if is_number(value) else ""


def feedstock_words(feedstock: object, names: Mapping[str, str] | None = None) -> str:
    """Name of a feedstock where one is given, else its id."""
    text = "" if feedstock is None else str(feedstock)
    return str((names or {}).get(text) or text)


def activation_words(row: Mapping) -> str:
    """`not activated`, or the activation with its ratio."""
    activation = row.get("activation")
    if not isinstance(activation, str) or activation == "none":
        return "not activated"
    ratio = number_text(row.get("koh_ratio"))
    return f"{activation} {ratio} : 1" if ratio else activation


def candidate_words(row: Mapping, names: Mapping[str, str] | None = None) -> str:
    """A candidate in words: feedstock, temperature, hold, activation; no two are the same.

    Parameters
    ----------
    row : mapping
        A row of the ranking.
    names : mapping, optional
        Feedstock id to name.
    """
    if not isinstance(row.get("feedstock"), str):
        return str(row.get("candidate") or "")
    parts = [feedstock_words(row["feedstock"], names)]
    if is_number(row.get("peak_temperature_C")):
        parts.append(f"{number_text(row['peak_temperature_C'])} °C")
    if is_number(row.get("hold_min")):
        parts.append(f"{number_text(row['hold_min'])} min")
    parts.append(activation_words(row))
    # The id tells the activation condition only where candidates differ in nothing else.
    match = CANDIDATE_ID.fullmatch(str(row.get("candidate") or ""))
    return ", ".join(parts + (_activation_condition(match) if match else []))


CANDIDATE_ID = re.compile(
    r"\b(?P<feedstock>[A-Za-z0-9][\w-]*?)_(?P<peak>\d+(?:\.\d+)?)C_(?P<hold>\d+(?:\.\d+)?)min"
    r"(?:_(?P<activation>[A-Z]+)(?P<ratio>\d+(?:\.\d+)?)?)?"
    r"(?:_(?P<peak_2>\d+(?:\.\d+)?)C)?(?:_(?P<hold_2>\d+(?:\.\d+)?)min)?(?![\w-])"
)


NEXT_ID = r"(?=[A-Za-z0-9][\w-]*_\d[\d.]*C_\d[\d.]*min)"


def feedstocks_in_words(text: str, names: Mapping[str, str] | None = None) -> str:
    """A sentence with its feedstock ids turned into names; candidate ids stay as they are."""
    if not names:
        return text
    ids = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
    return re.sub(
        rf"(?<![\w-])(?:{ids})(?![\w-])", lambda match: feedstock_words(match[0], names), text
    )


def candidates_in_words(text: str, names: Mapping[str, str] | None = None) -> str:
    """A sentence with its candidate ids (`rice_husk_700C_60min_KOH3`) turned into words.

    Several ids in a row, which stand between commas, come out between semicolons, since the
    words hold commas of their own.
    """
    text = re.sub(rf", {NEXT_ID}", "; ", text)
    text = re.sub(rf" and {NEXT_ID}", "; and ", text)
    return CANDIDATE_ID.sub(lambda match: _id_words(match, names), text)


def _id_words(match: re.Match, names: Mapping[str, str] | None) -> str:
    parts = [
        feedstock_words(match["feedstock"], names),
        f"{match['peak']} °C",
        f"{match['hold']} min",
        activation_words({"activation": match["activation"]})
        + (f" {match['ratio']} : 1" if match["ratio"] else ""),
    ]
    return ", ".join(parts + _activation_condition(match))


def _activation_condition(match: re.Match) -> list[str]:
    """Temperature and hold of the activation, as far as an id tells them."""
    told = [f"at {match['peak_2']} °C"] if match["peak_2"] else []
    told += [f"for {match['hold_2']} min"] if match["hold_2"] else []
    return [f"activated {' '.join(told)}"] if told else []


def count_words(n: int, one: str, many: str | None = None) -> str:
    """`1 lot`, `3 lots`."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def agree(n: int, one: str, many: str) -> str:
    """The form of a verb that goes with a count which stands apart from it: `goes`, `go`."""
    return one if n == 1 else many


def n_words(n: int, one: str, many: str | None = None) -> str:
    """`n = 1 lot`, `n = 3 lots`."""
    return f"n = {count_words(n, one, many)}"


def list_words(items: list[str], most: int = 4) -> str:
    """`a; b; and c`; of a long list the first few and the count of the rest.

    Semicolons, since the items hold commas of their own.
    """
    if len(items) > most:
        rest = len(items) - most
        return "; ".join(items[:most]) + f"; and {rest} more"
    if len(items) <= 1:
        return "".join(items)
    return "; ".join(items[:-1]) + "; and " + items[-1]


def list_ids(ids: list[str], most: int = 6) -> str:
    """`R01, R02 and R03`; of a long list the first few and the count of the rest."""
    ids = [str(name) for name in ids]
    if len(ids) > most:
        return ", ".join(ids[:most]) + f" and {len(ids) - most} more"
    return " and ".join([", ".join(ids[:-1]), ids[-1]] if len(ids) > 1 else ids)


LEVELS = {
    "firing": "char firing",
    "activation_firing": "activation firing",
    "lot": "lot",
    "aliquot": "activated aliquot",
    "cell": "cell",
    "run": "lot or aliquot",
    "reading": "reading",
    "assembly_batch": "assembly batch",
    "feed_batch": "feed batch",
    "feedstock": "feedstock",
    "feedstock|temperature": "feedstock by temperature",
    "feedstock:activation": "feedstock by activation",
}


def level_words(level: object) -> str:
    """A level of the experiment in words; `lot+cell` is `lot and cell together`."""
    text = str(level)
    if "+" in text:
        parts = [LEVELS.get(part, part) for part in text.split("+")]
        return f"{', '.join(parts[:-1])} and {parts[-1]} together"
    return LEVELS.get(text, text.replace("_", " ").replace("|", " by ").replace(":", " by "))
