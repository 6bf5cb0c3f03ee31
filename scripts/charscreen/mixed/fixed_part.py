"""The fixed part of a mixed model: formula to response, columns, terms and factor levels."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from .errors import MixedModelError
from .marginality import bare_powers, contains, powers

LARGEST = 1e100  # response beyond which sums of squares run out of numbers
SAME = 1e-14  # spread over size that is rounding only
COLLINEAR = 1e-8  # a column whose part of its own is smaller than this share of it is dropped


@dataclass(frozen=True)
class Term:
    """One term of the fixed formula.

    Parameters
    ----------
    name : str
        As in the formula, for example ``temp:coating``.
    factors : tuple of str
        The factors it multiplies; empty for the intercept.
    columns : (k,) int array
        Its columns among the kept columns of the model matrix.
    """

    name: str
    factors: tuple[str, ...]
    columns: np.ndarray


@dataclass
class FixedPart:
    """What the formula made of the data.

    Parameters
    ----------
    response_name : str
        Left side of the formula.
    y : (n,) array
        Response.
    X : (n, p) array
        Kept columns of the model matrix.
    names : list of str
        Names of the kept columns, length p.
    terms : list of Term
        In formula order, the intercept included, terms without a column left out.
    spec : object
        Model specification that makes a matrix for other data.
    kept : (p,) int array
        The kept columns among all columns of the specification.
    dropped_as_kept : (p, p_all - p) array
        The dropped columns as combinations of the kept ones.
    categories : dict of str to list
        Levels of each column of the data that is used as a factor.
    numeric : dict of str to float
        Mean over the rows of each column of the data that is used as a number.
    basis : (n, p) array and (p, p) array
        Orthonormal basis Q of the weighted kept columns, and R, so that they are Q R.
    flags : list of str
        What was dropped and why.
    """

    response_name: str
    y: np.ndarray
    X: np.ndarray
    names: list[str]
    terms: list[Term]
    spec: object
    kept: np.ndarray
    dropped_as_kept: np.ndarray
    categories: dict[str, list]
    numeric: dict[str, float]
    basis: tuple[np.ndarray, np.ndarray]
    flags: list[str] = field(default_factory=list)

    @cached_property
    def centre(self) -> float:
        """What may be taken off the response and put back into the intercept, to save digits."""
        return float(self.y.mean()) if "Intercept" in self.names else 0.0

    def matrix(self, data: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
        """Model matrix of other data, and which rows are estimable.

        Parameters
        ----------
        data : DataFrame
            The columns of the right side; levels must be among those fitted.

        Returns
        -------
        rows : (m, p) array
            Kept columns.
        estimable : (m,) bool array
            False where the row needs a dropped column that the kept ones do not give.

        Raises
        ------
        MixedModelError
            Where a column is missing, empty or has a level that was not fitted.
        """
        for name, levels in self.categories.items():
            if name in data:
                unknown = sorted({str(v) for v in data[name] if v not in levels})
                if unknown:
                    raise MixedModelError(
                        f"column {name}: no level {', '.join(unknown)} in the fitted data. "
                        f"Known are {', '.join(map(str, levels))}."
                    )
        absent = [name for name in [*self.categories, *self.numeric] if name not in data]
        if absent:
            raise MixedModelError(f"column {', '.join(absent)} of the formula is missing.")
        for name in self.numeric:
            if not np.isfinite(pd.to_numeric(data[name], errors="coerce").to_numpy(float)).all():
                raise MixedModelError(f"column {name} has a value that is empty or no number.")
        if len(data) == 0:
            return np.zeros((0, len(self.kept))), np.zeros(0, dtype=bool)
        matrix = self.spec.get_model_matrix(plain_columns(data))
        full = np.asarray(matrix, dtype=float).reshape(len(data), -1)
        rows = full[:, self.kept]
        others = np.setdiff1d(np.arange(full.shape[1]), self.kept)
        if others.size == 0:
            return rows, np.ones(len(data), dtype=bool)
        gap = np.abs(full[:, others] - rows @ self.dropped_as_kept).max(axis=1)
        size = 1.0 + np.abs(full).max(axis=1)
        return rows, gap <= 1e-7 * size

    def contained_in(self, inner: Term, outer: Term) -> bool:
        """Whether one term is marginal to another: a in a:b, t in I(t ** 2)."""
        return inner is not outer and contains(powers(outer.factors), powers(inner.factors))


def read_fixed(formula: str, data: pd.DataFrame, weights: np.ndarray) -> FixedPart:
    """The fixed part of a model from its formula and data.

    Parameters
    ----------
    formula : str
        For example ``log_F ~ feedstock * temperature``; read by formulaic, treatment contrasts.
    data : DataFrame
        One row per observation, n rows.
    weights : (n,) array
        Positive weights, for the check for collinear columns.

    Returns
    -------
    FixedPart

    Raises
    ------
    MixedModelError
        Where the formula cannot be read, a column is missing, a value is missing or infinite,
        or the response does not vary.
    """
    if not isinstance(formula, str):
        raise MixedModelError(f"the formula must be a text such as y ~ x, not {formula!r}.")
    twice = sorted({str(name) for name in data.columns[data.columns.duplicated()]})
    if twice:
        raise MixedModelError(f"two columns are named {', '.join(twice)}. Rename one.")
    data = plain_columns(data)
    lhs, rhs = _evaluate(formula, data)
    kinds = [kind.value for kind, _ in lhs.model_spec.encoder_state.values()]
    if lhs.shape[1] != 1 or "categorical" in kinds:
        raise MixedModelError(
            f"the left side of '{formula}' must be one column of numbers; text or mixed values "
            "must be turned into numbers first."
        )
    y = np.asarray(lhs, dtype=float)[:, 0]
    full = np.asarray(rhs, dtype=float).reshape(len(data), -1)
    spec = rhs.model_spec
    _refuse_missing(data, [*lhs.model_spec.required_variables, *spec.required_variables])
    names = list(rhs.columns)
    sound = np.isfinite(y).all() and np.isfinite(full).all()
    for label, values in [] if sound else [(lhs.columns[0], y), *zip(names, full.T, strict=True)]:
        bad = np.flatnonzero(~np.isfinite(values))
        if bad.size:
            raise MixedModelError(
                f"{label} is not a finite number in {bad.size} row(s), first at position "
                f"{bad[0]}. A logarithm needs positive values; leave such rows out."
            )
    if np.abs(y).max() > LARGEST:
        raise MixedModelError(f"{lhs.columns[0]} exceeds {LARGEST:g}. Use another unit.")
    if np.ptp(y) <= SAME * np.abs(y).max():
        raise MixedModelError(
            f"the response {lhs.columns[0]} is the same in all {len(y)} rows: nothing to model."
        )
    if full.shape[1] == 0:
        raise MixedModelError(f"the right side of '{formula}' has no column.")
    kept, dropped_as_kept, basis = _independent_columns(full * np.sqrt(weights)[:, None])
    flags = [
        f"'{power}' in a formula is the column itself: write I({power}) for its power"
        for power in bare_powers(formula)
    ]
    place = {int(column): at for at, column in enumerate(kept)}
    terms = []
    for term, piece in spec.term_slices.items():
        columns = [place[c] for c in range(piece.start, piece.stop) if c in place]
        name = "Intercept" if str(term) == "1" else str(term)
        lost = [names[c] for c in range(piece.start, piece.stop) if c not in place]
        if lost:
            part = f"in term '{name}' {len(lost)} of {len(lost) + len(columns)} columns"
            whole = f"term '{name}'" if not columns else f"{part} ({', '.join(lost)})"
            empty = not full[:, [c for c in range(piece.start, piece.stop) if c not in place]].any()
            reason = (
                "no row has such a level or combination"
                if empty
                else "a combination of the columns before, so these data cannot tell the effects "
                "apart"
            )
            flags.append(f"{whole} dropped: {reason}")
        if columns:
            factors = () if name == "Intercept" else tuple(f.expr for f in term.factors)
            terms.append(Term(name, factors, np.array(columns)))
        elif piece.start == piece.stop:
            flags.append(f"term '{name}' dropped: its factor has one level in these data")
    categories, numeric = _variables(spec, data)
    return FixedPart(
        response_name=lhs.columns[0],
        y=y,
        X=full[:, kept],
        names=[names[c] for c in kept],
        terms=terms,
        spec=spec,
        kept=kept,
        dropped_as_kept=dropped_as_kept,
        categories=categories,
        numeric=numeric,
        basis=basis,
        flags=flags,
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


def plain_columns(data: pd.DataFrame) -> pd.DataFrame:
    """The same rows with a plain index; true and false, and nullable types, as plain columns."""
    plain = data.reset_index(drop=True)
    for at, (name, kind) in enumerate(zip(data.columns, data.dtypes, strict=True)):
        column = data.iloc[:, at]
        if pd.api.types.is_bool_dtype(kind):
            values = pd.Categorical(column.astype(object), categories=[False, True])
        elif pd.api.types.is_extension_array_dtype(kind) and pd.api.types.is_numeric_dtype(kind):
            values = column.to_numpy(float, na_value=np.nan)
        elif isinstance(kind, pd.StringDtype) and kind.na_value is pd.NA:
            values = column.astype(object).to_numpy()
        else:
            continue
        plain[name] = values
    return plain


def _refuse_missing(data: pd.DataFrame, columns: Sequence[str]) -> None:
    problems = []
    for name in dict.fromkeys(map(str, columns)):
        if name in data:
            bad = np.flatnonzero(data[name].isna().to_numpy())
            if bad.size:
                problems.append(f"{name} ({bad.size}, first at position {bad[0]})")
    if problems:
        raise MixedModelError(
            f"empty values in {', '.join(sorted(problems))}. Leave such rows out before fitting."
        )


def _independent_columns(X: np.ndarray):
    """Columns that no earlier column makes superfluous, the others in terms of them, Q and R."""
    size = np.sqrt((X**2).sum(axis=0))
    kept = np.flatnonzero(size > 0)
    while True:
        if kept.size == 0:
            raise MixedModelError("every column of the model matrix is zero.")
        Q, R = np.linalg.qr(X[:, kept])
        corner = np.abs(np.diag(R))
        rank_left = np.full(kept.size, 0.0)
        rank_left[: corner.size] = corner
        bad = np.flatnonzero(rank_left <= COLLINEAR * size[kept])
        if bad.size == 0:
            break
        kept = np.delete(kept, bad[0])
    others = np.setdiff1d(np.arange(X.shape[1]), kept)
    if others.size == 0:
        return kept, np.zeros((kept.size, 0)), (Q, R)
    combination = np.linalg.lstsq(X[:, kept], X[:, others], rcond=None)[0]
    combination[np.abs(combination) < 1e-9] = 0.0
    return kept, combination, (Q, R)


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
