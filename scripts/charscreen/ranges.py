"""Levels of a factor as the settings give them: one number, a list, or a range."""

#: Points that stand for a range where the settings name no number of them.
POINTS = 5


def read_levels(value: object) -> tuple[float, ...]:
    """Levels in rising order, each once; none for an empty value.

    Parameters
    ----------
    value : number, list of numbers, mapping with ``from``, ``to`` and ``points``, or None
        A range stands for so many evenly spaced points, its ends among them, rounded to four
        digits.

    Notes
    -----
    Five points let a straight line or a bend put a setting where it tells most: the best places
    for a quadratic are the ends and the middle (Atkinson, Donev and Tobias, Optimum Experimental
    Designs, with SAS, 2007, chapter 11; from memory).
    """
    if value is None:
        return ()
    if isinstance(value, dict):
        low, high = float(value["from"]), float(value["to"])
        n = int(value.get("points") or POINTS)
        # Without NumPy: the settings are read whenever the graph is built, which starts light.
        inner = [float(f"{low + k * (high - low) / (n - 1):.4g}") for k in range(1, n - 1)]
        return tuple(sorted({low, *inner, high}))
    if isinstance(value, (list, tuple)):
        return tuple(sorted({float(level) for level in value}))
    return (float(value),)
