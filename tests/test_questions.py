"""Which question is worth asking: the quick choice of many worlds against the plan itself, and what never makes sense to ask."""

from __future__ import annotations

import random

import numpy as np
import pytest
from reference import draw_client

from fitdiag.diagnosis.belief import Diagnosis, compile_network
from fitdiag.diagnosis.exact import TooWideError
from fitdiag.interview.engine import Interview
from fitdiag.knowledge.findings import Done, Finding, Findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.plan import Planner, first_choice
from fitdiag.planning.questions import Choice, Ends, askable
from fitdiag.problems import ProblemsFoundError


def drawn(base: RuleBase, seed: int) -> Findings:
    """The answers of a client drawn from the rules, most signs answered, with a body note and an earlier alteration now and then."""
    rng = random.Random(seed)
    _, signs = draw_client(rng, compile_network(base, Findings()).network)
    symptoms = {
        name: Finding(name, "yes" if there else "no", origin="asked")
        for name, there in zip(base.symptoms, signs, strict=True)
        if rng.random() < 0.8
    }
    body = {rng.choice(list(base.body_notes)): "some"} if seed % 2 else {}
    done = (Done(rng.choice(list(base.alterations)), 12.0, 1),) if seed % 3 == 0 else ()
    return Findings(symptoms=symptoms, body=body, done=done)


def diagnosed(base: RuleBase, seed: int) -> Diagnosis:
    """The beliefs about that client; whoever's answers are too many to weigh exactly is passed over."""
    try:
        return Diagnosis(base, drawn(base, seed))
    except (ProblemsFoundError, TooWideError):
        pytest.skip("too many signs hang together to be weighed exactly")


@pytest.mark.parametrize("seed", range(24))
def test_the_quick_choice_is_that_of_the_plan(base: RuleBase, seed: int) -> None:
    """Given the same beliefs, the choice for many worlds at once puts the alteration first that the plan puts first."""
    diagnosis = diagnosed(base, seed)
    names = diagnosis.compiled.symptoms
    known = diagnosis.findings.symptoms
    seen, absent = (
        np.array([[name in known and known[name].seen == word for name in names]], np.float32) for word in ("yes", "no")
    )
    believed = np.array([[diagnosis.probability[cause] for cause in diagnosis.compiled.causes]])
    assert [first_choice(diagnosis)] == Ends(diagnosis).firsts(believed, seen, absent)


def test_nothing_is_asked_that_an_answer_rules_out(base: RuleBase) -> None:
    """No spare cloth at the waist is looked for where it binds; no trial of a sign that was not seen."""
    binds = Findings(symptoms={"waist-binds": Finding("waist-binds", "yes")})
    assert not askable(base.symptoms["waist-too-loose"], binds)
    assert askable(base.symptoms["waist-too-loose"], Findings())
    for symptom in base.symptoms.values():
        assert not (symptom.needs and askable(symptom, Findings()))
        assert not (symptom.from_ease and askable(symptom, binds))


def test_the_same_answers_give_the_same_questions(base: RuleBase) -> None:
    """Whatever was weighed before, what is asked depends on the answers alone."""
    findings = Findings(symptoms={"folds-under-seat": Finding("folds-under-seat", "yes", origin="volunteered")})
    later = findings.with_finding(Finding("balance-lines-dip-to-back", "no", origin="asked"))
    assert Choice(base, findings, Diagnosis(base, findings)).questions
    after, fresh = Choice(base, later, Diagnosis(base, later)), load_rules()
    alone = Choice(fresh, later, Diagnosis(fresh, later))
    assert after.questions == alone.questions
    assert (after.first, after.settled, after.ready) == (alone.first, alone.settled, alone.ready)


def test_the_amount_that_narrows_most_is_asked_before_the_list_is_ready(base: RuleBase) -> None:
    """A sign named without an amount: the first alteration's own reading is asked for once, and declined stays declined."""
    talk = Interview(base, ({"event": "start"},), lambda event: event, single=True)
    for line in ("", "", "balance-lines-dip-to-back", "", "ask"):
        talk.prompt()
        talk.reply(line)
    asked = []
    talk.prompt()
    while not talk.finished:
        first = talk.conclusion.plan.recommendations[:1]
        if talk.wanted is not None:
            assert talk.wanted == first[0].amount.measure_next
            asked.append(talk.wanted)
        talk.reply("" if talk.expects_amount else "no")
        talk.prompt()
    assert len(asked) == len(set(asked))
    first = talk.conclusion.plan.recommendations[:1]
    assert not first or first[0].amount.measure_next in (None, *talk.declined)


@pytest.mark.parametrize("seed", range(12))
def test_what_is_less_likely_than_not_waits(base: RuleBase, seed: int) -> None:
    """Where a cause is likelier there than not, nothing is advised now that is only for doubtful ones, and nothing doubtful is lost."""
    diagnosis = diagnosed(base, seed)
    planner = Planner(diagnosis)
    relief = planner.choose()
    best = {name: max(diagnosis.probability.get(cause, 0.0) for cause in base.cures_of[name]) for name in relief}
    now = planner.firm(relief)
    assert set(now) == {name for name in relief if best[name] >= 0.5} or all(p < 0.5 for p in best.values())
    plan = planner.plan()
    told = {item.alteration for item in plan.recommendations} | {named.alteration for named in plan.later}
    assert {name for name in relief if name not in now} <= told


def test_in_a_world_only_what_makes_sense_there_is_answered(base: RuleBase) -> None:
    """The same as `askable`, for every sign of every world at once."""
    choice = Choice(base, Findings(), Diagnosis(base, Findings()))
    names = choice.diagnosis.compiled.symptoms
    shown = np.random.default_rng(3).random((20, len(names))) < 0.2
    asked = choice._answered(shown)
    for row, there in zip(asked, shown, strict=True):
        seen = Findings(
            symptoms={name: Finding(name, "yes") for name, is_there in zip(names, there, strict=True) if is_there}
        )
        assert list(row) == [askable(base.symptoms[name], seen) for name in names]


def test_a_sign_that_itself_decides_between_two_alterations_is_asked(base: RuleBase) -> None:
    """A front that pulls across the fly is let out at the side or opened for the abdomen: whether the edge is held down decides."""
    seen = {
        name: Finding(name, "yes", origin="volunteered")
        for name in ("front-pulls-across-fly", "side-seam-bows-forward-at-hip")
    }
    findings = Findings(symptoms=seen, looked=True)
    choice = Choice(base, findings, Diagnosis(base, findings))
    careful = {condition.symptom for condition in base.alterations["add-front-width"].careful_when}
    assert choice.first == "add-front-width"
    assert "waist-dips-at-front" in careful
    assert "waist-dips-at-front" in [one.symptom for one in choice.questions[:3]]
    there, absent = (choice.first_if("waist-dips-at-front", there=shows) for shows in (True, False))
    assert there.get("insert-for-abdomen", 0.0) > absent.get("insert-for-abdomen", 0.0) + 0.3
