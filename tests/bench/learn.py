"""How well strengths are learned from sessions: logs are generated from rules one word off, and read back by `learn`.

    python tests/bench/learn.py [--logs N] [--known SHARE] [--seed N] [--interviews N]

The truth is the shipped base with every "how often" moved to a neighbouring word by chance; the program starts from the
shipped words. Each log answers a random 30 to 40 % of all signs; in a share of them the outcome is known. The goal: the mean
absolute error of the strengths at least halved from the priors.

Beside it, on a small net, the general-purpose reference: pyAgrum's exact posteriors of every link drawn as a node of its own,
against the expected counts here, and its EM over the same sessions (which learns whole tables, not the links of a noisy-OR).
With --interviews, sessions are held as the program asks, with the rules as they are, to see what a volunteered sign does.
"""

from __future__ import annotations

import argparse
import csv
import json
import random
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from time import perf_counter

import pyagrum

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

from reference import FASTEST, draw_client, draw_network

from fitdiag.diagnosis.belief import compile_network
from fitdiag.diagnosis.exact import Network, Posterior, TooWideError
from fitdiag.diagnosis.learning import MOST_WIDE, Layout, Session, Strengths, expected_counts, learn
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.sessions.learn import ENOUGH, gather, learn_from
from fitdiag.sessions.log import SCHEMA


def one_word_off(base: RuleBase, strengths: Sequence[float], rng: random.Random) -> tuple[float, ...]:
    """Each strength moved to the number of a neighbouring word; at the ends the only way there is."""
    numbers = sorted(base.words.how_often.words.values())
    moved = []
    for strength in strengths:
        place = min(range(len(numbers)), key=lambda number: abs(numbers[number] - strength))
        moved.append(numbers[rng.choice([near for near in (place - 1, place + 1) if 0 <= near < len(numbers)])])
    return tuple(moved)


def write_logs(folder: Path, base: RuleBase, network: Network, count: int, known: float, rng: random.Random) -> int:
    """So many logs of clients drawn from the network; returns how many were too wide to be weighed and drawn anew."""
    compiled = compile_network(base, Findings())
    head = {
        "event": "start", "schema": SCHEMA, "program": "bench", "client": "a chorister", "units": "in",
        "rules": {"garment": base.about.garment, "fingerprint": base.fingerprint},
    }  # fmt: skip
    signs = len(compiled.symptoms)
    written = wide = 0
    while written < count:
        world, seen = draw_client(rng, network)
        asked = rng.sample(range(signs), round(signs * rng.uniform(0.3, 0.4)))
        try:
            width = Posterior(network, {sign: (0.0, 1.0) for sign in asked if seen[sign]}).width
        except TooWideError:
            width = MOST_WIDE + 1
        if width > MOST_WIDE:
            wide += 1
            continue
        events: list[dict[str, object]] = [head]
        for sign in asked:
            answer = "yes" if seen[sign] else "no"
            events.append({"event": "answer", "symptom": compiled.symptoms[sign], "seen": answer, "origin": "asked"})
        if rng.random() < known:
            there = [cause for cause, present in zip(compiled.causes, world, strict=True) if present]
            absent = [cause for cause, present in zip(compiled.causes, world, strict=True) if not present]
            events.append({"event": "outcome", "causes": list(there), "not": list(absent), "fits": False})
        text = "".join(json.dumps(event) + "\n" for event in events)
        (folder / f"chorister-{written:05}.jsonl").write_text(text, encoding="ascii")
        written += 1
    return wide


def error(one: Sequence[float], other: Sequence[float], links: Sequence[int] | None = None) -> float:
    """The mean absolute difference over some links; over all, if none are named."""
    chosen = range(len(one)) if links is None else links
    return sum(abs(one[link] - other[link]) for link in chosen) / max(1, len(chosen))


def shipped_base(options: argparse.Namespace) -> None:
    """Learn the shipped base back from logs, and print how well and how fast."""
    rng = random.Random(options.seed)
    base = load_rules()
    layout, prior = Layout.of(compile_network(base, Findings()).network)
    true = Strengths(prior.base_rate, prior.seen_anyway, one_word_off(base, prior.how_often, rng))
    with tempfile.TemporaryDirectory() as name:
        start = perf_counter()
        wide = write_logs(Path(name), base, layout.network(true), options.logs, options.known, rng)
        print(f"{options.logs} logs (seed {options.seed}) written in {perf_counter() - start:.0f} s, outcome known in"
              f" {100 * options.known:.0f} %; {wide} drawn anew: too wide. {len(layout.links)} links,"
              f" {len(prior.base_rate)} causes, {len(prior.seen_anyway)} signs")  # fmt: skip
        start = perf_counter()
        gather(base, [Path(name)])
        reading = perf_counter() - start
        start = perf_counter()
        learning = learn_from(base, [Path(name)])
        seconds = perf_counter() - start
    learned = learning.learned
    enough = [link for link, estimate in enumerate(learned.estimates.how_often) if estimate.worth >= ENOUGH]
    print(f"\n{'mean absolute error of a strength':<36}{'links':>7}{'prior':>9}{'learned':>9}{'ratio':>8}")
    for title, links in (("error, all links", None), ("error, links with evidence", enough)):
        before = error(prior.how_often, true.how_often, links)
        after = error(learned.strengths.how_often, true.how_often, links)
        count = len(layout.links) if links is None else len(links)
        met = "met" if after <= before / 2 else "NOT met"
        print(
            f"{title:<36}{count:>7}{before:>9.4f}{after:>9.4f}{after / before if before else 0:>8.2f}   goal at most 0.5: {met}"
        )
    inside = sum(
        estimate.low <= truth <= estimate.high
        for estimate, truth in zip(learned.estimates.how_often, true.how_often, strict=True)
    )
    print(
        f"truth inside the 95 % interval: {100 * inside / len(layout.links):.0f} % (every prior is a word off, and pulls)"
    )
    right, nearer = judge_changes(base, layout, true, learning.changes)
    print(f"words changed: {len(learning.changes)}; {right} to the true word, {nearer} more nearer to it,"
          f" {len(learning.changes) - right - nearer} not")  # fmt: skip
    for title, score in (("prior", learning.before), ("words", learning.words), ("numbers", learning.numbers)):
        if score.answers:
            causes = ""
            if score.cases:
                causes = f"; causes, bits a case {score.cause_bits / score.cases:.3f}, Brier {score.cause_brier / score.cases:.3f}"
            print(f"log-loss, {title}: bits an answer {score.answer_bits / score.answers:.4f},"
                  f" Brier {score.answer_brier / score.answers:.4f}{causes}")  # fmt: skip
    print(f"reading, learning and scoring: {seconds:.1f} s ({reading:.1f} s of it reading);"
          f" {learned.rounds} rounds, {1e3 * seconds / options.logs:.2f} ms a log")  # fmt: skip


def judge_changes(base: RuleBase, layout: Layout, true: Strengths, changes: Sequence[object]) -> tuple[int, int]:
    """How many proposed words are the true ones, and how many others are nearer to the truth than before."""
    compiled = compile_network(base, Findings())
    truth: dict[tuple[str, str, str], float] = {}
    for (cause, sign), strength in zip(layout.links, true.how_often, strict=True):
        truth["how_often", compiled.causes[cause], compiled.symptoms[sign]] = strength
    truth |= {("base_rate", cause, ""): rate for cause, rate in zip(compiled.causes, true.base_rate, strict=True)}
    truth |= {("seen_anyway", sign, ""): leak for sign, leak in zip(compiled.symptoms, true.seen_anyway, strict=True)}
    right = nearer = 0
    for change in changes:
        words = getattr(base.words, change.kind).words  # type: ignore[attr-defined]
        value = truth[change.kind, change.rule, change.symptom]  # type: ignore[attr-defined]
        new, old = words[change.new], words[change.old]  # type: ignore[attr-defined]
        right += abs(new - value) < 1e-9
        nearer += 1e-9 <= abs(new - value) < abs(old - value)
    return right, nearer


# -- the reference, on a small net -----------------------------------------------------------------------------------------


class LinkNodes:
    """The small net in pyAgrum with each link and each leak as a node of its own, so that their posteriors can be asked."""

    def __init__(self, layout: Layout, strengths: Strengths) -> None:
        self.net = pyagrum.BayesNet()
        for cause, rate in enumerate(strengths.base_rate):
            self.net.add(pyagrum.LabelizedVariable(f"c{cause}", "", 2))
            self.net.cpt(f"c{cause}").fillWith([1.0 - rate, rate])
        for sign, leak in enumerate(strengths.seen_anyway):
            self.net.addOR(pyagrum.LabelizedVariable(f"s{sign}", "", 2))
            self.net.add(pyagrum.LabelizedVariable(f"a{sign}", "", 2))
            self.net.cpt(f"a{sign}").fillWith([1.0 - leak, leak])
            self.net.addArc(f"a{sign}", f"s{sign}")
        for link, (cause, sign) in enumerate(layout.links):
            p = strengths.how_often[link]
            self.net.add(pyagrum.LabelizedVariable(f"l{link}", "", 2))
            self.net.addArc(f"c{cause}", f"l{link}")
            self.net.cpt(f"l{link}").fillWith([1.0, 0.0, 1.0 - p, p])
            self.net.addArc(f"l{link}", f"s{sign}")
        self.engine = getattr(pyagrum, FASTEST)(self.net)

    def brought(self, session: Session, layout: Layout) -> dict[int, float]:
        """For each link of an answered sign the chance that it brought the sign."""
        evidence = {f"s{sign}": int(present > absent) for sign, absent, present in session.answers}
        evidence |= {f"c{cause}": int(there) for cause, there in session.known}
        self.engine.setEvidence(evidence)
        self.engine.makeInference()
        return {
            link: self.engine.posterior(f"l{link}")[1]
            for sign, _, _ in session.answers
            for link in layout.of_sign[sign]
        }


def small_net(options: argparse.Namespace) -> None:
    """The expected counts against pyAgrum's posteriors, and its EM beside ours."""
    rng = random.Random(options.seed)
    network = draw_network(rng, 6, 10, 20, priors=(0.3, 0.2, 0.15))
    layout, true = Layout.of(network)
    sessions = []
    rows = []
    for number in range(min(1000, max(50, options.logs // 2))):
        world, seen = draw_client(rng, network)
        asked = rng.sample(range(10), 6)
        known = tuple((cause, bool(there)) for cause, there in enumerate(world)) if number % 2 else ()
        sessions.append(
            Session(tuple((sign, *((0.0, 1.0) if seen[sign] else (1.0, 0.0))) for sign in asked), (), known)
        )
        rows.append([*(str(there) if known else "?" for there in world),
                     *(str(int(there)) if sign in asked else "?" for sign, there in enumerate(seen))])  # fmt: skip
    few = sessions[: min(200, len(sessions))]
    nodes = LinkNodes(layout, true)
    start = perf_counter()
    theirs = [nodes.brought(session, layout) for session in few]
    their_seconds = perf_counter() - start
    start = perf_counter()
    ours = [expected_counts(layout, true, [one]) for one in few]
    our_seconds = perf_counter() - start
    furthest = max(abs(counts.how_often.hits[link] - chance)
                   for counts, found in zip(ours, theirs, strict=True) for link, chance in found.items())  # fmt: skip
    print(f"\nSmall net: 6 causes, 10 signs, {len(layout.links)} links")
    print(f"expected counts, largest difference from pyAgrum's posteriors: {furthest:.1e} ({len(few)} sessions;"
          f" {1e3 * our_seconds / len(few):.3f} ms each, pyAgrum {1e3 * their_seconds / len(few):.3f} ms)")  # fmt: skip
    base = load_rules()
    prior = Strengths(true.base_rate, true.seen_anyway, one_word_off(base, true.how_often, rng))
    start = perf_counter()
    learned = learn(layout, prior, sessions)
    our_seconds = perf_counter() - start
    start = perf_counter()
    table = reference_em(network, layout, rows)
    their_seconds = perf_counter() - start
    print(f"EM over {len(sessions)} sessions, error of the strengths (prior {error(prior.how_often, true.how_often):.3f}):"
          f" ours {error(learned.strengths.how_often, true.how_often):.3f} in {our_seconds:.2f} s,"
          f" pyAgrum's tables {error(table, true.how_often):.3f} in {their_seconds:.2f} s")  # fmt: skip


def reference_em(network: Network, layout: Layout, rows: Sequence[Sequence[str]]) -> list[float]:
    """pyAgrum's EM over the same sessions; a strength read off a table: this cause alone against none."""
    net = pyagrum.BayesNet()
    names = [*(f"c{cause}" for cause in range(len(network.prior))), *(f"s{sign}" for sign in range(len(network.leak)))]
    for name in names:
        net.add(pyagrum.LabelizedVariable(name, "", 2))
    for cause, sign in layout.links:
        net.addArc(f"c{cause}", f"s{sign}")
    net.generateCPTs()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sessions.csv"
        with path.open("w", encoding="ascii", newline="") as handle:
            csv.writer(handle).writerows([names, *rows])
        learner = pyagrum.BNLearner(str(path), net, ["?"])
        learner.useEM(1e-3)
        learner.useSmoothingPrior(1)
        learned = learner.learnParameters(net.dag())
    strengths = []
    for cause, sign in layout.links:
        parents = {f"c{layout.links[link][0]}": 0 for link in layout.of_sign[sign]}
        none = learned.cpt(f"s{sign}")[{**parents, f"s{sign}": 0}]
        alone = learned.cpt(f"s{sign}")[{**parents, f"c{cause}": 1, f"s{sign}": 0}]
        strengths.append(min(max(1.0 - alone / max(none, 1e-9), 0.0), 1.0))
    return strengths


def main(arguments: list[str] | None = None) -> None:
    """Run every part."""
    parser = argparse.ArgumentParser(description="Learning strengths from generated sessions.")
    parser.add_argument("--logs", type=int, default=5000)
    parser.add_argument("--known", type=float, default=0.5, help="share of sessions whose outcome is known")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    shipped_base(options)
    small_net(options)


if __name__ == "__main__":
    main()
