"""Where the choice by one merit stands among the candidates that it is compared with."""

from collections.abc import Mapping

from charscreen.basis import is_measured
from charscreen.report.ranking_view import is_in_group
from charscreen.words import candidate_words


class Standing:
    """The rows of one merit as the answer sees them: the choice first, and what is near it.

    Parameters
    ----------
    inputs : mapping
        ``rank_summary`` and ``feedstock_names``.
    merit : str
        Which.
    rows : list of dict
        Its rows of the ranking, best first; at least one.

    Attributes
    ----------
    choice : dict
        The best measured one; the first of all where none is measured.
    pool : list of dict
        Among which it is the best: the measured ones, or all.
    near : list of dict
        Others of the pool that cannot be told apart from the choice.
    is_part : bool
        Whether the pool leaves predicted ones out.
    p_best, together : float or None
        Chance that the choice is the best of the pool; that the best of the pool is the choice
        or one of `near`.
    """

    def __init__(self, inputs: Mapping, merit: str, rows: list[dict]):
        self.merit, self.rows, self.names = merit, rows, inputs.get("feedstock_names")
        summary = ((inputs.get("rank_summary") or {}).get("merits") or {}).get(merit) or {}
        found = summary.get("measured") or {}
        measured = [row for row in rows if is_measured(row)]
        self.pool = measured or rows
        self.choice = self.pool[0]
        self.is_part = bool(measured) and len(measured) < len(rows)
        self.told = found if found.get("best") == self.choice["candidate"] else {}
        # Predicted ones aside, the ranking speaks of the same candidates as the record does.
        self.p_best = self.told.get("p_best", self.choice["p_best"])
        self.together = self.told.get("p_best_in_group")
        if not self.is_part:
            self.together = summary.get("p_best_in_group")
        near = self.told.get("group") if self.is_part else None
        self.near = [
            row
            for row in self.pool[1:]
            if (is_in_group(row) if near is None else row["candidate"] in near)
        ]

    def words(self, row: Mapping) -> str:
        return candidate_words(row, self.names)

    @property
    def ahead(self) -> dict | None:
        """The candidate that the model puts first, where it is not the choice."""
        return None if self.rows[0] is self.choice else self.rows[0]
