"""A case under attack: bad input, links, two windows, leaving in the middle; one message, and nothing lost."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import pexpect
import pytest
from forked import at_terminal
from form_block import packed
from running import Shell

from fitdiag.cli.documents import token
from fitdiag.cli.photo import take_pictures
from fitdiag.problems import ProblemsFoundError
from fitdiag.reports.form import SCHEMA
from fitdiag.sessions.case import add_round, open_case, update_round
from fitdiag.sessions.case_files import Advised, Carried

SAMPLES = Path(__file__).parent.parent / "sample_sessions"
BACK = f"back={SAMPLES / 'lamplighter-pictures' / 'back.jpg'}"
SEEN = str(SAMPLES / "lamplighter-forms" / "round-1-seen.yaml")
TUCK = "tuck-across-back-hip"
CASE = Path("cases/x")


@pytest.fixture
def shell(shell: Shell) -> Shell:
    """In a folder with a case; the output with its lines joined."""

    def joined(*arguments: str) -> tuple[int, str, str]:
        code, out, err = shell(*arguments)
        return code, " ".join(out.split()), err

    assert 0 == joined("case", "new", "x", "--units", "in", "--photos-consent", "yes")[0]
    return joined


def names(folder: Path) -> list[str]:
    """What lies in a folder."""
    return sorted(path.name for path in folder.iterdir())


def sent_round() -> None:
    """Round 1 advised a tuck and lies with the client."""
    case = add_round(open_case(CASE))
    one = replace(case.rounds[0], waiting="client", sent=date(2026, 11, 3), advised=(Advised(TUCK, 19.05),))
    update_round(case, one)


def form_for(number: int, path: str, words: str = "") -> str:
    """A client's form that came with the list of round `number`."""
    done = [{"alteration": TUCK, "state": "as-written"}]
    content = {"schema": SCHEMA, "token": token(open_case(CASE), number), "round": number + 1, "units": "in",
               "answers": [], "done": done, "feels": {}, "words": words}  # fmt: skip
    Path(path).write_text(packed(content))
    return path


def test_bad_findings_keep_the_pictures_out_and_no_round_begins(shell: Shell) -> None:
    """Everything given is read before anything is written."""
    code, _, err = shell("review", "x", "--findings", "nowhere.yaml", "--photo", BACK, "--no-questions")
    assert (1, 1) == (code, len(err.splitlines()))
    assert ["case.yaml"] == names(CASE)


def test_a_picture_given_again_is_passed_over(shell: Shell) -> None:
    """So the same command goes on after a failure; another picture of that view gets a number."""
    folder = str(add_round(open_case(CASE)).rounds[0].photos)
    for given in (BACK, BACK, BACK.replace("lamplighter-pictures", "lamplighter-pictures-2")):
        take_pictures([given], folder)
    assert ["back 2.jpg", "back 2.marks.json", "back.jpg", "back.marks.json"] == names(Path(folder))


def test_a_picture_there_as_another_view_is_refused_until_that_is_deleted(shell: Shell) -> None:
    """Pictures of a round are measured together: one that came as the wrong view must not stay beside itself as the right one."""
    folder = add_round(open_case(CASE)).rounds[0].photos
    wrong = BACK.replace("back=", "left=")
    assert 0 == shell("review", "x", "--photo", wrong, "--no-questions")[0]
    before = names(folder)
    code, _, err = shell("review", "x", "--photo", BACK, "--no-questions")
    said = " ".join(err.split())
    assert 1 == code and "is there already as left.jpg" in said and "if it shows the back, delete" in said
    assert before == names(folder)
    for path in folder.glob("left.*"):
        path.unlink()
    assert 0 == shell("review", "x", "--photo", BACK, "--no-questions")[0]
    assert {"back.jpg"} == {path.name for path in folder.glob("*.jpg")}


@pytest.mark.parametrize("name", ["photos", "documents", "findings.yaml", "session.jsonl", "measured.yaml"])
def test_links_in_a_round_are_not_followed(shell: Shell, tmp_path: Path, name: str) -> None:
    """Nothing is read or written where a link leads out of the case."""
    add_round(open_case(CASE))
    outside = tmp_path / "outside"
    outside.mkdir()
    path = CASE / "round-01" / name
    if path.is_dir():
        path.rmdir()
    path.unlink(missing_ok=True)
    path.symlink_to(outside)
    code, _, err = shell("review", "x", "--photo", BACK, "--findings", SEEN, "--no-questions")
    assert code == 1 and ("links in a case are not followed" in err or "this is a folder" in err)
    assert [] == names(outside)


@pytest.mark.parametrize("name", ["documents", "findings.yaml"])
def test_a_file_for_a_folder_and_a_folder_for_a_file_are_told(shell: Shell, name: str) -> None:
    """What stands in the way is named, without a trace of the program."""
    path = add_round(open_case(CASE)).rounds[0].folder / name
    if path.is_dir():
        path.rmdir()
        path.touch()
    else:
        path.mkdir()
    code, _, err = shell("review", "x", "--findings", SEEN, "--no-questions")
    assert code == 1 and name in err and "Traceback" not in err


def test_what_was_done_is_not_lost_when_the_round_is_on_already(shell: Shell) -> None:
    """`--done` after a first try that failed still counts; once the questions have begun it is refused with a reason."""
    sent_round()
    assert 1 == shell("review", "x", "--photo", "back=nowhere.jpg", "--no-questions")[0]
    assert 2 == len(open_case(CASE).rounds)
    assert 0 == shell("review", "x", "--done", f"{TUCK}=1/2 in", "--findings", SEEN, "--no-questions")[0]
    assert (Carried(TUCK, 12.7),) == open_case(CASE).rounds[0].done
    assert 0 == shell("review", "x", "--done", f"{TUCK}=1/2 in", "--no-questions")[0]  # known already
    code, _, err = shell("review", "x", "--done", f"{TUCK}=1 in", "--no-questions")
    assert code == 1 and "have begun without this" in err


def test_done_before_the_first_round_is_told_where_to_go(shell: Shell) -> None:
    """There is no round before the first one, so that `--done` is never silently dropped."""
    code, _, err = shell("review", "x", "--done", f"{TUCK}=1 in", "--no-questions")
    assert code == 1 and "--findings" in err
    assert not open_case(CASE).rounds


def test_a_form_of_an_old_round_is_refused(shell: Shell) -> None:
    """An old mail taken for the new one would bring back signs that are gone."""
    sent_round()
    old = form_for(1, "old.txt")
    code, _, err = shell("review", "x", "--form", old, "--no-questions")
    assert code == 0, err
    case = open_case(CASE)
    update_round(case, replace(case.rounds[1], waiting="client", sent=date(2026, 11, 9), advised=(Advised(TUCK, 9.5),)))
    code, _, err = shell("review", "x", "--form", old, "--no-questions")
    assert code == 1 and "taken in before, in round 2" in err
    code, _, err = shell("review", "x", "--form", form_for(1, "late.txt", "late"), "--no-questions")
    assert code == 1 and "is about try-on 2, and try-on 3 is looked at now" in err
    assert 2 == len(open_case(CASE).rounds)


def test_two_windows_begin_one_round(shell: Shell) -> None:
    """The second window is told that the first has begun it."""
    case = open_case(CASE)
    add_round(case)
    with pytest.raises(ProblemsFoundError, match="in the meantime"):
        add_round(case)
    assert 1 == len(open_case(CASE).rounds)


def test_a_closed_case_is_not_sent(shell: Shell) -> None:
    """`--sent` changes nothing in a closed case."""
    case = add_round(open_case(CASE))
    update_round(case, replace(case.rounds[0], advised=(Advised(TUCK, 19.05),)))
    assert 0 == shell("case", "close", "x", "--given-up")[0]
    code, _, err = shell("review", "x", "--sent")
    assert code == 1 and "closed" in err
    assert open_case(CASE).rounds[0].sent is None


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo terminal")
@pytest.mark.parametrize("leave", ["sendintr", "sendeof"])
def test_leaving_at_a_question_between_rounds_loses_nothing(shell: Shell, tmp_path: Path, leave: str) -> None:
    """Ctrl-C or the end of input where it asks what was done: the command to go on with, and the round as it was."""
    sent_round()
    before = (CASE / "round-01" / "round.yaml").read_text()
    window = at_terminal(Path.cwd(), "review", "x")
    window.expect("> ")
    window.sendline("1")
    window.expect("> ")
    getattr(window, leave)()
    window.expect(pexpect.EOF)
    window.close()
    assert 130 == window.exitstatus
    assert "Traceback" not in window.before and "fitdiag review x" in window.before
    assert before == (CASE / "round-01" / "round.yaml").read_text()
