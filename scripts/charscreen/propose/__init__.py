"""What to run next: the firing that is expected to take most off the loss of the final choice."""

from charscreen.propose.next_firing import (
    OPTION_COLUMNS,
    Proposal,
    no_proposal,
    not_ranked,
    propose_next,
)
from charscreen.propose.search import Stakes
from charscreen.propose.stakes import make_stakes

__all__ = [
    "OPTION_COLUMNS",
    "Proposal",
    "Stakes",
    "make_stakes",
    "no_proposal",
    "not_ranked",
    "propose_next",
]
