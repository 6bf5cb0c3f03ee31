"""How far a long step is and how long it still takes, said on the terminal, never in a result."""

import time
from collections.abc import Callable

EVERY_S = 5.0
"""Seconds between two lines; the last one is always said."""


class Progress:
    """Says how far a step is; time counts from when this was made.

    Parameters
    ----------
    say : callable
        Takes a line of text.
    step : str
        What is done, in front of every line.
    clock : callable
        Seconds from any fixed moment. [s]
    """

    def __init__(
        self, say: Callable[[str], None], step: str, *, clock: Callable[[], float] = time.monotonic
    ):
        self._say, self._step, self._clock = say, step, clock
        self._began = self._said = clock()

    def __call__(self, text: str, done: int, of: int) -> None:
        """Say it, where the last line is long enough ago or all is done.

        Parameters
        ----------
        text : str
            How far it is, in words.
        done, of : int
            Parts that are done, at least one, of all parts.

        Notes
        -----
        The parts to come are taken to last as long as those done did on average.
        """
        now = self._clock()
        if done < of and now - self._said < EVERY_S:
            return
        self._said = now
        left = ""
        if done < of:
            left = f"; {left_words((now - self._began) / done * (of - done))} left"
        self._say(f"{self._step}: {text}{left}")


def left_words(seconds: float) -> str:
    """`a few seconds`, `about 40 s`, `about 3 min`, `about 2 h`."""
    if seconds < 10:
        return "a few seconds"
    if seconds < 95:
        return f"about {10 * round(seconds / 10)} s"
    if seconds < 95 * 60:
        return f"about {round(seconds / 60)} min"
    return f"about {round(seconds / 3600)} h"
