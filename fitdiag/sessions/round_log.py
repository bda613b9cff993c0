"""The log of a round: whatever is taken in, measured, asked, advised and written is logged before it counts.

The files beside the log (`round.yaml`, `findings.yaml`, `form.txt`, `measured.yaml`, the documents) are made from it and can be
made again. Pictures and marks are compared by content, never by time. `round.yaml` may be edited by hand: the log holds its
text and the digest of the file before, so that an interrupted write can be told from an edit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from fitdiag.files import digest, read_bytes, write_all, write_atomically
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.findings_file import findings_text
from fitdiag.knowledge.model import RuleBase
from fitdiag.problems import ProblemsFoundError, one_line
from fitdiag.sessions.case_files import LARGEST, ROUND_FILE, Advised, Case, Round
from fitdiag.sessions.log import ABOUT_FILES, MEND, Event, Lines, SessionLog, apart, begin_log, mapped, read_log
from fitdiag.sessions.state import fold, found_in
from fitdiag.units import Units

MEASURED = "measured.yaml"
WORDS = "form.txt"
_FORM_WORDS = 480  # longest line of the client's words shown
Pictures = Mapping[str, Sequence[str]]  # name of a picture to the digests of its content and marks


class RoundLog(Lines):
    """The log of a round; empty if it has none."""

    @classmethod
    def of(cls, one: Round) -> RoundLog:
        """Read the log of a round. Raises ProblemsFoundError."""
        return cls(read_log(one.log_file).lines) if one.log_file.exists() else cls()

    @property
    def begun(self) -> bool:
        """Whether the questions have begun, so that they can go on."""
        return any(line["event"] not in ("start", "rules", "taken", "measured", *ABOUT_FILES) for line in self.lines)

    def last(self, kind: str) -> Event | None:
        return next((line for line in reversed(self.lines) if line["event"] == kind), None)

    def findings(self, base: RuleBase) -> Findings:
        """All findings so far, however they came."""
        return fold(self.events, base).findings

    @property
    def concluded(self) -> Event | None:
        """The latest conclusion, if nothing came after it."""
        session = [line for line in self.lines if line["event"] not in ABOUT_FILES]
        return session[-1] if session and session[-1]["event"] == "conclusion" else None

    @property
    def fresh(self) -> tuple[Event, ...]:
        """The lines since the last documents: what an interrupted command did, so that it is not done twice."""
        ends = [number for number, line in enumerate(self.lines, 1) if line["event"] == "documents"]
        return self.lines[ends[-1] if ends else 0 :]

    def taken(self, base: RuleBase) -> Findings | None:
        """Findings from forms and findings files; None without any."""
        return self._taken(len(self.lines), base)

    def _taken(self, until: int, base: RuleBase) -> Findings | None:
        came = [line for line in self.lines[:until] if line["event"] == "taken" and line.get("events") is not None]
        return fold((*self.lines[:1], *apart(came)), base).findings if came else None

    def measured(self, base: RuleBase) -> Findings | None:
        """Findings of the latest measuring of the pictures; None if never measured."""
        line = self.last("measured")
        return None if line is None else Findings({item.symptom: item for item in found_in(line, base)})

    def holds(self, pictures: Pictures) -> bool:
        """Whether the latest measuring was of exactly these pictures and marks."""
        return (self.last("measured") or {}).get("pictures") == {
            name: list(digests) for name, digests in pictures.items()
        }

    @property
    def words(self) -> list[str]:
        """The client's words in the forms of the round, line by line."""
        texts = [str(line.get("words") or "") for line in self.lines if line["event"] == "taken"]
        lines = dict.fromkeys(line for text in texts for line in text.splitlines())
        return [shown for line in lines if (shown := one_line(line, _FORM_WORDS))]

    @property
    def mail(self) -> str:
        """The mails of the round, without the forms."""
        lines = (line for line in self.lines if line["event"] == "taken" and not line.get("form"))
        return "\n\n".join(str(line.get("words") or "") for line in lines)

    @property
    def pictures(self) -> dict[str, str]:
        """The pictures taken in, name to digest."""
        came = (mapped(line, "pictures") for line in self.lines if line["event"] == "taken")
        return {name: str(content) for pictures in came for name, content in pictures.items()}

    def written(self, advised: Sequence[Advised]) -> bool:
        """Whether the latest documents hold this list."""
        return (self.last("documents") or {}).get("advised") == advised_list(advised)

    def unwritten(self, one: Round) -> list[Path]:
        """The documents that are missing or still an earlier version; one edited by the fitter is neither."""
        *earlier, last = [line["files"] for line in self.lines if line["event"] == "documents"] or [{}]
        paths = []
        for name, wanted in last.items():
            path = one.documents / name if name != one.plan_file.name else one.plan_file
            current = digest(path.read_bytes()) if path.is_file() else ""
            if not current or (current != wanted and any(files.get(name) == current for files in earlier)):
                paths.append(path)
        return paths

    def files(self, one: Round, base: RuleBase, units: Units) -> dict[Path, str]:
        """The files made from the log, path to text."""
        files: dict[Path, str] = {}
        for name, found in ((one.findings_file, self.taken(base)), (one.folder / MEASURED, self.measured(base))):
            if found is not None:
                files[name] = _text_of(found, base, units)
        if self.words:
            files[one.folder / WORDS] = "".join(f"{line}\n" for line in self.words)
        return files

    def changed_by_hand(self, one: Round, base: RuleBase, units: Units) -> bool:
        """Whether `findings.yaml` matches no state of the log: edited by the fitter, or written by an older version."""
        if not one.findings_file.exists() or (self.begun and self.taken(base) is None):
            return False
        there = read_bytes(one.findings_file, LARGEST, "findings file").replace(b"\r\n", b"\n")
        ends = [number for number, line in enumerate(self.lines, 1) if line["event"] == "taken"]
        states = (self._taken(until, base) for until in reversed(ends))
        return not any(found is not None and _text_of(found, base, units).encode() == there for found in states)


def _text_of(findings: Findings, base: RuleBase, units: Units) -> str:
    return findings_text(replace(findings, client="", units=units), base.about.garment)


def advised_list(advised: Sequence[Advised]) -> list[list[object]]:
    """What was advised, as the log stores it."""
    amounts = (None if item.amount_mm is None else round(item.amount_mm, 3) for item in advised)
    return [
        [item.alteration, amount, item.side, *(["less"] if item.less else [])]
        for item, amount in zip(advised, amounts, strict=True)
    ]


# -- writing; the caller holds the case's lock --------------------------------------------------------------------


def append(one: Round, *lines: Event) -> None:
    """Append lines to the log of a round. Raises ProblemsFoundError, also while an interview holds it."""
    with SessionLog.resume(one.log_file)[0] as log:
        for line in lines:
            log.append(line, answered=False)


def save_round(case: Case, one: Round, text: str, fingerprint: str) -> None:
    """Log the text of `round.yaml`, then write it; a round without a log gets one."""
    path = one.folder / ROUND_FILE
    before = path.read_bytes() if path.exists() else b""
    if before == text.encode():
        return
    line: Event = {"event": "round", "was": digest(before) if before else "", "text": text}
    if one.log_file.exists():
        append(one, line)
    else:
        _begin(case, one, line, fingerprint)
    write_atomically(path, text, replace=True)


def ensure_log(case: Case, one: Round, fingerprint: str) -> None:
    """Begin the log of a round without one, as after an older version, or if the fitter moved it away to start again."""
    if not one.log_file.exists():
        text = read_bytes(one.folder / ROUND_FILE, LARGEST, "round").decode()
        _begin(case, one, {"event": "round", "was": "", "text": text}, fingerprint)


def _begin(case: Case, one: Round, line: Event, fingerprint: str) -> None:
    begin_log(
        one.log_file, case.garment, fingerprint, client=case.name, units=case.units, events=[line], hint=MEND
    )  # fmt: skip


def _round_line(folder: Path) -> Event:
    path = folder / "session.jsonl"
    return (RoundLog(read_log(path).lines).last("round") if path.exists() else None) or {}


def round_text_in_log(folder: Path) -> str | None:
    """The latest text of `round.yaml` in the log beside it; None without one. Raises ProblemsFoundError."""
    text = _round_line(folder).get("text")
    return text if isinstance(text, str) else None


def settle(folder: Path) -> None:
    """Finish an interrupted write of `round.yaml`, or make it from the log if it is missing."""
    place = folder / ROUND_FILE
    try:
        line = _round_line(folder)
        there = read_bytes(place, 16 * LARGEST) if place.exists() else b""
    except ProblemsFoundError:  # reported by whoever needs it
        return
    text, by_hand = line.get("text"), there and digest(there) != line.get("was")
    if isinstance(text, str) and there != text.encode() and not by_hand:
        write_atomically(place, text, replace=True)


def make_files(one: Round, base: RuleBase, units: Units, *, missing_only: bool = False) -> list[Path]:
    """Remake a round's files from its log where missing or (unless `missing_only`) different; returns those made."""
    wanted = RoundLog.of(one).files(one, base, units)
    there = {path: path.read_bytes() for path in wanted if path.exists()}
    made = {path: text for path, text in wanted.items()
            if path not in there or (not missing_only and there[path] != text.encode())}  # fmt: skip
    if made:
        write_all(made, replace=True)
    return list(made)
