"""The interview without a terminal: what is asked, how answers are understood, and that the log always says the same."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fitdiag.interview import looking_up
from fitdiag.interview.answers import read_answer
from fitdiag.interview.engine import Interview
from fitdiag.interview.search import Kind, Words
from fitdiag.interview.telling import CHOICES, Line, Pick
from fitdiag.knowledge.findings import Done, Finding
from fitdiag.knowledge.findings_file import read_findings
from fitdiag.knowledge.folders import garments, rules_for
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.stations import TITLES
from fitdiag.reports.report import make_report
from fitdiag.reports.writers import as_data
from fitdiag.sessions.log import Event, SessionLog, read_log
from fitdiag.sessions.replay import replay
from fitdiag.sessions.state import conclude, fold, offered_event
from fitdiag.units import parse_length

pytestmark = pytest.mark.usefixtures("fewer_worlds")
DIP = "balance-lines-dip-to-back"
MM = 25.4


class Talk:
    """An interview over a log in memory, one question at a time unless `several`.

    `said` is the answer to the last line, `asked` the question that is on, `missed` what was not understood.
    """

    def __init__(
        self,
        base: RuleBase,
        units: str = "in",
        client: str = "",
        events: Iterable[Event] = (),
        *,
        several: bool = False,
    ) -> None:
        self.base = base
        self.log: list[Event] = list(events) or [{"event": "start", "units": units, "client": client}]
        self.missed: list[tuple[str, str]] = []
        self.interview = Interview(
            base,
            tuple(self.log),
            self._save,
            single=not several,
            missed=lambda kind, text: self.missed.append((kind, text)),
        )
        self.asked = self._text(self.interview.prompt())
        self.said = ""

    def _save(self, event: Event) -> Event:
        self.log.append(json.loads(json.dumps(event)))  # what cannot be written as JSON fails here
        return self.log[-1]

    @staticmethod
    def _text(lines: Iterable[Line]) -> str:
        return "\n".join(line.text for line in lines)

    def type(self, *lines: str) -> Talk:
        for line in lines:
            self.said = self._text(self.interview.reply(line))
            self.asked = self._text(self.interview.prompt())
        return self

    def at_questions(self) -> Talk:
        return self.type("", "", "")

    @property
    def symptoms(self) -> dict[str, Finding]:
        return dict(self.interview.findings.symptoms)

    def finding(self, symptom: str) -> Finding | None:
        return self.symptoms.get(symptom)

    def whole(self) -> Any:
        """Everything that is known and everything that is on the screen."""
        return self.interview.state, self.interview.stage, self.asked


_way_to_the_dip: list[Event] = []


def at_the_dip(base: RuleBase, units: str = "in") -> Talk:
    """An interview at the question about the dip: everything before it is answered with "can't say"."""
    if not _way_to_the_dip:
        first = Talk(base).at_questions()
        first.interview.ask_more()
        while first.interview.asking != DIP:
            first.type("3")
        _way_to_the_dip[:] = first.log[1:]
    talk = Talk(base, events=({"event": "start", "units": units}, *_way_to_the_dip))
    talk.interview.ask_more()
    talk.interview.prompt()  # with the station's title, which stands there once
    talk.asked = talk._text(talk.interview.prompt())
    assert talk.interview.asking == DIP
    return talk


@pytest.fixture
def talk(base: RuleBase) -> Talk:
    return Talk(base)


# -- the order of things -----------------------------------------------------------------------------------------------


def test_the_stages_follow_each_other(talk: Talk) -> None:
    """Earlier rounds, the wearer, what meets the eye, then the questions; Enter goes on."""
    for stage, words in (("history", "altered before"), ("body", "shape and stance"), ("seen", "see on the muslin")):
        assert stage == talk.interview.stage
        assert words in talk.asked
        talk.type("")
    assert talk.interview.stage == "questions"
    assert talk.interview.asking is not None


def test_the_next_question_tells_most_where_the_fitter_stands(base: RuleBase) -> None:
    """Every question asked is the one that tells most about the first alteration, of those at the station that is on."""
    talk = Talk(base).type("", "", DIP, "3/4 in", "")
    for answer in ("no", "yes", "can't say", "no", "no"):
        if talk.interview.expects_amount:
            talk.type("")
        if talk.interview.finished:
            break
        station, choice = talk.interview.station, talk.interview.choice
        assert station is not None
        here = [one for one in choice.questions if station in one.stations]
        assert talk.interview.asking == here[0].symptom
        talk.type(answer)


def test_a_station_is_left_only_for_one_worth_more(base: RuleBase) -> None:
    """The station changes only where another has a question that tells clearly more, and its name is said."""
    talk = Talk(base).type("", "", DIP, "3/4 in", "")
    before = talk.interview.station
    for _ in range(8):
        talk.type("no")
        now = talk.interview.station
        if talk.interview.finished:
            break
        assert now is not None
        if now != before:
            assert TITLES[now] in talk.asked
        before = now


def test_no_question_is_asked_twice(talk: Talk) -> None:
    """Yes, no and can't say all settle a question."""
    asked: list[str] = []
    talk.at_questions()
    for answer in ("1", "2", "3", "4 left", "no", "can't say") * 2:
        if talk.interview.expects_amount:
            talk.type("")
        if talk.interview.asking is None:
            break
        asked.append(talk.interview.asking)
        talk.type(answer)
    assert len(asked) == len(set(asked)) > 5


def test_the_end_is_said(base: RuleBase) -> None:
    """When the first alteration is settled the interview says so and how sure it is, in words, and can be asked to go on."""
    talk = Talk(base).type("", "", f"{DIP} 3/4 in", "v-at-centre-back", "")
    while not talk.interview.finished:
        talk.type("no")
    assert "The list is ready" in talk.asked or "No question left would tell much" in talk.asked
    assert "comes first is" in talk.asked
    assert not re.search(r"bits|\d %", talk.asked)
    assert talk.interview.can_go_on
    talk.interview.ask_more()
    talk.interview.prompt()
    assert talk.interview.asking not in (None, *talk.symptoms)
    assert not talk.interview.finished


def test_all_questions_can_be_answered(base: RuleBase) -> None:
    """Asked on to the very end, every sign has an answer but tests of what was not seen; what is felt is asked of the client."""
    talk = Talk(base).at_questions()
    while talk.interview.can_go_on:
        talk.interview.ask_more()
        talk.asked = talk._text(talk.interview.prompt())
        asking = talk.interview.asking
        assert asking is not None
        assert base.symptoms[asking].felt == talk.asked.startswith("Ask the client: ")
        talk.type("3")
    needless = {symptom.id for symptom in base.symptoms.values() if symptom.needs or symptom.from_ease}
    assert needless
    assert set(base.symptoms) - needless == set(talk.symptoms)
    assert {True, False} == {base.symptoms[symptom].felt for symptom in talk.symptoms}
    assert talk.asked == "Every question has been answered."


# -- numbers, words, amounts, sides ------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", range(1, len(CHOICES) + 1))
@pytest.mark.parametrize("form", ["{}", "{}.", "{})", " {} ", "{},"])
def test_a_number_is_the_choice_it_stands_before(base: RuleBase, number: int, form: str) -> None:
    """Each choice of a question can be taken by its number, however it is set down, and means the same as its word."""
    by_number, by_word = Talk(base).at_questions(), Talk(base).at_questions()
    assert f"{number} {CHOICES[number - 1]}" in by_number.asked
    by_number.type(form.format(number))
    by_word.type(CHOICES[number - 1])
    assert by_number.whole() == by_word.whole()
    assert len(by_number.log) == len(by_word.log) == 5


@pytest.mark.parametrize(
    "typed", ["1 left", "left 1", "1, left", "yes left", "yes, left side", "left", "Left.", "yes on the left"]
)
def test_a_side_is_taken_with_the_answer(base: RuleBase, typed: str) -> None:
    """Left and right are understood before and behind yes or its number."""
    talk = at_the_dip(base).type(typed, "")
    finding = talk.finding(DIP)
    assert finding is not None
    assert (finding.seen, finding.side, finding.amount_mm) == ("yes", "left", None)


AMOUNTS = {
    "3/4": 0.75 * MM, "3/4 in": 0.75 * MM, '1-1/2"': 1.5 * MM, "1 1/2 in": 1.5 * MM, "1 1/2": 1.5 * MM, "¾": 0.75 * MM, "2cm": 20.0,
    "1,5 cm": 15.0, "1.5 cm": 15.0, "20 mm": 20.0, "half an inch": 0.5 * MM, "1 in": MM, "yes, 3/4 in": 0.75 * MM,
}  # fmt: skip


@pytest.mark.parametrize("typed", AMOUNTS)
@pytest.mark.parametrize("side", ["", " left", " right side"])
def test_an_amount_is_taken_as_people_write_it(base: RuleBase, typed: str, side: str) -> None:
    """Fractions, decimals with point or comma, any unit, with a side or without."""
    talk = at_the_dip(base).type(typed + side)
    finding = talk.finding(DIP)
    assert finding is not None
    assert pytest.approx(AMOUNTS[typed]) == finding.amount_mm
    assert finding.side == (side.split(maxsplit=1)[0] if side else None)
    assert finding.seen == "yes"


def test_an_amount_without_a_unit_is_in_the_units_of_the_session(base: RuleBase) -> None:
    """1,5 is 15 mm for a session in centimetres; an inch written out stays an inch."""
    for typed, mm in (("1,5", 15.0), ("1/2 in", 0.5 * MM)):
        finding = at_the_dip(base, "cm").type(typed).finding(DIP)
        assert finding is not None
        assert pytest.approx(mm) == finding.amount_mm


@pytest.mark.parametrize("typed", ["yes 2", "two", "a", "7", "12", "left 7", "0 right"])
def test_a_bare_number_is_asked_back(base: RuleBase, typed: str) -> None:
    """A whole number without a unit may be a choice or an amount, so it is never counted as an amount."""
    talk = at_the_dip(base)
    before = talk.whole()
    talk.type(typed)
    assert before == talk.whole()
    assert talk.said


@pytest.mark.parametrize("typed", ["about an inch", "1 in?", "roughly 2 cm", "an inch or so"])
def test_a_vague_amount_counts_with_its_spread(base: RuleBase, typed: str) -> None:
    """ "About an inch" is an inch give or take a quarter of it, and said so, at one question as on a screen of six."""
    talk, screen = at_the_dip(base).type(typed), Talk(base, several=True).at_questions()
    screen.interview.screen = (DIP, "v-at-centre-back")
    for finding in (talk.finding(DIP), screen.type(f"1: {typed}").finding(DIP)):
        assert finding is not None
        assert finding.amount_mm is not None
        assert finding.error_mm == pytest.approx(finding.amount_mm / 4, abs=0.01)
    assert "±" in talk.said and "±" in screen.said


def test_an_amount_too_small_to_be_seen_is_told(base: RuleBase) -> None:
    """An amount under the threshold counts as not seen, and the reply says from where on it counts."""
    talk = at_the_dip(base).type("1/16 in")
    finding = talk.finding(DIP)
    assert finding is not None
    assert finding.seen == "no"
    assert "does not count yet" in talk.said


@pytest.mark.parametrize("typed", ["", "not measured", "no", "don't know", "can't say"])
def test_a_sign_without_an_amount_stays_seen(base: RuleBase, typed: str) -> None:
    """At "how much is it?" not knowing leaves the sign as seen."""
    talk = at_the_dip(base).type("yes")
    assert talk.interview.expects_amount
    talk.type(typed)
    finding = talk.finding(DIP)
    assert finding is not None
    assert (finding.seen, finding.amount_mm) == ("yes", None)
    assert not talk.interview.expects_amount


@pytest.mark.parametrize(("typed", "severity"), [("slight", "slight"), ("strong left", "strong")])
def test_a_strength_may_stand_for_the_amount(base: RuleBase, typed: str, severity: str) -> None:
    """At "how much is it?" slight, clear and strong are taken too."""
    finding = at_the_dip(base).type("yes", typed).finding(DIP)
    assert finding is not None
    assert (finding.seen, finding.severity) == ("yes", severity)


UNUSABLE = (
    "potatoes", "x", "1/2/3", "-3 in", "1/0 in", "99999 in", "!", "½½", "3 parsecs", "drop table",
)  # fmt: skip


@pytest.mark.parametrize("typed", [*UNUSABLE, "z" * 501, "\x1b[31m", "\x00", "\ud800", "\u202e"])
def test_unusable_text_is_answered_and_never_counted(base: RuleBase, typed: str) -> None:
    """At every kind of prompt, text that is no answer gets a reply of printable words, and nothing is saved."""
    prompts: dict[str, Callable[[Talk], Talk]] = {
        "body": lambda talk: talk.type(""),
        "seen": lambda talk: talk.type("", ""),
        "question": lambda talk: at_the_dip(talk.base),
        "amount": lambda talk: at_the_dip(talk.base).type("yes"),
        "pick": lambda talk: talk.type("", "", "crotch"),
        "earlier": lambda talk: talk.type("tuck-across-back-hip"),
    }
    if not "".join(filter(str.isprintable, typed)).strip():
        del prompts["body"], prompts["seen"], prompts["amount"], prompts["pick"], prompts["earlier"]
    for name, arrive in prompts.items():
        talk = arrive(Talk(base))
        findings, length = talk.interview.findings, len(talk.log)
        talk.type(typed)
        assert (findings, length) == (talk.interview.findings, len(talk.log)), name
        assert talk.said or talk.asked, name
        assert talk.said.replace("\n", "").isprintable(), name


# -- searching ---------------------------------------------------------------------------------------------------------

MISSPELT = {
    "wegdie": "seat-wedgie", "wedgee": "seat-wedgie", "sagging": DIP, "balence": DIP, "baggy seat": "folds-under-seat",
    "V": "v-at-centre-back", "level lines dipps": DIP, "crotch hangs": "crotch-hangs-low", "sit": "seat-binds-sitting",
    "knee folds": "folds-behind-knee",
}  # fmt: skip


@pytest.mark.parametrize("typed", MISSPELT)
def test_a_word_finds_its_sign_however_it_is_spelt(base: RuleBase, typed: str) -> None:
    """What a fitter may type, misspelt or in another form, leads to the sign (common practice, no source)."""
    assert MISSPELT[typed] in Words(base).find("symptom", typed)


def test_every_rule_is_found_by_its_title_and_by_each_of_its_words(base: RuleBase) -> None:
    """The title and the id are a rule's own name; its everyday phrases, of which every eighth is tried, find it among five."""
    words = Words(base)
    tables = (("symptom", base.symptoms), ("body note", base.body_notes), ("alteration", base.alterations))
    for kind, rules in tables:
        for rule in rules.values():
            assert rule.search, rule.id
            assert rule.id == words.own_name(kind, rule.title) == words.own_name(kind, rule.id)
            for phrase in rule.search[::8]:
                assert rule.id in words.find(kind, phrase), phrase


def test_several_signs_in_a_line_are_taken_one_after_the_other(talk: Talk) -> None:
    """Each is offered by itself, with its own amount; a line of which a part names nothing is looked up whole."""
    talk.type("", "", "waist too tight 1 in, baggy under the seat")
    assert "The waist binds" in talk.asked
    talk.type("1")
    assert "Now 'baggy under the seat'." in talk.said
    assert "Loose cloth hangs in folds under the seat" in talk.asked
    talk.type("1", "3/4")
    amounts = {name: finding.amount_mm for name, finding in talk.symptoms.items()}
    assert amounts == {"waist-binds": pytest.approx(25.4), "folds-under-seat": pytest.approx(19.05)}


def test_a_part_of_one_word_is_not_lost(talk: Talk) -> None:
    """A sign that one word names stands for itself beside another; and yes to a list of several chooses none."""
    talk.type("", "", "wedgie, and the waist gapes behind 3/4")
    assert "The back seam pulls into the cleft" in talk.asked
    talk.type("y")
    assert "Now 'the waist gapes behind 3/4'." in talk.said
    talk.type("y")
    assert "Which one? Choose from 1 to" in talk.said
    talk.type("1")
    assert talk.symptoms["seat-wedgie"].seen == "yes"
    assert talk.symptoms["back-waist-gapes"].amount_mm == pytest.approx(19.05)


@pytest.mark.parametrize("typed", ["perhaps", "qwertzuiop", "...", "12", "zzz", "the of"])
def test_what_means_nothing_finds_nothing(base: RuleBase, typed: str) -> None:
    """No sign is offered for a word that is nobody's."""
    assert Words(base).find("symptom", typed) == ()


def test_a_misspelt_word_is_asked_back_before_it_counts(talk: Talk) -> None:
    """What a word may mean is shown first; a sign's own name counts at once."""
    talk.type("", "", "wegdie")
    assert "Is it this?" in talk.asked or "Which of these?" in talk.asked
    assert talk.symptoms == {}
    talk.type("1")
    assert "seat-wedgie" in talk.symptoms
    talk.type("back", "seat-wedgie")
    assert "seat-wedgie" in talk.symptoms


@pytest.mark.parametrize("side", ["left more", "mostly on the left", "worse on the left"])
def test_the_side_that_shows_more_is_said_of_the_sign_before_it(base: RuleBase, side: str) -> None:
    """Behind a comma it names no sign of its own; both sides count, and which shows it more is kept as a note."""
    talk = Talk(base).type("", "", f"the waist binds, loose cloth hangs in folds under the seat, {side}", "", "")
    assert {"folds-under-seat", "waist-binds"} <= talk.symptoms.keys()
    assert not talk.missed
    assert talk.symptoms["folds-under-seat"].side == "both"
    assert any("more on the left" in note for note in talk.interview.findings.notes)


def test_several_signs_are_picked_by_number(base: RuleBase) -> None:
    """Two numbers take both signs, one after the other, each with its amount where it has one."""
    talk = Talk(base).type("", "", "level lines sag")
    titles = [line.split(". ", 1)[1] for line in talk.asked.splitlines() if line[:1].isdigit()]
    wanted = ("v-at-centre-back", DIP)
    numbers = [titles.index(base.symptoms[name].title) + 1 for name in wanted]
    for form in ("{} {}", "{},{}", "{} and {}"):
        talk = Talk(base).type("", "", "level lines sag", form.format(*numbers), "3/4 in", "3/4 in")
        assert set(wanted) == set(talk.symptoms)
        assert pytest.approx(0.75 * MM) == talk.symptoms[DIP].amount_mm
        assert {"volunteered"} == {finding.origin for finding in talk.symptoms.values()}


def test_picks_that_wait_are_kept_when_the_fitter_stops(base: RuleBase) -> None:
    """Stopped at the amount of the first of two picks, both signs are in the list as seen."""
    talk = Talk(base).type("", "", "level lines")
    talk.type("1 2", "stop")
    assert talk.interview.finished
    assert len(talk.symptoms) == 2


@pytest.mark.parametrize("typed", ["0", "10", "99", "0 1", "1 77"])
def test_a_number_that_is_not_in_the_list_is_told(talk: Talk, typed: str) -> None:
    """A wrong number in a pick counts nothing, not even the right ones beside it, and the list stays."""
    talk.type("", "", "crotch")
    before = talk.whole()
    talk.type(typed)
    assert before == talk.whole()
    assert "There is no" in talk.said


def test_none_of_these_goes_back_to_the_search(talk: Talk) -> None:
    """Enter at a list picks nothing; another word searches again."""
    talk.type("", "", "crotch", "")
    assert "see on the muslin" in talk.asked
    talk.type("crotch", "seat-wedgie")
    assert set(talk.symptoms) == {"seat-wedgie"}


def test_word_amount_and_side_may_stand_in_one_line(base: RuleBase) -> None:
    """ "balance dips 3/4 in left" is one answer; so is an earlier alteration with amount and round."""
    talk = Talk(base).type("tuck-across-back-hip 1/2 in round 2", "", "", f"{DIP} 3/4 in on the left")
    assert (Done("tuck-across-back-hip", 0.5 * MM, 2),) == talk.interview.findings.done
    finding = talk.symptoms[DIP]
    assert (finding.side, finding.seen) == ("left", "yes")
    assert pytest.approx(0.75 * MM) == finding.amount_mm


@pytest.mark.parametrize("typed", [
    f"{DIP} left 3/4 in, right 3/8 in", f"{DIP}, 3/4 in on the left and 3/8 in on the right",
    f"{DIP} left 3/4 in right 3/8 in",
])  # fmt: skip
def test_left_and_right_amounts_may_stand_behind_a_sign(base: RuleBase, typed: str) -> None:
    """Neither amount is lost, and neither side makes it a sign of one side."""
    talk = Talk(base).type("", "", typed)
    finding = talk.symptoms[DIP]
    assert "left 3/4 in, right 3/8 in" in talk.said
    assert (finding.left_mm, finding.right_mm) == (pytest.approx(0.75 * MM), pytest.approx(0.375 * MM))


def test_amounts_left_and_right_do_not_change_what_is_offered(base: RuleBase) -> None:
    """Words are looked up as without the amounts."""
    plain, apart = (
        Talk(base).type("", "", typed)
        for typed in ("level lines dip to the back", "level lines dip to the back left 1 in, right 3/8 in")
    )
    assert plain.interview.pending.ids == apart.interview.pending.ids  # type: ignore[union-attr]


@pytest.mark.parametrize("typed", ["no wedgie", "not baggy", "without dips", "about 2 cm", "3", "1/2 in", "left"])
def test_what_names_no_sign_is_not_taken_for_one(talk: Talk, typed: str) -> None:
    """A denial, an amount or a side alone counts nothing in a search."""
    talk.type("", "")
    before = talk.whole()
    talk.type(typed)
    assert before == talk.whole()
    assert talk.said


def test_something_else_can_be_added_at_any_question(base: RuleBase) -> None:
    """`also` and a word volunteers a sign in the middle of the questions; the interview goes on from there."""
    talk = Talk(base).at_questions().type("also seat-wedgie")
    assert talk.symptoms["seat-wedgie"].origin == "volunteered"
    assert talk.interview.asking not in (None, "seat-wedgie")
    before = len(talk.log)
    talk.type("also seat-wedgie")
    assert "Counted already" in talk.said
    assert before == len(talk.log)


def test_a_later_amount_replaces_the_earlier(base: RuleBase) -> None:
    """A sign volunteered again with another amount has the new one; taken back, the old one holds again."""
    talk = Talk(base).type("", "", f"{DIP} 3/4 in", f"{DIP} 1/2 in")
    assert pytest.approx(0.5 * MM) == talk.symptoms[DIP].amount_mm
    talk.type("back")
    assert pytest.approx(0.75 * MM) == talk.symptoms[DIP].amount_mm


# -- earlier rounds and body notes -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "done"),
    [
        ("1/2 in", Done("tuck-across-back-hip", 0.5 * MM, 1)),
        ("1/2 in round 2", Done("tuck-across-back-hip", 0.5 * MM, 2)),
        ("round 3, 2cm", Done("tuck-across-back-hip", 20.0, 3)),
        ("round 2", Done("tuck-across-back-hip", None, 2)),
        ("", Done("tuck-across-back-hip", None, 1)),
        ("not known", Done("tuck-across-back-hip", None, 1)),
    ],
)
def test_an_earlier_alteration_has_amount_and_round(talk: Talk, typed: str, done: Done) -> None:
    """How much and in which round are taken in any order, and may be unknown."""
    talk.type("tuck-across-back-hip", typed)
    assert (done,) == talk.interview.findings.done
    assert talk.interview.stage == "history"


def test_several_earlier_alterations_are_asked_one_by_one(talk: Talk) -> None:
    """Two picks from the list are two earlier alterations, each with its amount."""
    talk.type("tuck", "1 2", "1/2 in", "2 cm round 2")
    assert [pytest.approx(done.amount_mm) for done in talk.interview.findings.done] == [0.5 * MM, 20.0]
    assert [done.round for done in talk.interview.findings.done] == [1, 2]


def test_body_notes_go_by_number_and_by_word(base: RuleBase) -> None:
    """Numbers, words, marked or not, in one line or several; the list shows the numbers."""
    ids = list(base.body_notes)
    flat, low = ids.index("flat-seat") + 1, ids.index("low-seat") + 1
    wanted = {"flat-seat": "some", "low-seat": "marked"}
    lines = (
        (f"{flat} {low}m",), (f"{flat}, {low} m",), (f"{flat}; {low} marked",), (f"{low}m", str(flat)), (f"flat seat, {low}m",),
        ("straight or flat seat, low seat marked",), ("flat-seat", "very low seat"), (f"{flat}. {low}m.",),
    )  # fmt: skip
    for typed in lines:
        talk = Talk(base).type("", "?")
        assert f"{flat}. {base.body_notes['flat-seat'].title}" in talk.said
        talk.type(*typed)
        assert wanted == dict(talk.interview.findings.body), typed
        assert talk.interview.stage == "body"
        talk.type("")
        assert talk.interview.stage == "seen"


def test_what_a_body_note_may_mean_is_offered_and_the_clear_ones_count(base: RuleBase) -> None:
    """Of several notes in a line the clear ones count; the others are offered one after the other, what is strange is told."""
    talk = Talk(base).type("", "?", "low seat, very knock kneed, qwertz, 999, big bum")
    assert dict(talk.interview.findings.body) == {"low-seat": "some"}
    assert "'qwertz' was not understood" in talk.said
    assert "There is no 999" in talk.said
    assert [("body note", "qwertz")] == talk.missed
    assert base.body_notes["knees-close"].title in talk.asked
    talk.type("1")
    assert talk.interview.findings.body["knees-close"] == "marked"
    assert base.body_notes["prominent-seat"].title in talk.asked
    talk.type("")
    assert set(talk.interview.findings.body) == {"low-seat", "knees-close"}
    assert talk.interview.stage == "body"


def test_numbers_of_shape_count_only_once_their_list_was_shown(base: RuleBase) -> None:
    """A number typed without the list counts nothing: the list comes first. What was said in words beside it counts."""
    talk = Talk(base).type("", "1,2")
    assert not talk.interview.findings.body
    titles = [note.title for note in base.body_notes.values()]
    assert all(f"{number}. {title}" in talk.said for number, title in enumerate(titles, 1))
    talk.type("1,2")
    assert list(talk.interview.findings.body) == list(base.body_notes)[:2]
    mixed = Talk(base).type("", "low seat, 1")
    assert dict(mixed.interview.findings.body) == {"low-seat": "some"}


@pytest.mark.parametrize(
    "typed",
    [
        "1 yes 2 no",
        "1 yes",
        "1 y 2 n rest no",
        "yes",
        "ok",
        "1: slight, 2: no",
        "Yes, please.",
        "a touch, mostly left",
        "quite strong",
    ],
)
def test_an_answer_alone_is_no_description(base: RuleBase, typed: str) -> None:
    """Where words are asked for, an answer to questions that were not asked is not looked up as words."""
    for enters in range(3):
        talk = Talk(base).type(*[""] * enters)
        before = talk.interview.state, talk.interview.stage
        talk.type(typed)
        assert talk.said.startswith("Say what, in your own words")
        assert before == (talk.interview.state, talk.interview.stage)
        assert talk.interview.pending is None and not talk.missed


def test_how_to_judge_a_body_note_is_told(base: RuleBase) -> None:
    """`?` and a number tells how to judge the note; `?` alone shows the list."""
    number = list(base.body_notes).index("flat-seat") + 1
    talk = Talk(base).type("", f"?{number}")
    assert base.body_notes["flat-seat"].judge in talk.said
    talk.type("?")
    assert f"{number}. {base.body_notes['flat-seat'].title}" in talk.said
    talk.type("?999")
    assert "There is no 999" in talk.said


# -- commands ----------------------------------------------------------------------------------------------------------

SESSION = (
    "tuck-across-back-hip", "1/2 in round 2", "scoop-back-curve", "", "", "flat seat, low seat marked", "full back thigh", "",
    f"{DIP} 3/4 in left", "v-at-centre-back", "folds-under-seat", "clear", "", "2", "3", "1", "", "4 right", "no",
)  # fmt: skip


def test_back_undoes_every_kind_of_step(base: RuleBase) -> None:
    """`back` n times, and `back n` at once, give exactly the state after so many steps fewer, over every kind of step."""
    stages: dict[int, Any] = {}
    talk = Talk(base)
    for line in ("", *SESSION):
        if line or talk.log[1:]:
            talk.type(line)
        if not talk.interview.expects_amount:
            stages[talk.interview.state.steps] = (
                talk.interview.findings,
                talk.interview.stage,
                talk.asked.splitlines()[-1],
            )
    most = talk.interview.state.steps
    assert most >= 12
    assert {"answer", "body", "done", "stage"} <= {event["event"] for event in talk.log}
    single = Talk(base, events=talk.log)
    for left in range(most - 1, -1, -1):
        single.type("back")
        at_once = Talk(base, events=talk.log).type(f"back {most - left}")
        for other in (single, at_once):
            assert left == other.interview.state.steps
            if left in stages:
                assert stages[left][:2] == (other.interview.findings, other.interview.stage)
        assert single.asked == at_once.asked
    assert single.interview.findings == Talk(base).interview.findings


def test_back_at_the_beginning_says_so(talk: Talk) -> None:
    """There is nothing to take back before the first step, and going back too far stops there."""
    length = len(talk.log)
    talk.type("back")
    assert "beginning" in talk.said
    assert length == len(talk.log)
    talk.type("", "seat-wedgie", "back 999")
    assert talk.interview.state.steps == 0
    assert talk.interview.stage == "history"
    talk.type("back 3")
    assert "beginning" in talk.said


def test_back_tells_what_was_taken(base: RuleBase) -> None:
    """The reply names the answers that are gone, or the part of the interview one is back at."""
    talk = Talk(base).type("", "flat seat", "", "seat-wedgie", "", "back")
    assert talk.said == "Back at: What you see."
    talk.type("back")
    assert base.symptoms["seat-wedgie"].title in talk.said
    talk.type("back", "back")
    assert base.body_notes["flat-seat"].title in talk.said


def test_back_leaves_a_list_before_it_takes_anything(talk: Talk) -> None:
    """At a list to pick from `back` only leaves that."""
    talk.type("", "", "seat-wedgie", "crotch")
    length = len(talk.log)
    talk.type("back")
    assert "nothing was taken away" in talk.said
    assert length == len(talk.log)
    talk.type("back")
    assert talk.symptoms == {}


def test_why_tells_what_an_answer_would_change(base: RuleBase) -> None:
    """The reply to `why` says which alteration would come first after a yes and after a no, with odds in words."""
    talk = Talk(base).type("", "", DIP, "3/4 in", "", "why")
    asking, choice = talk.interview.asking, talk.interview.choice
    assert asking is not None
    assert "which alteration comes first" in talk.said
    for there, words in ((True, "If it is there"), (False, "If it is not there")):
        likely = max(choice.first_if(asking, there=there).items(), key=lambda pair: pair[1])[0]
        line = next(line for line in talk.said.splitlines() if line.startswith(words))
        assert (base.alterations[likely].title[1:] if likely else "nothing to alter") in line
    assert not re.search(r"\bbits?\b|%", talk.said)


def test_why_and_how_are_answered_everywhere(base: RuleBase) -> None:
    """`why`, `?`, `help` and `so far` get a reply at every prompt and change nothing."""
    talk = Talk(base)
    for line in (*SESSION[:8], "crotch", "", *SESSION[8:]):
        for command in ("why", "Why?", "?", "how", "help", "so far", "So far."):
            findings, length, pending = talk.interview.findings, len(talk.log), talk.asked.splitlines()[-1]
            talk.type(command)
            assert talk.said or "1. " in talk.asked, command
            assert (findings, length, pending) == (
                talk.interview.findings,
                len(talk.log),
                talk.asked.splitlines()[-1],
            ), command
        talk.type(line)


def test_how_to_look_holds_what_the_rule_says(base: RuleBase) -> None:
    """`?` shows the way to look and to measure, at the question, at the amount and in a list."""
    symptom = base.symptoms[DIP]
    assert symptom.measure is not None
    at_question = at_the_dip(base).type("?")
    at_amount = at_the_dip(base).type("1", "?")
    at_list = Talk(base).type("", "", "level lines")
    titles = [line.split(". ", 1)[1] for line in at_list.asked.splitlines() if line[:1].isdigit()]
    at_list.type(f"?{titles.index(symptom.title) + 1}")
    for talk in (at_question, at_amount, at_list):
        assert symptom.look in talk.said
        assert symptom.measure.how in talk.said


def test_so_far_holds_every_answer(base: RuleBase) -> None:
    """`so far` lists signs, body notes, earlier alterations, notes, and what is likely."""
    talk = Talk(base).type(*SESSION, "note hem is only tacked", "so far")
    for part in (
        "(3/4 in, left side only)",
        "Low seat (marked)",
        "Done in round 2",
        "hem is only tacked",
        "Likely",
        "about",
    ):
        assert part in talk.said
    assert talk.interview.conclusion.plan.verdict in talk.said


def test_a_note_is_kept_and_takes_nothing_along(base: RuleBase) -> None:
    """A note is saved in the middle of anything, leaves the question where it was, and `back` does not take it."""
    talk = at_the_dip(base).type("yes")
    asked = talk.asked
    talk.type("note: hem is only tacked ✂")
    assert talk.asked == asked
    talk.type("1 in", "back 99")
    assert talk.interview.findings.notes == ("hem is only tacked ✂",)
    assert talk.type("note").said.startswith("Write the note")
    assert len(talk.interview.findings.notes) == 1


@pytest.mark.parametrize("word", ["stop", "Stop.", "quit", "exit"])
def test_stop_ends_anywhere(base: RuleBase, word: str) -> None:
    """The interview can be stopped at every prompt; what was answered stays."""
    for lines in ((), ("",), ("", "", "crotch"), ("", "", DIP), ("", "", "")):
        talk = Talk(base).type(*lines, word)
        assert talk.interview.finished
        assert "Stopped" in talk.said


def test_too_many_signs_are_refused_before_they_are_saved(base: RuleBase, monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer that could not be weighed is not counted and not saved, so that the session can always be gone on with."""
    monkeypatch.setattr("fitdiag.diagnosis.exact.WIDEST", 3)  # the shipped limit would take minutes to reach
    talk = Talk(base).at_questions()
    for symptom in base.symptoms:
        before, length = talk.interview.state, len(talk.log)
        talk.type(f"also {symptom} strong")
        if "not counted" in talk.said:
            break
    assert "too many" in talk.said
    assert (before, length) == (talk.interview.state, len(talk.log))
    again = Talk(base, events=talk.log)
    assert talk.symptoms == again.symptoms
    again.type("no", "why")
    assert len(talk.symptoms) + 1 == len(again.symptoms)


# -- the log and the doors ---------------------------------------------------------------------------------------------

THREE_DOORS = """
schema: fitdiag.findings/1
client: the lamplighter
body: [flat-seat, {low-seat: marked}]
done:
  - {alteration: lengthen-back-crotch, amount: 1/2 in, round: 1}
symptoms:
  balance-lines-dip-to-back: {amount: 3/4 in, side: left}
  v-at-centre-back: yes
  folds-under-seat: clear
"""


def answered(base: RuleBase, talk: Talk, answers: dict[str, str]) -> None:
    """Go on answering what is asked from a table, can't say where it has none, until all of it was asked."""
    while answers:
        talk.interview.ask_more()
        talk.interview.prompt()
        asking = talk.interview.asking
        assert asking is not None
        talk.type(answers.pop(asking, "3"))


def test_three_doors_lead_to_the_same_conclusion(base: RuleBase, tmp_path: Path) -> None:
    """The same answers by keyboard, from a file and by replay of either log give the same JSON, but for the origin of answers."""
    log = SessionLog.create(tmp_path / "a.jsonl", base, client="the lamplighter", units="in")
    head = {"event": "start", "client": "the lamplighter", "units": "in"}
    interview = Interview(base, (head,), log.append)
    for line in ("lengthen-back-crotch 1/2 in", "", "flat seat, low seat m", "", f"{DIP} 3/4 in left", "v-at-centre-back",
                 "folds-under-seat clear", "stop"):  # fmt: skip
        interview.prompt()
        interview.reply(line)
    log.close()
    (tmp_path / "findings.yaml").write_text(THREE_DOORS)
    findings = read_findings(tmp_path / "findings.yaml", base)
    from_file = as_data(make_report(base, conclude(base, findings)))
    by_keyboard = as_data(make_report(base, interview.conclusion))
    replayed = as_data(make_report(base, replay(read_log(tmp_path / "a.jsonl"), base).conclusion))
    assert from_file == by_keyboard == replayed
    assert from_file["recommendations"]


def test_asked_answers_count_like_volunteered_ones(base: RuleBase) -> None:
    """Whether a sign is volunteered or asked about makes no difference to what is concluded."""
    volunteered = Talk(base).type("", "", f"{DIP} 3/4 in", "v-at-centre-back", "folds-under-seat clear", "ask")
    asked = Talk(base).at_questions()
    answered(base, asked, {DIP: "3/4 in", "v-at-centre-back": "1", "folds-under-seat": "5"})
    probability = asked.interview.conclusion.diagnosis.probability
    assert dict(volunteered.interview.conclusion.diagnosis.probability) == pytest.approx(dict(probability), abs=1e-12)


WORDS = (
    "", "yes", "no", "can't say", "slight", "strong left", "left", "back", "back 3", "why", "?", "?2", "so far", "stop", "help",
    "note x", "also dip", "also", "1", "2", "3", "6 right", "7", "1 2", "12m", "3/4", "3/4 in", "1,5 cm left", "about an inch",
    "1 in?", "0", "dip", "wegdie", "flat", "flat seat, low seat marked", "tuck 1/2 in round 2", "round 3", "crotch", "none",
    "no wedgie", "undo", "\x1b[2J", "½", "£$%", "\u202e", "99999 km", DIP, "İ left 1/2 in", "round 12, strong", "٣", "² in",
)  # fmt: skip


@settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture]
)
@given(lines=st.lists(st.sampled_from(WORDS) | st.text(max_size=12) | st.integers(-3, 120).map(str), max_size=25))
def test_whatever_is_typed_the_state_is_the_fold_of_the_log(base: RuleBase, lines: list[str]) -> None:
    """No sequence of lines raises; after each, state and conclusion are those of the log, and a new start stands at the same place."""
    talk = Talk(base)
    talk.type("", "", "")
    talk.type("back 3")
    for line in lines:
        talk.type(line)
        assert talk.interview.state == fold(talk.log, base)
        assert all(part.isprintable() for part in (talk.said + talk.asked).split("\n"))
    assert talk.interview.conclusion.plan == conclude(base, talk.interview.findings).plan
    again = Talk(base, events=talk.log)
    assert again.interview.findings == talk.interview.findings
    assert again.interview.expects_amount == (talk.interview.state.awaiting is not None)
    assert again.interview.stage == talk.interview.stage


# -- kinder and shorter ------------------------------------------------------------------------------------------------


def test_a_test_is_asked_of_what_was_seen(base: RuleBase) -> None:
    """Whether folds go in sitting can be asked where folds were seen."""
    seen = Talk(base).type("", "", "folds under the seat", "1", "", "")
    open_ones = [question.symptom for question in seen.interview.choice.questions]
    assert "folds-under-seat" in seen.symptoms
    assert "seat-folds-needed-sitting" in open_ones


@pytest.mark.parametrize("units", ["in", "cm"])
def test_the_questions_speak_in_the_units_of_the_session(base: RuleBase, units: str) -> None:
    """No centimetre in an inch session, no inch in a metric one, in any question or how to look."""
    other = re.compile(r"\d (?:cm|mm)\b" if units == "in" else r"\d in\b(?! \d)")
    spoken = Talk(base, units=units).interview.base
    for symptom in spoken.symptoms.values():
        texts = [symptom.title, symptom.ask, symptom.look, *([symptom.measure.how] if symptom.measure else [])]
        for text in texts:
            assert "centimetre" in text or not other.search(text), text
    assert base.fingerprint == spoken.fingerprint
    assert spoken is spoken.in_units(units)  # type: ignore[arg-type]


def test_an_amount_beyond_all_measure_does_not_count(base: RuleBase) -> None:
    """A dip of 30 in is refused in one line, the sign stays seen, and its amount is asked for; 3/4 in counts."""
    talk = Talk(base).type("", "", "balance-lines-dip-to-back 30 in")
    assert "far more than this ever shows" in talk.said
    assert talk.finding(DIP).amount_mm is None
    assert talk.interview.expects_amount
    assert "far more than this ever shows" in talk.type("30 in").said
    talk.type("3/4 in")
    assert 19.05 == pytest.approx(talk.finding("balance-lines-dip-to-back").amount_mm)
    asked = at_the_dip(base)
    before = asked.whole()
    assert "far more than this ever shows" in asked.type("30 in").said
    assert before == asked.whole()


@pytest.mark.parametrize("typed", ["slight, left more", "3/4 in, left more"])
def test_which_side_shows_more_is_kept(base: RuleBase, typed: str) -> None:
    """What is on both sides and more on one counts as on both; which one stands in the notes, from one question or a screen of six."""
    one, six = at_the_dip(base).type(typed), Talk(base, several=True).at_questions()
    on_screen = six.interview.screen[0]
    six.type("1: slight left more, rest no")
    for talk, name in ((one, DIP), (six, on_screen)):
        assert ("yes", "both") == (talk.symptoms[name].seen, talk.symptoms[name].side)
        assert (f"{base.symptoms[name].title}: more on the left",) == talk.interview.findings.notes
        assert "more on the left is kept" in talk.said
    assert () == at_the_dip(base).type("3/4 in").interview.findings.notes


@pytest.mark.parametrize("typed", ["does not dip at the back", "the lines don't dip", "it is not baggy"])
def test_a_sentence_that_denies_is_not_counted(base: RuleBase, typed: str) -> None:
    """What is not there does not go among what is seen, however it is said; a sign named with a "not" does."""
    talk = Talk(base).type("", "", typed)
    assert "Only what is there goes here" in talk.said
    assert not talk.symptoms
    talk.type("does not hang plumb")
    assert "Only what is there" not in talk.said


@pytest.mark.parametrize(("typed", "mm", "error"), [
    ("the level lines dip 3/8 to 1/2 in", 7 / 16 * MM, MM / 16), ("the level lines dip about 1 to 1 1/2 in", 1.25 * MM, MM / 4),
    ("the level lines dip 2 or 3 cm to the back", 25, 5), ("the level lines dip 15-20 mm", 17.5, 2.5),
    ("the level lines dip 1/2-3/4 in", 5 / 8 * MM, MM / 8), ("the level lines dip 1-1/2 in", 1.5 * MM, None),
])  # fmt: skip
def test_a_range_is_taken_as_the_range_it_is(base: RuleBase, typed: str, mm: float, error: float | None) -> None:
    """Its middle, give or take half of it; asked back is neither the amount nor the range, at the first phrase or at a question."""
    talk = Talk(base).type("", "", typed, "1")
    found = talk.finding(DIP)
    assert found is not None and found.amount_mm == pytest.approx(mm)
    assert found.error_mm == (error and pytest.approx(error))
    asked = at_the_dip(base).type(typed.removeprefix("the level lines dip ").removesuffix(" to the back")).finding(DIP)
    assert (found.amount_mm, found.error_mm) == (asked and (asked.amount_mm, asked.error_mm))


def test_another_sign_at_a_question_is_shown_the_way(base: RuleBase) -> None:
    """Who names another sign at a question is told how to add it; nothing is counted."""
    talk = Talk(base).at_questions()
    before = talk.symptoms
    talk.type("folds behind the knee by 3/4 in")
    assert "also folds behind the knee by 3/4 in" in talk.said
    assert before == talk.symptoms


def test_the_signs_of_a_view_are_listed_on_request(base: RuleBase) -> None:
    """`?back` names the signs looked for from the back and no others."""
    talk = Talk(base).type("", "", "?back")
    assert base.symptoms["folds-under-seat"].title in talk.said
    assert base.symptoms["fly-gapes"].title not in talk.said


# -- several at once ---------------------------------------------------------------------------------------------------


@pytest.fixture
def screen(base: RuleBase, monkeypatch: pytest.MonkeyPatch) -> Talk:
    """An interview before its first screen of several questions."""
    monkeypatch.setattr("fitdiag.planning.questions.BESIDE", 0.1)
    talk = Talk(base, several=True).type("", "", "hems-swing-inward", "", "ask")
    assert len(talk.interview.screen) > 2
    return talk


def test_a_station_is_answered_in_one_line(screen: Talk) -> None:
    """Up to six signs stand numbered with their drawings; one line answers some or all, and only those."""
    asked = screen.interview.screen
    assert 2 < len(asked) <= 6
    for number, name in enumerate(asked, 1):
        assert (
            f"{number}. {screen.interview.base.symptoms[name].title} (drawing {screen.interview.numbers[name]})"
            in screen.asked
        )
    screen.type("2 yes, rest no")
    assert {name: screen.symptoms[name].seen for name in asked} == {
        name: "yes" if name == asked[1] else "no" for name in asked
    }
    assert screen.symptoms[asked[0]].origin == "asked"


def test_another_sign_at_a_screen_is_no_answer_to_all_of_it(screen: Talk) -> None:
    """A strength among words that name a sign which is not on the screen counts for none of those that are."""
    before, asked = screen.symptoms, screen.interview.screen
    assert "folds-under-seat" not in asked
    screen.type("wrinkles under the seat, a bit")
    assert "also wrinkles under the seat, a bit" in screen.said
    assert (before, asked) == (screen.symptoms, screen.interview.screen)
    screen.type("a bit")
    assert {screen.symptoms[name].severity for name in asked} == {"slight"}


def test_what_is_not_named_stays_on_the_screen(screen: Talk) -> None:
    """Answers to a part of the screen are saved, and the rest is asked again, also after coming back."""
    asked = screen.interview.screen
    screen.type("1 no 2 dunno")
    assert screen.symptoms[asked[0]].seen == "no"
    assert screen.symptoms[asked[1]].seen == "unsure"
    assert screen.interview.screen == asked[2:]
    again = Talk(screen.base, events=screen.log, several=True)
    assert again.interview.findings == screen.interview.findings
    assert not set(again.interview.screen) & set(asked[:2])


def test_a_line_that_is_not_understood_counts_nothing(screen: Talk) -> None:
    """A wrong number or a strange word leaves all as it was."""
    before = screen.interview.state, screen.interview.screen
    for line in ("9 yes", "1 banana", "the soup is ready", "", "1 yes 2 potatoes"):
        screen.type(line)
        assert before == (screen.interview.state, screen.interview.screen), line
        assert screen.said


@pytest.mark.parametrize("line", ["1 no, 2 yes, 9 no", "9 yes", "0: no", "1 yes 12 slight"])
def test_a_number_that_is_not_on_the_screen_is_named(screen: Talk, line: str) -> None:
    """And nothing of the line counts, so that nobody's answers move up by one; an amount is no such number."""
    before = screen.interview.state, screen.interview.screen
    screen.type(line)
    assert f"There is no {next(n for n in ('9', '12', '0') if n in line)} on this screen" in screen.said
    assert before == (screen.interview.state, screen.interview.screen)
    screen.type("3/4 in strong")
    assert "There is no" not in screen.said


def test_what_cannot_be_seen_goes_onto_the_list_to_look_at_again(screen: Talk) -> None:
    """`can't see` is open, and is kept as what to photograph or ask next; a later answer takes it off that list."""
    name = screen.interview.screen[0]
    screen.type("can't see 1, rest no")
    assert screen.symptoms[name].seen == "unsure"
    assert "To look at again" in screen.said
    assert frozenset({name}) == screen.interview.state.again
    screen.type("back", "1 no")
    assert frozenset() == screen.interview.state.again


def test_one_at_a_time_and_back_to_several(screen: Talk) -> None:
    """`one` asks one by one, `six` all at once again."""
    screen.type("one")
    assert len(screen.interview.screen) == 1
    screen.type("six")
    assert len(screen.interview.screen) > 1


def test_how_and_why_work_on_a_screen(screen: Talk) -> None:
    """`?2` tells how to look at the second sign; `why` speaks of the plan; neither changes anything."""
    second = screen.interview.base.symptoms[screen.interview.screen[1]]
    before = screen.interview.state, screen.interview.screen
    assert second.look in screen.type("?2").said
    assert "which alteration comes first" in screen.type("why").said
    assert "Type ? and a number" in screen.type("?9").said
    assert before == (screen.interview.state, screen.interview.screen)


def test_a_sign_with_no_amount_takes_none(base: RuleBase) -> None:
    """An amount at a sign that has none is no yes: it is refused in one line, on a screen as at a single question."""
    for several in (True, False):
        talk = Talk(base, several=several).at_questions()
        felt = next(name for name, symptom in base.symptoms.items() if symptom.measure is None)
        talk.interview.screen = (felt, DIP) if several else (felt,)
        for typed in ("1 in", "about 2 cm", "3/4 in left"):
            talk.type(f"1: {typed}" if several else typed)
            assert "no amount: write yes or no" in talk.said
            assert len(talk.said.splitlines()) == 1
            assert talk.symptoms == {}


@pytest.mark.parametrize("units", ["in", "cm"])
def test_the_amount_shown_as_an_example_counts(base: RuleBase, units: str) -> None:
    """Whatever sign is asked about, the example is one of it: typed as it stands, the sign is seen."""
    talk = Talk(base, units=units)
    for symptom in talk.interview.base.symptoms.values():
        if symptom.measure is not None:
            said = read_answer(talk.interview.sample_of(symptom), units)  # type: ignore[arg-type]
            assert said is not None
            assert said.finding(symptom, "asked").seen == "yes", symptom.id
            assert said.finding(symptom, "asked").amount_mm <= symptom.measure.most_mm  # type: ignore[operator]


def test_the_example_of_a_screen_reads_as_it_is_meant(base: RuleBase) -> None:
    """What the hint shows answers the signs it numbers: an amount of the first, and no for the rest; it reads only one way."""
    talk = Talk(base, several=True).at_questions()
    talk.interview.screen = (DIP, "folds-under-seat", "v-at-centre-back")
    line = re.search(r"like: (.*), rest no\.", Talk._text(talk.interview.prompt()))
    assert line is not None
    assert not re.search(r"\d \d+/\d", line[1])
    talk.type(f"{line[1]}, rest no")
    assert talk.symptoms[DIP].amount_mm == pytest.approx(parse_length(talk.interview.sample).mm)
    assert [one.seen for one in talk.symptoms.values()].count("no") == 3 - len(re.findall(r"(?:^|, )\d", line[1]))


# -- words that are not understood -------------------------------------------------------------------------------------


def test_a_miss_is_told_and_remembered(talk: Talk) -> None:
    """What finds nothing, and what was offered and refused, is handed on to be remembered; what was picked is not."""
    talk.type("", "", "qwertzuiop")
    assert "was not understood" in talk.said
    talk.type("builder's bum", "")
    assert [("symptom", "qwertzuiop"), ("symptom", "builder's bum")] == talk.missed
    talk.type("builder's bum", "1")
    assert len(talk.missed) == 2


@pytest.mark.parametrize(
    "typed",
    [
        "the parcel came on tuesday",
        "thanks so much for the quick turnaround",
        "how much will this cost",
    ],
)
def test_a_line_of_something_else_is_offered_nothing(talk: Talk, typed: str) -> None:
    """A word or two that signs use too is no sign: it is told not to be understood, and typed earlier it is not kept for later."""
    talk.type(typed)
    while talk.interview.stage != "seen":
        talk.type("")
    assert talk.interview.pending is None
    assert "was not understood" in talk.type(typed).said
    assert talk.interview.pending is None


def test_more_on_one_side_is_no_sign_beside_another(talk: Talk) -> None:
    """It tells how the sign before it shows; several sentences of a line are read one by one."""
    talk.type("", "", "catches on the calf, left more than right", "1")
    assert talk.symptoms.keys() == {"calf-catches"}
    assert talk.interview.findings.notes == ("The back of the leg rests on the calf: more on the left",)
    talk.type("no folds under the seat. The left pocket gapes")
    assert "Only what is there goes here" in talk.said
    assert "Now 'The left pocket gapes'." in talk.said


def test_the_only_proposal_is_taken_by_enter(base: RuleBase) -> None:
    """With one proposal Enter means yes, n means no."""
    talk = Talk(base).type("", "")
    talk.interview.pending = Pick("symptom", ("seat-wedgie",), "wedgie", "")
    assert "Enter for yes" in Talk._text(talk.interview.prompt())
    talk.type("n")
    assert talk.symptoms == {}
    talk.interview.pending = Pick("symptom", ("seat-wedgie",), "wedgie", "")
    talk.type("")
    assert set(talk.symptoms) == {"seat-wedgie"}


def test_all_that_meets_the_eye_counts_for_what_was_not_named(base: RuleBase) -> None:
    """Enter after signs were named says that nothing else meets the eye; `ask` does not; nothing is presumed where nothing was named."""
    named = Talk(base).type("", "", f"{DIP} 3/4 in", "")
    asked = Talk(base).type("", "", f"{DIP} 3/4 in", "ask")
    nothing = Talk(base).at_questions()
    assert (True, False, False) == tuple(one.interview.findings.looked for one in (named, asked, nothing))
    assert set(named.symptoms) == set(asked.symptoms) == {DIP}
    named.type("back")
    assert not named.interview.findings.looked


def test_shape_said_where_alterations_are_asked_for_is_not_taken_for_one(talk: Talk) -> None:
    """Whoever says 'full calf' at the first question hears that it is asked for next; no alteration is offered for it."""
    talk.type("full calf")
    assert "sounds like shape or stance" in talk.said
    assert talk.interview.stage == "history"
    assert talk.interview.pending is None


def test_a_sign_said_where_shape_is_asked_for_is_kept(base: RuleBase) -> None:
    """What is seen on the cloth may be typed too early: it comes up in its turn with its amount, and no note of the body is offered."""
    talk = Talk(base).type("", "baggy under the seat 2 cm")
    assert "something you see" in talk.said and "kept till then" in talk.said
    assert talk.interview.pending is None
    assert "something you see" not in talk.type("flat bum").said
    again = Talk(base, events=talk.log).type("")
    assert "Now 'baggy under the seat 2 cm'." in again.said
    assert again.type("1").symptoms["folds-under-seat"].amount_mm == pytest.approx(20)


def test_every_part_of_a_line_is_asked_for(talk: Talk) -> None:
    """What names no sign for sure is offered too, a place belongs to the part beside it, and a comma may be a decimal one."""
    talk.type("", "", "waistband dips at the back 1,5 cm, cutting in")
    assert "First 'waistband dips at the back 1,5 cm'." in talk.said
    assert "Now 'cutting in'." in talk.type("1").said
    assert talk.symptoms["waist-dips-at-back"].amount_mm == pytest.approx(15)
    talk.type("", "baggy under the seat, on the left")
    assert "First" not in talk.said


def test_a_number_of_the_list_may_carry_how_much_and_where(talk: Talk) -> None:
    """1 3/4 in left; and a number alone, where nothing is chosen by number, is in the units of the session."""
    talk.type("", "", "baggy under the seat", "1 3/4 in left")
    assert talk.symptoms["folds-under-seat"].side == "left"
    assert talk.symptoms["folds-under-seat"].amount_mm == pytest.approx(19.05)
    talk.type("waist too tight", "1", "1")
    assert talk.symptoms["waist-binds"].amount_mm == pytest.approx(25.4)
    talk.type("folds behind the knee", "1 no")
    assert "folds-behind-knee" not in talk.symptoms


def test_what_is_gone_does_not_count(talk: Talk) -> None:
    """The wedgie is gone: only what is there goes here; but a sign that goes when something is let out is one."""
    assert "Only what is there goes here" in talk.type("", "", "the wedgie is gone").said
    for typed in (
        "the front lines are gone when the inseam is let out",
        "the knees have gone baggy",
        "the waist no longer closes",
    ):
        assert "Only what is there" not in talk.type(typed).said, typed


def test_what_is_lower_on_one_side_is_higher_on_the_other(talk: Talk) -> None:
    """A sign of one side being higher is offered first where a side is named, and takes the side that is higher."""
    talk.type("", "", "right hem sits lower by 8 mm", "1")
    assert (talk.symptoms["one-hem-higher"].side, talk.symptoms["one-hem-higher"].amount_mm) == ("left", 8.0)


def test_words_that_no_sign_knows_are_named(talk: Talk) -> None:
    """What is offered rests on the other words, so that those which said nothing are seen; misspelt ones are understood."""
    said = talk.type("", "", "baggy under the seat with a zebra umbrella").said
    assert "Not understood in it: 'zebra', 'umbrella'." in said
    assert "Not understood" not in talk.type("bagggy under the saet").said


def test_a_side_in_a_picture_is_asked_for_again(talk: Talk) -> None:
    """Left in a photo of the front is the wearer's right; in a mirror it is the left."""
    said = talk.type("", "", "the left pocket gapes as I look at the photo").said
    assert "the wearer's own" in said
    assert not talk.symptoms
    assert "the wearer's own" not in talk.type("in the mirror the left pocket gapes").said


def test_a_complaint_may_begin_with_a_not(talk: Talk) -> None:
    """What cannot be done or is missing is what is wrong; a plain no is still refused."""
    assert "Only what is there" not in talk.type("", "", "can't get a finger into the waist").said
    assert "Only what is there" not in talk.type("no room for a finger at the waist").said
    assert "Only what is there" in talk.type("doesnt pull across the seat").said


def test_the_next_alteration_is_not_taken_for_the_amount_of_the_last(talk: Talk) -> None:
    """Let out the sides; by how much? tuck across the back 5/8: two alterations, and only one with an amount."""
    talk.type("let out the side seam above the hip", "tuck across the back 5/8 in", "1")
    assert [(one.alteration, one.amount_mm and round(one.amount_mm, 1)) for one in talk.interview.findings.done] == [
        ("let-out-top-of-side", None), ("tuck-across-back-hip", 15.9),
    ]  # fmt: skip


def test_which_side_of_the_body_has_more_is_kept_with_the_note(talk: Talk) -> None:
    """The plan raises the waist on that side where no sign names one."""
    assert "It is the right one that has more." in talk.type("", "right hip higher", "1").said
    assert talk.interview.findings.body_sides == {"one-hip-higher": "right"}


@pytest.mark.parametrize(
    "typed", ["one hip higher, the left", "one hip higher, left, flat seat", "one hip higher left"]
)
def test_a_side_at_the_end_belongs_to_the_note_before_it(talk: Talk, typed: str) -> None:
    """It is no note of its own to be looked up, and it counts like a side that stands before the note."""
    assert "Now 'the left'" not in talk.type("", typed).said
    assert "One hip higher than the other" in talk.asked
    talk.type("1")
    assert talk.interview.findings.body_sides == {"one-hip-higher": "left"}


def test_that_a_sign_comes_later_is_said_once_for_each(talk: Talk) -> None:
    """Two signs typed at shape are told apart, each when its turn comes."""
    talk.type("", "balance lines dip at the back, the waist gapes")
    assert talk.said.count("kept till then") == 2


AGREED = ("ok", "okay", "OK.", "yep", "sure", "yes please", "Yes, that's right.", "go ahead", "all right then")


def offered(base: RuleBase) -> Talk:
    """An interview that begins with a dip of 3/4 in measured in a picture."""
    measured = Finding(DIP, "yes", 0.75 * MM, 2.0, origin="photo")
    return Talk(base, events=({"event": "start", "units": "in"}, offered_event([measured])))


@pytest.mark.parametrize("yes", AGREED)
def test_every_word_for_yes_confirms_a_measured_sign(base: RuleBase, yes: str) -> None:
    """At "does that agree with what you see?" all that people say for yes keeps the sign with its amount."""
    plain = offered(base).type("1").finding(DIP)
    assert plain is not None and plain.amount_mm == pytest.approx(0.75 * MM)
    assert offered(base).type(yes).finding(DIP) == plain


@pytest.mark.parametrize("no", ["no", "nope", "No thanks", "2"])
def test_every_word_for_no_leaves_a_measured_sign_out(base: RuleBase, no: str) -> None:
    """There all that people say for no counts nothing, neither as seen nor as not seen."""
    talk = offered(base).type(no)
    assert talk.said.startswith("Not counted")
    assert talk.finding(DIP) is None


@pytest.mark.parametrize("yes", AGREED)
def test_yes_to_how_much_keeps_the_sign(base: RuleBase, yes: str) -> None:
    """Who agrees where an amount is asked for has not said that the sign is not there; that no amount is kept is told."""
    talk = at_the_dip(base).type("yes", yes)
    finding = talk.finding(DIP)
    assert finding is not None
    assert (finding.seen, finding.amount_mm) == ("yes", None)
    assert "as seen, without an amount" in talk.said


@pytest.mark.parametrize("typed", ["0", "none at all", "nothing"])
def test_a_sign_counted_as_not_seen_is_said_aloud(base: RuleBase, typed: str) -> None:
    """At its question, and where its amount is asked for: whoever was read wrongly must be able to see it."""
    for talk in (at_the_dip(base).type("yes", typed), at_the_dip(base).type(typed if typed != "0" else "0 in")):
        finding = talk.finding(DIP)
        assert finding is not None
        assert finding.seen == "no"
        assert talk.said.startswith("Not seen: the level lines dip")


def test_what_may_be_yes_or_no_is_asked_back(base: RuleBase, screen: Talk) -> None:
    """OK to "do the lines dip?" may mean that they do, or that all is well; it counts neither way."""
    for talk in (at_the_dip(base), screen):
        before = talk.symptoms
        for typed in ("ok", "Okay.", "alright"):
            assert "write yes or no" in talk.type(typed).said
        assert before == talk.symptoms


@pytest.mark.parametrize(
    ("stage", "typed", "amount"),
    [("seen", "baggy under the seat, waist too tight", "1 in"), ("history", "took in the sides, tuck across the back", "1/2 in")],
)  # fmt: skip
def test_back_at_how_much_keeps_the_words(base: RuleBase, stage: str, typed: str, amount: str) -> None:
    """It leads to the list that was chosen from; what was said beside it still waits, and the way on is the same as before."""
    start = ("", "", typed) if stage == "seen" else (typed,)
    talk = Talk(base).type(*start)
    asked, way = talk.asked, []
    while talk.interview.state.awaiting is None:
        asked = talk.asked
        way.append(talk.type("1").said)
    talk.type("back")
    assert talk.asked == asked
    assert talk.said.startswith("Taken back")
    assert talk.type("1").said == way[-1]
    straight = Talk(base).type(*start, *("1" for _ in way))
    assert (straight.whole(), straight.interview.queue) == (talk.whole(), talk.interview.queue)
    assert straight.type(amount).said == talk.type(amount).said


def test_back_at_how_much_leads_to_the_sign_also_after_coming_back(base: RuleBase) -> None:
    """A sign named by its own name, or in an earlier sitting, is offered again; one that was asked about is asked about."""
    named = Talk(base).type("", "", "folds-under-seat")
    for talk in (named, Talk(base, events=named.log)):
        talk.type("back")
        assert base.symptoms["folds-under-seat"].title in talk.asked
        assert talk.interview.expects_amount is False
        assert talk.type("").interview.state.awaiting is not None
    assert at_the_dip(base).type("yes", "back").interview.asking == DIP


@pytest.mark.parametrize("several", [False, True])
def test_back_stands_before_the_same_questions(base: RuleBase, several: bool) -> None:
    """Whatever was answered, `back` leads to what was asked, so that the correction is of that; also after coming back."""
    talk = Talk(base, several=several).type("", "", f"{DIP} 3/4 in", "", "")
    lines = ("no", "1 yes", "no", "3") if not several else ("no", "1 yes", "1 no", "no")
    for place in range(6):
        while talk.interview.expects_amount:
            talk.type("")
        if talk.interview.finished:
            talk.interview.ask_more()
            talk.interview.prompt()
        asked = talk.interview.screen
        assert asked
        talk.type(lines[place % len(lines)], "back")
        assert asked == talk.interview.screen
        if not several:
            again = Talk(base, events=talk.log, several=several)
            assert asked == again.interview.screen
        talk.type("2" if not several else "no")


def test_lists_of_shape_name_the_words_they_are_of(talk: Talk) -> None:
    """Of several phrases each list says which it asks about; a phrase alone needs no name."""
    talk.type("", "bum sticks out, thick legs")
    lists = 0
    while talk.interview.pending is not None:
        assert f"Now '{talk.interview.pending.typed}'." in talk.said  # type: ignore[union-attr]
        lists += 1
        talk.type("")
    assert lists > 1
    assert "Now" not in talk.type("bum sticks out").said


@pytest.mark.parametrize("garment", ["trousers", "skirt"])
def test_shape_and_alterations_are_told_apart(garment: str) -> None:
    """Among the earlier alterations no alteration's phrase is kept for later, and nearly every phrase of shape is."""
    base = load_rules(rules_for(garment))
    talk = Talk(base)

    def kept_for(words: str) -> str | None:
        return looking_up._of_another_kind(talk.interview, "alteration", words)

    assert {kept_for(words) for rule in base.alterations.values() for words in (rule.title, *rule.search)} == {None}
    shapes = [kept_for(words) for note in base.body_notes.values() for words in (note.title, *note.search)]
    assert shapes.count("body note") > 0.95 * len(shapes)


@pytest.mark.parametrize("garment", garments())
def test_what_is_given_as_an_example_is_understood(garment: str) -> None:
    """The words that the questions give as examples are phrases of the rules, whichever garment is asked about."""
    talk = Talk(load_rules(rules_for(garment)))
    kinds: tuple[Kind, ...] = ("alteration", "body note", "symptom")
    for kind in kinds:
        (like,) = re.findall(r", like ([^;?]*?)(?: 3/4 in)?[.;]", talk.asked)
        for words in re.split(r", (?:or )?", like):
            assert talk.interview.words.is_phrase(kind, words), words
        talk.type("")
    assert talk.interview.stage == "questions"


@pytest.mark.parametrize(
    "typed", ["no, the other side", "No, I meant left.", "oops", "sorry, right", "i meant 2 cm", "the other way round"]
)
def test_a_correction_is_never_taken_as_an_answer(base: RuleBase, typed: str) -> None:
    """Where somebody corrects the answer before, nothing is counted or looked up, and the way to put it right is told."""
    for talk in (
        Talk(base),
        Talk(base).type("", ""),
        at_the_dip(base),
        at_the_dip(base).type("1"),
        Talk(base).type("took in the sides"),
    ):
        before = talk.whole()
        talk.type(typed)
        assert "back takes the last one away" in talk.said
        assert before == talk.whole()


def test_words_of_shape_come_up_at_shape(base: RuleBase) -> None:
    """Whatever they are called, shape and stance typed among the alterations are asked about as shape, not as signs."""
    talk = Talk(base).type("sway back, tilts her pelvis", "big tummy")
    assert talk.interview.pending is None
    offered = set[str]()
    talk.type("")
    assert talk.interview.stage == "body"
    while talk.interview.pending is not None:
        assert talk.interview.pending.kind == "body note"
        offered.add(talk.interview.pending.ids[0])
        talk.type("1")
    assert {"hollow-back", "pelvis-tipped-forward"} < offered


def test_what_is_kept_outlives_the_window(base: RuleBase) -> None:
    """Words said too early are on the disk like each answer; Enter at the list they come up in says that they do not count."""
    left = Talk(base).type("full calf", "waist gapes at the back 2 cm")
    talk = Talk(base, events=left.log)
    assert "Now 'full calf'." in talk.type("").said
    again = Talk(base, events=talk.type("").log)  # left with the list of the kept words on
    assert "Now 'waist gapes at the back 2 cm'." in again.asked
    assert "Not counted: 'waist gapes at the back'." in again.type("").said
    assert "Now" not in Talk(base, events=again.type("").log).asked


def test_what_is_said_when_its_part_is_over_is_taken_at_once(base: RuleBase) -> None:
    """In a case whose shape is known already, shape typed among the alterations is not kept for a part that never comes."""
    known = ({"event": "start", "units": "in"}, {"event": "stage", "ended": "body"})
    talk = Talk(base, events=known).type("full calf")
    assert "kept till then" not in talk.said and "full-calf" in talk.interview.findings.body


def test_what_is_said_too_early_is_kept_till_it_is_asked_for(base: RuleBase) -> None:
    """Shape and signs typed among the alterations come up at their own stages, and so does a sign typed as shape."""
    talk = Talk(base).type("full calf", "waist gapes at the back 2 cm")
    assert "kept till then" in talk.said
    assert "Now 'full calf'." in talk.type("").said
    assert "full-calf" in talk.interview.findings.body
    assert "Now 'waist gapes at the back 2 cm'." in talk.type("").said
    assert talk.interview.pending is not None
    assert talk.type("1").symptoms["back-waist-gapes"].amount_mm == pytest.approx(20)


def test_the_side_of_what_is_fine_is_not_that_of_the_sign(base: RuleBase) -> None:
    """Typed beside a sign, what is well on both sides leaves the sign its own side."""
    talk = Interview(base, ({"event": "start"},), lambda event: event)
    talk.reply("also both knees ok but the left calf catches")
    assert talk.pending is not None
    assert talk.pending.rest == "left"
