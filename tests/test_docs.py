"""The documents say what the program does: commands, the session on the screen, the example files."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from running import ended

from fitdiag.cli.main import app_of
from fitdiag.knowledge.findings_file import findings_in
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.strict_yaml import parse_yaml

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TYPED = (
    "back crotch longer 1/2 in", "1", "", "flat seat, low seat", "", "lines drop behind 3/4 in", "1", "v at centre back",
    "grainline near centre back 1 in", "", "why", "no", "stop")  # fmt: skip


def blocks(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", README, re.DOTALL)


def test_the_two_commands_stand_in_the_first_screen() -> None:
    """Setting up with the demo, and the tests, are read without scrolling."""
    screen = "\n".join(README.splitlines()[:26])
    assert "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/fitdiag demo" in screen
    assert ".venv/bin/pytest" in screen


def test_the_readme_opens_with_the_job_in_a_paragraph() -> None:
    """The first paragraph says what the job is."""
    first = README.split("\n\n")[1]
    for words in ("muslin", "alterations", "amount", "next try-on"):
        assert words in first


def commands() -> list[str]:
    group = typer.main.get_command(app_of())
    found = []
    for name, command in group.commands.items():  # type: ignore[attr-defined]
        inner = getattr(command, "commands", None)
        found += [f"{name} {sub}" for sub in inner] if inner else [name]
    return found


@pytest.mark.parametrize("command", commands())
def test_every_command_is_documented(command: str) -> None:
    """A command stands in the README or in DEVELOPERS.md (write a sentence about it there)."""
    text = README + DEVELOPERS
    assert f"fitdiag {command}" in text or f"`{command}" in text


def test_the_session_in_the_readme_is_a_real_one(tmp_path: Path) -> None:
    """Every line of the session in the README comes, in order, when the same lines are typed."""
    (shown,) = blocks("text")
    done = subprocess.run(
        [sys.executable, "-m", "fitdiag", "interview", "--client", "the lamplighter", "--units", "in"],
        input="\n".join(TYPED) + "\n", cwd=tmp_path, capture_output=True, text=True, check=True,
    )  # fmt: skip
    printed = iter(line.rstrip() for line in re.sub(r"\d{4}-\d\d-\d\d", "DAY", done.stdout).splitlines())
    for line in re.sub(r"\d{4}-\d\d-\d\d", "DAY", shown).splitlines():
        if line.strip() in ("...", ""):
            continue
        assert line.rstrip() in printed, f"not printed, or not in this order: {line}"


def test_the_findings_file_in_the_readme_is_valid() -> None:
    """The example findings are read without a fault."""
    (text,) = blocks("yaml")
    document = parse_yaml(text, "README.md")
    findings = findings_in(document, (), document.data, load_rules())
    assert findings.seen


def test_the_pattern_commands_of_the_readme_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The five commands about the pattern run as they stand there."""
    import shlex

    monkeypatch.chdir(tmp_path)
    (tmp_path / "findings.yaml").write_text(blocks("yaml")[0], encoding="utf-8")
    block = next(block for block in blocks("sh") if "pattern draft" in block)
    for line in block.strip().splitlines():
        assert 0 == ended(*shlex.split(line)[1:]), line


@pytest.mark.usefixtures("hurried_documents")
@pytest.mark.parametrize("begins", ["fitdiag photo measure", "fitdiag case new"])
def test_the_walk_throughs_of_the_readme_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, begins: str) -> None:
    """Pictures to findings, and a case over three rounds, run as they stand there (the interview needs somebody to answer)."""
    import shlex

    monkeypatch.chdir(tmp_path)
    # draping takes long; tried in test_drape.py
    monkeypatch.setattr("fitdiag.cli.documents.simulated_round", lambda *_: (None, None))
    (tmp_path / "sample_sessions").symlink_to(ROOT / "sample_sessions")
    block = next(block for block in blocks("sh") if block.startswith(begins))
    for line in block.strip().splitlines():
        if "interview" not in line:
            assert 0 == ended(*shlex.split(line)[1:]), line


def test_the_rule_names_in_the_documents_exist() -> None:
    """Ids named in the README are ids of the rules."""
    base = load_rules()
    for rule in re.findall(r"rules show ([a-z-]+)`", README):
        assert base.find(rule) is not None


def test_cautions_and_privacy_are_there() -> None:
    """What it does not do, the cautions and privacy have their headings."""
    for heading in ("## What it does not do", "## Cautions", "## Privacy"):
        assert heading in README
