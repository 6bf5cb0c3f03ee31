"""Checks of the desirability in the settings."""

from collections.abc import Mapping, Sequence

from charscreen.findings import nearest


def check_desirability(
    wishes: Mapping[str, Mapping], merits: Sequence[str]
) -> list[tuple[tuple, object, str]]:
    """What is wrong with the wishes: key, value and message of each.

    Parameters
    ----------
    wishes : mapping of str to mapping
        Per merit low, high, target.
    merits : sequence of str
        Merits that are ranked.
    """
    found: list[tuple[tuple, object, str]] = []
    for name, wish in wishes.items():
        if name not in merits:
            near = nearest(name, list(merits))
            hint = f" Did you mean '{near}'?" if near else ""
            text = f"'{name}' is not under merits.{hint} Rank it there, or take it out here."
            found.append((("desirability", name), None, text))
        low, high, target = wish["low"], wish["high"], wish.get("target")
        if low >= high:
            text = f"low {low:g} is not below high {high:g}. Write the smaller number under low."
            found.append((("desirability", name, "low"), low, text))
        elif target is not None and not low <= target <= high:
            text = f"target {target:g} is not between low {low:g} and high {high:g}. Move it there."
            found.append((("desirability", name, "target"), target, text))
    return found
