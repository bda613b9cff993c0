"""A whole case as a fitter carries it: from pictures and the client's form to documents, over rounds, until the trousers fit."""

from __future__ import annotations

import io
import os
import re
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pexpect
import pypdf
import pytest
import yaml

from fitdiag.cli.main import run
from fitdiag.cli.review import token
from fitdiag.knowledge.findings import Done, Finding, Findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.reports.form import SCHEMA, packed
from fitdiag.sessions.case import open_case
from fitdiag.sessions.case_files import Advised, Outcome, Round
from fitdiag.sessions.log import read_log
from fitdiag.sessions.rounds import compared, expected_outcomes, observed_outcomes, remarks
from fitdiag.sessions.state import fold

SAMPLES = Path(__file__).parent.parent / "sample_sessions"
FORMS = SAMPLES / "lamplighter-forms"
Shell = Callable[..., tuple[int, str, str]]
CASE = Path("cases/the-lamplighter")


@pytest.fixture
def shell(shell: Shell) -> Shell:
    """The output with its lines joined, so that a sentence is found wherever it was folded."""

    def joined(*arguments: str) -> tuple[int, str, str]:
        code, out, err = shell(*arguments)
        return code, " ".join(out.split()), err

    return joined


@pytest.fixture(scope="module")
def base() -> RuleBase:
    """The shipped rules."""
    return load_rules()


def pictures(folder: str) -> list[str]:
    """The `--photo` options for the sample pictures of a round."""
    return [part for view in ("back", "left") for part in ("--photo", f"{view}={SAMPLES / folder / f'{view}.jpg'}")]


def round_one(shell: Shell) -> str:
    """The sample case up to the list of round 1."""
    assert 0 == shell("case", "new", "the lamplighter", "--units", "in", "--body", "flat-seat", "--body", "low-seat",
                      "--measure", "hip=38 in", "--photos-consent", "yes", "--keep-until", "2027-03-01")[0]  # fmt: skip
    assert 0 == shell("review", "the lamplighter", "--send-form")[0]
    code, out, _ = shell("review", "the lamplighter", "--form", str(FORMS / "round-1.txt"), "--findings",
                         str(FORMS / "round-1-seen.yaml"), *pictures("lamplighter-pictures"), "--no-questions")  # fmt: skip
    assert code == 0
    return out


def test_the_sample_case_ends_with_trousers_that_fit(shell: Shell, tmp_path: Path) -> None:
    """Three rounds: a tuck of about the dip, then the wedge over the grainline, then nothing left; expected and observed agree."""
    out = round_one(shell)
    assert "1. Tuck across the back above the full hip line: 3/4 in" in out
    assert "take 1/4 in of it back first" in out  # the 1/2 in that was let in before the case began
    documents = tmp_path / CASE / "round-01" / "documents"
    names = {path.name for path in documents.iterdir()}
    assert {
        "client.html",
        "client.pdf",
        "fitter.html",
        "form.html",
        "list.md",
        "list.csv",
        "list.json",
        "shot-card.pdf",
    } <= names
    text = "".join(page.extract_text() for page in pypdf.PdfReader(documents / "client.pdf").pages)
    assert "3/4 in" in text
    assert "tuck-across" not in text
    assert 0 == shell("review", "the lamplighter", "--sent")[0]
    assert "wait" in shell("case", "list")[1]
    assert "lies with the client" in shell("review", "the lamplighter")[1]

    code, out, _ = shell("review", "the lamplighter", "--form", str(FORMS / "round-2.txt"), "--findings",
                         str(FORMS / "round-2-seen.yaml"), *pictures("lamplighter-pictures-2"), "--no-questions")  # fmt: skip
    assert code == 0
    assert "expected about 1/4 in" in out and "as expected" in out
    assert "1. Overlap a wedge where the back curve begins: 5/8 in" in out
    assert 0 == shell("review", "the lamplighter", "--sent")[0]
    page = (tmp_path / CASE / "round-02" / "documents" / "fitter.html").read_text(encoding="utf-8")
    assert "Drop at centre back" in page

    code, out, _ = shell("review", "the lamplighter", "--findings", str(FORMS / "round-3-seen.yaml"), "--done",
                         "overlap-back-wedge=5/8 in", "--no-questions")  # fmt: skip
    assert code == 0 and "Nothing is advised" in out
    assert 0 == shell("review", "the lamplighter", "--fits")[0]
    assert 0 == shell("case", "close", "the lamplighter", "--fits")[0]
    case = open_case(tmp_path / CASE)
    assert case.closed is not None and "fits" == case.closed.outcome
    assert [True, False, False] == [item.done for item in case.rounds[0].done]
    outcome = case.rounds[0].outcome["balance-lines-dip-to-back"]
    assert outcome.observed == pytest.approx(outcome.expected, abs=2 * (outcome.error or 0))
    assert [1, 1, 2] == [item.round for item in _done(tmp_path / CASE / "round-03" / "session.jsonl")]


def _done(log: Path) -> list[Any]:
    from fitdiag.sessions.state import done_from

    return [done_from(event) for event in read_log(log).events if event["event"] == "done"]


def test_a_back_lengthened_too_far_is_named_and_brought_back(shell: Shell, tmp_path: Path) -> None:
    """Over-correction: 1 1/4 in let in over two rounds; the tool names it, how far the grain moved with it, and takes half back."""
    assert 0 == shell("pattern", "draft", "--waist", "68cm", "--hip", "94cm", "--rise", "28cm", "--waist-to-hip", "20.6cm",
                      "--waist-to-floor", "104cm", "--bottom", "22cm", "--out", "block.yaml")[0]  # fmt: skip
    shell("case", "new", "the ticket seller", "--units", "in", "--body", "flat-seat", "--pattern", "block.yaml")
    findings = {
        1: "symptoms: {seat-wedgie: yes}\ndone: [{alteration: lengthen-back-crotch, amount: 1/2 in, round: 1},"
           " {alteration: lengthen-back-crotch, amount: 3/4 in, round: 2}]",
    }  # fmt: skip
    (tmp_path / "one.yaml").write_text(
        f"schema: fitdiag.findings/1\n{findings[1]}\n".replace("symptoms: {seat-wedgie: yes}", "symptoms:\n"
        "  balance-lines-dip-to-back: {amount: 1 1/8 in}\n  grainline-near-centre-back: {amount: 1 in}\n  v-at-centre-back: yes"),
        encoding="utf-8",
    )  # fmt: skip
    code, out, _ = shell("review", "the ticket seller", "--findings", "one.yaml", "--no-questions")
    assert code == 0
    assert (
        "Lengthen the back crotch with a wedge at the hip line, 1 1/4 in in all over 2 rounds, brings what is seen now"
        in out
    )
    assert re.search(r"the back grainline moved .* towards centre back with it", out)
    assert "take 5/8 in of it back first" in out
    assert "First: tuck across the back" in out
    shell("review", "the ticket seller", "--sent")
    (tmp_path / "two.yaml").write_text(
        "schema: fitdiag.findings/1\nsymptoms:\n  balance-lines-dip-to-back: no\n  v-at-centre-back: no\n"
        "  grainline-near-centre-back: no\n  seat-wedgie: no\n  seat-binds-sitting: no\n", encoding="utf-8",
    )  # fmt: skip
    code, out, _ = shell("review", "the ticket seller", "--findings", "two.yaml", "--done", "tuck-across-back-hip=3/4 in",
                         "--no-questions")  # fmt: skip
    assert code == 0 and "Nothing is advised" in out
    assert 0 == shell("review", "the ticket seller", "--fits")[0]


# -- rounds, in themselves ---------------------------------------------------------------------------------------------


def dip(mm: float, seen: str = "yes") -> Findings:
    """Findings with a dip of so many mm."""
    return Findings({"balance-lines-dip-to-back": Finding("balance-lines-dip-to-back", seen, mm, 2.0)})  # type: ignore[arg-type]


def test_a_tuck_is_expected_to_halve_its_amount_of_dip(base: RuleBase) -> None:
    """0.52 cm of dip per cm of wedge, 0.3 to 0.64 (simulated, one block on eight bodies): 20 mm less 20 x 0.52, give or take."""
    outcome = expected_outcomes(base, dip(20.0), [Advised("tuck-across-back-hip", 20.0)])["balance-lines-dip-to-back"]
    assert (20.0, 9.6) == (outcome.before, outcome.expected)
    assert outcome.error == pytest.approx((3.4**2 + 2.0**2) ** 0.5, abs=0.1)


def test_a_measure_of_the_pattern_is_expected_to_follow_the_paper(base: RuleBase) -> None:
    """The grainline's distance from centre back changes by what the alteration does on the pattern, give or take a third of it."""
    findings = Findings({"grainline-near-centre-back": Finding("grainline-near-centre-back", "yes", 37.0, 1.0)})
    advised = [Advised("overlap-back-wedge", 16.0)]
    outcome = expected_outcomes(base, findings, advised, {"back grain to centre at waist": 10.0})[
        "grainline-near-centre-back"
    ]
    assert (37.0, 47.0) == (outcome.before, outcome.expected)
    assert outcome.error == pytest.approx((3.0**2 + 1.0**2) ** 0.5, abs=0.1)


@pytest.mark.parametrize(("observed", "kind"), [(9.0, "met"), (15.0, "met"), (19.0, "short"), (0.0, "too-far")])
def test_observed_against_expected_allows_for_the_range(base: RuleBase, observed: float, kind: str) -> None:
    """Nothing within two standard deviations is called off."""
    outcome = {"balance-lines-dip-to-back": Outcome(20.0, 9.6, observed, 3.5)}
    assert [kind] == [remark.kind for remark in compared(base, outcome, "cm")]


def test_a_sign_that_is_gone_counts_as_nothing_left() -> None:
    """Seen no without an amount is observed as 0; unsure stays open."""
    previous = Round(
        1, Path(), date(2026, 11, 3), date(2026, 11, 3), outcome={"balance-lines-dip-to-back": Outcome(20.0, 9.6)}
    )
    gone = Findings({"balance-lines-dip-to-back": Finding("balance-lines-dip-to-back", "no")})
    unsure = Findings({"balance-lines-dip-to-back": Finding("balance-lines-dip-to-back", "unsure")})
    assert 0.0 == observed_outcomes(previous, gone)["balance-lines-dip-to-back"].observed
    assert None is observed_outcomes(previous, unsure)["balance-lines-dip-to-back"].observed


def test_there_and_back_once_is_a_correction_and_twice_a_circle(base: RuleBase) -> None:
    """Lengthened then tucked is taking back; lengthened again goes in circles; thrice the same says the cause is another."""
    one, other = Done("lengthen-back-crotch", 12.0, 1), Done("tuck-across-back-hip", 12.0, 2)
    kinds = lambda *done: {remark.kind for remark in remarks(base, Findings(done=done))}  # noqa: E731
    assert "circles" not in kinds(one, other)
    assert "circles" in kinds(one, other, Done("lengthen-back-crotch", 12.0, 3))
    assert "circles" in kinds(*(Done("scoop-back-curve", 3.0, n) for n in (1, 2, 3)))


def test_limits_that_add_up_ask_for_another_block(base: RuleBase) -> None:
    """A seam that has moved 2.5 cm in all: redraw the block or choose another size (from memory)."""
    found = remarks(base, Findings(done=(Done("tuck-across-back-hip", 15.0, 1), Done("tuck-across-back-hip", 12.0, 2))))
    assert any(remark.kind == "limit" and "another size" in remark.text for remark in found)


def test_what_was_taken_back_counts_off(base: RuleBase) -> None:
    """1/2 in let in and 3/4 in tucked out is no over-correction any more."""
    findings = Findings(
        dip(10.0).symptoms, done=(Done("lengthen-back-crotch", 12.7, 1), Done("tuck-across-back-hip", 19.0, 2))
    )
    assert "too-far" not in {remark.kind for remark in remarks(base, findings)}


# -- what comes from outside -------------------------------------------------------------------------------------------


def test_photos_need_consent(shell: Shell) -> None:
    """Without consent written down no picture is taken in; the message says how to write it down."""
    shell("case", "new", "the usher", "--units", "cm")
    code, _, err = shell("review", "the usher", *pictures("lamplighter-pictures"), "--no-questions")
    assert 1 == code
    assert "consent" in err and "case.yaml" in err
    assert not list(Path("cases/the-usher/round-01/photos").glob("*"))


def test_a_form_of_another_case_is_refused(shell: Shell, tmp_path: Path) -> None:
    """A form carries its case and round; another one's answers never get in."""
    shell("case", "new", "the usher", "--units", "cm")
    shell("review", "the usher", "--send-form")
    code, _, err = shell("review", "the usher", "--form", str(FORMS / "round-1.txt"), "--no-questions")
    assert 1 == code and "another case" in err
    (tmp_path / "junk.txt").write_text("hello", encoding="utf-8")
    assert 1 == shell("review", "the usher", "--form", "junk.txt")[0]


def test_hostile_names_and_notes_stay_text(shell: Shell, tmp_path: Path) -> None:
    """Markup, formulas and terminal escapes in a name or in the client's words are text in every document and on the screen."""
    name = '=HYPERLINK("x") <img src=x onerror=alert(1)> \x1b[31m'
    assert 0 == shell("case", "new", name, "--units", "in", "--body", "flat-seat")[0]
    folder = next((tmp_path / "cases").iterdir())
    shell("review", folder.name, "--send-form")
    case = open_case(folder)
    words = "<script>alert(1)</script> =1+1 \x1b[2J | `x`"
    content = {"schema": SCHEMA, "token": token(case, 1), "round": 1, "units": "in", "done": [], "feels": {}, "words": words,
               "answers": [{"symptom": "balance-lines-dip-to-back", "seen": "yes", "amount": "3/4 in"}]}  # fmt: skip
    (tmp_path / "form.txt").write_text(packed(content), encoding="utf-8")
    code, out, _ = shell("review", folder.name, "--form", "form.txt", "--no-questions")
    assert code == 0
    assert "\x1b" not in out
    for path in (folder / "round-01" / "documents").iterdir():
        if path.suffix == ".html":
            text = path.read_text(encoding="utf-8")
            assert "<img src=x" not in text and "<script>alert" not in text
        if path.suffix == ".csv":
            assert not re.search(r"(?m)(^|[,;\"])[=+@]", path.read_text(encoding="utf-8"))


# -- stopping anywhere -------------------------------------------------------------------------------------------------


class _PowerCutError(BaseException):
    """The machine stops here."""


@pytest.mark.parametrize("layer", ["fsync", "link", "replace"])
def test_a_power_cut_at_any_write_loses_nothing(
    shell: Shell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], layer: str
) -> None:
    """Cut at every n-th call of the file layer in turn: the case opens, every file is whole, and the same command finishes."""
    seen = tmp_path / "seen.yaml"
    seen.write_text(
        "schema: fitdiag.findings/1\nsymptoms:\n  balance-lines-dip-to-back: {amount: 3/4 in}\n", encoding="utf-8"
    )
    shell("case", "new", "the usher", "--units", "in", "--body", "flat-seat")
    whole = tmp_path / "whole"
    shutil.copytree(tmp_path / "cases", whole)
    real = getattr(os, layer)
    at = 0
    finished = False
    while not finished:
        at += 1 if at < 6 else 4
        shutil.rmtree(tmp_path / "cases")
        shutil.copytree(whole, tmp_path / "cases")
        calls = 0

        def cut(*arguments: Any, limit: int = at, **named: Any) -> Any:
            nonlocal calls
            calls += 1
            if calls == limit:
                raise _PowerCutError
            return real(*arguments, **named)

        with monkeypatch.context() as patched:
            patched.setattr(os, layer, cut)
            try:
                run(["review", "the usher", "--findings", "seen.yaml", "--no-questions"])
            except _PowerCutError:
                pass
            except SystemExit as ended:
                assert not ended.code
                finished = calls < at
        capsys.readouterr()
        folder = tmp_path / "cases" / "the-usher"
        open_case(folder)
        for path in folder.rglob("*"):
            if path.is_file() and not path.name.startswith(".fitdiag"):
                assert path.stat().st_size, path
                if path.suffix == ".yaml":
                    yaml.safe_load(path.read_text(encoding="utf-8"))
                if path.suffix == ".pdf":
                    pypdf.PdfReader(io.BytesIO(path.read_bytes()))
        code, out, err = shell("review", "the usher", "--findings", "seen.yaml", "--no-questions")
        assert code == 0, (at, err)
        assert "First: tuck across the back" in out
    assert at >= 2


def test_review_in_a_terminal_asks_what_was_done_and_lets_the_fitter_decide(tmp_path: Path) -> None:
    """A real pseudo-terminal: done or not, confirm, choose without the second, change an amount, sent; the round says so."""
    environment = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "PYTHONIOENCODING": "utf-8"}
    program = [os.sys.executable, "-m", "fitdiag"]  # type: ignore[attr-defined]

    def plain(*arguments: str) -> None:
        pexpect.run(
            " ".join([*program, *(f"'{a}'" for a in arguments)]), cwd=str(tmp_path), env=environment, timeout=60
        )

    (tmp_path / "seen.yaml").write_text(
        "schema: fitdiag.findings/1\nsymptoms:\n  balance-lines-dip-to-back: {amount: 3/4 in}\n  v-at-centre-back: yes\n"
        "  grainline-near-centre-back: {amount: 1 in}\n  seat-wedgie: no\n", encoding="utf-8",
    )  # fmt: skip
    plain("case", "new", "the usher", "--units", "in", "--body", "flat-seat")
    plain("review", "the usher", "--findings", "seen.yaml", "--no-questions")
    plain("review", "the usher", "--sent")
    child = pexpect.spawn(program[0], [*program[1:], "review", "the usher", "--findings", "seen.yaml"], cwd=str(tmp_path),
                          env=environment, encoding="utf-8", timeout=30, dimensions=(24, 80))  # fmt: skip
    first = True
    while child.expect(["Was it done", "else do you see", "What do you see"]) == 0:
        child.expect("> ")
        child.sendline("1/2 in" if first else "no")
        first = False
    child.expect("> ")
    child.sendline("")
    child.expect("> ")
    child.sendline("stop")
    child.expect("Enter to go on")
    assert "fitdiag interview" not in child.before  # the review says itself what comes next
    child.expect("> ")
    child.sendline("")
    child.expect("Advise this list")
    child.expect("> ")
    child.sendline("1 = 5/8 in")
    child.expect("5/8 in")
    child.expect("> ")
    child.sendline("")
    child.expect("Sent to the client")
    child.expect("> ")
    child.sendline("1")
    child.expect(pexpect.EOF)
    case = open_case(tmp_path / "cases" / "the-usher")
    assert 12.7 == pytest.approx(case.rounds[0].done[0].amount_mm)
    assert 15.9 == pytest.approx(case.rounds[1].advised[0].amount_mm, abs=0.1)
    assert "client" == case.rounds[1].waiting and case.rounds[1].sent is not None


def test_a_picture_that_measures_counts_more_than_a_tick_and_the_difference_is_told(
    shell: Shell, tmp_path: Path
) -> None:
    """The form says the lines do not dip, the pictures measure 3/4 in: told, and counted; what the fitter saw stands."""
    content = {"schema": "fitdiag.form/1", "token": "the-lamplighter-1", "round": 1, "units": "in", "done": [], "feels": {},
               "words": "", "answers": [{"symptom": "balance-lines-dip-to-back", "seen": "no"},
                                        {"symptom": "crotch-cuts", "seen": "no"}]}  # fmt: skip
    (tmp_path / "form.txt").write_text(packed(content), encoding="utf-8")
    (tmp_path / "seen.yaml").write_text(
        "schema: fitdiag.findings/1\nsymptoms:\n  v-at-centre-back: no\n", encoding="utf-8"
    )
    shell("case", "new", "the lamplighter", "--units", "in", "--body", "flat-seat", "--measure", "hip=38 in",
          "--photos-consent", "yes", "--keep-until", "2027-03-01")  # fmt: skip
    assert 0 == shell("review", "the lamplighter", "--send-form")[0]
    code, out, err = shell("review", "the lamplighter", "--form", "form.txt", "--findings", "seen.yaml",
                           *pictures("lamplighter-pictures"), "--no-questions")  # fmt: skip
    assert code == 0, err
    flat = " ".join(out.split())
    assert (
        "The form and a picture differ, and the picture counts. Form: Not seen: the level lines dip towards the back."
        in flat
    )
    log = read_log(tmp_path / CASE / "round-01" / "session.jsonl")
    found = fold(log.events, load_rules()).findings.symptoms
    assert ("yes", "photo") == (found["balance-lines-dip-to-back"].seen, found["balance-lines-dip-to-back"].origin)
    assert "no" == found["v-at-centre-back"].seen != "photo"
    assert "form" == found["crotch-cuts"].origin


def test_what_the_fitter_left_out_stays_left_out_until_taken_back(tmp_path: Path) -> None:
    """Reviewing an unsent round again: the second alteration is still out, and named; `all` takes it back."""
    environment = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1", "PYTHONIOENCODING": "utf-8"}
    program = [os.sys.executable, "-m", "fitdiag"]  # type: ignore[attr-defined]
    (tmp_path / "seen.yaml").write_text(
        "schema: fitdiag.findings/1\nsymptoms:\n  balance-lines-dip-to-back: {amount: 3/4 in}\n  v-at-centre-back: yes\n"
        "  grainline-near-centre-back: {amount: 1 in}\n  seat-wedgie: no\n", encoding="utf-8",
    )  # fmt: skip
    pexpect.run(
        f"{program[0]} -m fitdiag case new usher --units in --body flat-seat", cwd=str(tmp_path), env=environment
    )

    def run(*typed: str) -> str:
        child = pexpect.spawn(program[0], [*program[1:], "review", "usher", "--findings", "seen.yaml"], cwd=str(tmp_path),
                              env=environment, encoding="utf-8", timeout=30, dimensions=(24, 80))  # fmt: skip
        shown = ""
        while child.expect(["Advise ", "> "]) == 1:
            shown += child.before
            child.sendline("" if "do you see" in shown or "Enter to go on" in child.before else "stop")
        for line in typed:
            child.expect("> ")
            shown += child.before
            child.sendline(line)
        child.expect(pexpect.EOF)
        return shown + child.before

    def advised() -> list[str]:
        return [item.alteration for item in open_case(tmp_path / "cases" / "usher").rounds[0].advised]

    run("", "2")
    everything = advised()
    assert len(everything) == 3
    shown = run("without 7", "without 2", "", "2")
    assert "That is none of these." in shown
    assert [everything[0], everything[2]] == advised()
    shown = run("", "2")
    assert "Left out:" in shown
    assert [everything[0], everything[2]] == advised()
    run("all", "", "2")
    assert everything == advised()
