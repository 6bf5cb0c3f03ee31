"""The frame of a command that writes into a screen's folder on the user's word."""

import argparse
import sys
from collections.abc import Callable, Mapping
from pathlib import Path

from charscreen.findings import UserError


def run_command(
    write: Callable[..., list[str]],
    *,
    about: str,
    replace_help: str | None = None,
    flags: Mapping[str, str] | None = None,
    arguments: list[str] | None = None,
) -> int:
    """Run one command on a screen's folder; gives the exit status.

    Parameters
    ----------
    write : callable
        Takes the folder and, where `replace_help` is given, ``replace``; gives lines to print, or
        raises a `UserError` and has then written nothing.
    about : str
        What the command does.
    replace_help : str, optional
        What ``--replace`` allows; without it there is no such option.
    flags : mapping, optional
        Further flags with what they do; `write` gets each as True or False.
    arguments : list of str, optional
        Of the command line; those of the process where absent.
    """
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("folder", type=Path, nargs="?", default=Path(), help="the screen's folder")
    if replace_help is not None:
        parser.add_argument("--replace", action="store_true", help=replace_help)
    for name, what in (flags or {}).items():
        parser.add_argument(f"--{name}", action="store_true", help=what)
    options = vars(parser.parse_args(arguments))
    try:
        done = write(options.pop("folder"), **options)
    except UserError as trouble:
        print(trouble, file=sys.stderr)
        return 1
    print("\n".join(done))
    return 0
