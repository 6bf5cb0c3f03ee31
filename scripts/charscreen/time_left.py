"""How long a long step still takes, for the line that says how far it is; never for a result."""

import time
from collections.abc import Callable


class TimeLeft:
    """Counts from when it was made.

    Parameters
    ----------
    clock : callable
        Seconds from any fixed moment. [s]
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic):
        self._clock, self._began = clock, clock()

    def line(self, text: str, done: int, of: int) -> str:
        """`text; about 3 min left`; the parameters of `words`, and what is said before it."""
        return "; ".join(filter(None, [text, self.words(done, of)]))

    def words(self, done: int, of: int) -> str:
        """`about 3 min left`; empty when all parts are done.

        Parameters
        ----------
        done, of : int
            Parts that are done, at least one, of all parts.

        Notes
        -----
        The parts to come are taken to last as long as those done did on average.
        """
        if done >= of:
            return ""
        return f"{left_words((self._clock() - self._began) / done * (of - done))} left"


def left_words(seconds: float) -> str:
    """`a few seconds`, `about 40 s`, `about 3 min`, `about 2 h`."""
    if seconds < 10:
        return "a few seconds"
    if seconds < 95:
        return f"about {10 * round(seconds / 10)} s"
    if seconds < 95 * 60:
        return f"about {round(seconds / 60)} min"
    return f"about {round(seconds / 3600)} h"
