"""What the kiln did: temperature logs and hand readings as peak, hold, ramp, severity."""

from charscreen.firing_log.firings import FIRING_COLUMNS, summarise_firings
from charscreen.firing_log.reading import read_kiln_log
from charscreen.firing_log.summary import SUMMARY_COLUMNS, summarise_firing

__all__ = [
    "FIRING_COLUMNS",
    "SUMMARY_COLUMNS",
    "read_kiln_log",
    "summarise_firing",
    "summarise_firings",
]
