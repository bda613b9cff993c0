"""Reads a rule base folder: every file strictly, every id and word that a rule refers to looked up, all faults at once."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache as cached
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin, get_type_hints

from pydantic import BaseModel, ValidationError

from fitdiag.knowledge import cache
from fitdiag.knowledge.about import About, Vocabulary
from fitdiag.knowledge.basics import Ref
from fitdiag.knowledge.folders import default_rules, shared_folder, shipped
from fitdiag.knowledge.garment import Garment
from fitdiag.knowledge.model import (
    Alteration,
    BodyNote,
    Cause,
    EaseTable,
    Everyday,
    Order,
    Renamed,
    RestRow,
    RuleBase,
    SlopeRow,
    Source,
    Symptom,
    Words,
    source_key,
)
from fitdiag.knowledge.reading import Location, problems_of
from fitdiag.knowledge.simulated import Cloth, SimulatedSign
from fitdiag.knowledge.strict_yaml import Document, parse_yaml, read_text
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line, shown_path, stop

__all__ = ["Places", "default_rules", "load_garment", "load_rules", "read_rules", "references", "shipped"]
_KINDS: Mapping[type[BaseModel], str] = {
    Source: "source", BodyNote: "body note", Symptom: "symptom", Cause: "cause", Alteration: "alteration",
    EaseTable: "ease table", Cloth: "cloth", SimulatedSign: "simulated sign",
}  # fmt: skip
_ROWS: Mapping[type[BaseModel], str] = {
    Order: "order",
    SlopeRow: "slope",
    RestRow: "rest",
    Renamed: "renamed",
    Everyday: "everyday",
}  # without ids
MOST_FILES = 5000
_SETTINGS = ("stop_below_bits", "another_view", "slight_weight", "worth_altering", "leave_alone_from")
_CHANCE, _FACTOR = (0.001, 0.999), (0.01, 100.0)
_LIMITS: Mapping[str, tuple[float, float]] = {
    "how_often": _CHANCE, "base_rate": _CHANCE, "seen_anyway": _CHANCE, "how_well": _CHANCE,
    "more_or_less": _FACTOR, "body_grades": (0.1, 5.0), "cost": _FACTOR, "settings": (0.0001, 100.0),
}  # fmt: skip  # so that no product of a hundred of them runs into 0 or out of the range of a float


class Places(dict[tuple[str, str], Where]):
    """(kind, id) to the place of each rule; kept with the documents, so that places inside a rule can be told too."""

    def __init__(self) -> None:
        super().__init__()
        self.documents: dict[tuple[str, str], tuple[Document, Location]] = {}
        self.shared: set[tuple[str, str]] = set()  # those of the shared folder, which other garments use as well

    def inside(self, kind: str, rule_id: str, loc: Location) -> Where | None:
        """The place of a value inside a rule, by its keys and indexes as they stand in the file."""
        if (found := self.documents.get((kind, rule_id))) is None:
            return self.get((kind, rule_id))
        document, start = found
        return document.where((*start, *loc))


@dataclass
class _Reading:
    """What has been read so far: rules by kind, where they stand, and every problem met on the way."""

    folder: Path
    shared: bool = False  # the folder that is read just now is the shared one
    problems: list[Problem] = field(default_factory=list)
    rules: dict[str, dict[str, Any]] = field(default_factory=lambda: {kind: {} for kind in _KINDS.values()})
    rows: dict[str, list[Any]] = field(default_factory=lambda: {name: [] for name in _ROWS.values()})
    declared: dict[str, set[str]] = field(default_factory=lambda: {kind: set() for kind in _KINDS.values()})
    # kinds of which a whole file could not be read: there is no telling what is in it
    unread: set[str] = field(default_factory=set)
    owners: dict[str, tuple[str, Where]] = field(default_factory=dict)
    places: Places = field(default_factory=Places)
    hints: Hints = field(default_factory=Hints)
    documents: list[tuple[Document, Location, Any]] = field(default_factory=list)
    digest: Any = field(default_factory=hashlib.sha256)

    def document(self, path: Path) -> Document | None:
        try:
            text = read_text(path, what="rule file")
            inside = path.relative_to(self.folder) if path.is_relative_to(self.folder) else Path(path.name)
            self.digest.update(f"{inside.as_posix()}\n{text}\n".encode(errors="surrogateescape"))
            return parse_yaml(text, shown_path(path))
        except ProblemsFoundError as stopped:
            self.problems.extend(stopped.problems)
            return None


def load_rules(folder: Path | None = None) -> RuleBase:
    """The rule base in `folder` (default: the shipped one). Raises ProblemsFoundError with every fault of every file."""
    place = folder or default_rules()
    if (known := cache.recall(place)) is not None:
        return known
    before = None
    with suppress(OSError):  # a link to nowhere among the files, say: then nothing is kept
        if (place / "rulebase.yaml").is_file():  # never walk a folder that holds no rules; it may be the whole disk
            before = cache.stamp(place)
    base, problems = read_rules(place)
    if problems or base is None:
        raise ProblemsFoundError(problems)
    if before is not None:
        cache.remember(place, base, before)
    return base


def load_garment(folder: Path) -> Garment:
    """The garment of a folder that holds no rules yet, only its `garment.yaml`. Raises ProblemsFoundError with its faults."""
    reading = _Reading(folder)
    garment = _single(reading, folder, "garment.yaml", Garment)
    if reading.problems or not isinstance(garment, Garment):
        raise ProblemsFoundError(reading.problems)
    return garment


def read_rules(folder: Path) -> tuple[RuleBase | None, list[Problem]]:
    """The rule base, if its files could be read at all, and every fault found (empty when all is well)."""
    _refuse_no_folder(folder)
    reading = _Reading(folder)
    about = _single(reading, folder, "rulebase.yaml", About)
    if isinstance(about, About):
        reading.documents.append((reading.places.documents["rulebase.yaml", ""][0], (), about))
    shared = _shared(reading, about)
    words_in = folder if shared is None or (folder / "words.yaml").exists() else shared
    words = _single(reading, words_in, "words.yaml", Words)
    garment = _single(reading, folder, "garment.yaml", Garment) if (folder / "garment.yaml").exists() else None
    if shared is not None and isinstance(about, About):
        about = _with_vocabulary(about, _single(reading, shared, "vocabulary.yaml", Vocabulary))
        reading.shared = True
        _all_of(reading, shared)
        reading.shared = False
    _all_of(reading, folder)
    base = None
    if isinstance(about, About) and isinstance(words, Words):
        base = RuleBase(
            about=about,
            words=words,
            sources=reading.rules["source"],
            body_notes=reading.rules["body note"],
            symptoms=reading.rules["symptom"],
            causes=reading.rules["cause"],
            alterations=reading.rules["alteration"],
            order=tuple(reading.rows["order"]),
            slopes=tuple(reading.rows["slope"]),
            rests=tuple(reading.rows["rest"]),
            renamed=tuple(reading.rows["renamed"]),
            everyday=tuple(reading.rows["everyday"]),
            ease=reading.rules["ease table"],
            cloths=reading.rules["cloth"],
            simulated_signs=reading.rules["simulated sign"],
            fingerprint=reading.digest.hexdigest()[:16],
            garment=garment if isinstance(garment, Garment) else None,
            places=reading.places,
        )
        _look_up_references(reading, base)
    return base, sorted(reading.problems, key=lambda problem: (problem.where or Where(""), problem.message))


def _shared(reading: _Reading, about: BaseModel | None) -> Path | None:
    """The folder these rules share with those of other garments; None if they share none."""
    if not isinstance(about, About) or about.shares is None:
        return None
    with suppress(OSError):
        if (folder := shared_folder(reading.folder)) is not None and folder.is_dir():
            return folder
    where = reading.places.documents["rulebase.yaml", ""][0].where(("shares",))
    reading.problems.append(Problem("no-folder", f"there is no folder '{about.shares}' beside this one", where))
    return None


def _with_vocabulary(about: About, words: BaseModel | None) -> About:
    if not isinstance(words, Vocabulary):
        return about
    alike = {word: (*words.alike.get(word, ()), *about.alike.get(word, ())) for word in {**words.alike, **about.alike}}
    rest = {name: (*getattr(words, name), *getattr(about, name)) for name in ("opposites", "places", "poses")}
    return about.model_copy(update={"alike": alike, **rest})


def _all_of(reading: _Reading, folder: Path) -> None:
    for files, read, model in _LAYOUT:
        for path in _files(folder, files):
            if not path.name.endswith(".cases.yaml"):
                read(reading, path, model)


def _refuse_no_folder(folder: Path) -> None:
    where, hint = Where(shown_path(folder)), "give a folder like rules/trousers"
    try:
        if not folder.is_dir():
            raise stop("no-folder", "there is no such rule folder", where=where, hint=hint)
        if not (folder / "rulebase.yaml").exists():
            raise stop("no-folder", "this is not a rule folder: it has no rulebase.yaml", where=where, hint=hint)
    except OSError as error:
        told = one_line(error.strerror or error)
        raise stop("no-folder", f"this folder cannot be read: {told}", where=where, hint=hint) from None


def _files(folder: Path, pattern: str) -> list[Path]:
    """The files of a pattern. Names with a leading dot are not rules but what editors and file systems leave behind."""
    found = sorted(path for path in folder.glob(pattern) if path.suffix == ".yaml" and path.name[0] != ".")
    if len(found) > MOST_FILES:
        raise stop("too-many-files", f"more than {MOST_FILES} files match {pattern}", where=folder)
    return found


def _single(reading: _Reading, folder: Path, name: str, model: type[BaseModel]) -> BaseModel | None:
    document = reading.document(folder / name)
    if document is None:
        return None
    reading.places.documents[name, ""] = (document, ())
    return _validated(reading, document, (), document.data, model)


def _one(reading: _Reading, path: Path, model: type[BaseModel]) -> None:
    if (document := reading.document(path)) is None:
        reading.declared[_KINDS[model]].add(path.stem)
        return
    rule = _keep(reading, document, (), document.data, model)
    if rule is None:
        reading.declared[_KINDS[model]].add(path.stem)
    elif rule.id != path.stem:
        where = document.where(("id",))
        reading.problems.append(
            Problem("file-name", f"the id '{rule.id}' is not the file's name", where, f"name the file {rule.id}.yaml")
        )


def _list_of(reading: _Reading, path: Path, model: type[BaseModel]) -> None:
    document = reading.document(path)
    if document is None or not isinstance(document.data, list):
        reading.unread.add(_KINDS.get(model, ""))
        if document is not None:
            reading.problems.append(Problem("not-a-list", "this file must be a list ('- ' items)", document.where()))
        return
    for index, item in enumerate(document.data):
        _keep(reading, document, (index,), item, model)


def _keep(reading: _Reading, document: Document, loc: Location, data: Any, model: type[BaseModel]) -> Any:
    kind = _KINDS.get(model)
    declared = data.get("id") if isinstance(data, dict) else None
    if kind and isinstance(declared, str):
        reading.declared[kind].add(declared)
    rule: Any = _validated(reading, document, loc, data, model)
    if rule is None:
        return None
    reading.documents.append((document, loc, rule))
    if kind is None:
        name = _ROWS[model]
        rows = reading.rows[name]
        reading.places[name, str(len(rows))] = document.where(loc)
        rows.append(rule)
        return rule
    if isinstance(rule, Cause):
        symptoms = [link.symptom for link in rule.shows]
        for index, symptom in enumerate(symptoms):
            if symptom in symptoms[:index]:  # no telling which strength counts, so nothing can be worked out
                where = document.where((*loc, "shows", index, "symptom"))
                told = f"'{rule.id}' shows '{symptom}' twice"
                reading.problems.append(Problem("twice", told, where, "keep one link"))
    where = document.where((*loc, "id"))
    if rule.id in reading.owners:
        other_kind, other = reading.owners[rule.id]
        reading.problems.append(
            Problem("duplicate-id", f"'{rule.id}' is taken by the {other_kind} at {other}", where, "choose another id")
        )
    reading.owners[rule.id] = (kind, where)
    reading.places[kind, rule.id] = where
    if reading.shared:
        reading.places.shared.add((kind, rule.id))
    reading.places.documents[kind, rule.id] = (document, loc)
    reading.rules[kind][rule.id] = rule
    return rule


def _validated(
    reading: _Reading, document: Document, loc: Location, data: Any, model: type[BaseModel]
) -> BaseModel | None:
    if not isinstance(data, dict):
        reading.problems.append(Problem("not-a-mapping", "here 'key: value' lines are expected", document.where(loc)))
        return None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        reading.problems.extend(problems_of(error, document, loc, model, reading.hints))
        return None


_LAYOUT: tuple[tuple[str, Callable[[_Reading, Path, type[BaseModel]], None], type[BaseModel]], ...] = (
    ("sources*.yaml", _list_of, Source),
    ("body-notes*.yaml", _list_of, BodyNote),
    ("symptoms/*.yaml", _list_of, Symptom),
    ("causes/**/*.yaml", _one, Cause),
    ("alterations/**/*.yaml", _one, Alteration),
    ("order*.yaml", _list_of, Order),
    ("ease-tables*.yaml", _list_of, EaseTable),
    ("cloths*.yaml", _list_of, Cloth),
    ("simulated-signs*.yaml", _list_of, SimulatedSign),
    ("slopes*.yaml", _list_of, SlopeRow),
    ("at-rest*.yaml", _list_of, RestRow),
    ("renamed*.yaml", _list_of, Renamed),
    ("everyday/*.yaml", _list_of, Everyday),
)


def _look_up_references(reading: _Reading, base: RuleBase) -> None:
    words = base.words
    known: dict[str, Iterable[str]] = {
        "seam": base.about.seams,
        "stage": base.about.stages,
        "how-often word": words.how_often.words,
        "base-rate word": words.base_rate.words,
        "seen-anyway word": words.seen_anyway.words,
        "more-or-less word": words.more_or_less.words,
        "how-well word": words.how_well.words,
        "word for how the answer is got": words.cost.words,
        **{kind: reading.declared[kind] for kind in _KINDS.values()},
    }
    for document, loc, rule in reading.documents:
        for at, kind, value in references(rule):
            if value not in known[kind] and kind not in reading.unread:
                told = f"there is no {kind} '{one_line(value, 60)}'"
                hint = reading.hints.near(value, known[kind])
                is_key = at[-1] == value and kind in reading.declared
                where = document.where_key((*loc, *at[:-1]), value) if is_key else document.where((*loc, *at))
                reading.problems.append(Problem("unknown-id", told, where, hint))
    reading.problems.extend(_words(reading, base))


@cached
def _annotations(model: type[BaseModel], mark: type[Ref]) -> list[tuple[str, str, Any]]:
    """Of each field that may refer to something: its name, its key in the file, and what is written there."""
    hints = get_type_hints(model, include_extras=True)
    fields = [(name, info.alias or name, hints[name]) for name, info in model.model_fields.items()]
    return [field for field in fields if _refers(field[2], mark)]


def _refers(annotation: Any, mark: type[Ref]) -> bool:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return bool(_annotations(annotation, mark))  # type: ignore[arg-type]
    marks = getattr(annotation, "__metadata__", ())
    return any(type(one) is mark for one in marks) or any(_refers(part, mark) for part in get_args(annotation))


def references(rule: BaseModel, mark: type[Ref] = Ref) -> Iterator[tuple[Location, str, str]]:
    """Every id and word a rule refers to: where in the rule, of what kind, and the id; as `mark` in the format says."""
    for name, key, annotation in _annotations(type(rule), mark):  # type: ignore[arg-type]
        yield from _referred((key,), getattr(rule, name), annotation, mark)


def _referred(loc: Location, value: Any, annotation: Any, mark: type[Ref]) -> Iterator[tuple[Location, str, str]]:
    if value is None:
        return
    if get_origin(annotation) in (Union, UnionType):  # X | None
        annotation = get_args(annotation)[0]
    inner = get_args(annotation)
    if isinstance(value, BaseModel):
        yield from (((*loc, *at), kind, found) for at, kind, found in references(value, mark))
    elif get_origin(annotation) is Annotated:
        if (ref := next((one for one in inner[1:] if type(one) is mark), None)) is not None:
            yield loc, ref.kind, source_key(value) if ref.kind == "source" else value
        else:
            yield from _referred(loc, value, inner[0], mark)
    elif isinstance(value, Mapping):
        for key, item in value.items():
            yield from _referred((*loc, key), key, inner[0], mark)
            yield from _referred((*loc, key), item, inner[1], mark)
    elif isinstance(value, tuple):
        for index, item in enumerate(value):
            yield from _referred((*loc, index), item, inner[0] if inner[-1] is ... else inner[index], mark)


def _words(reading: _Reading, base: RuleBase) -> Iterator[Problem]:
    """Faults of the words' numbers. Nothing can be worked out with these, so they count as faults of reading."""
    document, _ = reading.places.documents["words.yaml", ""]
    for name in Words.model_fields:
        table, (low, high) = getattr(base.words, name), _LIMITS[name]
        if source_key(table.source) not in reading.declared["source"] and "source" not in reading.unread:
            told = f"there is no source '{one_line(table.source, 60)}'"
            hint = reading.hints.near(source_key(table.source), reading.declared["source"])
            yield Problem("unknown-id", told, document.where((name, "source")), hint)
        for word, number in table.words.items():
            if not low <= number <= high:  # also refuses what is no number at all
                told = f"{name}: '{one_line(word, 40)}' is {number:g}"
                yield Problem("number", told, document.where((name, "words", word)), f"between {low:g} and {high:g}")
    for name, needed in (("settings", _SETTINGS), ("body_grades", ("some", "marked"))):
        for word in needed:
            if word not in getattr(base.words, name).words:
                yield Problem("missing", f"{name}: '{word}' is missing", document.where((name, "words")))
