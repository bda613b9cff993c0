"""What is asked in the wearer's own words, and how the wearer takes a measure without a fitter beside.

A symptom of the rule base that stands here is asked as written here. Any other one is asked in the words of its rule, with
"the client" turned into "you". Lengths in these texts are turned into the client's units.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from fitdiag.knowledge.model import RuleBase, Symptom
from fitdiag.units import Units, in_units


@dataclass(frozen=True)
class Words:
    """A question, and how to measure it; without `how` the wearer is not asked for an amount."""

    ask: str
    how: str = ""


@dataclass(frozen=True)
class Asked:
    """A question as it stands on the page. `graded`: can be there a little, clearly or a lot; else it is yes or no."""

    symptom: str
    ask: str
    how: str
    graded: bool
    felt: bool


_TESTS = ("loosening", "unpicking", "undressing", "paper")
_YES_OR_NO = (
    "folds-go-with-feet-apart",
    "seat-folds-needed-sitting",
    "one-side-shows-more",
    "back-pinch-takes-up-easily",
)
_PINCH = "Pinch the spare cloth into a fold and measure how far it stands out. Write twice that."
_TIE = "Tie a tape or a string level round your waist, where you want the edge. "

WORDS: Mapping[str, Words] = {
    # felt
    "seat-wedgie": Words(
        "Standing, or after a few steps, does the back seam pull in between the two sides of the seat?"
    ),
    "waist-pulls-down-when-bending": Words(
        "When you bend as if to tie a shoe, is the back of the waist pulled down?",
        "Stick a strip of tape where the waist edge lies behind. Bend and stay there. "
        "Let somebody measure from the strip down to the edge.",
    ),
    "seat-binds-sitting": Words("After you have sat for five minutes, does the cloth press behind?"),
    "crotch-cuts": Words("Standing, does the cloth press or cut at the crotch?"),
    "waist-binds": Words(
        "Does the waist press, or leave no room for a finger?",
        "Open the fastening until the waist is easy. Measure the gap between its two edges.",
    ),
    "thigh-binds-on-stairs": Words("On stairs, or in a long step, does the leg hold you back at the thigh?"),
    "knee-binds-bending": Words("When you kneel, or bend your knee far, does the leg press or hold at the knee?"),
    "crotch-pulls-with-feet-apart": Words(
        "When you stand with your feet as wide apart as your shoulders, does the inner leg pull at the crotch?"
    ),
    "crotch-eases-with-waist-dropped": Words(
        "Let the whole waist down by 1 cm and close it again. Does the crotch or the back seam feel easier?"
    ),
    "crotch-eases-with-closure-loosened": Words("Open the fastening at the waist. Does the crotch feel easier?"),
    "knee-pulls-in-step": Words(
        "With one foot on a step, does the cloth strain across the front of your knee?",
        "Mark the height of the hem on your shoe while you stand. With the foot on the step, measure from the mark up to the hem.",
    ),
    # in use
    "seat-folds-needed-sitting": Words(
        "If there are folds under the seat: do they go when you sit down and lean a little forward?"
    ),
    "lap-fullness-sitting": Words(
        "When you sit upright, does a lot of cloth heap up in your lap?",
        "Stand a small ruler upright on your thigh beside the fly and read the top of the heap.",
    ),
    "hem-rides-up-sitting": Words(
        "When you sit, do the hems ride up by more than three or four fingers?",
        "Measure from the floor to the back of the hem, standing and then sitting. Write the difference.",
    ),
    "back-hem-works-under-heel": Words(
        "After twenty steps, has the back of the hem worked down towards your heel?",
        "Measure from the floor to the back of the hem before and after the walk. Write the difference.",
    ),
    "slides-down-walking": Words(
        "After twenty steps, has the whole waist worked its way down?",
        "Mark where the edge lies before you walk. Measure at the side from the mark down to the edge.",
    ),
    "calf-catches": Words("After ten steps, does the back of the leg stay hung up on your calf?"),
    "folds-behind-knee": Words("After ten steps, does the cloth fold or catch behind your knee?"),
    "crotch-hangs-low": Words(
        "With the waist where you want it, does the crotch hang clearly below your body?",
        "Hold a ruler upright in front of your inner leg. Measure from the body down to where the seams cross.",
    ),
    "waist-sits-high-all-round": Words(
        "With the crotch where it is comfortable, does the whole waist edge sit above the line you want?",
        _TIE + "Measure from the tape up to the edge in front, at the side and behind. Write the smallest.",
    ),
    "waist-cannot-reach-its-line": Words(
        "With the crotch where it is comfortable, does the whole waist edge stay below the line you want?",
        _TIE + "Measure from the edge up to the tape in front, at the side and behind. Write the smallest.",
    ),
    "hip-too-loose": Words(
        "Is there more room at the hip than you like?",
        "Pinch the spare cloth upright at both sides, the same on each. Write how much you took up in all.",
    ),
    "waist-too-loose": Words(
        "Is there more room at the waist than you like, with a finger still going in?",
        "Pinch the spare cloth together at the edge. Write how much you took up in all.",
    ),
    "thigh-too-loose": Words(
        "Is there more room round the thigh than you like?",
        "Pinch the spare cloth of one leg upright on the outside. Write how much you took up in all.",
    ),
    "hems-too-long": Words(
        "With the waist where you want it, do both hems sit lower than agreed?",
        "Measure from the floor to the hem at the side. Write how far it is from the agreed height.",
    ),
    "hems-too-short": Words(
        "With the waist where you want it, do both hems sit higher than agreed?",
        "Measure from the floor to the hem at the side. Write how far it is from the agreed height.",
    ),
    # seen from the front
    "waist-dips-at-front": Words(
        "Is the waist edge held down in the middle of the front, and does it pull when you lift it?",
        _TIE + "Measure from the tape down to the edge in the middle of the front.",
    ),
    "waist-sags-at-front": Words(
        "Does the waist edge drop in the middle of the front, with slack cloth under it?",
        _TIE + "Measure from the tape down to the edge in the middle of the front.",
    ),
    "waist-rises-at-front": Words(
        "Does the waist edge stand above a level tape in the middle of the front?",
        _TIE + "Measure from the tape up to the edge in the middle of the front.",
    ),
    "front-waist-gapes": Words("Does the waist stand away from you in front?"),
    "fold-below-front-waist": Words(
        "Does a loose, level fold lie across the front, just under the waist edge?", _PINCH
    ),
    "pleats-or-darts-pull-open": Words("Are the pleats pulled open, or does the cloth bubble beside the front darts?"),
    "dart-points-stand-off": Words("Do the points of the darts stand off your body instead of lying flat?"),
    "front-pulls-across-fly": Words("Do tight, level lines run across the fly or the belly?"),
    "fly-gapes": Words(
        "Does the closed fly spread open?", "Measure across the gap where it is widest, without pressing the cloth."
    ),
    "upright-folds-on-front": Words("Do loose upright folds lie on the front, between the fly and the side seam?"),
    "diagonals-crotch-to-side-waist": Words(
        "Do slanting lines run from the front crotch up towards the side of the waist?",
        "Lay a tape along the longest line, from where it starts to where it fades.",
    ),
    "lines-fan-from-front-crotch": Words(
        "Do short, tight lines fan out and up from the front of the crotch?",
        "Lay a tape along the longest line, from the crotch to where it fades.",
    ),
    "folds-droop-from-front-crotch": Words(
        "Do soft folds hang from the front of the crotch, with the cloth off your body?"
    ),
    "upright-folds-at-front-crotch": Words("Do upright folds run from the front of the crotch down the inner leg?"),
    "fold-under-abdomen": Words("Does a loose, level fold lie under the belly, where the thigh begins?"),
    "surplus-at-top-of-inseam": Words(
        "With your feet together, does spare length heap up at the top of the inner leg?"
    ),
    "folds-go-with-feet-apart": Words(
        "If there are folds at the top of the inner leg: do they go when you part your feet?"
    ),
    "inner-thigh-pulls": Words("Do tight lines pull from the inner thigh up to the crotch?"),
    "front-thigh-pulls-across": Words("Do tight, level lines run across the front of the thigh?"),
    "front-crease-breaks-at-knee": Words("Does the front crease swing off its straight line just above the knee?"),
    "crease-inside-mid-knee": Words(
        "Does the front crease run on the inside of the middle of your kneecap?",
        "Measure level from the crease to the middle of the kneecap.",
    ),
    "crease-outside-mid-knee": Words(
        "Does the front crease run on the outside of the middle of your kneecap?",
        "Measure level from the crease to the middle of the kneecap.",
    ),
    "fold-climbs-inner-shin": Words("Does a fold start low on the inner leg and climb to the middle of the shin?"),
    "hems-swing-inward": Words("Do the hems drift inwards, off the middle of your feet?"),
    "hems-swing-outward": Words("Do the hems drift outwards, off the middle of your feet?"),
    "one-hem-higher": Words(
        "Is one hem higher than the other?", "Measure from the floor to each hem at the side. Write the difference."
    ),
    "pocket-mouths-open": Words(
        "Do the side pockets stand open while you stand still?",
        "Hold a ruler across the pocket where it is widest, without pressing the cloth in.",
    ),
    "leg-seams-spiral": Words("Do the side seam and the inner seam wind round your leg?"),
    # seen from the side
    "balance-lines-dip-to-back": Words("Seen from the side, do the drawn level lines drop towards the back?"),
    "balance-lines-rise-to-back": Words("Seen from the side, do the drawn level lines climb towards the back?"),
    "waist-dips-at-back": Words(
        "Standing straight, is the waist edge pulled down in the middle of the back?",
        _TIE + "Let somebody measure from the tape straight down to the edge in the middle of the back.",
    ),
    "hem-stands-forward": Words(
        "Seen from the side, is there clearly more room in front of your ankle than behind it?"
    ),
    "side-seam-runs-forward": Words(
        "Seen from the side, is the side seam further forward at the hem than at the hip?",
        "Hold a string with a weight at the seam at your hip. Let somebody measure from it to the seam at the hem.",
    ),
    "side-seam-runs-back": Words(
        "Seen from the side, is the side seam further back at the hem than at the hip?",
        "Hold a string with a weight at the seam at your hip. Let somebody measure from it to the seam at the hem.",
    ),
    "side-waist-ripples": Words("Do small folds or a bubble lie at the side, just under the waist?"),
    "waist-edge-high-in-front": Words("Left alone, does the waist edge sit higher in front than a level tape?"),
    "waist-edge-high-behind": Words("Left alone, does the waist edge sit higher behind than a level tape?"),
    "hip-line-climbs-to-front": Words("Seen from the side, does the drawn hip line climb to the front?"),
    "hip-line-climbs-to-back": Words("Seen from the side, does the drawn hip line climb to the back?"),
    "hip-line-higher-on-one-side": Words("Does the drawn hip line sit higher on one side?"),
    # seen from behind
    "v-at-centre-back": Words(
        "Seen from behind, does the drawn level line make a V at the middle seam, its point down?"
    ),
    "grainline-near-centre-back": Words(
        "Seen from behind, does the drawn line of the back leg run up to the waist close to the middle seam?",
        "Measure along the waist from the middle seam to the drawn line.",
    ),
    "folds-under-seat": Words(
        "Seen from behind, does loose cloth hang in folds under the seat?",
        "Let somebody take up one level fold until the back hangs smooth, and measure how far it stands out. "
        "Write twice that. Use clips, not pins.",
    ),
    "diagonals-under-seat": Words(
        "Seen from behind, do slanting folds run from under the seat down towards the side or the knee?"
    ),
    "fold-below-back-waist": Words(
        "Seen from behind, does a loose, level fold lie just under the waistband?",
        "Let somebody pinch the fold in the middle of the back and measure how far it stands out. Write twice that.",
    ),
    "back-waist-gapes": Words(
        "Standing straight, does the waist edge stand away from you in the middle of the back?",
        "Let somebody pinch the edge together in the middle of the back. Write how much was taken up in all.",
    ),
    "upright-folds-at-seat": Words(
        "Seen from behind, do loose upright folds stand on the seat beside the middle seam?"
    ),
    "seat-pulls-across": Words("Seen from behind, do tight, level lines run across the seat?"),
    "lines-fan-from-back-crotch": Words(
        "Seen from behind, do tight lines fan up and out from the crotch?",
        "Hold the end of the tape at the crotch. Let somebody measure along the longest line to where it fades.",
    ),
    "seat-seam-taut": Words("Is the middle seam over the seat tight like a cord?"),
    "back-thigh-pulls-across": Words("Do tight, level lines run across the back of the thigh, high up under the seat?"),
    "one-sided-diagonal": Words("Does a slanting line run down from one hip, with nothing like it on the other side?"),
    "one-side-shows-more": Words("Does any of this show on one side only, or clearly more on one side?"),
}

_CLIENT = (
    (r"\bthe client's\b", "your"),
    (r"\bthe client (want|like|wear|part|sit|stand|walk|bend|hold|feel)s\b", r"you \1"),
    (r"\bthe client\b", "you"),
    (r"\b(you \w+) the feet\b", r"\1 your feet"),
    (r"\b(pulls?|pulling) into the cleft\b", r"\1 in between the two sides of the seat"),
)


def asked(base: RuleBase, symptom_id: str, units: Units) -> Asked:
    """The question for a symptom as the wearer reads it."""
    symptom = base.symptoms[symptom_id]
    words = WORDS.get(symptom_id)
    text, how = (words.ask, words.how) if words else (to_you(symptom.ask), "")
    graded = symptom.by not in _TESTS and symptom_id not in _YES_OR_NO
    how = in_units(how, units) if symptom.measure else ""
    return Asked(symptom_id, in_units(text, units), how, graded, symptom.felt or is_used(symptom))


def is_used(symptom: Symptom) -> bool:
    """Found out by wearing, without a look in the mirror."""
    return symptom.by in ("sitting", "stairs", "bending", "asking")


def to_you(text: str) -> str:
    """A fitter's question turned to the wearer.

    >>> to_you("Do the folds go when the client parts the feet?")
    'Do the folds go when you part your feet?'
    """
    for pattern, plain in _CLIENT:
        text = re.sub(pattern, plain, text)
    return text
