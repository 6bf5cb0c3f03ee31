"""Prints how many small faults put into a package its own tests find. By hand; some minutes each.

    sh scripts/with_env.sh python tests/bench/bench_mutants.py [PACKAGE ...] [--sample N] [--seed N]
        [--at mixed/tukey.py:31] [--list]

One fault at a time goes into a copy of the project: a comparison moved, a sign, a number one
higher, `not` dropped, `and` for `or`, min for max, a raise or a returned value left out. Then the
test files that import the module run until the first failure, then the quick ones of those that
import from the package, without what is marked slow. What they let pass is printed with its place:
a hole in the tests, or a change that means nothing. The same seed draws the same faults of the same
code.
"""

import argparse
import ast
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from dataclasses import dataclass
from importlib import import_module
from importlib.util import cache_from_source
from itertools import pairwise
from pathlib import Path
from typing import NoReturn

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
LIBRARY = "scripts/charscreen"
PACKAGES = ("ledger", "capacitance", "mixed", "rank")
NOT_COPIED = (".git", ".venv", ".snakemake", "results", "__pycache__")
LOADED = (
    "pandas",
    "scipy.stats",
    "scipy.optimize",
    "hypothesis",
    "formulaic",
    "jsonschema",
    "yaml",
)
PASSED = (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED)  # none: all marked slow
MEMORY_BYTES = 8 << 30
QUICK_S = 15.0
LONGEST_S = 60.0  # at least this long for a run; a fault may make it endless

COMPARISONS = {
    ast.Lt: ("<=", ">="), ast.LtE: ("<", ">"), ast.Gt: (">=", "<="), ast.GtE: (">", "<"),
    ast.Eq: ("!=",), ast.NotEq: ("==",), ast.Is: ("is not",), ast.IsNot: ("is",),
    ast.In: ("not in",), ast.NotIn: ("in",),
}  # fmt: skip
ARITHMETIC = {
    ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*", ast.FloorDiv: "/", ast.Mod: "*",
    ast.Pow: "*",
}  # fmt: skip
OPPOSITE = {
    "min": "max", "minimum": "maximum", "nanmin": "nanmax", "argmin": "argmax", "any": "all",
    "floor": "ceil", "idxmin": "idxmax", "fmin": "fmax",
}  # fmt: skip
OPPOSITE |= {other: name for name, other in OPPOSITE.items()}


@dataclass(frozen=True)
class Mutant:
    """One fault: the characters from `start` to `end` of a file become `new`."""

    file: str
    line: int
    start: int
    end: int
    old: str
    new: str

    def __str__(self):
        old, new = (" ".join(text.split()) for text in (self.old, self.new))
        return f"{self.file}:{self.line}: {old} -> {new}"


def mutants_of(file: Path) -> list[Mutant]:
    """Every fault that this program knows for one file, in order of place."""
    text = file.read_text(encoding="utf-8")
    data = text.encode()
    starts = np.cumsum([0, *(len(line.encode()) for line in text.splitlines(keepends=True))])
    name = file.relative_to(ROOT / LIBRARY).as_posix()
    found = []

    def place(line: int, column: int) -> int:
        return int(starts[line - 1]) + column

    def add(node: ast.AST, new: str, *, start: int | None = None, end: int | None = None) -> None:
        start = place(node.lineno, node.col_offset) if start is None else start
        end = place(node.end_lineno, node.end_col_offset) if end is None else end
        found.append(Mutant(name, node.lineno, start, end, data[start:end].decode(), new))

    def between(left: ast.AST, right: ast.AST) -> dict:
        """Where the sign between two operands stands."""
        return {
            "start": place(left.end_lineno, left.end_col_offset),
            "end": place(right.lineno, right.col_offset),
        }

    def swap(left: ast.AST, right: ast.AST, old: str, new: str) -> None:
        span = between(left, right)
        gap = data[span["start"] : span["end"]].decode()
        if gap.count(old) == 1:
            found.append(
                Mutant(
                    name, left.end_lineno, **span,
                    old=ast.unparse(left)[-40:] + gap + ast.unparse(right)[:40],
                    new=gap.replace(old, new),
                )
            )  # fmt: skip

    def visit(node: ast.AST) -> None:
        match node:
            case ast.Compare(left=left, ops=ops, comparators=comparators):
                for one, op, two in zip([left, *comparators], ops, comparators, strict=False):
                    for new in COMPARISONS[type(op)]:
                        swap(one, two, _sign(op), new)
            case ast.BinOp(left=left, op=op, right=right) if type(op) in ARITHMETIC:
                if not (_is_text(left) or _is_text(right)):
                    swap(left, right, _sign(op), ARITHMETIC[type(op)])
            case ast.BoolOp(op=op, values=values):
                for one, two in pairwise(values):
                    swap(one, two, *(("and", "or") if isinstance(op, ast.And) else ("or", "and")))
            case ast.Constant(value=bool() as value):
                add(node, str(not value))
            case ast.Constant(value=int() | float() as value):
                add(node, repr(value + 1))
            case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
                add(node, f"({ast.unparse(operand)})")
            case ast.Call(func=ast.Name(id=called)) if called in OPPOSITE:
                add(node.func, OPPOSITE[called])
            case ast.Call(func=ast.Attribute(attr=called)) if called in OPPOSITE:
                add(node.func, f"{ast.unparse(node.func.value)}.{OPPOSITE[called]}")
            case ast.Raise():
                add(node, "pass")
            case ast.Return(value=value) if not _is_nothing(value):
                add(node, "return None")
        for child in _inner(node):
            visit(child)

    visit(ast.parse(text))
    return sorted(set(found), key=lambda m: (m.start, m.end, m.new))


def _sign(op: ast.AST) -> str:
    """How an operator is written."""
    pattern = {
        ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=",
        ast.Is: "is", ast.IsNot: "is not", ast.In: "in", ast.NotIn: "not in", ast.Add: "+",
        ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.FloorDiv: "//", ast.Mod: "%", ast.Pow: "**",
    }  # fmt: skip
    return pattern[type(op)]


def _is_text(node: ast.AST) -> bool:
    return isinstance(node, ast.JoinedStr) or (
        isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


def _is_nothing(node: ast.AST | None) -> bool:
    return node is None or (isinstance(node, ast.Constant) and node.value is None)


def _inner(node: ast.AST) -> list[ast.AST]:
    """What stands in a node; no annotations, texts with values in them, `strict=`, `__all__`."""
    if isinstance(node, ast.JoinedStr) or (isinstance(node, ast.keyword) and node.arg == "strict"):
        return []
    if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
        return []
    left_out = {"annotation", "returns", "decorator_list"}
    out = []
    for field, value in ast.iter_fields(node):
        if field not in left_out:
            values = value if isinstance(value, list) else [value]
            out += [v for v in values if isinstance(v, ast.AST)]
    return out


def imports_of(file: Path) -> set[str]:
    """Dotted names of the library that a file imports."""
    out = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            out |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return {name for name in out if name.split(".")[0] == "charscreen"}


def tests_of(package: str) -> dict[str, set[str]]:
    """Test files that import from a package, and the names they import."""
    out = {}
    for folder in ("tests/unit", "tests/reference"):
        for file in sorted((ROOT / folder).glob("test_*.py")):
            names = {n for n in imports_of(file) if n.startswith(f"charscreen.{package}")}
            if names:
                out[file.relative_to(ROOT).as_posix()] = names
    return out


def in_order(tests: dict[str, set[str]], module: str, cost: dict[str, float]) -> list[str]:
    """Those that import the module itself, then those of the others that are quick."""
    near = [file for file in tests if module in tests[file]]
    others = [file for file in tests if file not in near and (cost[file] <= QUICK_S or not near)]
    return sorted(near, key=cost.get) + sorted(others, key=cost.get)


def run_tests(copy: Path, files: list[str], timeout_s: float) -> str:
    """``passed``, ``failed`` or ``endless``; in a child that has the large libraries loaded."""
    child = os.fork()
    if not child:
        _be_pytest(copy, files)
    latest = time.monotonic() + timeout_s
    while time.monotonic() < latest:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return "passed" if os.waitstatus_to_exitcode(status) in PASSED else "failed"
        time.sleep(0.05)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "endless"


def _be_pytest(copy: Path, files: list[str]) -> NoReturn:
    """Run tests in this process, silently, and leave it."""
    status = 1
    try:
        os.setsid()
        os.chdir(copy)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nowhere, stream)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        words = ["-x", "-n", "0", "-m", "not slow", "-p", "no:cacheprovider", "--tb=no"]
        words += ["-o", "addopts=", "--import-mode=importlib"]
        status = int(pytest.main([*words, *files]))
    finally:
        os._exit(status)


def try_package(package: str, mutants: list[Mutant], copy: Path) -> int:
    """Runs the tests against each fault, prints what passes; the number found out."""
    tests = tests_of(package)
    cost = {}
    for file in tests:
        began = time.monotonic()
        if run_tests(copy, [file], 600.0) != "passed":
            raise SystemExit(f"{file} fails without any fault; mend that first.")
        cost[file] = time.monotonic() - began
    timeout_s = max(LONGEST_S, 3.0 * sum(cost.values()))
    print(f"{package}: {len(tests)} test files, {sum(cost.values()):.0f} s", flush=True)
    # Bytecode of the whole files is there now. None is written of a faulty one: a second fault of
    # the same length in the same second would be taken for the first.
    sys.dont_write_bytecode = True
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    n_found = 0
    for mutant in mutants:
        path = copy / LIBRARY / mutant.file
        whole = path.read_bytes()
        Path(cache_from_source(str(path))).unlink(missing_ok=True)
        path.write_bytes(whole[: mutant.start] + mutant.new.encode() + whole[mutant.end :])
        module = "charscreen." + mutant.file.removesuffix(".py").replace("/", ".")
        try:
            end = run_tests(copy, in_order(tests, module, cost), timeout_s)
        finally:
            path.write_bytes(whole)
        n_found += end != "passed"
        print(f"  {'SURVIVED' if end == 'passed' else end:8}  {mutant}", flush=True)
    sys.dont_write_bytecode = False
    del os.environ["PYTHONDONTWRITEBYTECODE"]
    return n_found


def main(words: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("packages", nargs="*", default=PACKAGES)
    parser.add_argument("--sample", type=int, default=60, help="faults per package")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--at", action="append", help="only faults at FILE:LINE")
    parser.add_argument("--list", action="store_true", help="print the faults and stop")
    chosen = parser.parse_args(words)
    for name in LOADED:
        import_module(name)
    with tempfile.TemporaryDirectory(prefix="charscreen-mutants-") as folder:
        copy = Path(folder) / "project"
        shutil.copytree(ROOT, copy, ignore=shutil.ignore_patterns(*NOT_COPIED))
        for package in chosen.packages:
            files = sorted((ROOT / LIBRARY / package).glob("*.py"))
            known = [mutant for file in files for mutant in mutants_of(file)]
            if chosen.at:
                drawn = [m for m in known if f"{m.file}:{m.line}" in chosen.at]
            else:
                picked = np.random.default_rng(chosen.seed).permutation(len(known))
                drawn = [known[k] for k in picked[: chosen.sample]]
            if chosen.list:
                print(*drawn, sep="\n")
                continue
            n_found = try_package(package, drawn, copy)
            print(f"{package}: {n_found} of {len(drawn)} found ({len(known)} known)", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
