"""The blind test of the drawings: each one, without its name, beside four titles; somebody chooses, and the key tells how often right.

    python tests/bench/drawings.py --to FOLDER [--seed N]     # writes blind.html and key.txt
    python tests/bench/drawings.py --to FOLDER --answers FILE # lines like "12 b"; prints the share that is right

The three other titles are the likeliest to be taken for it: what the rules say it is confused with, then signs of the same view.
Goal: 90 % right.
"""

from __future__ import annotations

import argparse
import random
from html import escape
from pathlib import Path

from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.knowledge.stations import station_of
from fitdiag.reports.sign_sheet import pictures
from fitdiag.reports.signs import drawn_symptoms

LETTERS = "abcd"


def alike(base: RuleBase, symptom: str, rng: random.Random) -> list[str]:
    """Three other signs it may be taken for."""
    rule = base.symptoms[symptom]
    near = [other for other in rule.confused_with if other in drawn_symptoms()]
    same = [
        other
        for other in drawn_symptoms()
        if other != symptom and other not in near and station_of(base.symptoms[other]) == station_of(rule)
    ]
    rest = [other for other in drawn_symptoms() if other != symptom and other not in same and other not in near]
    return [*near, *rng.sample(same, len(same)), *rng.sample(rest, len(rest))][:3]


def written(base: RuleBase, folder: Path, seed: int) -> None:
    """The page of drawings to be judged, and the key."""
    rng = random.Random(seed)
    ids = rng.sample(drawn_symptoms(), len(drawn_symptoms()))
    page = [
        '<!doctype html><meta charset="utf-8"><title>Which is it?</title><style>',
        "body{font:14px sans-serif;display:grid;grid-template-columns:repeat(4,1fr);gap:10px}",
        "svg{width:45%;height:170px}div{border:1px solid #ccc;padding:4px}</style>",
    ]
    key = []
    for number, symptom in enumerate(ids, 1):
        choices = [symptom, *alike(base, symptom, rng)]
        rng.shuffle(choices)
        key.append(f"{number} {LETTERS[choices.index(symptom)]} {symptom}")
        drawn = pictures(symptom)
        shown = (drawn[0], drawn[2]) if len(drawn) == 4 else drawn
        titles = "".join(
            f"<br>{letter} {escape(base.symptoms[one].title)}" for letter, one in zip(LETTERS, choices, strict=True)
        )
        page.append(f"<div><b>{number}</b> {''.join(svg for _, svg in shown)}{titles}</div>")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "blind.html").write_text("".join(page), encoding="utf-8")
    (folder / "key.txt").write_text("\n".join(key) + "\n", encoding="utf-8")
    print(f"{len(ids)} drawings in {folder / 'blind.html'}")


def judged(folder: Path, answers: Path) -> None:
    """How many answers are right."""
    key = {line.split()[0]: line.split()[1:] for line in (folder / "key.txt").read_text().splitlines()}
    given = dict(line.split()[:2] for line in answers.read_text().splitlines() if line.strip())
    wrong = [f"{number} {key[number][1]}: {letter}" for number, letter in given.items() if key[number][0] != letter]
    right = len(given) - len(wrong)
    met = "met" if given and right / len(given) >= 0.9 else "NOT met"
    print(f"{right} of {len(given)} right, {100 * right / max(len(given), 1):.0f} % (goal 90 %: {met})")
    print("\n".join(wrong))


def main() -> None:
    parser = argparse.ArgumentParser(description="The blind test of the drawings.")
    parser.add_argument("--to", type=Path, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--answers", type=Path)
    options = parser.parse_args()
    if options.answers:
        judged(options.to, options.answers)
    else:
        written(load_rules(), options.to, options.seed)


if __name__ == "__main__":
    main()
