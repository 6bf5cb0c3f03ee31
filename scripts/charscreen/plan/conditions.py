"""Forbidden combinations as short texts: ``activation == KOH and peak_temperature_C > 750``."""

import operator
import re
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from charscreen.findings import nearest

_TOKEN = re.compile(
    r"\s*(?:(?P<number>[-+]?[0-9]+(?:\.[0-9]+)?)|(?P<sign>==|!=|<=|>=|<|>|\(|\)|\[|\]|,)"
    r"|(?P<word>[A-Za-z_][A-Za-z0-9_-]*)|(?P<quoted>'[^']*'|\"[^\"]*\"))"
)
_ORDER = {"<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge}
_SAME = {"==": operator.eq, "!=": operator.ne}
MOST_DEPTH = 40
"""Brackets and ``not`` within each other."""
_RESERVED = ("and", "or", "not", "in")

#: A condition ready for use: takes arrays by name, gives truth of one shape.
Condition = Callable[[Mapping[str, np.ndarray]], np.ndarray]


class ConditionError(ValueError):
    """A condition that cannot be read; the text says where and what to write."""


def read_condition(
    text: str, *, numbers: Sequence[str], words: Mapping[str, Sequence[str]]
) -> Condition:
    """A condition from its text.

    Parameters
    ----------
    text : str
        Comparisons (``== != < <= > >= in``) of a name with a value, joined by ``and``, ``or``,
        ``not`` and round brackets; a list for ``in`` stands in square brackets.
    numbers : sequence of str
        Names that stand for numbers.
    words : mapping of str to sequence of str
        Names that stand for words, with the words each may be.

    Returns
    -------
    callable
        Takes a mapping of names to arrays that can be broadcast; gives booleans. A comparison
        with something that is missing (NaN, None) is never true.

    Raises
    ------
    ConditionError
        Where the text is no condition, with the nearest known name.
    """
    return _Reader(text, numbers, words).read()


class _Reader:
    """One pass over the text, a method for each level of binding."""

    def __init__(
        self, text: str, numbers: Sequence[str], words: Mapping[str, Sequence[str]]
    ) -> None:
        self.numbers, self.words = set(numbers), words
        self.tokens: list[tuple[str, str]] = []
        at, text = 0, text.rstrip()
        while at < len(text):
            match = _TOKEN.match(text, at)
            if not match:
                raise ConditionError(f"'{text[at:].strip()[:20]}' cannot be read here.")
            kind = str(match.lastgroup)
            value = match[kind]
            self.tokens.append((kind, value[1:-1] if kind == "quoted" else value))
            at = match.end()
        self.at = self.depth = 0

    def read(self) -> Condition:
        if not self.tokens:
            raise ConditionError("there is no condition here.")
        condition = self._either()
        if self.at < len(self.tokens):
            raise ConditionError(
                f"'{self.tokens[self.at][1]}' comes where and, or, or the end is expected."
            )
        return condition

    def _next(self, *values: str) -> str | None:
        """The next token where it is one of some signs or reserved words."""
        if self.at < len(self.tokens):
            kind, value = self.tokens[self.at]
            if kind in ("sign", "word") and value in values:
                self.at += 1
                return value
        return None

    def _either(self) -> Condition:
        parts = [self._both()]
        while self._next("or"):
            parts.append(self._both())
        return _joined(parts, np.logical_or)

    def _both(self) -> Condition:
        parts = [self._negated()]
        while self._next("and"):
            parts.append(self._negated())
        return _joined(parts, np.logical_and)

    def _negated(self) -> Condition:
        self.depth += 1
        if self.depth > MOST_DEPTH:
            raise ConditionError(
                f"more than {MOST_DEPTH} brackets or nots within each other. Write it simpler."
            )
        condition = self._one()
        self.depth -= 1
        return condition

    def _one(self) -> Condition:
        if self._next("not"):
            inner = self._negated()
            return lambda values: ~inner(values)
        if self._next("("):
            inner = self._either()
            if not self._next(")"):
                raise ConditionError("a bracket ( is not closed.")
            return inner
        return self._comparison()

    def _comparison(self) -> Condition:
        name = self._name()
        if sign := self._next(*_ORDER):
            if name in self.words:
                raise ConditionError(f"{name} is no number: compare it with ==, != or in.")
            return _compare_numbers(name, _ORDER[sign], self._value(name))
        if sign := self._next(*_SAME):
            value = self._value(name)
            if name in self.words:
                return _compare_words(name, [value], wanted=sign == "==")
            return _compare_numbers(name, _SAME[sign], value)
        if self._next("in"):
            values = self._list(name)
            if name in self.words:
                return _compare_words(name, values, wanted=True)
            return _joined(
                [_compare_numbers(name, operator.eq, value) for value in values], np.logical_or
            )
        raise ConditionError(f"after {name} a comparison is expected: ==, !=, <, <=, >, >= or in.")

    def _take(self, expected: str) -> tuple[str, str]:
        if self.at >= len(self.tokens):
            raise ConditionError(f"the text ends where {expected} is expected.")
        self.at += 1
        return self.tokens[self.at - 1]

    def _name(self) -> str:
        kind, value = self._take("a name")
        if kind == "word" and (value in self.numbers or value in self.words):
            return value
        known = sorted(self.numbers) + sorted(self.words)
        if kind == "word" and value not in _RESERVED:
            hint = nearest(value, known)
            remedy = f"Did you mean '{hint}'?" if hint else f"Known are {', '.join(known)}."
            raise ConditionError(f"'{value}' is not known. {remedy}")
        raise ConditionError(f"'{value}' stands where a name is expected, such as {known[0]}.")

    def _value(self, name: str) -> str | float:
        kind, value = self._take(f"a value for {name}")
        if name in self.words:
            if kind == "sign":
                raise ConditionError(f"'{value}' stands where a value for {name} is expected.")
            if value not in self.words[name]:
                hint = nearest(value, self.words[name])
                remedy = f"Did you mean '{hint}'?" if hint else "Check the spelling."
                raise ConditionError(f"{name} is never '{value}'. {remedy}")
            return value
        if kind != "number":
            raise ConditionError(f"{name} is a number, but '{value}' is none.")
        if abs(float(value)) == float("inf"):
            raise ConditionError(f"'{value[:20]}...' is too large a number for {name}.")
        return float(value)

    def _list(self, name: str) -> list[str | float]:
        if not self._next("["):
            raise ConditionError("after in a list is expected, such as [1, 2].")
        values = [self._value(name)]
        while self._next(","):
            values.append(self._value(name))
        if not self._next("]"):
            raise ConditionError("a list [ is not closed.")
        return values


def _joined(parts: list[Condition], join: Callable) -> Condition:
    if len(parts) == 1:
        return parts[0]
    return lambda values: join.reduce(np.broadcast_arrays(*(part(values) for part in parts)))


def _compare_numbers(name: str, compare: Callable, value: str | float) -> Condition:
    def condition(values: Mapping[str, np.ndarray]) -> np.ndarray:
        found = np.asarray(values[name], dtype=float)
        return compare(found, value) & ~np.isnan(found)

    return condition


def _compare_words(name: str, wanted_values: list, *, wanted: bool) -> Condition:
    def condition(values: Mapping[str, np.ndarray]) -> np.ndarray:
        found = np.asarray(values[name], dtype=object)
        hit = np.isin(found.astype(str), [str(value) for value in wanted_values])
        missing = np.array([value is None for value in found.ravel()], bool).reshape(found.shape)
        return (hit == wanted) & ~missing

    return condition
