"""Numbers as a page shows them: no more digits than their uncertainty supports."""

import math
from decimal import ROUND_HALF_EVEN, Decimal

MINUS = "\N{MINUS SIGN}"
MISSING = ""


def is_number(value: object) -> bool:
    """Whether a value is a finite number; text, None, NaN and infinity are not."""
    if value is None or isinstance(value, (str, bytes)):
        return False
    try:
        return math.isfinite(value)
    except TypeError:
        return False


def decimals_for(uncertainty: float, digits: int = 2) -> int:
    """Decimals that leave so many significant digits of an uncertainty.

    Parameters
    ----------
    uncertainty : float
        Standard uncertainty or half an interval, greater than 0, in the unit of the value.
    digits : int
        Significant digits of the uncertainty to keep.

    Returns
    -------
    int
        Negative where tens, hundreds and so on are the last digits to keep.

    Raises
    ------
    ValueError
        Where the uncertainty is not a number above 0, or `digits` is below 1.

    Notes
    -----
    Two significant digits are what JCGM 100:2008, 7.2.6 finds usually sufficient (from
    memory). An uncertainty that rounds up to the next power of ten (0.0996 to 0.10) loses
    the digit it would gain.
    """
    if digits < 1:
        raise ValueError("digits must be 1 or more")
    if not is_number(uncertainty) or uncertainty <= 0:
        raise ValueError(f"{uncertainty!r} is not an uncertainty: a number above 0 is needed")
    exact = Decimal(repr(float(uncertainty)))
    places = digits - 1 - exact.adjusted()
    if _quantize(exact, places).adjusted() > exact.adjusted():
        places -= 1
    return places


def fixed(value: float | None, decimals: int) -> str:
    """A number with so many decimals; ties go to the even digit.

    Parameters
    ----------
    value : float or None
        None, NaN and infinity give empty text.
    decimals : int
        Negative rounds to tens, hundreds and so on.

    Notes
    -----
    Half to even, rule A of ISO 80000-1:2009, annex B (from memory), on the shortest decimal
    text of the float, so that 0.25 with one decimal gives 0.2 and 0.35 gives 0.4. The minus
    sign is the true one (U+2212); a value that rounds to zero carries none.
    """
    if not is_number(value):
        return MISSING
    rounded = _quantize(Decimal(repr(float(value))), decimals)
    text = f"{abs(rounded):f}"
    return text if rounded == 0 or rounded > 0 else MINUS + text


def significant(value: float | None, digits: int = 3) -> str:
    """A number of unknown uncertainty with so many significant digits.

    Parameters
    ----------
    value : float or None
        None, NaN and infinity give empty text.
    digits : int
        Significant digits.
    """
    if not is_number(value):
        return MISSING
    if value == 0:
        return "0"
    return fixed(value, decimals_for(abs(value), digits))


def with_uncertainty(
    value: float | None, uncertainty: float | None, digits: int = 2
) -> tuple[str, str]:
    """A value and its uncertainty, both ending at the same place.

    Parameters
    ----------
    value, uncertainty : float or None
        In the same unit. Without an uncertainty above 0 the value keeps three significant
        digits and the second text is empty.
    digits : int
        Significant digits of the uncertainty.

    Returns
    -------
    tuple of str
        Value, uncertainty.
    """
    if not is_number(uncertainty) or uncertainty <= 0:
        return significant(value), MISSING
    places = decimals_for(uncertainty, digits)
    return fixed(value, places), fixed(uncertainty, places)


def with_interval(
    value: float | None, low: float | None, high: float | None, digits: int = 2
) -> tuple[str, str, str]:
    """A value and its interval, all ending at the same place.

    Parameters
    ----------
    value, low, high : float or None
        In the same unit. The shorter arm of the interval is taken as the uncertainty, so that
        the near end of a lopsided interval is not rounded away.
    digits : int
        Significant digits of that arm.

    Returns
    -------
    tuple of str
        Value, lower end, upper end; the ends are empty where they are unknown.
    """
    if not is_number(value):
        return MISSING, MISSING, MISSING
    arms = [abs(value - end) for end in (low, high) if is_number(end)]
    arms = [arm for arm in arms if arm > 0]
    if not arms:
        return significant(value), significant(low), significant(high)
    places = decimals_for(min(arms), digits)
    return fixed(value, places), fixed(low, places), fixed(high, places)


def percent(fraction: float | None) -> str:
    """A probability counted from draws as a whole percentage.

    Parameters
    ----------
    fraction : float or None
        Between 0 and 1.

    Notes
    -----
    Never 0 % or 100 %: that no draw did it does not make it impossible.
    """
    if not is_number(fraction):
        return MISSING
    text = fixed(100 * fraction, 0)
    # Asked of the rounded text, so that ties such as half a percent cannot slip through.
    if text == "0" or fraction < 0:
        return "< 1 %"
    if text == "100" or fraction > 1:
        return "> 99 %"
    return f"{text} %"


def p_value(p: float | None) -> str:
    """A p value with two significant digits, small ones as a bound."""
    if not is_number(p):
        return MISSING
    if p < 0.0001:
        return "< 0.0001"
    return significant(p, 2) if p < 0.1 else fixed(p, 2)


def _quantize(value: Decimal, decimals: int) -> Decimal:
    # Adding zero turns the exponent form of quantised tens (1E+1) into a plain number later.
    return value.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)
