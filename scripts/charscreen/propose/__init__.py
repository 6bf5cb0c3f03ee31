"""What to run next: the firing that is expected to take most off the loss of the final choice."""

from charscreen.propose.next_firing import OPTION_COLUMNS, Proposal, no_proposal, propose_next
from charscreen.propose.search import Stakes

__all__ = ["OPTION_COLUMNS", "Proposal", "Stakes", "no_proposal", "propose_next"]
