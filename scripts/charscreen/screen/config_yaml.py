"""config.yaml as plain values with the line of each key; safe, and without surprises of YAML."""

import re
from pathlib import Path

import yaml

from charscreen.findings import STOPS, Finding
from charscreen.safe_yaml import Loader, YamlRefused, load_node
from charscreen.screen.parsing import show


def config_finding(line: int | None, key: str, value: object, message: str) -> Finding:
    """A finding in the settings that stops."""
    return Finding("config", line, key, "" if value is None else show(value), STOPS, message)


def read_yaml(path: Path) -> tuple[dict | None, dict[tuple, int], list[Finding]]:
    """Raw settings, line of each key path, and what keeps the file from being read."""
    try:
        node, value = load_node(path)
    except YamlRefused as error:
        return None, {}, [config_finding(error.line, "", error.value, str(error))]
    except yaml.YAMLError as error:
        return None, {}, [_syntax_finding(error)]
    if node is None:
        return {}, {}, []
    if not isinstance(node, yaml.MappingNode):
        message = "The file must hold keys with values, for example title: My screen."
        return None, {}, [config_finding(1, "", None, message)]
    lines: dict[tuple, int] = {}
    twice: list[Finding] = []
    _walk(node, (), lines, twice)
    return value, lines, twice


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
    loader = Loader("")
    tag = loader.resolve(yaml.ScalarNode, value, (True, False))
    if tag.rpartition(":")[2] not in ("int", "float", "bool", "null"):
        return value
    return loader.construct_object(yaml.ScalarNode(tag, value))
