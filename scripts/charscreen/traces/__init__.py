"""Time series of voltage and current: reading, column maps, segments."""

from charscreen.traces.reading import read_trace

__all__ = ["read_trace"]
