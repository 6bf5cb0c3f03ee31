"""A screen: settings and tables, read, checked and opened."""

from charscreen.screen.opening import ScreenError, open_screen, render_check

__all__ = ["ScreenError", "open_screen", "render_check"]
