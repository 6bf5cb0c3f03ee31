"""Small arithmetic that a user may write into the settings: read, checked and worked out by us.

An expression holds numbers, names, ``+ - * / **``, parentheses and the functions of `FUNCTIONS`.
Nothing of the programming language is run: an expression becomes a list of steps for a stack.
"""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from charscreen.findings import nearest

MOST_CHARACTERS = 500
MOST_DEPTH = 40
"""Parentheses, functions, signs and powers within each other."""
# name: (fewest, most) arguments; most None for any number
FUNCTIONS = {"log": (1, 1), "exp": (1, 1), "sqrt": (1, 1), "min": (2, None), "max": (2, None)}
_TOKEN = re.compile(
    r"(?P<number>(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
    r"|(?P<name>[A-Za-z_][A-Za-z0-9_]*)|(?P<sign>\*\*|[-+*/(),])"
)
_END = "the end"


class ExpressionError(ValueError):
    """An expression that cannot be read; the text says where and what to write.

    Attributes
    ----------
    position : int
        Place of the first character in question; 1 is the first of the expression.
    """

    def __init__(self, position: int, message: str):
        super().__init__(f"At position {position}: {message}")
        self.position = position


@dataclass(frozen=True)
class Expression:
    """An expression as read by `parse_expression`.

    Parameters
    ----------
    text : str
        As the user wrote it.
    steps : tuple of tuple
        Steps for a stack: (``number``, value), (``name``, name), (``sign``, operator) or
        (function, number of arguments).
    names : tuple of str
        Names used, each once, in their order.
    """

    text: str
    steps: tuple
    names: tuple[str, ...]


def parse_expression(text: str, known: Collection[str]) -> Expression:
    """An expression read and checked, ready to be worked out.

    Parameters
    ----------
    text : str
        For example ``device_F_per_kg_d / cost_per_device_F``.
    known : collection of str
        Names that may stand in it.

    Returns
    -------
    Expression

    Raises
    ------
    ExpressionError
        For any text that is no expression of known names; no other error is raised for a text.

    Notes
    -----
    ``**`` binds closest and to the right, then signs, then ``*`` and ``/``, then ``+`` and ``-``,
    as is usual: -2**2 is -4 and 2**3**2 is 512.
    """
    if len(text) > MOST_CHARACTERS:
        message = f"The expression has {len(text)} characters; {MOST_CHARACTERS} at most are read."
        raise ExpressionError(MOST_CHARACTERS + 1, message)
    reader = _Reader(text, known)
    reader.sum(0)
    if reader.kind != "end":
        raise reader.wrong("Nothing can follow here; an operator may be missing before it")
    names = tuple(dict.fromkeys(value for kind, value in reader.steps if kind == "name"))
    return Expression(text, tuple(reader.steps), names)


class _Reader:
    """Reads one token ahead and writes steps for a stack."""

    def __init__(self, text: str, known: Collection[str]):
        self.text, self.known = text, known
        self.steps: list[tuple] = []
        self.next_at = 0
        self.advance()

    def advance(self) -> None:
        """Take in the next token."""
        while self.next_at < len(self.text) and self.text[self.next_at] in " \t\r\n":
            self.next_at += 1
        self.at = self.next_at
        if self.at == len(self.text):
            self.kind, self.value = "end", _END
            return
        found = _TOKEN.match(self.text, self.at)
        if found is None:
            raise ExpressionError(self.at + 1, _strange(self.text[self.at]))
        self.kind, self.value = found.lastgroup, found.group()
        self.next_at = found.end()

    def wrong(self, message: str) -> ExpressionError:
        """The error that the present token makes."""
        shown = self.value if self.kind == "end" else f"'{self.value[:60]}'"
        return ExpressionError(self.at + 1, f"{message}; found {shown}.")

    def sum(self, depth: int) -> None:
        self.row_of(("+", "-"), self.product, depth)

    def product(self, depth: int) -> None:
        self.row_of(("*", "/"), self.signed, depth)

    def row_of(self, signs: tuple, part, depth: int) -> None:
        part(depth)
        while self.kind == "sign" and self.value in signs:
            sign = self.value
            self.advance()
            part(depth)
            self.steps.append(("sign", sign))

    def signed(self, depth: int) -> None:
        if self.kind == "sign" and self.value in "+-":
            sign = self.value
            self.advance()
            self.signed(self.deeper(depth))
            if sign == "-":
                self.steps.append(("minus", 1))
        else:
            self.power(depth)

    def power(self, depth: int) -> None:
        self.atom(depth)
        if self.kind == "sign" and self.value == "**":
            self.advance()
            self.signed(self.deeper(depth))
            self.steps.append(("sign", "**"))

    def atom(self, depth: int) -> None:
        if self.kind == "number":
            value = float(self.value)
            if value == float("inf"):
                raise self.wrong("The number is too large")
            self.steps.append(("number", value))
            self.advance()
        elif self.kind == "name":
            self.name(depth)
        elif self.value == "(" and self.kind == "sign":
            self.advance()
            self.sum(self.deeper(depth))
            self.close("')'")
        else:
            raise self.wrong("A number, a name or '(' must stand here")

    def name(self, depth: int) -> None:
        name, start = self.value, self.at
        self.advance()
        called = self.kind == "sign" and self.value == "("
        if called and name in FUNCTIONS:
            self.function(name, start, depth)
        elif called:
            near = nearest(name[:60], FUNCTIONS)
            advice = f"Did you mean '{near}'? " if near else ""
            message = (
                f"'{name[:60]}' is not a function. {advice}Functions are {', '.join(FUNCTIONS)}."
            )
            raise ExpressionError(start + 1, message)
        elif name in FUNCTIONS:
            raise self.wrong(f"'(' must follow the function {name}")
        elif name not in self.known:
            raise ExpressionError(start + 1, self.unknown(name))
        else:
            self.steps.append(("name", name))

    def function(self, name: str, start: int, depth: int) -> None:
        n = 0
        while n == 0 or (self.kind == "sign" and self.value == ","):
            self.advance()
            self.sum(self.deeper(depth))
            n += 1
        self.close("',' or ')'" if FUNCTIONS[name][1] is None else "')'")
        fewest, most = FUNCTIONS[name]
        if n < fewest or (most is not None and n > most):
            wanted = f"{fewest} or more" if most is None else str(fewest)
            raise ExpressionError(start + 1, f"{name} takes {wanted} value(s) and is given {n}.")
        self.steps.append((name, n))

    def close(self, what: str) -> None:
        if self.kind != "sign" or self.value != ")":
            comma = self.kind == "sign" and self.value == ","
            more = " (write numbers with a decimal point)" if comma else ""
            raise self.wrong(f"{what} must stand here{more}")
        self.advance()

    def deeper(self, depth: int) -> int:
        if depth >= MOST_DEPTH:
            message = f"More than {MOST_DEPTH} parts stand within each other. Write it simpler."
            raise ExpressionError(self.at + 1, message)
        return depth + 1

    def unknown(self, name: str) -> str:
        near = nearest(name[:60], self.known)
        if near:
            return f"'{name[:60]}' is not known. Did you mean '{near}'?"
        return f"'{name[:60]}' is not known. Known are {', '.join(sorted(self.known))}."


def _strange(character: str) -> str:
    shown = character if character.isprintable() else f"U+{ord(character):04X}"
    advice = {
        "^": "Write ** for a power.",
        "×": "Write * for a product.",
        "·": "Write * for a product.",
        "÷": "Write / for a quotient.",
        "%": "Write / 100 for percent.",
    }.get(character, "Numbers, names, + - * / ** , and parentheses can.")
    return f"'{shown}' cannot stand in an expression. {advice}"


def evaluate(expression: Expression, values: Mapping):
    """The value of an expression.

    Parameters
    ----------
    expression : Expression
        From `parse_expression`.
    values : mapping of str to array
        An array for each of its names, all of shapes that go together.

    Returns
    -------
    array
        float64; not finite where it divides by zero, takes the log or root of a negative number
        or grows beyond all numbers.
    """
    import numpy as np

    functions = {"log": np.log, "exp": np.exp, "sqrt": np.sqrt, "minus": np.negative}
    pairs = {
        "+": np.add,
        "-": np.subtract,
        "*": np.multiply,
        "/": np.divide,
        "**": np.power,
        "min": np.minimum,
        "max": np.maximum,
    }
    stack: list = []
    with np.errstate(all="ignore"):
        for kind, value in expression.steps:
            if kind == "number":
                stack.append(np.float64(value))
            elif kind == "name":
                stack.append(np.asarray(values[value], dtype=np.float64))
            elif kind in functions:
                stack.append(functions[kind](stack.pop()))
            else:
                n = 2 if kind == "sign" else value
                act = pairs[value if kind == "sign" else kind]
                parts = stack[-n:]
                del stack[-n:]
                total = parts[0]
                for part in parts[1:]:
                    total = act(total, part)
                stack.append(total)
    return stack.pop()
