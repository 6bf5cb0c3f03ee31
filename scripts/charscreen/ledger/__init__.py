"""From weighings to yields, and from wanted carbon back to feed.

The calls are loaded when they are first used: the checks of the tables need only the small parts
of this package and should neither wait for the table library nor hang on the whole chain. Modules
and rule scripts of this project therefore import from the module itself
(`charscreen.ledger.chain`), which is what `charscreen.graph.code_of` follows.
"""

from importlib import import_module

_MODULE_OF = {
    "COLUMNS": "chain",
    "QUANTITIES": "chain",
    "WEIGHINGS": "weighings",
    "carbon_for_cells": "sizing",
    "carbon_from_feed": "sizing",
    "compute_yields": "chain",
    "koh_balance": "stoichiometry",
    "size_feed": "sizing",
}
__all__ = list(_MODULE_OF)


def __getattr__(name: str):
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_MODULE_OF[name]}"), name)
