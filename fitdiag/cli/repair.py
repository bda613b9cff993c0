"""`fitdiag case repair`: the files of a case are made again from the logs of its rounds; other commands do so silently."""

from __future__ import annotations

from pathlib import Path

from fitdiag.cli.arguments import folder_of
from fitdiag.cli.case_list import case_folder
from fitdiag.cli.documents import documents_again
from fitdiag.cli.output import counted, say, say_all
from fitdiag.files import disk, write_atomically
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import read_yaml
from fitdiag.problems import ProblemsFoundError, shown_path
from fitdiag.sessions.case import alone, open_case
from fitdiag.sessions.case_files import LARGEST, ROUND_FILE, Case, Round, round_in
from fitdiag.sessions.case_list import CASE_FILE
from fitdiag.sessions.recovery import sweep_case
from fitdiag.sessions.round_log import RoundLog, digest, make_files, round_text_in_log, settle
from fitdiag.units import Units

_ROUNDS = "round-[0-9][0-9]"


def repair(name: str, given: str | None, rules: str | None) -> int:
    """Make again what is missing or damaged in a case, and say what was made and what cannot be."""
    folder = case_folder(name, given)
    base = load_rules(folder_of(rules, folder / CASE_FILE))
    missing = [inner / ROUND_FILE for inner in sorted(folder.glob(_ROUNDS)) if not (inner / ROUND_FILE).exists()]
    with alone(folder):
        swept = sweep_case(folder)
        left = f"Removed: {counted(swept, 'file')} left half written by a command that was killed."
        told = [left] if swept else []
        for path in missing:
            settle(path.parent)
        told += [f"Made again: {shown_path(path)}" for path in missing if path.exists()]
        told += _damaged(folder)
        case = open_case(folder)
        told += [f"Made again: {shown_path(path)}" for path in made_again(base, case)]
    lost = _lost(case)
    say_all([*told, *lost])
    if not told and not lost:
        say(f"Nothing to repair: every file of {case.name} is there.")
    return 1 if lost else 0


def opened(name: str, given: str | None, rules: str | None = None) -> tuple[RuleBase, Case]:
    """The rules and the case meant; what is missing in it is made again, unless the case cannot be written now."""
    folder = case_folder(name, given)
    base = load_rules(folder_of(rules, folder / CASE_FILE))
    open_case(folder)  # what is no case, or a link, is not touched
    try:
        with alone(folder):
            made_again(base, open_case(folder))
    except ProblemsFoundError as stopped:
        if stopped.problems[0].code not in ("cannot-save", "in-use", "log-in-use"):
            raise
    return base, open_case(folder)


def made_again(base: RuleBase, case: Case) -> list[Path]:
    """Make the files again that are missing in the rounds of a case. Under the case's lock."""
    made: list[Path] = []
    for one in case.rounds:
        if not one.log_file.exists():
            continue
        made += make_files(one, base, case.units, missing_only=True)
        made += _overlays(base, one, case.body_measures.get("hip"), case.units)
        made += documents_again(base, case, one.number)
    return made


def _overlays(base: RuleBase, one: Round, girth_mm: float | None, units: Units) -> list[Path]:
    """The drawn-on copies, where the pictures and marks that were measured are still these."""
    line = RoundLog.of(one).last("measured")
    held = line.get("pictures") if line is not None else None
    if not isinstance(held, dict):
        return []
    from fitdiag.cli.photo import drawn_on, measure_inside, sidecar

    pictures = sorted(path for path in one.photos.glob("*.jpg") if path.name in held)
    same = len(pictures) == len(held) and all(
        sidecar(path).exists() and held[path.name] == [digest(path.read_bytes()), digest(sidecar(path).read_bytes())]
        for path in pictures
    )
    missing = [drawn_on(path) for path in pictures if not drawn_on(path).exists()]
    if not same or not missing:
        return []
    measure_inside(base, pictures, girth_mm, units, quiet=True)
    return missing


def _damaged(folder: Path) -> list[str]:
    """A `round.yaml` that cannot be read is put aside, if the log knows what stood in it."""
    told: list[str] = []
    for inner in sorted(folder.glob(_ROUNDS)):
        path = inner / ROUND_FILE
        try:
            if path.exists():
                round_in(read_yaml(path, LARGEST, "round"), int(inner.name[-2:]), inner)
            continue
        except ProblemsFoundError as stopped:
            text = round_text_in_log(inner)
            if text is None:
                raise
            aside = next(p for n in range(1, 1000) if not (p := path.with_name(f"{ROUND_FILE}.damaged-{n}")).exists())
            disk.rename(path, aside)
            write_atomically(path, text)
            told.append(f"Made again: {shown_path(path)}; it could not be read: {stopped.problems[0].message}.")
            told.append(f"What stood there is kept in {shown_path(aside)}.")
    return told


def _lost(case: Case) -> list[str]:
    """What was taken in and is not there any more, so that it cannot be made again."""
    if case.consent.removed:
        return []
    return [
        f"{shown_path(one.photos / name)} was taken in and is not there any more; take it in again if you still have it."
        for one in case.rounds
        for name in RoundLog.of(one).pictures
        if not (one.photos / name).exists()
    ]
