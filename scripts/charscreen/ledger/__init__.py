"""From weighings to yields, and from wanted carbon back to feed.

The calls are loaded when they are first used: the checks of the tables need only the small parts
of this package and should not wait for the table library.
"""

__all__ = [
    "COLUMNS",
    "QUANTITIES",
    "WEIGHINGS",
    "carbon_for_cells",
    "carbon_from_feed",
    "compute_yields",
    "koh_balance",
    "size_feed",
]


def __getattr__(name: str):
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from charscreen.ledger import chain, sizing, stoichiometry, weighings

    for module in (chain, sizing, stoichiometry, weighings):
        if hasattr(module, name):
            return getattr(module, name)
    raise AttributeError(name)
