"""Files as other systems and editors leave them: Windows line ends, byte-order marks, UTF-16; names that are hostile or not UTF-8.

Hostile names stand in the output of every command, and no byte of it controls a terminal or turns the direction of writing.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from crash import in_child, warm
from running import Shell
from small_rules import good_files

from fitdiag.knowledge.load import read_rules
from fitdiag.problems import command, harmless, one_line, shown_path

SAMPLES = Path(__file__).parent.parent / "sample_sessions"
PICTURES = SAMPLES / "lamplighter-pictures"
BLOCK = ("--waist", "68cm", "--hip", "94cm", "--rise", "28cm", "--waist-to-hip", "20.6cm", "--waist-to-floor", "104cm",
         "--bottom", "22cm")  # fmt: skip
SEEN = "schema: fitdiag.findings/1\nsymptoms:\n  balance-lines-dip-to-back: {amount: 3/4 in}\n  seat-wedgie: no\n"
FORM = SAMPLES / "lamplighter-forms" / "round-1.txt"
NEW = ("case", "new", "the lamplighter", "--units", "in", "--photos-consent", "yes")


def crlf(content: bytes) -> bytes:
    return content.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n")


def marked(content: bytes) -> bytes:
    return b"\xef\xbb\xbf" + content


def both(content: bytes) -> bytes:
    return marked(crlf(content))


# A file of each format by its name, the command that reads it, and what to do before it.
READS: dict[str, tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]] = {
    "seen.yaml": (("diagnose", "seen.yaml"), ()),
    "answers.yaml": (("interview", "--answers", "answers.yaml", "--log", "a.jsonl"), ()),
    "block.yaml": (("pattern", "measure", "block.yaml"), (("pattern", "draft", *BLOCK, "--out", "block.yaml"),)),
    "block.json": (("pattern", "measure", "block.json"), (("pattern", "draft", *BLOCK, "--out", "block.json"),)),
    "block.svg": (("pattern", "measure", "block.svg"), (("pattern", "draft", *BLOCK, "--out", "block.svg"),)),
    "block.dxf": (("pattern", "measure", "block.dxf"), (("pattern", "draft", *BLOCK, "--out", "block.dxf"),)),
    "back.marks.json": (("photo", "measure", "back.jpg"), ()),
    "log.jsonl": (("replay", "log.jsonl"), ()),
    "form.txt": (("review", "the lamplighter", "--form", "form.txt", "--no-questions"), (NEW,)),
    "cases/the-lamplighter/case.yaml": (("case", "show", "the lamplighter"), (NEW,)),
    "cases/the-lamplighter/round-01/round.yaml": (
        ("case", "show", "the lamplighter"),
        (NEW, ("review", "the lamplighter", "--send-form")),
    ),
}


@pytest.fixture
def given(shell: Shell, tmp_path: Path) -> Callable[[str], Path]:
    """Lays a file of a format out, as this program writes it."""

    def lay_out(name: str) -> Path:
        for plain in ("seen.yaml", "answers.yaml"):
            (tmp_path / plain).write_text(SEEN)
        for copied, source in (("back.jpg", PICTURES), ("back.marks.json", PICTURES)):
            shutil.copy(source / copied, tmp_path)
        shutil.copy(SAMPLES / "lamplighter-round-2.jsonl", tmp_path / "log.jsonl")
        shutil.copy(FORM, tmp_path / "form.txt")
        for arguments in READS[name][1]:
            code, _, err = shell(*arguments)
            assert code == 0, err
        return tmp_path / name

    return lay_out


@pytest.mark.parametrize("name", READS)
def test_line_ends_and_marks_of_other_systems_change_nothing(
    shell: Shell, given: Callable[[str], Path], name: str
) -> None:
    """A file saved again on Windows says the same as before; in UTF-16, with its mark or without, it is refused by that name."""
    path = given(name)
    content = path.read_bytes()
    told: list[str] = []
    for change in (bytes, crlf, marked, both):
        for again in ("a.jsonl", "back.measured.png"):
            Path(again).unlink(missing_ok=True)
        if name == "form.txt":
            shutil.rmtree("cases")
            assert 0 == shell(*NEW)[0]
        path.write_bytes(change(content))
        code, out, err = shell(*READS[name][0])
        assert (code, err) == (0, ""), change
        told.append(out)
    assert 1 == len(set(told))
    for how in ("utf-16", "utf-16-le", "utf-16-be"):
        path.write_bytes(content.decode("utf-8").encode(how))
        code, _, err = shell(*READS[name][0])
        assert code == 1, how
        assert "is in UTF-16, not in UTF-8" in err and "plain UTF-8 text" in err and path.name in err, how


@pytest.mark.parametrize("change", [crlf, marked, both], ids=["crlf", "bom", "crlf and bom"])
def test_rules_of_other_systems_are_the_same_rules(tmp_path: Path, change: Callable[[bytes], bytes]) -> None:
    """A rule base with Windows line ends loads; UTF-16 in one file is named."""
    for path, text in good_files().items():
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).write_bytes(change(text.encode()))
    base, problems = read_rules(tmp_path)
    assert base is not None and problems == []
    (tmp_path / "order.yaml").write_bytes("schema: x\n".encode("utf-16"))
    assert any("is in UTF-16" in str(problem) for problem in read_rules(tmp_path)[1])


@pytest.mark.parametrize("name", ["block.json", "back.marks.json", "log.jsonl"])
def test_a_key_that_stands_twice_is_refused(shell: Shell, given: Callable[[str], Path], name: str) -> None:
    """JSON lets the second of two equal keys win; no file of a fitter's may do that."""
    path = given(name)
    text = path.read_text(encoding="utf-8")
    if name == "log.jsonl":
        twice = text.replace('{"event"', '{"at":"x","at":"y","event"', 2)
    else:
        twice = text.replace("{", '{"schema": "other",', 1)
    path.write_text(twice, encoding="utf-8")
    code, _, err = shell(*READS[name][0])
    assert code == 1
    assert "appears twice" in err or "is not an event" in err


# -- names -------------------------------------------------------------------------------------------------------------

HOSTILE = "a\x1b[31m\u202eb\u2066 c\x07\u200f'd\rX\u2028Y"
BYTES = os.fsdecode(b"ros\xe9e \xff")
FORBIDDEN = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")


@pytest.fixture(scope="module")
def warmed(shelf: Path) -> Iterator[None]:
    """What every child needs is loaded once, and drawn once."""
    with warm(shelf):
        yield


@pytest.mark.usefixtures("warmed")
@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names of any bytes are a matter of Linux")
def test_hostile_names_are_shown_harmlessly_by_every_command(tmp_path: Path) -> None:
    """Files, folders, cases and arguments with such names: whole lines of plain text, no traceback, and the work is done.

    One name has control characters, marks of direction, and bytes that are no UTF-8.
    """
    name = HOSTILE + BYTES
    work = tmp_path / name
    work.mkdir()
    for suffix, source in ((".jpg", PICTURES / "back.jpg"), (".marks.json", PICTURES / "back.marks.json"),
                           (".jsonl", SAMPLES / "lamplighter-round-2.jsonl")):  # fmt: skip
        shutil.copy(source, work / f"{name}{suffix}")
    (work / f"{name}.yaml").write_text(SEEN)

    def told(*arguments: str, code: int = 0, typed: str = "") -> str:
        ran = in_child(work, arguments, typed=typed)
        assert "Traceback" not in ran.err
        assert code == ran.code, (arguments, ran)
        assert not FORBIDDEN.search(ran.out + ran.err), (arguments, ran)
        return ran.out

    told("diagnose", f"{name}.yaml")
    told("interview", "--answers", f"{name}.yaml", "--log", f"{name}-1.jsonl")
    told("interview", "--log", f"{name}-2.jsonl", typed="\n\n\nstop\n")
    told("replay", f"{name}.jsonl")
    told("compare", f"{name}.jsonl", f"{name}-1.jsonl")
    told("export", f"{name}.jsonl", "--to", f"{name}.md")
    told("export", f"{name}.jsonl", "--to", f"{name}.md", code=1)
    told("demo", "--to", name)
    told("learn", ".")
    told("photo", "add", f"back={name}.jpg", "--to", f"{name} taken")
    told("photo", "mark", f"{name}.jpg")
    told("photo", "measure", f"{name}.jpg", "--findings", f"{name}-found.yaml")
    told("photo", "card", "--to", f"{name}.html", "--keep-until", name)
    told("pattern", "draft", *BLOCK, "--out", f"{name}.json")
    told("pattern", "measure", f"{name}.json")
    told(
        "pattern", "draw", f"{name}.json", "--to", f"{name}.svg", "--client", name, "--do",
        "tuck-across-back-hip=1/2 in",
    )  # fmt: skip
    told("pattern", "read", f"{name}.json", "--out", f"{name}.dxf")
    told("pattern", "walk", f"{name}.json", "--to", f"{name} walked.svg")
    told("rules", "drawings", "--to", f"{name} drawn.html")
    told("rules", "check", name, code=1)
    told("rules", "show", name, code=1)
    told("case", "new", f"lamplighter {name}", "--in", f"{name} cases", "--photos-consent", "yes", "--note", name)
    (case,) = [path for path in (work / f"{name} cases").iterdir() if path.name[0] != "."]
    inside = ("--in", f"{name} cases")
    told("review", case.name, *inside, "--findings", f"{name}.yaml", "--photo", f"back={name}.jpg", "--no-questions")
    (case / f"{name}.txt").write_text("a note of the fitter's own")
    (case / name).symlink_to("nowhere")
    told("case", "list", *inside)
    told("case", "list", *inside, "--json")
    told("case", "show", case.name, *inside)
    told("case", "repair", case.name, *inside)
    told("case", "body", case.name, *inside)
    told("case", "export", case.name, *inside, "--to", f"{name}.zip")
    told("case", "export", case.name, *inside, "--to", f"{name} copy")
    told("case", "export", case.name, *inside, "--to", f"{name} copy", code=1)
    with zipfile.ZipFile(work / f"{name}.zip") as archive:
        assert len(archive.namelist()) == len(set(archive.namelist()))
        assert archive.testzip() is None
    told("case", "delete", case.name, *inside, "--yes")
    told(name, code=2)
    told("diagnose", f"{name} is not there", code=1)
    told("photo", "card", "--to", name, code=1)


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of POSIX")
@pytest.mark.parametrize(
    "word", ["the lamplighter", "it's", HOSTILE, BYTES, "$(touch x)", "`x`", "a;b", "-x", "", "~", "\\n"]
)
def test_a_suggested_command_is_the_same_word_in_a_shell(tmp_path: Path, word: str) -> None:
    """What is shown can be pasted: bash makes the very same argument of it, and nothing of it is run."""
    shown = command("printf", "%s", word)
    assert not FORBIDDEN.search(shown)
    if shutil.which("bash") is None:
        pytest.skip("there is no bash here")
    got = subprocess.run(["bash", "-c", shown], capture_output=True, cwd=tmp_path, check=True).stdout
    assert os.fsencode(word) == got
    assert [] == list(tmp_path.iterdir())
    if word.isprintable():
        assert ["printf", "%s", word] == shlex.split(shown)


def test_text_that_is_printed_keeps_what_is_harmless() -> None:
    """Letters of any script stay; what is no letter and no line end becomes `?`, in a path a line end too."""
    assert harmless("點燈夫 ½ é\n\u00a0x") == "點燈夫 ½ é\n x"
    assert harmless("a\tb\u202e\x1b") == "a b??"
    assert one_line("a\nb\u2066") == "a b?"
    assert shown_path("a\nb\x7f") == "a?b?"
