"""Formulas to columns: plain ones by ourselves, all others by formulaic, alike in every name."""

import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .errors import MixedModelError

PLAIN = re.compile(r"\s*([A-Za-z_]\w*)\s*~\s*([\w\s:+]+)\Z")


@dataclass(frozen=True)
class Columns:
    """Response and model matrix of a formula.

    Parameters
    ----------
    response_name : str
    y : (n,) array
    full : (n, k) array
        All columns of the model matrix, collinear ones included.
    names : list of str
        Their names, length k.
    pieces : list of (str, tuple of str, slice)
        Name, factors and columns of each term; the intercept is named ``Intercept`` and has none.
    required : list of str
        Columns of the data that the formula uses.
    categories : dict of str to list
        Levels of each column of the data that is used as a factor.
    numeric : dict of str to float
        Mean over the rows of each column of the data that is used as a number.
    matrix : callable
        Makes the (m, k) array of other data.
    """

    response_name: str
    y: np.ndarray
    full: np.ndarray
    names: list[str]
    pieces: list[tuple[str, tuple[str, ...], slice]]
    required: list[str]
    categories: dict[str, list]
    numeric: dict[str, float]
    matrix: Callable[[pd.DataFrame], np.ndarray]


def read_columns(formula: str, data: pd.DataFrame) -> Columns:
    """Response and model matrix of a formula.

    Parameters
    ----------
    formula : str
        Treatment contrasts, the first level as the base.
    data : DataFrame
        One row per observation, with a plain index and plain columns.

    Raises
    ------
    MixedModelError
        The formula cannot be read, or its left side is not one column of numbers.

    Notes
    -----
    A formula is plain where it adds up columns of finite numbers or of text, and products
    ``text:number`` of which the number stands alone as well. That covers our own models; reading
    formulaic in would take them longer than a fit.
    """
    terms = _plain_terms(formula, data)
    return _by_formulaic(formula, data) if terms is None else _by_name(*terms, data)


def _plain_terms(formula: str, data: pd.DataFrame):
    """Response, terms and levels of a plain formula; None for another."""
    match = PLAIN.match(formula)
    if match is None:
        return None
    response = match[1]
    terms = [tuple(map(str.strip, term.split(":"))) for term in match[2].split("+")]
    terms = [term for term in terms if term != ("1",)]
    used = list(dict.fromkeys(name for term in terms for name in term))
    known = all(name.isidentifier() and name in data for name in [response, *used])
    if not known or len(set(terms)) < len(terms):
        return None
    levels: dict[str, list[str]] = {}
    for name in used:
        if _is_text(data[name]):
            levels[name] = sorted(data[name].unique())
        elif not _is_finite(data[name]):
            return None
    for term in terms:
        is_product = len(term) == 2 and term[0] in levels and term[1] not in levels
        if len(term) > 1 and not (is_product and term[1:] in terms):
            return None
    if response in used or not _is_finite(data[response]):
        return None
    return response, sorted(terms, key=len), levels


def _is_text(column: pd.Series) -> bool:
    """Whether a column holds text in every row, and no levels beyond those."""
    if isinstance(column.dtype, pd.CategoricalDtype):
        return False
    return pd.api.types.infer_dtype(column.to_numpy(object), skipna=False) == "string"


def _is_finite(column: pd.Series) -> bool:
    """Whether a column holds finite numbers in NumPy's own types, and is no truth value."""
    kind = column.dtype
    return isinstance(kind, np.dtype) and kind.kind in "iuf" and bool(np.isfinite(column).all())


def _by_name(response: str, terms: list[tuple[str, ...]], levels: dict, data) -> Columns:
    names, pieces = ["Intercept"], [("Intercept", (), slice(0, 1))]
    for term in terms:
        first = len(names)
        if term[0] in levels:
            rest = "".join(f":{name}" for name in term[1:])
            names += [f"{term[0]}[T.{level}]{rest}" for level in levels[term[0]][1:]]
        else:
            names.append(term[0])
        pieces.append((":".join(term), term, slice(first, len(names))))
    used = dict.fromkeys(name for term in terms for name in term)

    def matrix(rows: pd.DataFrame) -> np.ndarray:
        out = np.ones((len(rows), len(names)))
        for _, term, piece in pieces[1:]:
            if term[0] in levels:
                codes = pd.Categorical(rows[term[0]], categories=levels[term[0]]).codes
                out[:, piece] = codes[:, None] == np.arange(1, len(levels[term[0]]))
            else:
                out[:, piece] = rows[term[0]].to_numpy(float)[:, None]
            for name in term[1:]:
                out[:, piece] *= rows[name].to_numpy(float)[:, None]
        return out

    return Columns(
        response_name=response,
        y=data[response].to_numpy(float),
        full=matrix(data),
        names=names,
        pieces=pieces,
        required=[response, *used],
        categories={name: list(found) for name, found in levels.items()},
        numeric={name: float(data[name].mean()) for name in used if name not in levels},
        matrix=matrix,
    )


def _by_formulaic(formula: str, data: pd.DataFrame) -> Columns:
    lhs, rhs = _evaluate(formula, data)
    kinds = [kind.value for kind, _ in lhs.model_spec.encoder_state.values()]
    if lhs.shape[1] != 1 or "categorical" in kinds:
        raise MixedModelError(
            f"the left side of '{formula}' must be one column of numbers; text or mixed values "
            "must be turned into numbers first."
        )
    spec = rhs.model_spec

    def matrix(rows: pd.DataFrame) -> np.ndarray:
        return np.asarray(spec.get_model_matrix(rows), dtype=float).reshape(len(rows), -1)

    pieces = []
    for term, piece in spec.term_slices.items():
        is_one = str(term) == "1"
        factors = () if is_one else tuple(factor.expr for factor in term.factors)
        pieces.append(("Intercept" if is_one else str(term), factors, piece))
    categories, numeric = _variables(spec, data)
    return Columns(
        response_name=lhs.columns[0],
        y=np.asarray(lhs, dtype=float)[:, 0],
        full=np.asarray(rhs, dtype=float).reshape(len(data), -1),
        names=list(rhs.columns),
        pieces=pieces,
        required=[*map(str, lhs.model_spec.required_variables), *map(str, spec.required_variables)],
        categories=categories,
        numeric=numeric,
        matrix=matrix,
    )


def _evaluate(formula: str, data: pd.DataFrame):
    from formulaic import model_matrix
    from formulaic.errors import FormulaicError

    try:
        with np.errstate(all="ignore"):  # what is not finite is reported by row below
            matrices = model_matrix(formula, data, na_action="ignore", context={"np": np})
        return matrices.lhs, matrices.rhs
    except AttributeError as error:
        raise MixedModelError(f"the formula '{formula}' needs a left side: y ~ x.") from error
    except (FormulaicError, ValueError, TypeError, KeyError, SyntaxError) as error:
        detail = str(error).splitlines()[0]
        if "|" in formula:
            detail = detail.rstrip(".") + ". Random terms are given beside the formula, in `random`"
        raise MixedModelError(f"the formula '{formula}' cannot be used: {detail}") from error


def _variables(spec, data: pd.DataFrame):
    """Levels of the columns that act as factors, and means of those that act as numbers."""
    categories: dict[str, list] = {}
    numeric: dict[str, float] = {}
    for expression, (kind, state) in spec.encoder_state.items():
        factor = next(f for t in spec.terms for f in t.factors if f.expr == expression)
        used = {str(v) for v in spec.factor_variables[factor] if str(v) in data}
        if kind.value == "categorical":
            for name in used:
                found = data[name].dropna().unique().tolist()
                order = {value: at for at, value in enumerate(state.get("categories", []))}
                categories[name] = sorted(found, key=lambda v: (order.get(v, len(order)), str(v)))
        else:
            for name in used:
                if pd.api.types.is_numeric_dtype(data[name]):
                    numeric[name] = float(data[name].astype(float).mean())
    for name in categories:
        numeric.pop(name, None)
    return categories, numeric
