"""config.yaml as plain values with the line of each key; safe, and without surprises of YAML."""

import re
from pathlib import Path

import yaml

from charscreen.findings import STOPS, Finding
from charscreen.screen.parsing import show

MAX_BYTES = 1_000_000


class _Loader(getattr(yaml, "CSafeLoader", yaml.SafeLoader)):
    """Safe loader that leaves dates as text and does not read 4:1 as a number of base 60."""


_Loader.yaml_implicit_resolvers = {
    letter: [
        (tag, pattern)
        for tag, pattern in resolvers
        if not tag.endswith((":int", ":float", ":timestamp"))
    ]
    for letter, resolvers in _Loader.yaml_implicit_resolvers.items()
}
_Loader.add_implicit_resolver(
    "tag:yaml.org,2002:int", re.compile(r"[-+]?\d+$"), list("-+0123456789")
)
_Loader.add_implicit_resolver(
    "tag:yaml.org,2002:float",
    re.compile(r"[-+]?(\d+\.\d*|\.\d+|\d+(?=[eE]))([eE][-+]?\d+)?$"),
    list("-+.0123456789"),
)


def _construct_int(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> int:
    return int(node.value)


_Loader.add_constructor("tag:yaml.org,2002:int", _construct_int)


def config_finding(line: int | None, key: str, value: object, message: str) -> Finding:
    """A finding in the settings that stops."""
    return Finding("config", line, key, "" if value is None else show(value), STOPS, message)


def read_yaml(path: Path) -> tuple[dict | None, dict[tuple, int], list[Finding]]:
    """Raw settings, line of each key path, and what keeps the file from being read."""
    try:
        data = path.read_bytes()
    except OSError as error:
        text = f"The file cannot be opened ({error.strerror or error})."
        return None, {}, [config_finding(None, "", None, text)]
    try:
        if len(data) > MAX_BYTES:
            raise ValueError("it is larger than 1 MB")
        text = data.decode("utf-8-sig")
    except ValueError as error:
        what = "it is not UTF-8" if isinstance(error, UnicodeDecodeError) else str(error)
        text = f"The file cannot be read: {what}. Save it as plain text in UTF-8."
        return None, {}, [config_finding(None, "", None, text)]
    loader = None
    try:
        for event in yaml.parse(text, _Loader):
            if isinstance(event, yaml.AliasEvent):
                message = "References to other parts (*name) are not read. Write the value out."
                line = event.start_mark.line + 1
                return None, {}, [config_finding(line, "", event.anchor, message)]
        loader = _Loader(text)
        node = loader.get_single_node()
        if node is None:
            return {}, {}, []
        if not isinstance(node, yaml.MappingNode):
            message = "The file must hold keys with values, for example title: My screen."
            return None, {}, [config_finding(1, "", None, message)]
        lines: dict[tuple, int] = {}
        twice: list[Finding] = []
        _walk(node, (), lines, twice)
        return loader.construct_document(node), lines, twice
    except yaml.YAMLError as error:
        return None, {}, [_syntax_finding(error)]
    except (ValueError, RecursionError) as error:
        text = f"The file cannot be read ({show(error)}). Mend it or begin from an empty screen."
        return None, {}, [config_finding(None, "", None, text)]
    finally:
        if loader is not None:
            loader.dispose()


def _syntax_finding(error: yaml.YAMLError) -> Finding:
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    problem = getattr(error, "problem", None) or str(error)
    if re.search(r"\btab\b|\\t|\t", problem):
        advice = "Indent with blanks, never with tabs."
    elif "tag" in problem:
        advice = "Write plain values, without tags."
    else:
        advice = "Each line is key: value, with a blank after the colon; groups are indented alike."
    message = f"The text is no valid YAML here or just above: {show(problem)}. {advice}"
    return config_finding(mark.line + 1 if mark else None, "", None, message)


def _walk(node: yaml.Node, path: tuple, lines: dict[tuple, int], twice: list[Finding]) -> None:
    """Note the line of every key; a key that stands twice is a finding."""
    if not isinstance(node, yaml.MappingNode):
        return
    for key, value in node.value:
        here = (*path, key.value if isinstance(key.value, str) else "?")
        line = key.start_mark.line + 1
        if here in lines:
            message = f"The key stands in row {lines[here]} already. Keep one of them."
            twice.append(config_finding(line, ".".join(here), None, message))
        lines.setdefault(here, line)
        _walk(value, here, lines, twice)


def resolved(value: object) -> object:
    """Words of the command line that are numbers, yes or no, as in the file.

    In ``--config 'plan={replicates: 2}'`` the workflow engine leaves the 2 a text.
    """
    if isinstance(value, dict):
        return {key: resolved(item) for key, item in value.items()}
    if isinstance(value, list):
        return [resolved(item) for item in value]
    if not isinstance(value, str) or len(value) > 40:  # longer is no number anyone types
        return value
    loader = _Loader("")
    tag = loader.resolve(yaml.ScalarNode, value, (True, False))
    if tag.rpartition(":")[2] not in ("int", "float", "bool", "null"):
        return value
    return loader.construct_object(yaml.ScalarNode(tag, value))
