"""YAML read strictly: YAML 1.2 scalars, no aliases, no tags, no duplicate keys, bounded size and depth.

Plain PyYAML reads `side: no` as False and `1:30` as 90, follows aliases into exponential documents, and lets the second of
two equal keys win. None of that may happen to a fitter's file. Scalars follow the YAML 1.2 core schema (yaml.org, 2009,
section 10.3.2) without octal and hexadecimal numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

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

_WORDS: Mapping[str, bool | None] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL")), **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}  # fmt: skip
_INT = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,14})\Z")
_NOT_TEXT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x84\x86-\x9f\ufffe\uffff]")  # YAML 1.2, section 5.1
_FLOAT = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,14}|(?=\.[0-9]))(?:\.[0-9]{1,17})?(?:[eE][-+]?[0-9]{1,3})?\Z")


class _Node(NamedTuple):
    """A value, the marks of its start and of its key (or its own without a key), and its children."""

    value: Any
    mark: Any
    key: Any
    inner: Mapping[str, _Node] | Sequence[_Node] = ()


@dataclass(frozen=True)
class Document:
    """A YAML file as plain values (dict, list, str, int, float, bool, None), with the place of each."""

    path: str
    data: Any
    root: _Node | None = field(repr=False)

    def where(self, loc: tuple[str | int, ...] = ()) -> Where:
        """The place of the value at `loc` (keys and indexes from the top); of its key if empty, of its nearest parent if missing."""
        node = self._at(loc)
        if node is None:
            return Where(self.path, 1, 1) if self.root is not None else Where(self.path)
        return _place(self.path, node.key if node.value in ("", None) else node.mark)

    def where_key(self, loc: tuple[str | int, ...], key: str) -> Where:
        """The place of `key` itself in the mapping at `loc`, for keys that should not be there."""
        node = _below(self._at(loc), key)
        return _place(self.path, node.key) if node is not None else self.where(loc)

    def _at(self, loc: tuple[str | int, ...]) -> _Node | None:
        node = self.root
        for part in loc:
            node = _below(node, part) or node
        return node


def _below(node: _Node | None, part: str | int) -> _Node | None:
    """The child of a node at a key or index; a text finds the list item of that name, as in `[flat-seat, low-seat: marked]`."""
    inner = node.inner if node is not None else ()
    if isinstance(inner, Mapping):
        return inner.get(str(part))
    if isinstance(part, int):
        return inner[part] if part < len(inner) else None
    for item in inner:
        if part == item.value or part in item.inner:
            return item.inner[part] if isinstance(item.inner, Mapping) else item
    return None


def read_text(path: Path, largest: int = LARGEST_FILE, what: str = "file", *, torn: bool = False) -> str:
    """The text of a regular UTF-8 file of at most `largest` bytes. Raises ProblemsFoundError otherwise.

    `torn=True` tolerates what a crash can leave after the last newline: zero bytes, half a character.
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
        where = Where(shown, text.count("\n", 0, match.start()) + 1, 1)
        message = f"this {what} holds a control character"
        raise stop("control-character", message, where=where, hint="is it a text file?")
    return text


def read_yaml(path: Path, largest: int = LARGEST_FILE, what: str = "file") -> Document:
    """Read and parse a YAML file. Raises ProblemsFoundError with one problem per fault of form found."""
    return parse_yaml(read_text(path, largest, what), shown_path(path))


def parse_yaml(text: str, path: str) -> Document:
    """Parse YAML text; `path` is only for messages. Raises ProblemsFoundError."""
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > _LONGEST_LINE:  # slow to parse
            message = f"a line is longer than {_LONGEST_LINE} characters"
            raise stop("long-line", message, where=Where(path, number, 1), hint="fold it")
    problems: list[Problem] = []
    try:
        root = _root(yaml.parse(text, Loader=_BaseLoader), path, problems)
    except yaml.MarkedYAMLError as error:
        where = _place(path, error.problem_mark or error.context_mark)
        message = one_line(error.problem or error.context or "not YAML")
        hint = "look at the indents, quotes and colons"
        raise stop("not-yaml", f"this is not YAML: {message}", where=where, hint=hint) from None
    except (yaml.YAMLError, ValueError) as error:
        raise stop("not-yaml", f"this is not YAML: {one_line(error)}", where=Where(path)) from None
    if problems:
        raise ProblemsFoundError(problems)
    return Document(path, root.value if root is not None else None, root)


def _root(events: Iterator[Any], path: str, problems: list[Problem]) -> _Node | None:
    """Build the root node from parser events; forbidden constructs are added to `problems`, and aliases are not resolved."""

    def fault(code: str, message: str, event: Any, hint: str = "") -> None:
        problems.append(Problem(code, message, _place(path, event.start_mark), hint))

    def node(event: Any, key: Any, depth: int) -> _Node:
        mark = event.start_mark
        if depth > DEEPEST:
            raise stop("too-deep", f"this is nested more than {DEEPEST} deep", where=_place(path, mark))
        if event.anchor is not None:
            fault("alias", "aliases (&name, *name) are not allowed here", event, "write the text out twice")
        if (tag := getattr(event, "tag", None)) is not None:
            fault("tag", f"tags ({one_line(tag, 40)}) are not allowed here", event, "remove the !...")
        if isinstance(event, yaml.ScalarEvent):
            return _Node(event.value if event.style else scalar(event.value), mark, key)
        if isinstance(event, yaml.SequenceStartEvent):
            items = []
            while not isinstance(first := next(events), yaml.SequenceEndEvent):
                items.append(node(first, first.start_mark, depth + 1))
            return _Node([item.value for item in items], mark, key, items)
        table: dict[str, _Node] = {}
        while isinstance(event, yaml.MappingStartEvent) and not isinstance(first := next(events), yaml.MappingEndEvent):
            node(first, None, depth + 1)
            name, below = getattr(first, "value", None), node(next(events), first.start_mark, depth + 1)
            if name is None:
                fault("key", "a key must be plain text", first)
            elif name in table:
                fault("duplicate-key", f"'{one_line(name, 40)}' appears twice", first, "keep one of them")
            elif name == "<<":
                fault("key", "merge keys (<<) are not allowed here", first, "write the keys out")
            else:
                table[name] = below
        return _Node({name: item.value for name, item in table.items()}, mark, key, table)

    root = None
    for event in events:
        if isinstance(event, yaml.NodeEvent):
            if root is not None:
                fault("not-yaml", "this is not YAML: a second document begins here", event)
            root = node(event, event.start_mark, 0)
    return root


def _place(path: str, mark: Any) -> Where:
    return Where(path, mark.line + 1, mark.column + 1) if mark is not None else Where(path)


def scalar(text: str) -> str | int | float | bool | None:
    """A plain scalar by the YAML 1.2 core schema: `no`, `on` and `1:30` are text.

    >>> scalar("no"), scalar("1:30"), scalar("0.5"), scalar("true"), scalar("")
    ('no', '1:30', 0.5, True, None)
    """
    if text in _WORDS:
        return _WORDS[text]
    if text[0] in "+-.0123456789":
        if _INT.match(text):
            return int(text)
        if _FLOAT.match(text):
            return float(text)
    return text
