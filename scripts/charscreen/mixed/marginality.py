"""Which expressions of a formula are powers of the same thing, so that a term contains another."""

import ast
import re

WRAPPERS = {"I", "center", "scale"}  # they change the origin or unit of what they hold
CALL = re.compile(r"[A-Za-z_][\w.]*\([^()]*\)|\{[^{}]*\}")
BARE_POWER = re.compile(r"(?<![\w)`])(`[^`]+`|[A-Za-z_][\w.]*)\s*(?:\*\*|\^)\s*\d+")


def powers(factors: tuple[str, ...]) -> dict[str, int]:
    """Bases and degrees of a product of factors.

    Parameters
    ----------
    factors : tuple of str
        Expressions as in a formula: ``a``, ``I(t ** 2)``, ``center(t)``.

    Returns
    -------
    dict of str to int
        ``{"a": 1, "t": 2}``. What is no power, product or shift of a column is a base of its own.
    """
    total: dict[str, int] = {}
    for factor in factors:
        for base, degree in _of_expression(factor).items():
            total[base] = total.get(base, 0) + degree
    return total


def contains(outer: dict[str, int], inner: dict[str, int]) -> bool:
    """Whether a term with powers `inner` is marginal to one with `outer`: a in a:b, t in t^2."""
    return inner != outer and all(outer.get(base, 0) >= degree for base, degree in inner.items())


def bare_powers(formula: str) -> list[str]:
    """Columns raised to a power outside a call, where it says nothing: ``x ** 2`` is x."""
    left = formula
    while (shorter := CALL.sub("", left)) != left:
        left = shorter
    return [match.group(0) for match in BARE_POWER.finditer(left)]


def _of_expression(text: str) -> dict[str, int]:
    quoted: list[str] = []

    def hide(match: re.Match) -> str:
        quoted.append(match.group(1))
        return f"quoted_{len(quoted) - 1}_"

    try:
        tree = ast.parse(re.sub(r"`([^`]*)`", hide, text).strip(), mode="eval").body
    except SyntaxError:
        return {text: 1}
    found = _of_node(tree)
    if found is None:
        return {text: 1}
    for k, name in enumerate(quoted):
        found = {base.replace(f"quoted_{k}_", name): degree for base, degree in found.items()}
    return found


def _of_node(node: ast.expr) -> dict[str, int] | None:
    """Bases and degrees; {} for a constant, None for what is no monomial of a shifted base."""
    if isinstance(node, ast.Constant):
        return {}
    if isinstance(node, ast.UnaryOp):
        return _of_node(node.operand)
    if isinstance(node, ast.Call) and ast.unparse(node.func) in WRAPPERS and len(node.args) == 1:
        return _of_node(node.args[0])
    if not isinstance(node, ast.BinOp):
        return {ast.unparse(node): 1}
    left, right = _of_node(node.left), _of_node(node.right)
    if left is None or right is None:
        return None
    if isinstance(node.op, ast.Mult):
        return {base: left.get(base, 0) + right.get(base, 0) for base in {**left, **right}}
    if isinstance(node.op, ast.Pow) and isinstance(node.right, ast.Constant):
        power = node.right.value
        if isinstance(power, int) and power > 0:
            return {base: degree * power for base, degree in left.items()}
    if isinstance(node.op, ast.Div) and not right:
        return left
    if isinstance(node.op, ast.Add | ast.Sub) and not (left and right):
        return left or right
    return None
