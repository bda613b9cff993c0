"""Hand-written files (rules, findings, cases, rounds): pydantic errors as problems in a fitter's words, each at its line and column;
and writing such files so that they read back."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from functools import cache
from typing import Any, TypeVar, get_type_hints

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from fitdiag.files import no_twins
from fitdiag.knowledge.strict_yaml import Document, scalar
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line, stop

Location = tuple[str | int, ...]
Model = TypeVar("Model")
_PLAIN = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9 ./_-]*[A-Za-z0-9._/-])?\Z")  # needs no quotes anywhere in YAML


class Places(dict[tuple[str, str], tuple[Document, Location]]):
    """(kind, id) of each rule to its document and location in it. Rules from the cache have none.

    `shared`: rules of the shared folder, used by other garments too. `used`: (kind, name) of everything rules name.
    """

    def __init__(self) -> None:
        super().__init__()
        self.shared: set[tuple[str, str]] = set()
        self.used: set[tuple[str, str]] = set()

    def of(self, kind: str, rule_id: str, *loc: str | int) -> Where | None:
        """The place of a rule's id, or of a value inside the rule at the keys and indexes `loc`; None if unknown."""
        if (entry := self.get((kind, rule_id))) is None:
            return None
        document, start = entry
        return document.where((*start, *(loc or ("id",))))


def wrong(code: str, message: str, hint: str = "") -> PydanticCustomError:
    """The error for a validator to raise; it becomes a problem with this message at the place of the value."""
    return PydanticCustomError(code, "{message}", {"message": message, "hint": hint})


def parse_json(text: str, path: str, hint: str) -> Document:
    """Parse JSON text; `path` is only for messages, which place values by their keys. Raises ProblemsFoundError."""
    try:
        return Document(path, json.loads(text, object_pairs_hook=no_twins), None)
    except (ValueError, RecursionError) as error:
        at = (error.lineno, error.colno) if isinstance(error, json.JSONDecodeError) else (0, 0)
        reason = one_line(error.msg if isinstance(error, json.JSONDecodeError) else error, 80)
        raise stop("not-json", f"this is not JSON: {reason}", where=Where(path, *at), hint=hint) from None


@cache
def adapter(kind: Any) -> TypeAdapter[Any]:
    """A cached validator for a type: building one takes a hundred times as long as using it."""
    return TypeAdapter(kind)


def check_schema(document: Document, schema: str) -> None:
    """Raise ProblemsFoundError if a file does not have the schema `schema`."""
    found = document.data.get("schema", "missing") if isinstance(document.data, dict) else "missing"
    if found != schema:
        where, hint = document.where(("schema",)), f"the first line should be 'schema: {schema}'"
        raise stop("schema", f"schema is {one_line(found, 40)}", where=where, hint=hint)


def read_file(document: Document, model: type[Model], schema: str, context: Any = None) -> Model:
    """Validate a whole file of a schema as `model`, a model or dataclass. `context`: for its validators.

    Raises ProblemsFoundError with every fault.
    """
    check_schema(document, schema)
    try:
        bare = {key: value for key, value in document.data.items() if key != "schema"}
        kind: Any = model
        read: Model = adapter(kind).validate_python(bare, context=context)
        return read
    except ValidationError as error:
        raise ProblemsFoundError(problems_of(error, document, (), model, Hints())) from None


def problems_of(
    error: ValidationError, document: Document, loc: Location, model: type[Any], hints: Hints
) -> Iterator[Problem]:
    """Yield a pydantic error in a fitter's words, one problem per fault, each at its line and column."""
    for fault in error.errors(include_url=False):
        at: Location = (*loc, *(part for part in fault["loc"] if part != "[key]"))
        key = one_line(at[-1], 50) if len(at) > len(loc) else ""
        kind, context = fault["type"], fault.get("ctx", {})
        if kind == "too_short" and len(fault["input"]) >= context["min_length"]:
            continue  # there are enough, but some are faulty and reported themselves
        if kind == "missing":
            yield Problem("missing", f"'{key}' is missing", document.where(at[:-1]))
        elif kind in ("extra_forbidden", "unexpected_keyword_argument"):
            known = _keys_at(model, at[len(loc) : -1])
            hint = hints.near(key, known) or (f"known here: {', '.join(known)}" if known else "")
            where = document.where_key(at[:-1], str(at[-1]))
            yield Problem("unknown-key", f"'{key}' is not a key here", where, hint)
        else:
            code, text, hint = _FAULTS.get(kind, ("value", "{key}: {reason}", ""))
            if "message" in context:  # from `wrong`
                code, text, hint = kind, "{message}", context.get("hint", "")
            named = key if key and isinstance(at[-1], str) else ""
            if document.root is None:  # JSON: its lines and columns are not known
                named = one_line(".".join(map(str, at)), 80)
                text = f"{named}: {text}" if named and "{key}" not in text else text
            reason = one_line(fault["msg"].removeprefix("Value error, ").removeprefix("Input should be "))
            words = {
                "key": f"'{named}'" if named else "this",
                "value": quoted(fault["input"]),
                "reason": reason,
                **context,
            }
            of_key = fault["loc"][-1:] == ("[key]",)
            where = document.where_key(at[:-1], str(at[-1])) if of_key else document.where(at)
            yield Problem(code, text.format(**words), where, hint)


_BLOCK = ("type", "{key} must be a block of 'key: value' lines, not {value}", "")
_LIST = ("type", "{key} must be a list, not {value}", "write '- ' items, or [one, two]")
_NUMBER = ("type", "{key} must be a number, not {value}", "")
_WHOLE_NUMBER = ("type", "{key} must be a whole number, not {value}", "")
_SHORT = ("value", "{key} is too short", "say at least one thing")
_BOUND = ("value", "{key} must be {reason}, not {value}", "")
# pydantic error type to a code, a sentence and a hint
_FAULTS: Mapping[str, tuple[str, str, str]] = {
    "literal_error": ("value", "{value} is not one of {expected}", ""),
    "value_error": ("value", "{reason}", ""),
    "string_pattern_mismatch": ("id", "{value} is not an id", "lower-case words joined by hyphens, like flat-seat"),
    "string_type": ("type", "{key} must be text, not {value}", "put it in quotes"),
    **dict.fromkeys(("tuple_type", "list_type"), _LIST),
    **dict.fromkeys(("mapping_type", "dict_type", "model_type", "model_attributes_type", "dataclass_type"), _BLOCK),
    **dict.fromkeys(("float_type", "float_parsing", "finite_number"), _NUMBER),
    **dict.fromkeys(("int_type", "int_from_float", "int_parsing"), _WHOLE_NUMBER),
    **dict.fromkeys(("too_short", "string_too_short"), _SHORT),
    "too_long": ("too-many", "there are more than {max_length} of them", "is it the right file?"),
    "string_too_long": ("value", "{key} is longer than {max_length} characters", ""),
    **dict.fromkeys(("greater_than", "greater_than_equal", "less_than_equal"), _BOUND),
}


def quoted(value: object) -> str:
    """A wrong value as quoted in a message."""
    if isinstance(value, dict | list):
        return "a list" if isinstance(value, list) else "a block of 'key: value' lines"
    return "nothing" if value is None else f"'{one_line(value, 40)}'"


def _keys_at(model: type[Any], loc: Location) -> list[str]:
    """The known keys at a location inside `model`."""
    current: type[Any] | None = model
    for part in loc:
        if not isinstance(part, str) or current is None:
            continue
        if name := keys_of(current).get(part):  # else the key of a mapping to such models
            current = _model_in(get_type_hints(current)[name])
    return list(keys_of(current)) if current else []


def keys_of(model: type[Any]) -> Mapping[str, str]:
    """The keys in a file, with their field names, of a model or of a dataclass that pydantic reads."""
    if issubclass(model, BaseModel):
        return {info.alias or name: name for name, info in model.model_fields.items()}
    hints = get_type_hints(model, include_extras=True)
    alias = {name: [one.alias for one in getattr(hints[name], "__metadata__", ()) if isinstance(one, FieldInfo)]
             for name in (field.name for field in fields(model))}  # fmt: skip
    return {next(filter(None, found), name): name for name, found in alias.items()}


def _model_in(annotation: Any) -> type[Any] | None:
    if isinstance(annotation, type) and (issubclass(annotation, BaseModel) or is_dataclass(annotation)):
        return annotation
    for inner in getattr(annotation, "__args__", ()):
        if (found := _model_in(inner)) is not None:
            return found
    return None


# -- writing -----------------------------------------------------------------------------------------------------------


class AsItIs(str):
    """A text written verbatim: a whole number, or text already quoted."""


def file_text(rows: Mapping[str, Any], figure: Callable[[float], str]) -> str:
    """The text of a file, without empty values; mappings and tuples get a line per item. `figure`: formats numbers."""
    text = ""
    for key, value in rows.items():
        inner: Iterable[str] = ()
        if isinstance(value, Mapping):
            inner = (f"{name}: {_on_one_line(one, figure)}" for name, one in value.items() if one not in ({}, None))
        elif isinstance(value, tuple):
            inner = (f"- {_on_one_line(one, figure)}" for one in value)
        elif value not in (None, "", []):
            text += f"{key}: {_on_one_line(value, figure)}\n"
        below = "".join(f"  {line}\n" for line in inner)
        text += f"{key}:\n{below}" if below else ""
    return text


def _on_one_line(value: Any, figure: Callable[[float], str]) -> str:
    """A value as YAML on one line, without empty values of a mapping or dataclass."""
    match value:
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return figure(value)
        case date():
            return value.isoformat()
        case str():
            plain = isinstance(value, AsItIs) or (_PLAIN.match(value) and scalar(value) == value)
            return value if plain else json.dumps(value, ensure_ascii=False)
        case list():
            return f"[{', '.join(_on_one_line(item, figure) for item in value)}]"
        case Mapping():
            pairs = ((key, _on_one_line(inner, figure)) for key, inner in value.items() if inner not in (None, ""))
            return "{" + ", ".join(f"{key}: {text}" for key, text in pairs) + "}"
    return _on_one_line({key: getattr(value, name) for key, name in keys_of(type(value)).items()}, figure)
