"""Files of any content: rules, findings, cases and logs either load or are refused in clear lines, never with a traceback.

Most runs are in this process, through the command line's own entry; a few are real programs with a time limit, set wide
because what is tested is that they end, not how fast.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from running import ended
from small_rules import CASES, LONG, NOTES, ORDER, SOURCES, SYMPTOMS, TUCK, WORDS, good_files, write_rules

from fitdiag.knowledge.check import check_rules
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.folders import shipped
from fitdiag.knowledge.load import read_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.strict_yaml import parse_yaml, read_yaml, scalar
from fitdiag.planning.cases import read_cases, run_case
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.report import make_report
from fitdiag.reports.rule_page import page
from fitdiag.reports.writers import WRITERS
from fitdiag.sessions.log import read_log
from fitdiag.sessions.replay import replay
from fitdiag.sessions.state import conclude, fold
from fitdiag.units import LONGEST_MM

SECONDS = 30  # for a real program, on a busy machine; a hang or a bomb takes longer than that by far
MANY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
SOME = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

FINDINGS = """\
schema: fitdiag.findings/1
garment: trousers
client: the lamplighter
units: in
body:
  - flat-seat
  - {low-seat: marked}
symptoms:
  balance-lines-dip-to-back: {amount: 3/4 in, error: 2 mm, side: left}
  v-at-centre-back: yes
  grainline-near-centre-back: {seen: yes, amount: 1 in, origin: photo}
  folds-under-seat: {seen: yes, severity: slight}
  seat-wedgie: no
  diagonals-under-seat: unsure
done:
  - {alteration: lengthen-back-crotch, amount: 1/2 in, round: 1}
  - tuck-across-back-hip
measures:
  body: {hip: 40 in, waist: 30 in}
  pattern: {hip: 41 in}
notes:
  - climbs a ladder in every show
"""
HEAD = {
    "event": "start", "schema": "fitdiag.session/1", "program": "0.1.0", "client": "the lamplighter", "units": "in",
    "rules": {"garment": "trousers", "fingerprint": "0000000000000000"},
}  # fmt: skip


def outcome(*arguments: str) -> tuple[int, str, str]:
    """Exit code, output and error output of a command in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = ended(*arguments)
    return code, out.getvalue(), err.getvalue()


def clear_lines(code: int, errors: str, path: Path | str) -> list[str]:
    """The lines of a refusal: exit code 1, each line `path[:line:col]: message` about this path, and printable."""
    lines = errors.splitlines()
    assert code == 1
    assert lines
    for line in lines:
        assert re.match(rf"{re.escape(str(path))}[^:]*(:\d+:\d+)?: \S", line) or line.startswith("... and "), line
        assert line.isprintable()
        assert len(line) < len(str(path)) + 500
    return lines


def refused(path: Path, *command: str) -> list[str]:
    """The lines of a refusal of a file given to a command."""
    code, _, errors = outcome(*command, str(path))
    return clear_lines(code, errors, path)


# -- files that are no text, or no file at all -------------------------------------------------------------------------

HOSTILE: dict[str, tuple[bytes, str]] = {
    "empty": (b"", r"lines|mapping|empty|expected"),
    "a space": (b" \n", r"lines|mapping|empty|expected|not an event"),
    "a comment": (b"# nothing\n", r"."),
    "nul bytes": (b"schema: x\n\0\0\0\n", r"control character"),
    "a bell": (b"schema: \a\n", r"control character"),
    "an escape": (b"client: \x1b[31mred\x1b[0m\n", r"control character"),
    "a C1 control": ("client: \x9b31mred\n".encode(), r"control character"),
    "utf-16 little": ("\ufeffschema: x\n".encode("utf-16-le"), r"not in UTF-8"),
    "utf-16 big": ("\ufeffschema: x\n".encode("utf-16-be"), r"not in UTF-8"),
    "utf-16 without a mark": ("schema: x\n".encode("utf-16-le"), r"control character|in UTF-16"),
    "utf-32": ("\ufeffschema: x\n".encode("utf-32"), r"not in UTF-8"),
    "latin-1": ("client: die Zigarrenh\xe4ndlerin\n".encode("latin-1"), r"not in UTF-8"),
    "half a character": (b"client: \xe2\x82\n", r"not in UTF-8"),
    "an overlong character": (b"client: \xc0\xae\n", r"not in UTF-8"),
    "a surrogate": (b"client: \xed\xa0\x80\n", r"not in UTF-8"),
    "a picture": (b"\x89PNG\r\n\x1a\n" + bytes(range(256)), r"control character|not in UTF-8"),
    "10 MB": (b"a: b\n" * 2_000_000, r"larger than|not a session log"),
    "a line of 1 MB": (b"client: " + b"x" * 1_000_000 + b"\n", r"larger than|not a session log"),
    "a line of 100 kB": (b"client: " + b"x" * 50_000 + b"\n", r"longer than 4000 characters|not a session log"),
    "old line ends": (b"schema: x\rclient: y\r", r"schema is x"),
}


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("command", ["diagnose", "replay"])
def test_what_is_no_text_is_refused(tmp_path: Path, name: str, command: str) -> None:
    """Bytes that are no UTF-8 text, control characters and files far too large are refused in one clear line."""
    content, told = HOSTILE[name]
    path = tmp_path / "given.file"
    path.write_bytes(content)
    lines = refused(path, command)
    assert command == "replay" or re.search(told, lines[0]), lines[0]
    assert len(lines) <= 25


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("file", [SYMPTOMS, WORDS, LONG, ORDER, "rulebase.yaml"])
def test_what_is_no_text_is_refused_as_a_rule_file_too(tmp_path: Path, name: str, file: str) -> None:
    """The same for every kind of rule file, and the line names that file; what else is told hangs on it."""
    write_rules(tmp_path, good_files())
    (tmp_path / file).write_bytes(HOSTILE[name][0])
    code, _, errors = outcome("rules", "check", str(tmp_path))
    if name == "empty" and file == ORDER and code == 0:
        pytest.fail("an empty order file is no list")
    assert any(line.startswith(f"{tmp_path / file}") for line in clear_lines(code, errors, tmp_path))


@pytest.mark.parametrize("command", ["diagnose", "replay", "interview --answers", "interview --resume"])
def test_what_is_no_plain_file_is_refused(tmp_path: Path, command: str) -> None:
    """A missing file, a folder, a pipe, a device, a link in a circle and a name too long are refused, and none is waited for."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    for path, told in (
        (tmp_path / "nowhere", "there is no such"),
        (tmp_path / "dangling", "there is no such"),
        (tmp_path, "this is a folder"),
        (tmp_path / "pipe", "not a regular file"),
        (Path("/dev/zero"), "not a regular file"),
        (tmp_path / "circle", "cannot be read"),
        (tmp_path / ("n" * 300), "cannot be read"),
        (tmp_path / "pipe" / "below", "no such|cannot be read"),
    ):
        (line,) = refused(path, *command.split())
        assert re.search(told, line), line


def test_rule_files_that_are_no_plain_files(tmp_path: Path) -> None:
    """A folder or a pipe among the rule files is told as what it is."""
    write_rules(tmp_path, good_files())
    (tmp_path / "symptoms" / "folder.yaml").mkdir()
    os.mkfifo(tmp_path / "causes" / "pipe.yaml")
    code, _, errors = outcome("rules", "check", str(tmp_path))
    lines = clear_lines(code, errors, tmp_path)
    assert [line.removeprefix(f"{tmp_path}/").split(" (")[0] for line in lines] == [
        "causes/pipe.yaml: this is not a regular file",
        "symptoms/folder.yaml: this is a folder, not a rule file",
    ]


def test_a_file_name_that_is_no_text(tmp_path: Path) -> None:
    """A rule file whose name is no UTF-8 is read like any other, and shown with a question mark."""
    write_rules(tmp_path, good_files())
    odd = Path(os.fsdecode(os.fsencode(tmp_path / "sources-") + b"\xff.yaml"))
    odd.write_text("- {id: left-over, title: Never cited, grade: memory}\n")
    code, _, errors = outcome("rules", "check", str(tmp_path))
    assert clear_lines(code, errors, tmp_path) == [
        f"{tmp_path}/sources-?.yaml:1:8: no rule cites the source 'left-over' (add it to a rule, or take it out)"
    ]


def test_a_byte_order_mark_is_read_over(tmp_path: Path, base: RuleBase) -> None:
    """A mark that an editor sets before the text is no fault."""
    path = tmp_path / "findings.yaml"
    path.write_text("\ufeff" + FINDINGS, encoding="utf-8")
    plain = tmp_path / "plain.yaml"
    plain.write_text(FINDINGS, encoding="utf-8")
    assert read_findings(path, base) == read_findings(plain, base)


# -- YAML ----------------------------------------------------------------------------------------------------------------

BOMB = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{chr(98 + n)}: &{chr(98 + n)} [{','.join(['*' + chr(97 + n)] * 9)}]\n" for n in range(12)
)
TRICKS = {
    "a bomb of aliases": (BOMB, "aliases"),
    "an alias": ("a: &x 1\nb: *x\n", "aliases"),
    "an anchor alone": ("a: &x 1\n", "aliases"),
    "an alias of nothing": ("a: *x\n", "aliases"),
    "an alias of itself": ("a: &x [*x]\n", "aliases"),
    "a python object": ("a: !!python/object/apply:os.system [echo]\n", "tags"),
    "a python name": ("!!python/name:os.system\n", "tags"),
    "a tag of one's own": ("a: !amount 3/4 in\n", "tags"),
    "a tag that is allowed elsewhere": ("a: !!str 1\n", "tags"),
    "a set": ("a: !!set {x, y}\n", "tags"),
    "binary": ("a: !!binary aGVsbG8=\n", "tags"),
    "a merge key": ("<<: {a: 1}\nb: 2\n", "merge keys"),
    "a key twice": ("a: 1\na: 2\n", "'a' appears twice"),
    "a key twice, quoted once": ("a: 1\n'a': 2\n", "'a' appears twice"),
    "a list as a key": ("? [a, b]\n: 1\n", "a key must be plain text"),
    "a mapping as a key": ("{a: 1}: 2\n", "a key must be plain text"),
    "two documents": ("a: 1\n---\nb: 2\n", "not YAML"),
    "an open bracket": ("a: [1, 2\n", "not YAML"),
    "an open quote": ("a: 'x\n", "not YAML"),
    "a tab as indent": ("a:\n\tb: 1\n", "not YAML"),
    "a colon too many": ("a: b: c\n", "not YAML"),
    "deep brackets": ("[" * 3000, "nest"),
    "deep braces": ("{a: " * 900, "nested"),
    "deep brackets hidden from a counter": (("[" * 30 + " # " + "]" * 30 + "\n") * 900, "nest"),
    "deep dashes": ("- " * 1500 + "x\n", "nest"),
    "deep indents": ("".join("  " * level + "a:\n" for level in range(100)), "nested"),
    "deep question marks": ("? " * 1500 + "x\n", "nest|key"),
    "a surrogate": ('a: "\\ud800"\n', "not YAML"),
    "a directive of the future": ("%YAML 9.9\n---\na: 1\n", "not YAML"),
}


@pytest.mark.parametrize("name", TRICKS)
def test_tricks_of_yaml_are_refused(tmp_path: Path, name: str) -> None:
    """Aliases, tags, merge keys, equal keys, odd keys, several documents and deep nests are refused at their place."""
    text, told = TRICKS[name]
    path = tmp_path / "findings.yaml"
    path.write_text(text)
    lines = refused(path, "diagnose")
    assert re.search(told, lines[0]), lines[0]
    assert re.match(rf"{re.escape(str(path))}:\d+:\d+: ", lines[0])


OLD_WORDS = [
    "no", "on", "off", "y", "N", "1:30", "012", "0o14", "0x1f", "1_000", "2026-11-25", "=", "<<x", ".inf", ".nan",
]  # fmt: skip


@pytest.mark.parametrize("text", OLD_WORDS)
def test_words_stay_words(text: str) -> None:
    """What YAML 1.1 read as truth values, base 60, octal numbers or dates is plain text (YAML 1.2 core schema, 2009)."""
    assert scalar(text) == text
    assert parse_yaml(f"key: {text}\n", "x").data == {"key": text}
    assert parse_yaml(f"{text}: value\n", "x").data == {text: "value"}


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("true", True), ("False", False), ("null", None), ("~", None), ("0", 0), ("-7", -7), ("+3", 3), ("1.5", 1.5), (".5", 0.5),
        ("1e3", 1000.0), ("-2.5e-1", -0.25), ("'1'", "1"), ('"true"', "true"), ("'~'", "~"),
    ],
)  # fmt: skip
def test_numbers_and_truth_values_of_the_core_schema(text: str, value: object) -> None:
    """Plain numbers, true, false and null are what they look like; anything in quotes is text."""
    assert parse_yaml(f"key: {text}\n", "x").data == {"key": value}
    assert type(parse_yaml(f"key: {text}\n", "x").data["key"]) is type(value)


def test_a_number_without_end_stays_text() -> None:
    """A number of many digits is no number of the format, and is not worked out either."""
    assert parse_yaml("key: " + "9" * 3000, "x").data == {"key": "9" * 3000}


WRONG_FINDINGS = [
    ("[1, 2, 3]", "lines like 'symptoms:'"),
    ("just words", "lines like 'symptoms:'"),
    ("42", "lines like 'symptoms:'"),
    ("symptoms: {v-at-centre-back: yes}", "schema is missing"),
    ("schema: fitdiag.findings/2", "schema is fitdiag.findings/2"),
    ("schema: [fitdiag.findings/1]", "schema is "),
    ("garment: skirts", "this rule base is for trousers"),
    ("garment: [trousers]", "'garment' must be text"),
    ("units: inches", "'inches' is not one of 'in' or 'cm'"),
    ("units: [in]", "a list is not one of 'in' or 'cm'"),
    ("client: [a, b]", "'client' must be text"),
    ("client: " + "x" * 81, "longer than 80 characters"),
    ("client: 12", "'client' must be text"),
    ("notes: {a: b}", "this must be text"),
    ("notes: [1]", "this must be text"),
    ("body: flat-seat", "body notes are written like"),
    ("body: [[flat-seat]]", "body notes are written like"),
    ("body: [~]", "body notes are written like"),
    ("body: [true]", "body notes are written like"),
    ("body: {flat-seat: very}", "'very' is not a grade"),
    ("body: {flat-seat: [some]}", "is not a grade"),
    ("body: [flat-seat, flat-seat]", "appears twice"),
    ("symptoms: [v-at-centre-back]", "'symptoms' must be a block"),
    ("symptoms: {v-at-centre-back: }", "is not an answer"),
    ("symptoms: {v-at-centre-back: 3}", "is not an answer"),
    ("symptoms: {v-at-centre-back: [yes]}", "is not an answer"),
    ("symptoms: {v-at-centre-back: {}}", "nothing is answered here"),
    ("symptoms: {balance-lines-dip-to-back: {seen: no, amount: 10 mm}}", "seen: no, but"),
    ("symptoms: {balance-lines-dip-to-back: {seen: yes, amount: 1 mm}}", "seen: yes, but"),
    ("symptoms: {balance-lines-dip-to-back: {seen: no, left: 1 in, right: 1 in}}", "seen: no, but 1 in"),
    ("symptoms: {balance-lines-dip-to-back: {seen: no, severity: strong}}", "not seen, and yet strong"),
    ("symptoms: {balance-lines-dip-to-back: 'no, 10 mm'}", "is not an answer"),
    ("symptoms: {seat-pulls-across: {amount: 1 in}}", "has no amount to measure"),
    ("symptoms: {folds-under-seat: {amount: -1 in}}", "is not a length"),
    ("symptoms: {folds-under-seat: {amount: 1}}", "text with a unit"),
    ("symptoms: {folds-under-seat: {amount: 1.5}}", "text with a unit"),
    ("symptoms: {folds-under-seat: {amount: NaN in}}", "is not a length"),
    ("symptoms: {folds-under-seat: {amount: .inf}}", "is not a length"),
    ("symptoms: {folds-under-seat: {amount: 1e999}}", "text with a unit"),
    ("symptoms: {folds-under-seat: {amount: 99999999999999 in}}", "is not a length"),
    ("symptoms: {folds-under-seat: {amount: 9999 cm}}", "check the unit"),
    ("symptoms: {folds-under-seat: {amount: [1 in]}}", "text with a unit"),
    ("symptoms: {folds-under-seat: {amount: 1 in, side: middle}}", "'middle' is not one of"),
    ("symptoms: {folds-under-seat: {amount: 1 in, side: 1}}", "'1' is not one of"),
    ("symptoms: {folds-under-seat: {amount: 1 in, amounts: 1 in}}", "'amounts' is not a key here"),
    ("symptoms: {folds-under-seat: {seen: sideways}}", "'sideways' is not one of"),
    ("symptoms: {../../etc/passwd: yes}", "there is no symptom '../../etc/passwd'"),
    ("symptoms: {" + "a-" * 100 + "b: yes}", "there is no symptom 'a-a-"),
    ('symptoms: {"\\e[31mred\\e[0m": yes}', "there is no symptom '?[31mred?[0m'"),
    ('symptoms: {folds-under-seat: {amount: "\\e]0;title\\a 1 in"}}', "'?]0;title? 1 in' is not a length"),
    ('symptoms: {folds-under-seat: "\\e[31m 3"}', "'?[31m 3' is not an answer"),
    ("done: lengthen-back-crotch", "'done' must be a list"),
    ("done: [{}]", "'alteration' is missing"),
    ("done: [[lengthen-back-crotch]]", "this must be a block"),
    ("done: [{alteration: lengthen-back-crotch, round: 0}]", "'round' must be greater than or equal to 1"),
    ("done: [{alteration: lengthen-back-crotch, round: 99999999999999}]", "'round' must be less than or equal to 99"),
    ("done: [{alteration: lengthen-back-crotch, round: true}]", "'round' must be a whole number"),
    ("done: [{alteration: lengthen-back-crotch, round: 1.5}]", "'round' must be a whole number"),
    ("done: [" + "lengthen-back-crotch,\n " * 600 + "]", "there are more than 99 of them"),
    ("measures: [hip]", "'measures' must be a block"),
    ("measures: {body: [hip]}", "'body' must be a block"),
    ("measures: {body: {hip: 40}}", "text with a unit"),
    ("measures: {body: {head: 22 in}}", "'head' is not one of waist,"),
    ("measures: {tables: {hip: [nmsu]}}", "'hip' must be text"),
    ("colour: red", "'colour' is not a key here"),
]


@pytest.mark.parametrize(("text", "told"), WRONG_FINDINGS)
def test_wrong_findings_are_told_at_their_place(tmp_path: Path, text: str, told: str) -> None:
    """Each wrong type or value in a findings file gives one line with its place."""
    path = tmp_path / "findings.yaml"
    whole = "schema" in text or "schema is" in told or not re.match(r"[a-z]+:", text)
    path.write_text(text if whole else f"schema: fitdiag.findings/1\n{text}")
    (line,) = refused(path, "diagnose")
    assert told in line
    assert re.match(rf"{re.escape(str(path))}:\d+:\d+: ", line)


def test_digits_of_other_scripts(tmp_path: Path) -> None:
    """An amount in Arabic digits is read as that amount or refused, but never crashes."""
    path = tmp_path / "findings.yaml"
    path.write_text("schema: fitdiag.findings/1\nsymptoms: {folds-under-seat: {amount: \u0661 in}}\n", encoding="utf-8")
    code, out, errors = outcome("diagnose", str(path), "--full")
    assert "1 in" in out if code == 0 else clear_lines(code, errors, path)


def test_thousands_of_faults_are_told_and_end(tmp_path: Path) -> None:
    """A file with thousands of unknown keys is told in the first 200 lines and a count."""
    path = tmp_path / "findings.yaml"
    path.write_text("schema: fitdiag.findings/1\nsymptoms:\n" + "".join(f"  b{n}: yes\n" for n in range(4000)))
    lines = refused(path, "diagnose")
    assert len(lines) == 201
    assert lines[-1] == "... and 3800 more"


@pytest.mark.parametrize("rule", ["../../etc/passwd", "/etc/passwd", "", ".", "\x1b[31m", "x" * 5000, "a\nb", "\ud800"])
def test_show_of_an_odd_id(rule: str) -> None:
    """An id is looked up among the rules, never used as a path, and shown safely."""
    code, out, errors = outcome("rules", "show", "--", rule)
    assert code == 1
    assert out == ""
    (line,) = errors.splitlines()
    assert line.startswith("there is no rule '")
    assert line.isprintable()
    assert len(line) < 400


# -- logs ----------------------------------------------------------------------------------------------------------------


def log_lines(*events: object) -> str:
    return "".join((event if isinstance(event, str) else json.dumps(event)) + "\n" for event in events)


REFUSED_LOGS = {
    "a list": (log_lines([1, 2]), "not a session log"),
    "a number": (log_lines("1"), "not a session log"),
    "an unknown event": (log_lines({"event": "dance"}), "not a session log"),
    "an event that is a list": (log_lines({"event": ["start"]}), "not a session log"),
    "no head": (log_lines({"event": "answer", "symptom": "v-at-centre-back", "seen": "yes"}), "not a head of"),
    "another schema": (log_lines({**HEAD, "schema": "fitdiag.session/9"}), "schema: fitdiag.session/9"),
    "a schema that is a mapping": (log_lines({**HEAD, "schema": {"a": 1}}), "not a head of"),
    "no rules": (log_lines({key: value for key, value in HEAD.items() if key != "rules"}), "names no rules"),
    "rules that are text": (log_lines({**HEAD, "rules": "trousers"}), "names no rules"),
    "another garment": (log_lines({**HEAD, "rules": {"garment": "kilt"}}), "about kilt"),
    "a garment that is a list": (log_lines({**HEAD, "rules": {"garment": ["trousers"]}}), "this log is about"),
    "deep brackets": (log_lines(HEAD, "[" * 100_000, HEAD), ":2:1: this line is not an event"),
    "deep braces": (log_lines(HEAD, '{"a":' * 100_000, HEAD), ":2:1: this line is not an event"),
    "a number without end": (log_lines(HEAD, '{"event":"back","steps":' + "9" * 5000 + "}", HEAD), ":2:1: this line"),
    "a line in the middle": (log_lines(HEAD, "x", HEAD), ":2:1: this line is not an event"),
    "an empty line": (log_lines(HEAD, "", HEAD), ":2:1: this line is not an event"),
}


@pytest.mark.parametrize("name", REFUSED_LOGS)
def test_what_is_no_log_is_refused(tmp_path: Path, name: str) -> None:
    """A file that is no log, of another version or garment, or changed in the middle, is refused at its line."""
    text, told = REFUSED_LOGS[name]
    path = tmp_path / "session.jsonl"
    path.write_text(text)
    lines = refused(path, "replay")
    assert told in lines[0]
    assert refused(path, "export", "--to", str(tmp_path / "list.md")) == lines
    assert not (tmp_path / "list.md").exists()


ODD: list[Any] = [
    None, True, False, 0, -1, 1, 2.5, 99, 100, 10**20, 10**400, 1e308, 1e-320, float("nan"), float("inf"), -float("inf"),
    "", "yes", "no", "marked", "left", "\u202e\x1b[31m", "\ud800", "x" * 500, [], {}, [1], ["yes"], {"a": 1}, [[["a"]]],
    {"flat-seat": ["x"]}, {"flat-seat": {"a": 1}}, {"hip": [1]}, {"hip": True}, {"hip": 1e999}, {"hip": {}}, LONGEST_MM + 1,
]  # fmt: skip
WHOLE: list[dict[str, Any]] = [
    {"event": "answer", "symptom": "folds-under-seat", "seen": "yes", "amount_mm": 10, "origin": "asked"},
    {"event": "body", "notes": {"flat-seat": "some"}},
    {"event": "done", "alteration": "tuck-across-back-hip", "amount_mm": 5, "round": 1},
    {"event": "measures", "body": {"hip": 1000}, "pattern": {"hip": 1010}, "tables": {"hip": "nmsu"}},
    {"event": "stage", "ended": "body"},
    {"event": "note", "text": "climbs a ladder"},
    {"event": "back", "steps": 1},
    {"event": "rules", "rules": {"garment": "trousers", "fingerprint": "1"}},
    {
        "event": "conclusion",
        "causes": [{"id": "back-too-long-above-crotch", "probability": 0.5}],
        "recommendations": [{"alteration": "tuck-across-back-hip", "amount_mm": 10, "side": "both", "only_if": None}],
        "leave_alone": ["lengthen-back-crotch"],
    },
]


def weighed(path: Path, base: RuleBase) -> bool:
    """Replay a log and write it in every format; False if it was refused. Any other exception comes through."""
    try:
        report = make_report(base, replay(read_log(path), base).conclusion)
    except ProblemsFoundError as stopped:
        assert stopped.problems
        assert all(str(problem).isprintable() for problem in stopped.problems)
        return False
    for writer in WRITERS.values():
        assert writer(report)
    return True


@pytest.mark.parametrize("event", [HEAD, *WHOLE], ids=lambda event: event["event"])
def test_wrong_types_in_every_field_of_a_log(tmp_path: Path, base: RuleBase, event: dict[str, Any]) -> None:
    """Any value in any field of any event is passed over; what it adds up to can be weighed. A second head does no harm."""
    path = tmp_path / "session.jsonl"
    weighed_already = set()
    fields = set(event) - {"event", "schema", "rules"}
    for field in (*sorted(fields), None):
        for odd in ODD:
            if odd == 10**400 and event["event"] == "conclusion":
                continue  # a test of its own below
            changed = {**event, **dict.fromkeys({field} if field else fields, odd)}
            head = changed if event is HEAD else HEAD
            path.write_text(log_lines(head, WHOLE[0], changed, head, event))
            state = repr(replace(fold(read_log(path).events, base), recorded=changed.get("causes", {})))
            if state not in weighed_already:
                weighed_already.add(state)
                assert weighed(path, base), (field, odd)


def test_a_recorded_number_that_no_float_can_hold(tmp_path: Path, base: RuleBase) -> None:
    """A recorded probability of four hundred digits is passed over."""
    path = tmp_path / "session.jsonl"
    causes = [{"id": "back-too-long-above-crotch", "probability": 10**400}]
    path.write_text(log_lines(HEAD, {**WHOLE[-1], "causes": causes}))
    assert weighed(path, base)


def test_an_alteration_done_a_thousand_times(tmp_path: Path, base: RuleBase) -> None:
    """A log that says the same alteration was done a thousand times is refused or weighed like any other."""
    path = tmp_path / "session.jsonl"
    after = next(done for cause in base.causes.values() for done, word in cause.after.items() if word.startswith("m"))
    path.write_text(log_lines(HEAD, *[{"event": "done", "alteration": after, "round": 1}] * 1500, WHOLE[0]))
    weighed(path, base)


def test_a_log_of_nothing_but_other_lines_is_not_read_to_its_end(tmp_path: Path) -> None:
    """A large text file given as a log is refused after its first lines, not after millions of them."""
    path = tmp_path / "session.jsonl"
    path.write_text(log_lines(HEAD) + "x\n" * 100_000)
    with pytest.raises(ProblemsFoundError) as stopped:
        read_log(path)
    assert len(stopped.value.problems) < 1000


@MANY
@given(st.integers(0, 2**32))
def test_mutated_sample_logs(tmp_path: Path, base: RuleBase, seed: int) -> None:
    """The shipped sessions with lines deleted, repeated, swapped, torn or given odd values are weighed or refused."""
    rng = random.Random(seed)
    source = rng.choice(sorted(shipped("sample_sessions").glob("*.jsonl")))
    lines = source.read_text(encoding="utf-8").splitlines()
    for _ in range(rng.randint(1, 4)):
        number = rng.randrange(len(lines))
        match rng.randrange(6):
            case 0:
                del lines[number]
            case 1:
                lines.insert(rng.randrange(len(lines) + 1), lines[number])
            case 2:
                lines[number] = lines[number][: rng.randrange(len(lines[number]) + 1)]
            case 3:
                other = rng.randrange(len(lines))
                lines[number], lines[other] = lines[other], lines[number]
            case _:
                with contextlib.suppress(ValueError):
                    event = json.loads(lines[number])
                    _put_odd(event, rng)
                    lines[number] = json.dumps(event)
        if not lines:
            break
    path = tmp_path / "session.jsonl"
    path.write_text("\n".join(lines) + rng.choice(["\n", "", "\n\0\0"]), encoding="utf-8")
    weighed(path, base)


def _put_odd(value: Any, rng: random.Random) -> None:
    """Put an odd value somewhere into a nest of lists and mappings."""
    while isinstance(value, dict | list) and value:
        key: Any = rng.choice(list(value)) if isinstance(value, dict) else rng.randrange(len(value))
        if isinstance(value[key], dict | list) and value[key] and rng.random() < 0.7:
            value = value[key]
            continue
        value[key] = rng.choice([odd for odd in ODD if odd != 10**400])
        return


# -- any content at all ------------------------------------------------------------------------------------------------

TEXTS = st.one_of(
    st.text(max_size=20),
    st.sampled_from(["yes", "no", "unsure", "slight", "3/4 in", "1e999", "-1 cm", "left", "flat-seat", "v-at-centre-back",
                     "folds-under-seat", "lengthen-back-crotch", "fitdiag.findings/1", "trousers", "in", "hip", "nmsu"]),
)  # fmt: skip
KEYS = st.one_of(
    st.sampled_from(["schema", "garment", "client", "units", "body", "symptoms", "done", "measures", "notes", "name", "expect",
                     "source", "amount", "error", "seen", "side", "severity", "origin", "alteration", "round", "pattern",
                     "tables", "leads", "first", "quiet", "only_if", "nothing", "id", "title", "shows", "words", "how_often",
                     "flat-seat", "v-at-centre-back", "folds-under-seat", "lengthen-back-crotch"]),
    st.text(max_size=10),
)  # fmt: skip
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=6),
    max_leaves=25,
)


def findings_or_problems(path: Path, base: RuleBase) -> bool:
    """Read a findings file and weigh it; False if it was refused. Any other exception comes through."""
    try:
        findings = read_findings(path, base)
    except ProblemsFoundError as stopped:
        assert stopped.problems
        assert all(str(problem).isprintable() for problem in stopped.problems)
        return False
    report = make_report(base, conclude(base, findings))
    for writer in WRITERS.values():
        assert writer(report)
    return True


@MANY
@given(st.binary(max_size=300))
def test_any_bytes_in_any_file(tmp_path: Path, base: RuleBase, content: bytes) -> None:
    """Any bytes are refused as findings, cases, a rule file or a log, or they happen to be one."""
    path = tmp_path / "any.file"
    path.write_bytes(content)
    findings_or_problems(path, base)
    weighed(path, base)
    with contextlib.suppress(ProblemsFoundError):
        read_yaml(path)


@MANY
@given(VALUES)
def test_any_structure_as_findings(tmp_path: Path, base: RuleBase, value: object) -> None:
    """Any nest of lists, mappings, texts and numbers under the keys of the format is read or refused (JSON is YAML)."""
    path = tmp_path / "findings.yaml"
    if isinstance(value, dict):
        value = {"schema": "fitdiag.findings/1", **value}
    path.write_text(json.dumps(value, ensure_ascii=True).replace("\\ud", "\\\\ud"), encoding="utf-8")
    findings_or_problems(path, base)


@MANY
@given(
    VALUES,
    st.sampled_from([SYMPTOMS, WORDS, LONG, TUCK, ORDER, CASES, NOTES, SOURCES, "rulebase.yaml", "ease-tables.yaml"]),
)
def test_any_structure_as_a_rule_file(tmp_path: Path, value: object, file: str) -> None:
    """The same as any file of a rule base."""
    folder = tmp_path / "rules"
    if not folder.exists():
        write_rules(folder, good_files())
    kept = (folder / file).read_text(encoding="utf-8")
    (folder / file).write_text(json.dumps(value, ensure_ascii=True).replace("\\ud", "\\\\ud"), encoding="utf-8")
    try:
        rules_or_problems(folder)
    finally:
        (folder / file).write_text(kept, encoding="utf-8")


@settings(MANY, max_examples=30)
@given(st.dictionaries(KEYS, VALUES, max_size=6), st.sampled_from(WHOLE))
def test_any_structure_in_a_log(tmp_path: Path, base: RuleBase, more: dict[str, object], event: dict[str, Any]) -> None:
    """The same as an event of a log."""
    path = tmp_path / "session.jsonl"
    path.write_text(log_lines(HEAD, {**event, **more}, {**more, "event": event["event"]}))
    weighed(path, base)


# -- mutation ------------------------------------------------------------------------------------------------------------

SPOILT = ["", "~", "true", "no", "-1", "0", "1", "1e999", "nan", ".inf", "-1 in", "9999 cm", "[]", "{}", "[[]]", "'", '"', "&a x",
          "*a", "!!python/object:x {}", "{a: 1}", "x" * 200, "../../x", "Flat-Seat", "yes", "wholly", "draft", "\u202e",
          "flat-seat", "v-at-centre-back", "lines-dip", "tuck-back", "back-too-long", "both", "less", "0.5", "3/4 in", "|", ">-",
          "- x", "? x", "%", "@", "`"]  # fmt: skip


def mutated(text: str, rng: random.Random) -> str:
    """A text with one to three of its lines or values deleted, repeated, moved, indented or exchanged."""
    lines = text.split("\n")
    for _ in range(rng.randint(1, 3)):
        number = rng.randrange(len(lines))
        line = lines[number]
        match rng.randrange(9):
            case 0:
                del lines[number]
            case 1:
                lines.insert(number, line)
            case 2:
                other = rng.randrange(len(lines))
                lines[number], lines[other] = lines[other], line
            case 3:
                lines[number] = rng.choice(["  ", " ", "\t"]) + line
            case 4:
                lines[number] = line.lstrip()
            case 5:
                lines[number] = line[: rng.randrange(len(line) + 1)]
            case 6:  # the value behind a colon
                lines[number] = re.sub(r": .*$", lambda _: ": " + rng.choice(SPOILT), line, count=1)
            case 7:  # a word somewhere in the line
                words = re.findall(r"[\w/.-]+", line)
                if words:
                    lines[number] = line.replace(rng.choice(words), rng.choice(SPOILT), 1)
            case _:  # a sign
                if line:
                    place = rng.randrange(len(line))
                    lines[number] = line[:place] + rng.choice(":,[]{}'\"#&*!|>-? \x00") + line[place + 1 :]
        if not lines:
            lines = [""]
    return "\n".join(lines)


def rules_or_problems(folder: Path) -> bool:
    """Read a rule base; if it loads, check it, run its cases and show its rules. Any other exception comes through."""
    try:
        base, problems = read_rules(folder)
    except ProblemsFoundError as stopped:
        base, problems = None, list(stopped.problems)
    assert all(str(problem).isprintable() for problem in problems)
    assert all(problem.where is not None for problem in problems)
    if base is None or problems:
        assert problems
        return False
    assert all(str(problem).isprintable() for problem in check_rules(base))
    cases, problems = read_cases(folder, base)
    assert all(str(problem).isprintable() for problem in problems)
    for case in cases[:5]:
        run_case(base, case)
        report = make_report(base, conclude(base, case.findings))
        for writer in WRITERS.values():
            assert writer(report)
    for rule in [*base.symptoms, *base.body_notes, *base.causes, *base.alterations, *base.sources][:200]:
        assert page(base, rule)
    return True


@settings(MANY, max_examples=80)
@given(st.integers(0, 2**32))
def test_mutated_rules(tmp_path: Path, seed: int) -> None:
    """A rule base with a mutated file loads, and then everything works with it, or gives problems with a place."""
    rng = random.Random(seed)
    folder = tmp_path / "rules"
    files = good_files()
    if not folder.exists():
        write_rules(folder, files)
    file = rng.choice(sorted(files))
    (folder / file).write_text(mutated(files[file], rng), encoding="utf-8")
    try:
        rules_or_problems(folder)
    finally:
        (folder / file).write_text(files[file], encoding="utf-8")


@SOME
@given(st.integers(0, 2**32))
def test_mutated_shipped_rules(copied: Path, seed: int) -> None:
    """The same for the files that ship; the cases that are run with them are those beside the mutated rule."""
    rng = random.Random(seed)
    path = rng.choice(sorted(path for path in copied.rglob("*.yaml") if not path.name.endswith(".cases.yaml")))
    kept = path.read_text(encoding="utf-8")
    path.write_text(mutated(kept, rng), encoding="utf-8")
    try:
        base, problems = read_rules(copied)
        assert all(str(problem).isprintable() for problem in problems)
        if base is not None and not problems:
            check_rules(base)
            for rule in rng.sample([*base.symptoms, *base.causes, *base.alterations], 40):
                assert page(base, rule)
    finally:
        path.write_text(kept, encoding="utf-8")


@MANY
@given(st.integers(0, 2**32))
def test_mutated_shipped_cases(copied: Path, tmp_path: Path, base: RuleBase, seed: int) -> None:
    """Mutated case files of the shipped rules are run or give problems with a place."""
    rng = random.Random(seed)
    source = rng.choice(sorted(copied.rglob("*.cases.yaml")))
    path = tmp_path / "causes" / "any" / source.name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(mutated(source.read_text(encoding="utf-8"), rng), encoding="utf-8")
    try:
        cases, problems = read_cases(tmp_path, base)
        assert all(str(problem).isprintable() and problem.where is not None for problem in problems)
        for case in cases[:2]:
            run_case(base, case)
    finally:
        path.unlink()


@MANY
@given(st.integers(0, 2**32))
def test_mutated_findings(tmp_path: Path, base: RuleBase, seed: int) -> None:
    """Mutated findings are weighed or give problems with a place."""
    path = tmp_path / "findings.yaml"
    path.write_text(mutated(FINDINGS, random.Random(seed)), encoding="utf-8")
    findings_or_problems(path, base)


def test_the_findings_that_are_mutated_are_whole(tmp_path: Path, base: RuleBase) -> None:
    """What the mutations start from loads, so that they are near the edge."""
    path = tmp_path / "findings.yaml"
    path.write_text(FINDINGS, encoding="utf-8")
    assert findings_or_problems(path, base)
    path.write_text(log_lines(HEAD, *WHOLE))
    assert weighed(path, base)


# -- real programs -------------------------------------------------------------------------------------------------------


def program(*arguments: str | Path, expected: int = 1) -> str:
    """The error output of the program, ended in time with the expected code and without a traceback."""
    done = subprocess.run(
        [sys.executable, "-m", "fitdiag", *map(str, arguments)], capture_output=True, timeout=SECONDS, check=False,
        stdin=subprocess.DEVNULL,
    )  # fmt: skip
    errors = done.stderr.decode("utf-8", "replace")
    assert "Traceback" not in errors
    assert done.returncode == expected, errors
    return errors


Maker = Callable[[Path], object]


@pytest.mark.parametrize(
    ("command", "make"),
    [
        ("diagnose", lambda path: path.write_text(BOMB)),
        ("diagnose", lambda path: path.write_bytes(b"a: b\n" * 2_000_000)),
        ("diagnose", lambda path: path.write_text(("[" * 30 + " # " + "]" * 30 + "\n") * 900)),
        ("diagnose", lambda path: path.write_text("- " * 1900)),
        ("diagnose", os.mkfifo),
        ("diagnose", lambda path: path.symlink_to("/dev/zero")),
        ("replay", lambda path: path.write_text(log_lines(HEAD, "[" * 1_000_000, HEAD))),
        ("replay", lambda path: path.write_bytes(b"\0" * 1_000_000)),
        ("replay", os.mkfifo),
        ("replay", lambda path: path.symlink_to("/dev/zero")),
    ],
    ids=[
        "bomb", "10 MB", "hidden depth", "dashes", "pipe", "device", "deep log", "zeros", "pipe as log",
        "device as log",
    ],
)  # fmt: skip
def test_the_program_ends_in_time(tmp_path: Path, command: str, make: Maker) -> None:
    """The program itself, started as a user does, ends in time with clear lines and exit code 1."""
    path = tmp_path / "given.file"
    make(path)
    clear_lines(1, program(command, path), path)


def test_the_program_on_a_wide_list_of_faults(tmp_path: Path) -> None:
    """A rule file of 128 kB in which every line is a fault ends in time."""
    write_rules(tmp_path, good_files())
    (tmp_path / SOURCES).write_text("- id: practice\n" + "".join(f"  key-{n}: 1\n" for n in range(9000)))
    lines = clear_lines(1, program("rules", "check", tmp_path), tmp_path)
    assert len(lines) == 201


def test_a_folder_that_is_the_whole_disk(tmp_path: Path) -> None:
    """A folder that holds no rules is refused at once, not searched; it may be the whole disk."""
    path = tmp_path / "findings.yaml"
    path.write_text(FINDINGS)
    assert program("diagnose", path, "--rules", "/") == (
        "/: this is not a rule folder: it has no rulebase.yaml (give a folder like rules/trousers)\n"
    )


def test_a_plain_reader_without_the_c_library(tmp_path: Path) -> None:
    """Without libyaml the slower reader refuses the same tricks and reads the same rules."""
    script = tmp_path / "plain.py"
    script.write_text(
        "import sys, yaml, runpy\n"
        "del yaml.CSafeLoader\n"
        "sys.argv[0] = 'fitdiag'\n"
        "from fitdiag.knowledge import strict_yaml\n"
        "assert strict_yaml._BaseLoader is yaml.SafeLoader\n"
        "runpy.run_module('fitdiag', run_name='__main__')\n"
    )
    write_rules(tmp_path / "rules", good_files())

    def plainly(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, str(script), *map(str, arguments)]
        return subprocess.run(command, capture_output=True, text=True, timeout=SECONDS, check=False)

    clean = plainly("rules", "check", tmp_path / "rules")
    assert (clean.returncode, clean.stderr) == (0, "")
    for name in (
        "a bomb of aliases",
        "a python object",
        "a merge key",
        "deep dashes",
        "deep brackets hidden from a counter",
    ):
        path = tmp_path / "findings.yaml"
        path.write_text(TRICKS[name][0])
        done = plainly("diagnose", path)
        clear_lines(done.returncode, done.stderr, path)


@pytest.fixture(autouse=True)
def _no_sessions_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Nothing that is refused leaves anything behind in the folder where the program was started."""
    place = tmp_path / "started-here"
    place.mkdir()
    monkeypatch.chdir(place)
    yield
    assert list(place.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full here")
@pytest.mark.parametrize("command", [("ease",), ("demo",), ("rules", "list", "causes"), ("--help",)])
def test_output_that_finds_no_room_is_told_in_one_line(command: tuple[str, ...], tmp_path: Path) -> None:
    """Output into a full disk: one line, exit code 1, no traceback, nor a second complaint at the very end."""
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-m", "fitdiag", *command], stdout=full, stderr=subprocess.PIPE, text=True, cwd=tmp_path, check=False
        )  # fmt: skip
    assert (1, 1) == (done.returncode, done.stderr.count("\n"))
    assert "No space left" in done.stderr and "choose another place" in done.stderr


@pytest.mark.skipif(os.name == "nt", reason="a shell of another kind")
def test_a_closed_output_is_no_fault(tmp_path: Path) -> None:
    """Who closes the output does not want to read it; a fault is still told by the exit code."""
    for command, code in (("ease", 0), ("rules show nothing", 1)):
        done = subprocess.run(
            f"{sys.executable} -m fitdiag {command} >&- 2>&-", shell=True, cwd=tmp_path, check=False
        )  # fmt: skip
        assert code == done.returncode


@pytest.mark.parametrize("amount", ["1e999", "-1e999", "NaN"])
def test_a_recorded_amount_without_end_is_passed_over(tmp_path: Path, base: RuleBase, amount: str) -> None:
    """A conclusion in a log that holds no real amount is replayed; what cannot be compared is not."""
    lines = (shipped("sample_sessions") / "lamplighter-round-2.jsonl").read_text(encoding="utf-8").splitlines()
    lines[-1] = re.sub(r'"amount_mm":[0-9.]+', f'"amount_mm":{amount}', lines[-1])
    assert amount in lines[-1]
    path = tmp_path / "x.jsonl"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with contextlib.suppress(ProblemsFoundError):  # or the log is refused in words
        assert not replay(read_log(path), base).differences
