"""Everything of charscreen that computes; knows nothing of the workflow engine."""

__version__ = "0.1.0"
