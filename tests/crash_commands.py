"""What `crash.py` tries: every command that writes, what comes before it, and the files it reads."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from form_block import packed
from small_rules import good_files, write_rules
from test_learning import learnable

from fitdiag.knowledge.load import load_rules

Tree = dict[str, bytes | None]  # path below the work folder to content; None for a folder


@dataclass(frozen=True)
class Command:
    """A command that writes, the commands that come before it, and what the message of a refusal says to add."""

    name: str
    arguments: tuple[str, ...]
    before: tuple[tuple[str, ...], ...] = ()
    way_on: tuple[str, ...] = ()
    typed: str = ""
    gone: tuple[str, ...] = ()  # files taken away before it
    beside: Callable[[Path], None] | None = None  # lays out what it reads beside the work folder
    slow: bool = False  # takes minutes the first time
    aside: bool = False  # what it writes is not what it is for, so that it ends well without


NAME, FOLDER = "the lamplighter", "cases/the-lamplighter"
SAMPLES = Path(__file__).parent.parent / "sample_sessions"
SEEN = """schema: fitdiag.findings/1
symptoms:
  balance-lines-dip-to-back: {amount: 3/4 in}
  v-at-centre-back: yes
  grainline-near-centre-back: {amount: 1 in}
  seat-wedgie: no
"""
GONE = "schema: fitdiag.findings/1\nsymptoms: {balance-lines-dip-to-back: {amount: 1/4 in}, v-at-centre-back: no}\n"


def form_after(number: int) -> dict[str, Any]:
    """What the client's form says after a round."""
    return {"schema": "fitdiag.form/1", "token": f"the-lamplighter-{number}", "round": number + 1, "units": "in", "done": [],
            "feels": {}, "words": "I climb a ladder.", "answers": [{"symptom": "waist-binds", "seen": "no"}]}  # fmt: skip


def inputs() -> Tree:
    """What the commands read."""
    pictures = SAMPLES / "lamplighter-pictures"
    return {
        "seen.yaml": SEEN.encode(),
        "gone.yaml": GONE.encode(),
        "form-1.txt": packed(form_after(0)).encode(),
        "form-2.txt": packed(form_after(1)).encode(),
        "session.jsonl": (SAMPLES / "lamplighter-round-2.jsonl").read_bytes(),
        **{f"mine/{path}": text.encode() for path, text in good_files().items()},
        **{f"in/{path.name}": path.read_bytes() for path in pictures.iterdir() if not path.name.startswith("front")},
    }


def _review(*arguments: str) -> tuple[str, ...]:
    return ("review", NAME, *arguments)


def _case(command: str, *arguments: str) -> tuple[str, ...]:
    return ("case", command, NAME, *arguments)


NEW = _case("new", "--units", "in", "--body", "flat-seat", "--measure", "hip=38 in", "--photos-consent", "yes")
ASK = _review("--send-form")
ROUND_1 = _review("--form", "form-1.txt", "--findings", "seen.yaml", "--no-questions")
PICTURES = _review("--photo", "back=in/back.jpg", "--photo", "left=in/left.jpg", "--no-questions")
SENT = _review("--sent")
ROUND_2 = _review(
    "--form", "form-2.txt", "--findings", "gone.yaml", "--done", "tuck-across-back-hip=1/2 in", "--no-questions"
)
DRAFT = ("pattern", "draft", "--waist", "68cm", "--hip", "94cm", "--rise", "28cm", "--waist-to-hip", "20.6cm",
         "--waist-to-floor", "104cm", "--bottom", "22cm", "--out", "block.yaml")  # fmt: skip
TAPED = tuple(part for text in (
    "back grain to centre at waist=2 in", "back crotch curve=14 3/4 in", "front crotch curve=12 3/8 in", "back hip=9 7/8 in",
    "front hip=9 1/2 in", "back inseam=30 in", "front inseam=30 in",
) for part in ("--length", text))  # fmt: skip
WITH_PATTERN = (DRAFT, (*NEW, "--pattern", "block.yaml"))
REPLACE = ("--replace",)


def _sessions(place: Path) -> None:
    """Enough sessions to learn from, by the small rules."""
    if not (place / "logs").exists():
        learnable(place / "logs", load_rules(write_rules(place / "rules", good_files())), 200)


def commands() -> list[Command]:
    """Every command that writes."""
    held = (NEW, ROUND_1)
    made = ("round-01/round.yaml", "round-01/findings.yaml", "round-01/form.txt", "round-01/documents/client.pdf")
    tuck = ("--do", "tuck-across-back-hip=1/2 in")
    return [
        Command("case new", WITH_PATTERN[1], WITH_PATTERN[:1]),
        Command("case consent", _case("consent", "no"), (NEW,)),
        Command("case show", _case("show"), held, gone=tuple(f"{FOLDER}/{path}" for path in made[:3]), aside=True),
        Command("case close", _case("close", "--fits"), (NEW,)),
        Command("case repair", _case("repair"), held, gone=tuple(f"{FOLDER}/{path}" for path in made)),
        Command("case export", _case("export", "--to", "copy"), held),
        Command("case export .zip", _case("export", "--to", "copy.zip"), held),
        Command("case export --anonymous", _case("export", "--to", "bare", "--anonymous"), held),
        Command("case delete", _case("delete", "--yes"), held),
        Command("case delete --photos", _case("delete", "--photos", "--yes"), (NEW, PICTURES)),
        Command("review --send-form", ASK, (NEW,)),
        Command("review --form", ROUND_1, (NEW, ASK)),
        Command("review --photo", PICTURES, (NEW, ROUND_1)),
        Command("review --sent", SENT, held),
        Command("review, the next round", ROUND_2, (*held, SENT)),
        Command("review --fits", _review("--fits"), held),
        Command("interview --answers", ("interview", "--answers", "seen.yaml", "--log", "a.jsonl")),
        Command("export .md", ("export", "session.jsonl", "--to", "list.md"), way_on=REPLACE),
        Command("export .html", ("export", "session.jsonl", "--to", "list.html"), way_on=REPLACE),
        Command("export .pdf", ("export", "session.jsonl", "--to", "list.pdf"), way_on=REPLACE),
        Command("demo", ("demo", "--to", "demo")),
        Command("photo add", ("photo", "add", "back=in/back.jpg", "left=in/left.jpg", "--to", "p")),
        Command("photo mark", ("photo", "mark", "in/back.jpg", "in/left.jpg"), way_on=REPLACE),
        Command("photo read", ("photo", "read", "in/back.jpg", "in/left.jpg", "--to", "p", "--yes")),
        Command("photo measure", ("photo", "measure", "in/back.jpg", "--findings", "found.yaml"), way_on=REPLACE),
        Command("photo card", ("photo", "card", "--to", "card.pdf"), way_on=REPLACE),
        Command("pattern draft", DRAFT, way_on=REPLACE),
        Command("pattern fit", ("pattern", "fit", *TAPED, "--out", "taped.yaml"), way_on=REPLACE),
        Command(
            "pattern darts",
            ("pattern", "darts", "block.yaml", "--do", "back 1 split", "--out", "b.yaml"),
            (DRAFT,),
            REPLACE,
        ),
        Command(
            "pattern solve",
            (
                "pattern",
                "solve",
                "block.yaml",
                *tuck,
                "--do",
                "overlap-back-wedge",
                "--until",
                "back grain to centre at waist >= 2 1/4 in",
                "--out",
                "solved.json",
            ),
            (DRAFT,),
            REPLACE,
        ),
        Command("pattern alter", ("pattern", "alter", "block.yaml", *tuck, "--out", "b.svg"), (DRAFT,), REPLACE),
        Command("pattern draw", ("pattern", "draw", "block.yaml", *tuck, "--to", "b.pdf"), (DRAFT,), REPLACE),
        Command("pattern read", ("pattern", "read", "block.yaml", "--out", "again.svg"), (DRAFT,), REPLACE),
        Command("pattern walk", ("pattern", "walk", "block.yaml", "--to", "walk.svg"), (DRAFT,), REPLACE),
        Command("review, the simulated body is moved", ROUND_2, (*WITH_PATTERN, ROUND_1, SENT)),
        Command("case body", _case("body", "--take-back"), (*WITH_PATTERN, ROUND_1, SENT, ROUND_2)),
        Command(
            "drape",
            ("drape", "block.yaml", "--body-measure", "hip=94cm", "--quick", "--to", "d.html"),
            (DRAFT,),
            REPLACE,
            slow=True,
        ),
        Command(
            "learn --patch",
            ("learn", "../logs", "--rules", "mine", "--patch", "words.patch"),
            way_on=REPLACE,
            beside=_sessions,
        ),
        Command("rules drawings", ("rules", "drawings", "--to", "signs.html"), way_on=REPLACE),
        Command(
            "rules words --forget",
            ("rules", "words", "--forget"),
            (("interview", "--log", "a.jsonl"),),
            typed="zzzfoo\nstop\n",
        ),
        Command("rules new", ("rules", "new", "symptom", "hangs-askew", "--in", "back", "--rules", "mine")),
    ]


# -- deleting ----------------------------------------------------------------------------------------------------------

MARKER = "Zebedee"
MARKED = (
    ("case", "new", MARKER, *NEW[3:], "--note", f"{MARKER} lives at the harbour"),
    ("review", MARKER, *PICTURES[2:]),
)
BROKEN_OFF = {
    "delete": ("case", "delete", MARKER, "--yes"),
    "delete --photos": ("case", "delete", MARKER, "--photos", "--yes"),
    "export .zip": ("case", "export", MARKER, "--to", "elsewhere/copy.zip"),
    "export": ("case", "export", MARKER, "--to", "elsewhere/copy"),
    "review": ("review", MARKER, "--form", "form.txt", "--findings", "seen.yaml", "--no-questions"),
}


def marked_inputs() -> Tree:
    """What the commands read, with a marker in every text that is the client's."""
    found = inputs()
    form = {**form_after(0), "token": f"{MARKER.lower()}-0", "words": f"{MARKER} climbs."}
    return found | {
        "seen.yaml": (found["seen.yaml"] or b"") + f"notes: [{MARKER} kneels]\nclient: {MARKER}\n".encode(),
        "form.txt": packed(form).encode(),
    }


def kept_elsewhere() -> Tree:
    """What the program keeps of a client outside the cases, and an empty folder to export to."""
    missed = {"day": date.today().isoformat(), "kind": "symptom", "text": f"{MARKER} kneels askew"}
    return {
        "elsewhere": None,
        "own/XDG_STATE_HOME/fitdiag/not-understood.jsonl": f"{json.dumps(missed)}\n".encode(),
        f"own/XDG_CACHE_HOME/fitdiag/drapes/{MARKER}.npz": b"cloth on a client's body",
    }


def about_client(tree: Tree, sizes: frozenset[int]) -> list[str]:
    """The paths that hold the marker in name or content, or are as large as one of the client's pictures."""
    return [
        path
        for path, content in tree.items()
        if MARKER.lower() in path.lower()
        or (content is not None and (MARKER.lower().encode() in content.lower() or len(content) in sizes))
    ]
