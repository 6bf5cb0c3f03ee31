"""The report as one page."""

from charscreen.report.page import TEMPLATES, render_report, tidy

__all__ = ["TEMPLATES", "render_report", "tidy"]
