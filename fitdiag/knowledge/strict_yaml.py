"""YAML read strictly: YAML 1.2 scalars, no aliases, no tags, no duplicate keys, bounded size and depth.

Plain PyYAML reads `side: no` as False and `1:30` as 90, follows aliases into exponential documents, and lets the second of
two equal keys win. None of that may happen to a fitter's file. Scalars follow the YAML 1.2 core schema (yaml.org, 2009,
section 10.3.2) without octal and hexadecimal numbers.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from fitdiag.files import read_bytes, refuse_utf16
from fitdiag.problems import Problem, ProblemsFoundError, Where, one_line, shown_path, stop

LARGEST_FILE = 128 * 1024
DEEPEST = 40
_LONGEST_LINE = 4000

try:
    from yaml import CSafeLoader as _BaseLoader
except ImportError:  # PyYAML built without libyaml: slower, and wants quotes round an item of [...] that ends in "?"
    from yaml import SafeLoader as _BaseLoader  # type: ignore[assignment]

_KIND_TAG = {
    yaml.ScalarNode: "tag:yaml.org,2002:str",
    yaml.SequenceNode: "tag:yaml.org,2002:seq",
    yaml.MappingNode: "tag:yaml.org,2002:map",
}
_INT = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,14})\Z")
_NOT_TEXT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ufffe\uffff]")  # YAML 1.2, section 5.1
_FLOAT = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,14}|(?=\.[0-9]))(?:\.[0-9]{1,17})?(?:[eE][-+]?[0-9]{1,3})?\Z")


class _Loader(_BaseLoader):
    """Composes nodes without guessing types: every plain scalar stays text, any other tag was written by hand."""

    def resolve(self, kind: type[yaml.Node], value: str, implicit: object) -> str:
        return _KIND_TAG[kind]


@dataclass(frozen=True)
class Document:
    """A YAML file as plain values (dict, list, str, int, float, bool, None), and where each of them stands."""

    path: str
    data: Any
    root: yaml.Node | None
    _tables: dict[int, dict[str, tuple[yaml.Node, yaml.Node]]] = field(default_factory=dict, repr=False, compare=False)

    def where(self, loc: tuple[str | int, ...] = ()) -> Where:
        """The place of the value at `loc` (keys and indexes from the top), of its key if it is empty; of its nearest parent if missing."""
        node = self.root
        for part in loc:
            key, child = self._below(node, part)
            if child is None:
                break
            node = key if isinstance(child, yaml.ScalarNode) and not child.value else child
        return self._place(node)

    def where_key(self, loc: tuple[str | int, ...], key: str) -> Where:
        """The place of `key` itself in the mapping at `loc`, for keys that should not be there."""
        node = self.root
        for part in loc:
            node = self._below(node, part)[1] or node
        found = self._below(node, key)[0]
        return self._place(found) if found is not None else self.where(loc)

    def _below(self, node: yaml.Node | None, part: str | int) -> tuple[yaml.Node | None, yaml.Node | None]:
        """The key node and the value node at one key or index of a node; the item twice for a list, nothing where there is none."""
        if isinstance(node, yaml.MappingNode):
            return self._table(node).get(str(part), (None, None))
        if isinstance(node, yaml.SequenceNode) and isinstance(part, int) and part < len(node.value):
            return node.value[part], node.value[part]
        if isinstance(node, yaml.SequenceNode) and isinstance(part, str):  # [flat-seat, low-seat: marked]
            for item in node.value:
                if item.value == part:
                    return item, item
                if isinstance(item, yaml.MappingNode) and part in self._table(item):
                    return self._table(item)[part]
        return None, None

    def _table(self, node: yaml.MappingNode) -> dict[str, tuple[yaml.Node, yaml.Node]]:
        """Key to (key node, value node), made once: a file of ten thousand faults asks for ten thousand places."""
        if id(node) not in self._tables:
            self._tables[id(node)] = {key.value: (key, value) for key, value in node.value}
        return self._tables[id(node)]

    def _place(self, node: yaml.Node | None) -> Where:
        return _at(self.path, node.start_mark) if node is not None else Where(self.path, 1, 1)


def read_text(path: Path, largest: int = LARGEST_FILE, what: str = "file", *, torn: bool = False) -> str:
    """The text of a regular UTF-8 file of at most `largest` bytes. Raises ProblemsFoundError otherwise.

    `torn=True` reads over what a crash can leave behind the last line end: zero bytes, half a character.
    """
    shown = shown_path(path)
    where = Where(shown)
    raw = read_bytes(path, largest, what)
    if torn:
        raw = raw.rstrip(b"\0")
        head, newline, tail = raw.rpartition(b"\n")
        raw = head + newline + tail.decode("utf-8", "replace").replace("\0", "?").encode()
    refuse_utf16(raw, where, what)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        where = Where(shown, raw[: error.start].count(b"\n") + 1, 1)
        hint = "save it as plain UTF-8 text"
        raise stop("encoding", f"this {what} is not in UTF-8", where=where, hint=hint) from None
    if match := _NOT_TEXT.search(text):
        where, told = Where(shown, text.count("\n", 0, match.start()) + 1, 1), f"this {what} holds a control character"
        raise stop("control-character", told, where=where, hint="is it a text file?")
    return text


def read_yaml(path: Path, largest: int = LARGEST_FILE, what: str = "file") -> Document:
    """Read and parse a YAML file. Raises ProblemsFoundError with one problem per fault of form found."""
    return parse_yaml(read_text(path, largest, what), shown_path(path))


def parse_yaml(text: str, path: str) -> Document:
    """Parse YAML text; `path` is only for messages. Raises ProblemsFoundError."""
    _refuse_monsters(text, path)
    try:
        _refuse_marks(text, path)
        loader = _Loader(text)
        try:
            root = loader.get_single_node()
        finally:
            loader.dispose()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = _at(path, mark)
        told = one_line(error.problem or error.context or "not YAML")
        if "undefined alias" in told:
            raise ProblemsFoundError(_no_alias(where)) from None
        hint = "look at the indents, quotes and colons"
        raise stop("not-yaml", f"this is not YAML: {told}", where=where, hint=hint) from None
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise stop("not-yaml", f"this is not YAML: {one_line(error)}", where=Where(path)) from None
    problems: list[Problem] = []
    data = _plain(root, path, problems, 0) if root is not None else None
    if problems:
        raise ProblemsFoundError(problems)
    return Document(path, data, root)


def _refuse_monsters(text: str, path: str) -> None:
    """Refuse what would take long or crash the parser before it runs: very deep brackets, very long lines."""
    depth = 0
    for match in re.finditer(r"[\[\]{}]", text):
        depth = depth + 1 if match[0] in "[{" else max(0, depth - 1)
        if depth > DEEPEST:
            line = text.count("\n", 0, match.start()) + 1
            raise stop("too-deep", f"brackets are nested more than {DEEPEST} deep", where=Where(path, line, 1))
    for number, line_text in enumerate(text.split("\n"), 1):
        if len(line_text) > _LONGEST_LINE:
            told = f"a line is longer than {_LONGEST_LINE} characters"
            raise stop("long-line", told, where=Where(path, number, 1), hint="fold it")


def _refuse_marks(text: str, path: str) -> None:
    """Refuse every &name, *name and !tag at its own place, before anything is put together from them."""
    if "&" not in text and "!" not in text:
        return  # an alias without its anchor is found by the parser
    problems = []
    for event in yaml.parse(text, Loader=_Loader):
        if getattr(event, "anchor", None) is not None:
            problems.append(_no_alias(_at(path, event.start_mark)))
        if (tag := getattr(event, "tag", None)) is not None:
            told = f"tags ({one_line(tag, 40)}) are not allowed here"
            problems.append(Problem("tag", told, _at(path, event.start_mark), "remove the !..."))
    if problems:
        raise ProblemsFoundError(problems)


def _at(path: str, mark: Any) -> Where:
    return Where(path, mark.line + 1, mark.column + 1) if mark is not None else Where(path)


def _no_alias(where: Where) -> Problem:
    return Problem("alias", "aliases (&name, *name) are not allowed here", where, "write the text out twice")


def _plain(node: yaml.Node, path: str, problems: list[Problem], depth: int) -> Any:
    if depth > DEEPEST:
        told = f"this is nested more than {DEEPEST} deep"
        problems.append(Problem("too-deep", told, _at(path, node.start_mark)))
        return None
    if isinstance(node, yaml.ScalarNode):
        return scalar(node.value) if not node.style else node.value
    if isinstance(node, yaml.SequenceNode):
        return [_plain(item, path, problems, depth + 1) for item in node.value]
    mapping: dict[Any, Any] = {}
    for key_node, value_node in node.value:
        if not isinstance(key_node, yaml.ScalarNode):
            problems.append(Problem("key", "a key must be plain text", _at(path, key_node.start_mark)))
        elif key_node.value in mapping:
            told = f"'{one_line(key_node.value, 40)}' appears twice"
            problems.append(Problem("duplicate-key", told, _at(path, key_node.start_mark), "keep one of them"))
        elif key_node.value == "<<":
            told = "merge keys (<<) are not allowed here"
            problems.append(Problem("key", told, _at(path, key_node.start_mark), "write the keys out"))
        else:
            mapping[key_node.value] = _plain(value_node, path, problems, depth + 1)
    return mapping


def scalar(text: str) -> str | int | float | bool | None:
    """A plain scalar by the YAML 1.2 core schema: `no`, `on` and `1:30` are text.

    >>> scalar("no"), scalar("1:30"), scalar("0.5"), scalar("true"), scalar("")
    ('no', '1:30', 0.5, True, None)
    """
    if not text or text in ("~", "null", "Null", "NULL"):
        return None
    first = text[0]
    if first in "+-.0123456789":
        if _INT.match(text):
            return int(text)
        if _FLOAT.match(text):
            return float(text)
    elif first in "tTfF":
        if text in ("true", "True", "TRUE"):
            return True
        if text in ("false", "False", "FALSE"):
            return False
    return text
