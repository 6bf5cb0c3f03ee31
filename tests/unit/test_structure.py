"""How the library hangs together, as DEVELOPERS.md tells it."""

import ast
import re
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = ROOT / "scripts"
LONGEST_MODULE = 400


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    """Text of each module of the library by its dotted name."""
    out = {}
    for path in sorted((SCRIPTS / "charscreen").rglob("*.py")):
        parts = path.relative_to(SCRIPTS).with_suffix("").parts
        out[".".join(parts)] = path.read_text(encoding="utf-8")
    return out


@pytest.fixture(scope="module")
def imports(texts) -> dict[str, set[str]]:
    """What each module imports of the library, at its top or later; not for type hints only."""
    modules = {name.removesuffix(".__init__") for name in texts}
    out = {}
    for name, text in texts.items():
        package = name.split(".")[:-1]
        found = set()
        for node in _run(ast.parse(text)):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                base = package[: len(package) - node.level + 1] if node.level else []
                base = ".".join([*base, *([node.module] if node.module else [])])
                members = {f"{base}.{alias.name}" for alias in node.names}
                found |= {member if member in modules else base for member in members}
        own = name.removesuffix(".__init__")
        out[own] = {other for other in found if other in modules and other != own}
    return out


def _run(node):
    """Nodes of a tree without what stands under `if TYPE_CHECKING`."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.If) and ast.unparse(child.test) == "TYPE_CHECKING":
            continue
        yield child
        yield from _run(child)


def circle_in(graph: dict[str, set[str]]) -> list[str]:
    """The names along one circle, the first repeated at the end; empty where there is none."""
    done: set[str] = set()

    def follow(name: str, path: list[str]) -> list[str]:
        if name in path:
            return [*path[path.index(name) :], name]
        if name in done:
            return []
        for other in sorted(graph.get(name, ())):
            if found := follow(other, [*path, name]):
                return found
        done.add(name)
        return []

    for name in sorted(graph):
        if found := follow(name, []):
            return found
    return []


def part_of(module: str) -> str:
    """The package below `charscreen`, or the module beside the packages."""
    return module.split(".")[1] if "." in module else ""


def test_circles_are_found():
    assert circle_in({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == ["b", "c", "b"]
    assert circle_in({"a": {"b", "c"}, "b": {"c"}, "c": set()}) == []


def test_no_module_imports_itself_through_others(imports):
    assert circle_in(imports) == []


def test_no_package_imports_itself_through_others(imports):
    parts: dict[str, set[str]] = {}
    for module, others in imports.items():
        found = parts.setdefault(part_of(module), set())
        found |= {part_of(other) for other in others} - {part_of(module), ""}
    assert circle_in(parts) == []


@pytest.fixture(scope="module")
def rows_of_map() -> list[list[str]]:
    """Cells of the table in DEVELOPERS.md, by row: the packages and modules, what they hold."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("| package or module |")[2].partition("\n\n")[0]
    return [line.split("|")[1:3] for line in table.splitlines()[2:]]


def test_imports_point_down_the_map(imports, rows_of_map):
    """The table names each package once, above all that it imports."""
    named = [
        (name, k) for k, row in enumerate(rows_of_map) for name in re.findall(r"`(\w+)/?`", row[0])
    ]
    row_of = dict(named)
    there = {part_of(module) for module in imports} - {""}
    assert sorted(name for name, _ in named) == sorted(there)
    upward = [
        f"{module} imports {other}"
        for module, others in imports.items()
        for other in sorted(others)
        if part_of(module) and part_of(other) and row_of[part_of(module)] > row_of[part_of(other)]
    ]
    assert upward == []


def test_modules_named_in_the_map_are_there(imports, rows_of_map):
    for packages, subject in rows_of_map:
        homes = [f"charscreen.{name}." for name in re.findall(r"`(\w+)/`", packages)]
        for name in re.findall(r"`(\w+)`", subject):
            assert any(home + name in imports for home in homes), name


def test_no_module_is_long(texts):
    long = {name: n for name, text in texts.items() if (n := text.count("\n")) >= LONGEST_MODULE}
    assert long == {}


def test_every_name_is_used(texts):
    """By the program, among the public calls of a package, or (one) as DEVELOPERS.md tells."""
    places = [*SCRIPTS.rglob("*.py"), ROOT / "Snakefile"]
    for ending in ("smk", "py", "jinja"):
        places += (ROOT / "workflow").rglob(f"*.{ending}")
    words: Counter[str] = Counter()
    for path in places:
        words.update(re.findall(r"\w+", path.read_text(encoding="utf-8")))
    unused = [
        f"{module}.{name}"
        for module, text in texts.items()
        for name in _defined(ast.parse(text))
        if words[name] == 1 and not name.startswith("__")
    ]
    assert unused == ["charscreen.cautions.all_cautions"]


def _defined(tree: ast.Module):
    """Names that a module defines at its top, and the methods of its classes."""
    for node in tree.body:
        if isinstance(node, ast.Assign):
            yield from (target.id for target in node.targets if isinstance(target, ast.Name))
        elif isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
            if isinstance(node, ast.ClassDef):
                yield from (part.name for part in node.body if isinstance(part, ast.FunctionDef))


ORDER = ("input", "output", "log", "benchmark", "wildcard_constraints", "conda", "threads",
         "resources", "params", "message", "script")  # fmt: skip


def test_rules_have_one_order_and_the_name_of_their_script():
    named = 0
    for path in sorted((ROOT / "workflow" / "rules").glob("*.smk")):
        for name, block in re.findall(
            r"^rule (\w+):\n((?:    .*\n|\n)*)", path.read_text(encoding="utf-8"), re.M
        ):
            keys = [key for key in re.findall(r"^    (\w+):", block, re.M) if key in ORDER]
            assert keys == [key for key in ORDER if key in keys], name
            for script in re.findall(r"scripts/(\w+)\.py\"", block):
                assert script == name
                named += 1
    assert named > 20
