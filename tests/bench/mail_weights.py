"""How likely a clause of a mail names a sign: the weights of `interview/meaning.py` fitted anew, and judged on what they did not see.

    python tests/bench/mail_weights.py [--least P ...] [--mails N]

Logistic regression (D. R. Cox 1958; Newton's method with a little shrinkage, T. Hastie, R. Tibshirani and J. Friedman, The Elements
of Statistical Learning, 2nd ed., section 4.4, from memory) over everything that the mails of seven sets might say. Of each sign that a
mail names, the likeliest span counts as right and the others not at all; all else counts as wrong. Each set is then read with the
weights that the other sets give. The phrases under `search:` were partly
written with the mails of four of the sets at hand, those of `everyday/` with none; `*-judge.yaml` stays out of it.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import yaml

from fitdiag.interview import mail as reader
from fitdiag.interview.mail import Span, chosen
from fitdiag.interview.meaning import WEIGHTS
from fitdiag.interview.search import Words
from fitdiag.knowledge.load import load_rules

DATA = Path(__file__).resolve().parents[1] / "data"
SETS = (
    "mails-odd", "mails-even", "mails-second-tune", "mails-second-more", "mails-third-tune", "mails-third-more",
    "mails-fourth-tune",
)  # fmt: skip
ROUNDS, STEPS = 4, 30


@dataclass(frozen=True)
class Mail:
    """What one mail might say, by sentence, with the features of each (span x weight), and the signs it names."""

    spans: tuple[tuple[int, Span], ...]
    features: np.ndarray
    signs: tuple[frozenset[str], ...]


def spans_of(words: Words, text: str) -> Iterator[tuple[int, Span]]:
    """Everything that a mail might say of signs and body notes, however unlikely, by the number of its sentence."""
    for place, sentence in enumerate(reader._sentences(words, text)):
        clauses, done = reader._clauses(words, sentence)
        yield from ((place, span) for span in reader._tried(words, clauses, reader._used(done), sentence))


def mails(words: Words, name: str, most: int | None) -> list[Mail]:
    result = []
    for mail in yaml.safe_load((DATA / f"{name}.yaml").read_text("utf-8"))[:most]:
        spans = tuple((place, span) for place, span in spans_of(words, mail["mail"]) if span.features is not None)
        features = np.array(
            [[span.features[name] for name in WEIGHTS] for _, span in spans if span.features is not None]
        )
        result.append(
            Mail(spans, features.reshape(-1, len(WEIGHTS)), tuple(frozenset(one["ids"]) for one in mail["signs"]))
        )
    return result


def fitted(known: Sequence[Mail]) -> np.ndarray:
    """The weights that tell the right spans from the others best; which span is the right one follows from the weights before."""
    start = weights = np.array(list(WEIGHTS.values()))
    for _ in range(ROUNDS):
        features, right = [], []
        for mail in known:
            odds, named = mail.features @ weights, frozenset().union(*mail.signs)
            best = {
                max(mine, key=lambda n: odds[n])
                for ids in mail.signs
                if (mine := [n for n, (_, span) in enumerate(mail.spans) if span.id in ids])
            }
            counted = [n for n, (_, span) in enumerate(mail.spans) if n in best or span.id not in named]
            features.append(mail.features[counted])
            right += [float(n in best) for n in counted]
        x, y = np.concatenate(features), np.array(right)
        weights = np.zeros_like(start)
        shrunk = np.array([name != "always" for name in WEIGHTS], float)
        for _ in range(STEPS):
            chance = 1.0 / (1.0 + np.exp(-x @ weights))
            curve = (x * (chance * (1.0 - chance))[:, None]).T @ x + np.diag(shrunk)
            weights = weights - np.linalg.solve(curve, x.T @ (chance - y) + shrunk * weights)
    return weights


def read(mail: Mail, weights: np.ndarray, least: float) -> frozenset[str]:
    """The signs proposed with these weights."""
    chance = 1.0 / (1.0 + np.exp(-mail.features @ weights))
    found: set[str] = set()
    for sentence in {place for place, _ in mail.spans}:
        here = [
            Span(p, span.kind, span.id, span.start, span.end, span.text)
            for p, (place, span) in zip(chance, mail.spans, strict=True)
            if place == sentence and p >= least
        ]
        found |= {span.id for span in chosen(here)}
    return frozenset(found)


def report(sets: Mapping[str, Sequence[Mail]], weights: Mapping[str, np.ndarray], least: float) -> None:
    line = []
    for name, of_it in sets.items():
        answers = [(read(mail, weights[name], least), mail.signs) for mail in of_it]
        said = sum(len(signs) for _, signs in answers)
        found = sum(bool(ids & proposed) for proposed, signs in answers for ids in signs)
        bad = sum(len(proposed - frozenset().union(*signs)) for proposed, signs in answers)
        line.append(f"{name} {100 * found / said:.0f} %, {bad / len(of_it):.2f} wrong")
    print(f"  from {least:g}: {'; '.join(line)}")


def main() -> None:
    """Print the weights that ship beside those fitted now, and what each set gives with the weights of the others."""
    parser = argparse.ArgumentParser(description="The weights of plain mails, fitted anew.")
    parser.add_argument("--least", type=float, nargs="*", default=[0.1, 0.14, 0.2])
    parser.add_argument("--mails", type=int, help="so many of each set")
    options = parser.parse_args()
    words = Words(load_rules())
    sets = {name: mails(words, name, options.mails) for name in SETS}
    everything = fitted([mail for of_it in sets.values() for mail in of_it])
    for (name, ships), now in zip(WEIGHTS.items(), everything, strict=True):
        print(f"{ships:6.2f} ships, {now:6.2f} now: {name}")
    others = {name: fitted([one for other in sets if other != name for one in sets[other]]) for name in sets}
    print("signs found and wrong proposals a mail, each set read with what the others give:")
    for least in options.least:
        report(sets, others, least)


if __name__ == "__main__":
    main()
