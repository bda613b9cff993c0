"""Results of what takes long and depends on what goes into it alone, kept for all tests, workers and children of a run."""

from __future__ import annotations

import hashlib
import importlib
import os
import pickle
from collections.abc import Callable, Iterable
from functools import wraps
from inspect import unwrap
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fitdiag.diagnosis.belief import Diagnosis
from fitdiag.interview import engine
from fitdiag.knowledge.findings import Findings
from fitdiag.pattern.piece import Pattern
from fitdiag.sessions import state
from fitdiag.sessions.state import Conclusion

FOR_ALL = (
    "reports.fitter turning_answers", "reports.client_pdf client_pdf", "reports.shot_card card_pdf", "cli.photo measure_all",
    "cli.photo_read measure_all", "cli.photo overlay", "cli.photo_read proposals", "reports.sheet pictures_of",
)  # fmt: skip


def put_on(shelf: Path, places: Iterable[str], patch: pytest.MonkeyPatch) -> None:
    """Functions, each as `module name`, whose results are kept on the shelf."""
    for place in places:
        module, name = place.split()
        held = importlib.import_module(f"fitdiag.{module}")
        patch.setattr(held, name, shelved(shelf, name, getattr(held, name)))


def shelved(shelf: Path, name: str, real: Callable[..., object]) -> Callable[..., object]:
    """A function whose results are kept by what goes into it: in a file, for children come and go."""
    if hasattr(real, "shelf"):
        return real

    @wraps(real)
    def call(*given: object, **named: object) -> object:
        told = repr([name, [_told(item) for item in given], {key: _told(item) for key, item in named.items()}])
        assert " object at 0x" not in told, told  # the next process has another thing there
        place = shelf / hashlib.sha256(told.encode()).hexdigest()
        if place.exists():
            return pickle.loads(place.read_bytes())
        result = real(*given, **named)
        begun = place.with_suffix(f".{os.getpid()}")
        begun.write_bytes(pickle.dumps(result))
        begun.rename(place)
        return result

    call.shelf = shelf  # type: ignore[attr-defined]
    return call


def remembered(real: Callable[..., Any], most: int = 400) -> Callable[..., Any]:
    """A function of rules and findings that gives what it gave before for the same ones, in this process: its latest results.

    Rules and diagnoses are the same only if they are the very same object, so that rules changed by a test are others.
    """
    kept: dict[tuple[object, ...], tuple[object, Any]] = {}

    @wraps(real)
    def call(*given: object) -> Any:
        key = tuple(repr(item) if isinstance(item, Findings) else id(item) for item in given)
        if key not in kept:
            kept[key] = given, real(*given)  # what was given is held, so that nothing else gets its id
            if len(kept) > most:
                del kept[next(iter(kept))]
        return kept[key][1]

    return call


def remember_conclusions(patch: pytest.MonkeyPatch) -> None:
    """Hundreds of interviews go through the same first answers: each is weighed, planned and asked on from once."""
    for place, name in ((state, "Diagnosis"), (state, "make_plan"), (engine, "Choice")):
        patch.setattr(place, name, remembered(unwrap(getattr(place, name))))


def hurry_documents(shelf: Path, patch: pytest.MonkeyPatch) -> None:
    """Where documents only have to be there: whether three open answers would turn the plan is tried, not whether 25 would, and
    the client's paper is set in one size of letters, not in smaller ones until it fits on fewer pages. Both take most of a round."""
    from fitdiag.reports import client_pdf, fitter

    patch.setattr(fitter, "MOST_TRIED", 3)
    patch.setattr(client_pdf, "TRIES", ((99, (9.0,)),))
    for module, name in ((fitter, "turning_answers"), (client_pdf, "client_pdf")):
        patch.setattr(module, name, shelved(shelf, f"hurried {name}", unwrap(getattr(module, name))))


def _told(item: object) -> object:
    """What goes into a function, so that it tells one from another: content, not identity."""
    if isinstance(item, Path):
        return hashlib.sha256(item.read_bytes()).hexdigest() if item.is_file() else str(item)
    if isinstance(item, np.ndarray):
        return hashlib.sha256(item.tobytes()).hexdigest(), item.shape
    if isinstance(item, Pattern):
        return hashlib.sha256(pickle.dumps(item)).hexdigest()
    if isinstance(item, list | tuple):
        return [_told(inner) for inner in item]
    if isinstance(item, Conclusion):
        return item.diagnosis.findings, item.plan  # the rest of it follows from the rules
    if isinstance(item, Diagnosis):
        return item.findings
    if callable(item):
        return None
    return getattr(item, "fingerprint", None) or getattr(getattr(item, "order", None), "fingerprint", None) or item
