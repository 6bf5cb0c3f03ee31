"""Checks of merits, their expressions and their limits in the settings."""

from collections.abc import Mapping

from charscreen.arithmetic import FUNCTIONS, ExpressionError, parse_expression
from charscreen.findings import nearest
from charscreen.words import EXPRESSION_NAMES, MERITS, PRICES

COSTS = ("cost_per_kg_d", "cost_per_device_F")


def check_merits(config: Mapping) -> list[tuple[tuple, object, str]]:
    """What is wrong with merits, expressions and limits.

    Parameters
    ----------
    config : mapping
        Settings with defaults: merits, expressions, ranking.

    Returns
    -------
    list of tuple
        Key path, value and message.
    """
    expressions, must = config["expressions"], config["ranking"]["must"]
    known = [*MERITS, *expressions]
    found: list[tuple[tuple, object, str]] = [
        (("merits",), name, _unknown(name, known)) for name in config["merits"] if name not in known
    ]
    for name, row in expressions.items():
        if name in EXPRESSION_NAMES or name in FUNCTIONS:
            text = f"'{name}' has a meaning of its own already. Choose another name."
            found.append((("expressions", name), None, text))
        message = _expression_fault(row["expression"])
        if message:
            found.append((("expressions", name, "expression"), row["expression"], message))
    for name, limit in must.items():
        key = ("ranking", "must", name)
        if name not in known:
            found.append((key, None, _unknown(name, known)))
        low, high = limit.get("at_least"), limit.get("at_most")
        if low is not None and high is not None and low > high:
            text = f"No value is {low:g} at least and {high:g} at most. Exchange or correct them."
            found.append((key, None, text))
    return found


def check_prices(config: Mapping, feedstocks: list[dict]) -> list[tuple[tuple, object, str]]:
    """A cost is asked for and nothing has a price.

    Parameters
    ----------
    config : mapping
        Settings with defaults: merits, expressions, ranking, prices.
    feedstocks : list of dict
        Rows of the feedstock table: price_per_kg.
    """
    prices = config["prices"]
    given = any(prices[name] is not None for name in PRICES)
    if given or any(row.get("price_per_kg") is not None for row in feedstocks):
        return []
    places = {("merits",): list(config["merits"])}
    places |= {("ranking", "must", name): [name] for name in config["ranking"]["must"]}
    for name, row in config["expressions"].items():
        names = parse_expression(row["expression"], EXPRESSION_NAMES).names
        places[("expressions", name, "expression")] = list(names)
    found: list[tuple[tuple, object, str]] = []
    for key, names in places.items():
        for name in names:
            if name in COSTS:
                text = (
                    f"'{name}' needs prices and none is given. Write some under prices "
                    f"({', '.join(PRICES)}) or price_per_kg in feedstocks.csv, or take it out."
                )
                found.append((key, name, text))
    return found


def _expression_fault(text: str) -> str:
    """What is wrong with an expression, or ""."""
    try:
        found = parse_expression(text, EXPRESSION_NAMES)
    except ExpressionError as error:
        return str(error)
    if not found.names:
        return "It names no merit and no column, so all candidates would tie. Name one."
    return ""


def _unknown(name: str, known: list[str]) -> str:
    near = nearest(name, known)
    advice = f" Did you mean '{near}'?" if near else ""
    return f"'{name}' is not a merit.{advice} Merits are {', '.join(known)}."
