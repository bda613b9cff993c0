"""A small rule base without a fault, as text, for tests that put one in."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

ORDER, WORDS, SOURCES, NOTES = "order.yaml", "words.yaml", "sources.yaml", "body-notes.yaml"
ABOUT, EASE, SYMPTOMS = "rulebase.yaml", "ease-tables.yaml", "symptoms/back.yaml"
LONG, LEANS, SETTLES = (f"causes/back/{name}.yaml" for name in ("back-too-long", "grain-leans", "cloth-settles"))
TUCK, SWING, GIVE = (f"alterations/back/{name}.yaml" for name in ("tuck-back", "swing-leg", "give-room"))
CASES = "causes/back/back-too-long.cases.yaml"


def good_files() -> dict[str, str]:
    """A small rule base without a fault that uses every kind of reference; path below the folder to text."""
    symptom = """\
- id: {id}
  title: {title}
  ask: Do you see it from the back?
  look: Stand straight behind and compare left with right.
  views: [back]
  by: {by}
  seen_anyway: rarely
  source: practice
"""
    measure = """\
  measure:
    what: the drop at the centre
    how: Lay a ruler level and read down.
    worse: {worse}
    seen_from: {seen}
    give: 2 mm
    grades: {{slight: {slight}, clear: {clear}, strong: {strong}}}
    source: practice
"""
    alteration = """\
id: {id}
title: {title}
stage: {stage}
operation: {{does: close-wedge, piece: back, cut: Across the back, hinge: side seam}}
seams: [{seams}]
amount:
{measured}  start: 1 cm
  until: the lines are level
  source: practice
most_a_round: {{amount: 2 cm, source: practice}}
most_in_all: {{amount: 3 cm, source: practice}}
sides: as-seen
why: It takes up what hangs.
cloth: [Pin the fold.]
paper: [Close the wedge.]
true_up: [Redraw the seam.]
effects: [The seam is shorter by the amount.]
{more}check_next: [See whether the lines are level.]
source: practice
"""
    return {
        ABOUT: """\
schema: fitdiag.rules/1
garment: skirt
title: Skirts of a small touring theatre
stages: [balance, rise, girth, crotch, leg, finish]
seams: [back-seam, side-seam]
cautions:
  - {when: always, text: Ask before each touch., client: Ask before each touch.}
""",
        WORDS: """\
how_often: {source: practice, words: {usually: 0.75, often: 0.6, rarely: 0.1}}
base_rate: {source: practice, words: {sometimes: 0.08}}
seen_anyway: {source: practice, words: {rarely: 0.04}}
more_or_less: {source: practice, words: {more: 2, less: 0.5}}
how_well: {source: practice, words: {wholly: 0.95, a-little: 0.15}}
body_grades: {source: practice, words: {some: 1, marked: 1.5}}
cost: {source: practice, words: {looking: 1, pinching: 1.5}}
settings:
  source: practice
  words: {stop_below_bits: 0.15, slight_weight: 0.6, worth_altering: 0.35, leave_alone_from: 0.02}
""",
        SOURCES: """\
- {id: practice, title: Common practice, grade: common-practice}
- {id: handbook, title: A handbook, grade: published, where: "1900, page 1"}
""",
        NOTES: """\
- {id: flat-seat, title: Flat seat, judge: Hang a plumb line., source: practice}
- {id: round-seat, title: Round seat, judge: Hang a plumb line., source: practice}
""",
        EASE: """\
- id: house-table
  title: The table of the house
  source: handbook, p. 1
  rows:
    - {measure: hip, at_least: 1 in, at_most: 2 in}
""",
        SYMPTOMS: symptom.format(id="lines-dip", title="The level lines dip", by="looking")
        + measure.format(worse="more", seen="5 mm", slight="3 mm", clear="6 mm", strong="15 mm")
        + "  confused_with: [v-at-seam]\n"
        + symptom.format(id="v-at-seam", title="A V at the centre seam", by="looking")
        + symptom.format(id="line-near-seam", title="The grainline runs close to the seam", by="looking")
        + measure.format(worse="less", seen="5 cm", slight="6 cm", clear="4 cm", strong="2 cm")
        + symptom.format(id="seat-tight", title="The seat lies tight", by="pinching"),
        LONG: """\
id: back-too-long
title: The back is longer than the body
status: trial
base_rate: sometimes
why: The spare length hangs.
source: practice
extent: {what: how much longer the back is, usual: 1 cm, spread: 2.5 cm, source: practice}
shows:
  - {symptom: lines-dip, how_often: usually, source: practice, per: {ratio: 1, scatter: 0.2, source: practice}}
  - {symptom: v-at-seam, how_often: often, source: practice}
body: {flat-seat: more, round-seat: less}
after: {give-room: more}
cured_by: {tuck-back: wholly}
not_when: [The lens stood above the line.]
look_alikes:
  - {cause: grain-leans, tell: Look at the grainline., by: [line-near-seam]}
""",
        LEANS: """\
id: grain-leans
title: The grain leans to the back
status: trial
base_rate: sometimes
why: The leg is thrown off grain.
source: practice
shows:
  - {symptom: line-near-seam, how_often: usually, source: practice}
  - {symptom: v-at-seam, how_often: rarely, source: practice}
cured_by: {swing-leg: wholly}
not_when: [None known yet.]
""",
        SETTLES: """\
id: cloth-settles
title: The cloth settles to the shape
status: trial
base_rate: sometimes
why: It clings.
source: practice
shows:
  - {symptom: seat-tight, how_often: often, source: practice}
may_stay: It eases with wear.
not_when: [None known yet.]
""",
        TUCK: alteration.format(
            id="tuck-back",
            title="Tuck across the back",
            stage="balance",
            seams="back-seam, side-seam",
            measured="",
            more="""\
brings: {seat-tight: rarely}
avoid_when:
  - {body: round-seat, because: The length is needed}
careful_when:
  - {symptom: seat-tight, because: It gets tighter}
  - {absent: v-at-seam, because: The V belongs to it}
  - {done: give-room, because: They undo each other}
follow_ups:
  - {if: seat-tight, do: give-room, because: Then it is short of room}
""",
        ),
        SWING: alteration.format(
            id="swing-leg",
            title="Swing the leg",
            stage="leg",
            seams="back-seam",
            measured="  aim: {symptom: line-near-seam, reads: 3 in}\n",
            more="",
        ),
        GIVE: alteration.format(
            id="give-room",
            title="Give room at the seat",
            stage="balance",
            seams="side-seam",
            measured="",
            more="worsens: {back-too-long: a-little}\n",
        ),
        ORDER: """\
- {first: tuck-back, then: [swing-leg, give-room], because: The length comes first, source: practice}
- {first_stage: balance, then_stage: leg, because: The leg hangs from above, source: practice}
- {either: [swing-leg, give-room], because: They undo each other, source: practice}
""",
        CASES: """\
- name: The lines dip and make a V
  source: practice
  body: [flat-seat]
  symptoms:
    lines-dip: {amount: 3/4 in}
    v-at-seam: yes
    line-near-seam: no
  done: [{alteration: swing-leg, amount: 1/4 in, round: 1}]
  expect:
    leads: back-too-long
    quiet: [grain-leans]
    first: tuck-back
    recommends: [tuck-back]
    amount: 3/4 in
    side: both
    only_if: {give-room: seat-tight}
- name: A round seat needs the length
  body: [{round-seat: marked}]
  symptoms: {lines-dip: yes}
  expect: {leave_alone: [tuck-back], nothing: yes}
""",
    }


def write_rules(folder: Path, files: Mapping[str, str]) -> Path:
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder
