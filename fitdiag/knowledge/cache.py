"""A parsed rule base kept in the user's cache folder, so that a command need not read 150 YAML files.

Plain JSON, no code: tampering can at worst change a text. It is used only while the program version and the names and contents
of all rule files are unchanged; otherwise, or if anything about it is odd, the files are read.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel

from fitdiag import __version__
from fitdiag.files import make_folder, own_folder, write_atomically
from fitdiag.knowledge.about import About, Words
from fitdiag.knowledge.folders import shared_folder
from fitdiag.knowledge.garment import Garment
from fitdiag.knowledge.model import KINDS, RuleBase
from fitdiag.problems import ProblemsFoundError


def stamp(folder: Path) -> str:
    """A SHA-256 digest of all rule files in `folder` and in its shared folder. Raises OSError."""
    digest = hashlib.sha256()
    for root in filter(None, (folder, shared_folder(folder))):
        base = os.fspath(root)
        paths = [
            os.path.join(place, name)  # noqa: PTH118 (as fast as may be: every command waits for it)
            for place, _, names in os.walk(base)
            for name in names
            if name.endswith(".yaml") and not name.endswith(".cases.yaml")
        ]
        for path in sorted(paths):
            with open(path, "rb", buffering=0) as handle:  # noqa: PTH123 (the same)
                content = handle.read()
            digest.update(f"{path[len(base) :]}\0{len(content)}\0".encode(errors="surrogateescape"))
            digest.update(content)
    return digest.hexdigest()


def _place(folder: Path) -> Path:
    key = hashlib.sha256(os.fsencode(folder.resolve())).hexdigest()[:16]
    return own_folder() / f"rules-{key}.json"


_HEADS: Mapping[str, type[BaseModel]] = {"about": About, "words": Words, "garment": Garment}


def recall(folder: Path) -> RuleBase | None:
    """The rule base as last read from `folder`; None if anything has changed since."""
    try:
        data = json.loads(_place(folder).read_bytes())
        if data["program"] != __version__ or data["stamp"] != stamp(folder):
            return None
        heads = {name: data[name] and _built(model, data[name]) for name, model in _HEADS.items()}
        tables = {kind.table: kind.tabled(_built(kind.model, item) for item in data[kind.table]) for kind in KINDS}
        return RuleBase(fingerprint=data["fingerprint"], **heads, **tables)
    except (OSError, RuntimeError, ValueError, KeyError, TypeError, AttributeError):
        return None


def remember(folder: Path, base: RuleBase, before: str) -> None:
    """Keep a rule base that was read without a fault; `before`: the stamp taken before reading. Never raises."""
    with suppress(OSError, RuntimeError, ValueError, ProblemsFoundError):
        if stamp(folder) == before:
            data: dict[str, Any] = {"program": __version__, "stamp": before, "fingerprint": base.fingerprint}
            data |= {name: head and head.model_dump() for name in _HEADS for head in (getattr(base, name),)}
            data |= {kind.table: [rule.model_dump() for rule in base.rules(kind)] for kind in KINDS}
            place = _place(folder)
            make_folder(place.parent)
            write_atomically(place, json.dumps(data), replace=True)


_TABLED = {"cured_by"}  # fields that map a name to a model
_fields: dict[type[BaseModel], list[tuple[str, type[BaseModel] | None]]] = {}


def _built(model: type[BaseModel], data: Mapping[str, Any]) -> Any:
    """Build a model from values validated before they were kept, without building its slow validator."""
    fields = _fields.get(model)
    if fields is None:
        fields = _fields[model] = [(name, _inner(info.annotation)) for name, info in model.model_fields.items()]
    values: dict[str, Any] = {}
    for name, inner in fields:
        value = data[name]
        if isinstance(value, list):
            value = tuple(value) if inner is None else tuple(_built(inner, item) for item in value)
        elif inner is not None and name in _TABLED:
            value = {key: _built(inner, item) for key, item in value.items()}
        elif inner is not None and value is not None:
            value = _built(inner, value)
        values[name] = value
    built = model.__new__(model)
    for name, value in (("__dict__", values), ("__pydantic_fields_set__", set(values)), ("__pydantic_extra__", None),
                        ("__pydantic_private__", None)):  # fmt: skip
        object.__setattr__(built, name, value)
    return built


def _inner(annotation: Any) -> type[BaseModel] | None:
    """The model inside `Model | None`, `tuple[Model, ...]` or a mapping to models; None for plain values."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (tuple, Union, Annotated, Mapping) or type(annotation).__name__ == "UnionType":
        return next((found for part in get_args(annotation) if (found := _inner(part)) is not None), None)
    return None
