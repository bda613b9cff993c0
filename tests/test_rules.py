"""The shipped rule base as a whole: clean, covered, large enough, honest about its numbers."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from forked import piped
from running import ended

from fitdiag.diagnosis.survey import widths
from fitdiag.knowledge.basics import source_key
from fitdiag.knowledge.check import check_rules
from fitdiag.knowledge.folders import default_rules
from fitdiag.knowledge.load import load_rules, read_rules
from fitdiag.planning.cases import coverage, read_cases, run_case, sensitivity

ROOT = Path(__file__).parent.parent
BASE = load_rules()
CASES, CASE_PROBLEMS = read_cases(default_rules(), BASE)


def test_the_rules_are_clean() -> None:
    """No check finds a fault."""
    base, problems = read_rules(default_rules())
    assert problems == []
    assert base is not None
    assert check_rules(base) == []
    assert CASE_PROBLEMS == []


@pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])
def test_a_case_beside_a_rule_comes_out(case: object) -> None:
    """Each small fitting beside a cause has the outcome it promises."""
    assert run_case(BASE, case) == []  # type: ignore[arg-type]


def test_nothing_is_left_out_by_the_cases() -> None:
    """Every symptom, body note, cause and alteration is exercised, and every two causes can be told apart."""
    assert list(coverage(BASE, CASES)) == []


def test_the_base_is_large_enough() -> None:
    """At least 70 symptoms, 34 body notes, 50 causes and 50 alterations."""
    assert len(BASE.symptoms) >= 70
    assert len(BASE.body_notes) >= 34
    assert len(BASE.causes) >= 50
    assert len(BASE.alterations) >= 50


def test_the_network_stays_narrow() -> None:
    """With 15 signs seen at once no more than a dozen are open at the same moment: exact answers stay quick."""
    assert widths(BASE)[-1] <= 12


def test_published_sources_say_where_and_what_was_read() -> None:
    """A published source has its bibliographic place, and what of it was read."""
    for source in BASE.sources.values():
        if source.grade == "published":
            assert source.where
            assert source.note


def test_every_cause_has_a_case_and_its_look_alike_stays_quiet() -> None:
    """Beside each cause stand a case where it leads and one where another leads and it is quiet."""
    leads = {case.expect.leads for case in CASES}
    quiet = {cause for case in CASES for cause in case.expect.quiet}
    for cause in BASE.causes:
        assert cause in leads
        assert cause in quiet


def test_alterations_that_take_in_are_not_advised_where_it_presses() -> None:
    """Never take in where it already presses (cautions of the trade): waist and leg alterations that narrow heed what binds."""
    for alteration, sign in (
        ("take-waist-in", "waist-binds"),
        ("narrow-leg", "thigh-binds-on-stairs"),
        ("tuck-across-back-hip", "crotch-cuts"),
    ):
        rule = BASE.alterations[alteration]
        assert sign in {condition.symptom for condition in (*rule.avoid_when, *rule.careful_when)}


def test_what_practice_and_simulation_say_of_the_dip_both_stand() -> None:
    """Practice takes the dip for the length (worked examples); in simulation it is about half of it. Both are kept."""
    slopes = {
        slope.source: slope.ratio for slope in BASE.slopes_of["back-too-long-above-crotch"]["balance-lines-dip-to-back"]
    }
    assert slopes["common-practice"] == 1.0
    assert 0.3 < slopes["simulated"] < 0.7


# What simulation showed to raise (+) or lower (-) a sign. Excess length of the back raises the dip and lowers the pull.
SIMULATED = [
    ("back-too-long-above-crotch", "balance-lines-dip-to-back", True),
    ("back-too-long-above-crotch", "waist-dips-at-back", False),
    ("back-too-long-above-crotch", "crotch-cuts", False),
    ("rise-too-shallow", "crotch-cuts", True),
    ("back-curve-too-shallow", "v-at-centre-back", True),
]


@pytest.mark.parametrize(("cause", "symptom", "shown"), SIMULATED)
def test_links_agree_with_the_simulation(cause: str, symptom: str, shown: bool) -> None:
    """Where the drape laboratory speaks to a link its sign agrees, or the link says why not."""
    links = {link.symptom: link for link in BASE.causes[cause].shows}
    assert (symptom in links) == shown or links[symptom].note


def test_every_number_has_a_source() -> None:
    """Each link, measure, amount and limit cites a key of sources.yaml."""
    for cause in BASE.causes.values():
        for link in cause.shows:
            assert source_key(link.source) in BASE.sources


def test_sensitivity_names_the_strengths_that_count() -> None:
    """Some strengths change a first recommendation when moved by one word, most do not."""
    cases = CASES[:8]
    found = sensitivity(BASE, cases)
    links = {(cause.id, link.symptom) for cause in BASE.causes.values() for link in cause.shows}
    swayed = {(sway.cause, sway.symptom) for sway in found}
    assert swayed <= links
    assert len(swayed) < len(links) / 4
    assert all(sway.cases for sway in found)


def test_new_rules_pass_the_checks(tmp_path: Path) -> None:
    """`rules new` writes drafts of each kind that pass the checks and change no belief."""
    folder = tmp_path / "trousers"
    shutil.copytree(default_rules(), folder)
    for kind in ("cause", "symptom", "alteration"):
        assert 0 == ended("rules", "new", kind, f"a-new-{kind}", "--rules", str(folder))
    base, problems = read_rules(folder)
    assert problems == []
    assert base is not None
    assert check_rules(base) == []
    assert "a-new-cause" not in base.believed


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """What a command prints on either stream, in one line."""
    capsys.readouterr()
    ended(*arguments)
    shown = capsys.readouterr()
    return " ".join((shown.out + shown.err).split())


def test_new_and_check_speak_of_the_folder_and_its_drafts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`rules new` names the check of the folder it wrote to; `rules check` counts the drafts and names them."""
    folder = tmp_path / "my rules"
    shutil.copytree(default_rules(), folder)
    begun = [rule.id for rule in BASE.causes.values() if rule.status == "draft"]
    begun += [rule.id for rule in (*BASE.symptoms.values(), *BASE.alterations.values()) if rule.draft]
    assert ("believed by nobody" in said(capsys, "rules", "check")) == bool(begun)
    assert f"fitdiag rules check '{folder}'" in said(
        capsys, "rules", "new", "cause", "hem-sags", "--rules", str(folder)
    )
    count = len(begun) + 1
    told = said(capsys, "rules", "check", str(folder))
    assert f"{count} draft{'' if count == 1 else 's'}, believed by nobody yet: " in told
    assert "hem-sags" in told
    said(capsys, "rules", "new", "alteration", "turn-hem", "--rules", str(folder))
    assert f"{count + 1} drafts, believed by nobody yet: " in said(capsys, "rules", "check", str(folder))


@pytest.mark.parametrize(
    ("word", "near"),
    [
        ("tuck", "tuck-across-back-hip (Tuck across the back above the full hip line)"),
        ("flatt-seat", "near: flat-seat (Straight or flat seat)"),
        ("dips at the back", "near: "),
        ("zzz", "`fitdiag rules list symptoms`"),
        ("body notes", "`fitdiag rules list body-notes`"),
        ("alteration", "`fitdiag rules list alterations`"),
    ],
)
def test_a_word_that_is_no_id_leads_to_rules(capsys: pytest.CaptureFixture[str], word: str, near: str) -> None:
    """`rules show` takes a word for what it may mean: at most three rules with their titles, or the list command."""
    told = said(capsys, "rules", "show", word)
    assert told.startswith(f"there is no rule '{word}' (")
    assert near in told
    assert (
        len(
            [
                rule
                for rule in (*BASE.symptoms, *BASE.body_notes, *BASE.causes, *BASE.alterations)
                if f" {rule} (" in told.replace("(near:", "near:")
            ]
        )
        <= 3
    )


def test_a_kind_that_is_no_kind_leads_to_its_list(capsys: pytest.CaptureFixture[str]) -> None:
    """`rules list symptom` names the right command; what is like nothing gets the five kinds."""
    assert "`fitdiag rules list symptoms`" in said(capsys, "rules", "list", "symptom")
    assert "`fitdiag rules list alterations`" in said(capsys, "rules", "list", "altrations")
    assert "write symptoms, body-notes, causes, alterations, sources" in said(capsys, "rules", "list", "zzz")


@pytest.mark.parametrize("kind", ["symptoms", "body-notes", "causes", "alterations", "sources"])
def test_a_list_has_a_line_for_each_rule(kind: str) -> None:
    """Its id and its title, in the order of the files."""
    table = getattr(BASE, kind.replace("-", "_"))
    assert [f"{rule.id}: {rule.title}" for rule in table.values()] == piped(
        ROOT, "rules", "list", kind
    ).stdout.splitlines()


def test_no_rule_carries_a_code_or_an_unkind_word() -> None:
    """Rule texts speak of cloth and pattern, in words of the trade."""
    unkind = re.compile(
        r"\b(problem|fault|defect\w*|abnormal\w*|deform\w*|flaw\w*|ugly|figure error|misshapen)\b", re.IGNORECASE
    )
    code = re.compile(r"\b[SBCANE][0-9]{2}\b")
    for path in default_rules().rglob("*.yaml"):
        if path.name == "sources.yaml":
            continue
        text = path.read_text(encoding="utf-8")
        assert not unkind.search(text), f"{path.name}: {unkind.search(text)}"
        assert not code.search(text), f"{path.name}: {code.search(text)}"
