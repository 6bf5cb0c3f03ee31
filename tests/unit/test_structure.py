"""How the library hangs together, as DEVELOPERS.md tells it."""

import ast
import re
from collections import Counter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = ROOT / "scripts"
LONGEST_MODULE = 400
LONGEST_SCRIPT = 40  # of a rule


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
        members = set(_imported(name, text))
        found = {member if member in modules else member.rpartition(".")[0] for member in members}
        own = name.removesuffix(".__init__")
        out[own] = {other for other in found if other in modules and other != own}
    return out


def _imported(module: str, text: str):
    """Dotted names that a module imports, at its top or later; not for type hints only."""
    package = module.split(".")[:-1]
    for node in _run(ast.parse(text)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            base = ".".join([*base, *([node.module] if node.module else [])])
            yield from (f"{base}.{alias.name}" for alias in node.names)


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
    assert sorted(name for name, _ in named) == sorted(there), (
        "add it to the map in DEVELOPERS.md, above all that it imports, or take it out of there"
    )
    upward = [
        f"{module} imports {other}"
        for module, others in imports.items()
        for other in sorted(others)
        if part_of(module) and part_of(other) and row_of[part_of(module)] > row_of[part_of(other)]
    ]
    assert upward == []


def test_benches_are_listed_and_tell_their_options():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("\n## Benches\n")[2]
    listed = re.findall(r"^\| `(\w+\.py)` \|", text.partition("\n## ")[0], re.M)
    programs = {path.name: path for path in (ROOT / "tests" / "bench").glob("*.py")}
    assert sorted(listed) == sorted(set(programs) - {"large_screen.py"})
    for name in listed:
        assert "ArgumentParser(" in programs[name].read_text(encoding="utf-8"), name


def test_modules_named_in_the_map_are_there(imports, rows_of_map):
    for packages, subject in rows_of_map:
        homes = [f"charscreen.{name}." for name in re.findall(r"`(\w+)/`", packages)]
        for name in re.findall(r"`(\w+)`", subject):
            assert any(home + name in imports for home in homes), name


def test_no_module_is_long(texts):
    long = {name: n for name, text in texts.items() if (n := text.count("\n")) >= LONGEST_MODULE}
    assert long == {}


def test_names_are_imported_from_the_modules_that_define_them(texts):
    """Within the library and in its scripts; a package may hand names on when first asked."""
    packages = {name.removesuffix(".__init__") for name in texts if name.endswith(".__init__")}
    modules = packages | set(texts)
    scripts = {path.stem: path.read_text(encoding="utf-8") for path in SCRIPTS.glob("*.py")}
    handed_on = [
        f"{module} imports {name}"
        for module, text in (texts | scripts).items()
        if not module.endswith(".__init__")
        for name in _imported(module, text)
        if name not in modules and name.rpartition(".")[0] in packages - {"charscreen"}
    ]
    assert handed_on == []


# Used by hand: as DEVELOPERS.md tells; as the command of a process of its own.
USED_BY_HAND = ["charscreen.cautions.all_cautions", "charscreen.traces.parquet.serve"]


def test_every_name_is_used(texts):
    """By the program or among the public calls of a package; a test alone is no use."""
    used: Counter[str] = Counter()
    for path in (*SCRIPTS.rglob("*.py"), *(ROOT / "workflow").rglob("*.py")):
        used.update(_used(ast.parse(path.read_text(encoding="utf-8"))))
    for path in (ROOT / "Snakefile", *(ROOT / "workflow").rglob("*.smk")):
        words = re.findall(r"\bimport (.*)|\.(\w+)|(\w+)\(", path.read_text(encoding="utf-8"))
        used.update(word for found in words for text in found for word in re.findall(r"\w+", text))
    for path in (ROOT / "workflow").rglob("*.jinja"):
        used.update(re.findall(r"\.(\w+)", path.read_text(encoding="utf-8")))
    unused = [
        f"{module}.{name}"
        for module, text in texts.items()
        for name in _defined(ast.parse(text))
        if not used[name] and not name.startswith("__")
    ]
    assert unused == USED_BY_HAND


def _used(tree: ast.Module):
    """Names that are read or imported, and attributes."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.Import | ast.ImportFrom):
            yield from (alias.name.rpartition(".")[2] for alias in node.names)


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


def text_of_rules() -> dict[str, str]:
    """Text of each rule by its name."""
    found = {}
    for path in sorted((ROOT / "workflow" / "rules").glob("*.smk")):
        text = path.read_text(encoding="utf-8")
        blocks = re.findall(r"^rule (\w+):\n((?:    .*\n|\n)*)", text, re.M)
        found |= dict(blocks)
    return found


def rules_of_scripts() -> dict[str, str]:
    """Text of each rule that has a script, by its name."""
    return {name: block for name, block in text_of_rules().items() if "    script:\n" in block}


def test_rules_have_one_order_and_the_name_of_their_script():
    for name, block in text_of_rules().items():
        keys = [key for key in re.findall(r"^    (\w+):", block, re.M) if key in ORDER]
        assert keys == [key for key in ORDER if key in keys], name
    rules = rules_of_scripts()
    assert len(rules) > 20
    for name, block in rules.items():
        assert re.findall(r"scripts/(\w+)\.py\"", block) == [name]


def test_rules_hang_on_the_code_of_their_own_script():
    """But `check`, which makes nothing and runs each time it is asked for."""
    rules = rules_of_scripts()
    without = [name for name in rules if f'code=graph.code_of("{name}")' not in rules[name]]
    assert without == ["check"]
    assert "    output:\n" not in rules["check"]


def test_scripts_of_rules_are_short():
    for name in rules_of_scripts():
        lines = (SCRIPTS / f"{name}.py").read_text(encoding="utf-8").count("\n")
        assert lines <= LONGEST_SCRIPT, name
