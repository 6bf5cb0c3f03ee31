"""Clock times and dates of a log as seconds."""

import datetime
import re
from collections.abc import Iterable

import numpy as np


def parse_times(texts: Iterable[str]) -> tuple[np.ndarray, int | None]:
    """Seconds since the first row from clock times or dates.

    Parameters
    ----------
    texts : iterable of str
        ``hh:mm:ss`` (also ``mm:ss.f``), ISO stamps, or a date in another order before a clock
        time; then only the clock is used and a step back of more than half a day is midnight.

    Returns
    -------
    tuple
        (n,) array [s] with NaN for empty cells, and the index of the first text that is no
        time (None where all are).
    """
    seconds, stamps_with_date = [], True
    for i, text in enumerate(texts):
        text = text.strip().strip('"')
        if not text:
            seconds.append(np.nan)
            continue
        stamp = _iso_seconds(text)
        if stamp is None:
            stamps_with_date = False
            stamp = _clock_seconds(text)
        if stamp is None:
            return np.array(seconds), i
        seconds.append(stamp)
    out = np.array(seconds, dtype=float)
    known = np.flatnonzero(np.isfinite(out))
    if len(known) and not stamps_with_date:
        back = np.diff(out[known]) < -43200
        out[known[1:]] += 86400.0 * np.cumsum(back)
    return (out - out[known[0]] if len(known) else out), None


def _iso_seconds(text: str) -> float | None:
    if not re.match(r"\d{4}[-/]\d{2}[-/]\d{2}[ T]", text):
        return None
    try:
        stamp = datetime.datetime.fromisoformat(text.replace("/", "-").replace(",", "."))
    except ValueError:
        return None
    if stamp.tzinfo is None:
        stamp = stamp.replace(tzinfo=datetime.UTC)
    return stamp.timestamp()


def _clock_seconds(text: str) -> float | None:
    match = re.search(
        r"(?:^|[ T])(?:(\d+):)?(\d{1,2}):(\d{1,2}(?:[.,]\d+)?)\s*([AaPp][Mm])?$", text
    )
    if not match:
        return None
    hours, minutes, rest, half = match.groups()
    hours = int(hours or 0)
    if half:
        hours = hours % 12 + (12 if half.casefold() == "pm" else 0)
    days = re.match(r"(\d+)(?:d|\.| )\s*\d+:\d+:\d", text)
    total = hours * 3600 + int(minutes) * 60 + float(rest.replace(",", "."))
    return total + (int(days.group(1)) * 86400 if days else 0)
