"""Reading a rule base folder: files parsed strictly, every id and word looked up, all faults reported at once."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from functools import cache as cached
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from fitdiag.knowledge import cache
from fitdiag.knowledge.about import About, Vocabulary, Words, WordTable
from fitdiag.knowledge.basics import Names
from fitdiag.knowledge.folders import default_rules, shared_folder
from fitdiag.knowledge.garment import Garment
from fitdiag.knowledge.model import KINDS, Cause, Kind, RuleBase
from fitdiag.knowledge.reading import Location, Places, problems_of
from fitdiag.knowledge.strict_yaml import Document, parse_yaml, read_text
from fitdiag.problems import Hints, Problem, ProblemsFoundError, Where, one_line, shown_path, stop

Model = TypeVar("Model", bound=BaseModel)
MOST_FILES = 5000
_SETTINGS = ("stop_below_bits", "slight_weight", "worth_altering", "leave_alone_from")
_CHANCES = ("how_often", "base_rate", "seen_anyway", "how_well")  # tables of chances; the others hold factors


@dataclass
class _Reading:
    """What has been read so far: raw rules, declared names, and every problem found."""

    folder: Path
    problems: list[Problem] = field(default_factory=list)
    raw: list[tuple[Kind, Document, Location, Any]] = field(default_factory=list)
    # every id that a file gives a rule, even one that could not be read
    declared: dict[str, set[str]] = field(default_factory=lambda: {kind.called: set() for kind in KINDS})
    # kinds of which a whole file could not be read, so that its ids are unknown
    unread: set[str] = field(default_factory=set)
    owners: dict[str, str] = field(default_factory=dict)  # id to the kind that has it
    places: Places = field(default_factory=Places)
    digest: Any = field(default_factory=hashlib.sha256)

    def fault(self, code: str, message: str, where: Where, hint: str = "") -> None:
        self.problems.append(Problem(code, message, where, hint))

    def document(self, path: Path) -> Document | None:
        try:
            text = read_text(path, what="rule file")
            inside = path.relative_to(self.folder) if path.is_relative_to(self.folder) else Path(path.name)
            self.digest.update(f"{inside.as_posix()}\n{text}\n".encode(errors="surrogateescape"))
            return parse_yaml(text, shown_path(path))
        except ProblemsFoundError as stopped:
            self.problems.extend(stopped.problems)
            return None

    def single(self, path: Path, model: type[Model]) -> Model | None:
        """Read a file that exists once; its place goes by its name. Names in it are not looked up yet."""
        if (document := self.document(path)) is None:
            return None
        self.places[path.name, ""] = (document, ())
        return self.validated(document, (), document.data, model, None)

    def folder_of(self, folder: Path) -> None:
        """Collect the raw rules of every kind below a folder, and their ids."""
        for kind in KINDS:
            for path in _files(folder, kind.files):
                document = self.document(path)
                declared = self.declared[kind.called]
                if kind.one_a_file:
                    declared.add(path.stem)
                if document is None or not (kind.one_a_file or isinstance(document.data, list)):
                    if not kind.one_a_file:
                        self.unread.add(kind.called)
                    if document is not None:
                        self.fault("not-a-list", "this file must be a list ('- ' items)", document.where())
                    continue
                items = (
                    [((), document.data)] if kind.one_a_file else [((n,), one) for n, one in enumerate(document.data)]
                )
                for loc, item in items:
                    self.raw.append((kind, document, loc, item))
                    declared.add(str(item.get("id")) if isinstance(item, dict) else "")

    def rule(self, kind: Kind, document: Document, loc: Location, data: Any, names: Names) -> Any:
        """Validate one rule and record its place; None if it has faults."""
        rule: Any = self.validated(document, loc, data, kind.model, names)
        if rule is None:
            return None
        if isinstance(rule, Cause):
            symptoms = [link.symptom for link in rule.shows]
            for index, symptom in enumerate(symptoms):
                if symptom in symptoms[:index]:  # which strength counts would be ambiguous
                    where = document.where((*loc, "shows", index, "symptom"))
                    self.fault("twice", f"'{rule.id}' shows '{symptom}' twice", where, "keep one link")
        name = rule.id if kind.has_ids else str(sum(called == kind.called for called, _ in self.places))
        at = document.where((*loc, "id"))
        if kind.one_a_file and name != Path(document.path).stem:
            self.fault("file-name", f"the id '{name}' is not the file's name", at, f"name the file {name}.yaml")
        if kind.has_ids and name in self.owners:
            message = f"'{name}' is taken by the {self.owners[name]} at {self.places.of(self.owners[name], name)}"
            self.fault("duplicate-id", message, at, "choose another id")
        if kind.has_ids:
            self.owners[name] = kind.called
        self.places[kind.called, name] = (document, loc)
        return rule

    def validated(
        self, document: Document, loc: Location, data: Any, model: type[Model], names: Names | None
    ) -> Model | None:
        if not isinstance(data, dict):
            self.fault("not-a-mapping", "here 'key: value' lines are expected", document.where(loc))
            return None
        try:
            return model.model_validate(data, context=names)
        except ValidationError as error:
            self.problems.extend(problems_of(error, document, loc, model, names.hints if names else Hints()))
            return None


def load_rules(folder: Path | None = None) -> RuleBase:
    """The rule base in `folder` (default: the shipped one). Raises ProblemsFoundError with every fault of every file."""
    place = folder or default_rules()
    if (known := cache.recall(place)) is not None:
        return known
    before = None
    with suppress(OSError):  # a dangling link among the files, say: then nothing is cached
        if (place / "rulebase.yaml").is_file():  # never walk a folder that holds no rules; it may be the whole disk
            before = cache.stamp(place)
    base, problems = read_rules(place)
    if problems or base is None:
        raise ProblemsFoundError(problems)
    if before is not None:
        cache.remember(place, base, before)
    return base


def read_rules(folder: Path) -> tuple[RuleBase | None, list[Problem]]:
    """Read a rule base; None if its heads could not be read. Also return every fault found."""
    _refuse_no_folder(folder)
    reading = _Reading(folder)
    about = reading.single(folder / "rulebase.yaml", About)
    shared = _shared(reading, about)
    words_in = folder if shared is None or (folder / "words.yaml").exists() else shared
    words = reading.single(words_in / "words.yaml", Words)
    garment = reading.single(folder / "garment.yaml", Garment) if (folder / "garment.yaml").exists() else None
    heads = [(*reading.places[file, ""], type(head)) for file, head in
             (("rulebase.yaml", about), ("words.yaml", words), ("garment.yaml", garment)) if head is not None]  # fmt: skip
    if shared is not None and about is not None:
        about = _with_vocabulary(about, reading.single(shared / "vocabulary.yaml", Vocabulary))
        reading.folder_of(shared)
    of_shared = len(reading.raw)
    reading.folder_of(folder)
    names = _names(reading, about, words, garment)
    for document, loc, model in heads:
        reading.validated(document, loc, document.data, model, names)
    rules: dict[str, list[Any]] = {kind.called: [] for kind in KINDS}
    for number, (kind, document, loc, data) in enumerate(reading.raw):
        if number == of_shared:
            reading.places.shared.update(reading.places)
        if (rule := reading.rule(kind, document, loc, data, names)) is not None:
            rules[kind.called].append(rule)
    base = None
    if about is not None and words is not None:
        tables = {kind.table: kind.tabled(rules[kind.called]) for kind in KINDS}
        reading.places.used = names.used
        base = RuleBase(
            about=about, words=words, garment=garment, places=reading.places,
            fingerprint=reading.digest.hexdigest()[:16], **tables,
        )  # fmt: skip
        reading.problems.extend(_words(reading, base))
    return base, sorted(reading.problems, key=lambda problem: (problem.where or Where(""), problem.message))


def _names(reading: _Reading, about: About | None, words: Words | None, garment: Garment | None) -> Names:
    """The known names of each kind; a kind that could not be read is left out, so nothing of it is looked up."""
    known: dict[str, Collection[str]] = {
        kind: ids for kind, ids in reading.declared.items() if kind not in reading.unread
    }
    if about is not None:
        known |= {"stage": about.stages, "seam in rulebase.yaml": about.seams}
    if words is not None:
        known |= {
            "how-often word": words.how_often.words, "base-rate word": words.base_rate.words,
            "seen-anyway word": words.seen_anyway.words, "more-or-less word": words.more_or_less.words,
            "how-well word": words.how_well.words, "word for how the answer is got": words.cost.words,
        }  # fmt: skip
    return Names(known, cached(garment.part_names)) if garment is not None else Names(known)


def _shared(reading: _Reading, about: About | None) -> Path | None:
    """The folder these rules share with those of other garments; None if they share none."""
    if about is None or about.shares is None:
        return None
    with suppress(OSError):
        if (folder := shared_folder(reading.folder)) is not None and folder.is_dir():
            return folder
    where = reading.places["rulebase.yaml", ""][0].where(("shares",))
    reading.fault("no-folder", f"there is no folder '{about.shares}' beside this one", where)
    return None


def _with_vocabulary(about: About, words: Vocabulary | None) -> About:
    if words is None:
        return about
    alike = {word: (*words.alike.get(word, ()), *about.alike.get(word, ())) for word in {**words.alike, **about.alike}}
    rest = {name: (*getattr(words, name), *getattr(about, name)) for name in ("opposites", "places", "poses")}
    return about.model_copy(update={"alike": alike, **rest})


def _refuse_no_folder(folder: Path) -> None:
    where, hint = Where(shown_path(folder)), "give a folder like rules/trousers"
    try:
        if not folder.is_dir():
            raise stop("no-folder", "there is no such rule folder", where=where, hint=hint)
        if not (folder / "rulebase.yaml").exists():
            raise stop("no-folder", "this is not a rule folder: it has no rulebase.yaml", where=where, hint=hint)
    except OSError as error:
        reason = one_line(error.strerror or error)
        raise stop("no-folder", f"this folder cannot be read: {reason}", where=where, hint=hint) from None


def _files(folder: Path, pattern: str) -> list[Path]:
    """The rule files that match a pattern, sorted. Names with a leading dot are leftovers of editors and file systems."""
    paths = sorted(
        path
        for path in folder.glob(pattern)
        if path.suffix == ".yaml" and path.name[0] != "." and not path.name.endswith(".cases.yaml")
    )
    if len(paths) > MOST_FILES:
        raise stop("too-many-files", f"more than {MOST_FILES} files match {pattern}", where=folder)
    return paths


def _words(reading: _Reading, base: RuleBase) -> Iterator[Problem]:
    """Faults in the numbers of words. No rule base works with these, so they count as reading faults."""
    document, _ = reading.places["words.yaml", ""]
    for name in Words.model_fields:
        table: WordTable = getattr(base.words, name)
        # so that no product of a hundred of them runs into 0 or out of the range of a float
        low, high = (0.001, 0.999) if name in _CHANCES else (0.0001, 100.0) if name == "settings" else (0.01, 100.0)
        for word, number in table.words.items():
            if not low <= number <= high:  # also refuses NaN
                message = f"{name}: '{one_line(word, 40)}' is {number:g}"
                yield Problem("number", message, document.where((name, "words", word)), f"between {low:g} and {high:g}")
    for name, needed in (("settings", _SETTINGS), ("body_grades", ("some", "marked"))):
        for word in needed:
            if word not in getattr(base.words, name).words:
                yield Problem("missing", f"{name}: '{word}' is missing", document.where((name, "words")))
