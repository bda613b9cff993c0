"""How good the interview is: simulated clients answer it; the list it calls ready is held against that after all answers that can be given.

    python tests/bench/interview.py [--clients N] [--seed N] [--named P]

A client's causes are drawn from the priors and the signs from the links, so this tests the way of asking, not the rules. Every
client has at least one cause and one sign. The interview begins with what is seen: one sign, drawn at random, is the complaint, and
each other sign that meets the eye (`by: looking`) is named with the chance NAMED; the fitter then says that this is all that meets
the eye. Named signs count as no question. An alteration is unsafe where the full answers hold a sign by which the rules avoid it.

Beside it stand one question at a time, and the same with only the complaint named and nothing said of the rest.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from itertools import repeat
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Literal

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from reference import draw_client

from fitdiag.diagnosis.belief import Diagnosis, compile_network
from fitdiag.diagnosis.exact import Network, Posterior, TooWideError
from fitdiag.interview.engine import ON_A_SCREEN, Interview
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.plan import first_choice
from fitdiag.planning.questions import Choice, askable

NAMED = 0.9
_RESAMPLES = 2000
TODAY = "before this way of asking, by bits over all causes: 28 of 100 signs asked on average, first alteration the same in 0.78 of 60"


@dataclass(frozen=True)
class Client:
    """What is true of a client: every sign by id, the complaint, and how easily each other sign is named (below a chance)."""

    signs: dict[str, bool]
    complaint: str
    ease: dict[str, float]


@dataclass(frozen=True)
class Course:
    """One interview: questions until ready, changes of station, and what came of its first alteration."""

    questions: int
    changes: int
    same: bool
    unsafe: bool
    settled: float
    seconds: tuple[float, ...]


@cache
def rules() -> RuleBase:
    return load_rules()


def draw_clients(seed: int, network: Network, count: int) -> list[Client]:
    """So many clients; whoever's answers together are too many to weigh exactly is passed over."""
    rng, names, clients = random.Random(seed), list(rules().symptoms), list[Client]()
    while len(clients) < count:
        world, signs = draw_client(rng, network)
        try:
            Posterior(network, {n: (0.0, 1.0) if there else (1.0, 0.0) for n, there in enumerate(signs)})
        except TooWideError:
            continue
        if any(world) and any(signs):
            complaint = rng.choice([name for name, there in zip(names, signs, strict=True) if there])
            clients.append(
                Client(dict(zip(names, signs, strict=True)), complaint, {name: rng.random() for name in names})
            )
    return clients


def first_look(client: Client, chance: float) -> Findings:
    """What is named before the questions, the complaint first."""
    seen = [
        name
        for name, there in client.signs.items()
        if there and rules().symptoms[name].by == "looking" and client.ease[name] < chance and name != client.complaint
    ]
    named = {name: Finding(name, "yes", origin="volunteered") for name in (client.complaint, *seen)}
    return Findings(symptoms=named, looked=chance > 0)


def answer(client: Client, name: str) -> Finding:
    return Finding(name, "yes" if client.signs[name] else "no", origin="asked")


def hold(client: Client, chance: float, on_a_screen: int) -> Course:
    """One interview until it says that the list is ready, or that no question would tell."""
    base, findings = rules(), first_look(client, chance)
    everything = replace(
        findings, symptoms={**{name: answer(client, name) for name in client.signs}, **findings.symptoms}
    )
    left_out = {name for name in client.signs if not askable(base.symptoms[name], everything)} - set(findings.symptoms)
    everything = replace(
        everything, symptoms={name: one for name, one in everything.symptoms.items() if name not in left_out}
    )
    end = first_choice(Diagnosis(base, replace(everything, looked=False)))
    station = None
    asked = changes = 0
    seconds = []
    while True:
        start = perf_counter()
        choice = Choice(base, findings, Diagnosis(base, findings))
        place = None if choice.ready or choice.enough else choice.station(station, changes)
        if place is None:
            break
        screen = choice.here(place, on_a_screen)
        seconds.append(perf_counter() - start)
        changes += station is not None and place != station
        station = place
        asked += len(screen)
        findings = replace(findings, symptoms={**findings.symptoms, **{name: answer(client, name) for name in screen}})
    first = choice.first
    avoided = base.alterations[first].avoid_when if first else ()
    there = {finding.symptom for finding in everything.seen}
    unsafe = any(condition.symptom in there for condition in avoided if condition.symptom)
    return Course(asked, changes, first == end, unsafe, choice.settled, tuple(seconds))


def told(courses: Sequence[Course], name: str) -> None:
    """The figures of one way of asking, each with its goal where there is one."""
    asked = [course.questions for course in courses]
    same = np.array([course.same for course in courses], float)
    draws = np.random.default_rng(1).integers(len(same), size=(_RESAMPLES, len(same)))
    low, high = np.percentile(same[draws].mean(axis=1), (2.5, 97.5))
    settled = np.mean([course.settled for course in courses])
    changes = [course.changes for course in courses]
    unsafe = sum(course.unsafe for course in courses) / len(courses)
    print(f"\n{name}")
    print(f"questions until ready: median {median(asked):.0f} ({goal(median(asked), 12, 'at most')}), 90 % at most"
          f" {np.percentile(asked, 90):.0f} ({goal(float(np.percentile(asked, 90)), 18, 'at most')})")  # fmt: skip
    print(f"first alteration as after every answer: {100 * same.mean():.1f} % [{100 * low:.1f}, {100 * high:.1f}]"
          f" ({goal(float(same.mean()), 0.9, 'at least')}); by its own words {100 * settled:.0f} %")  # fmt: skip
    print(f"unsafe by the full answers: {100 * unsafe:.1f} % ({goal(unsafe, 0.01, 'at most')})")
    print(f"changes of station: median {median(changes):.0f}, most {max(changes)},"
          f" at most 5 in {100 * sum(one <= 5 for one in changes) / len(changes):.0f} %")  # fmt: skip
    waits = [one for course in courses for one in course.seconds]
    if waits:
        print(
            f"from an answer to the next screen: median {1e3 * median(waits):.0f} ms, worst {1e3 * max(waits):.0f} ms"
        )


def goal(value: float, limit: float, way: Literal["at least", "at most"]) -> str:
    """Whether a goal is met, in words."""
    met = value >= limit if way == "at least" else value <= limit
    return f"goal {way} {limit:g}: {'met' if met else 'NOT met'}"


def through_the_door(client: Client) -> int:
    """The same through the interview itself, with its log and its words: how many lines are typed until it ends."""
    talk = Interview(rules(), ({"event": "start"},), lambda event: event)
    for line in ("", "", client.complaint):
        talk.reply(line)
    while talk.expects_amount or talk.stage != "questions":
        talk.reply("")
    lines = 0
    talk.prompt()
    while not talk.finished:
        yes = [str(n) for n, name in enumerate(talk.screen, 1) if client.signs[name]]
        several = f"{' '.join(f'{n} yes' for n in yes)}, rest no" if yes else "no"
        talk.reply("" if talk.expects_amount else several if len(talk.screen) > 1 else "yes" if yes else "no")
        talk.prompt()
        lines += 1
    return lines


def main() -> None:
    """Draw clients, hold every interview, print what came out."""
    parser = argparse.ArgumentParser(description="Simulated interviews over the shipped rule base.")
    parser.add_argument("--clients", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--named", type=float, default=NAMED)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    start = perf_counter()
    clients = draw_clients(options.seed, compile_network(rules(), Findings()).network, options.clients)
    signs = np.mean([sum(client.signs.values()) for client in clients])
    print(f"{len(clients)} clients (seed {options.seed}), on average {signs:.1f} signs a client")
    ways = (
        (
            f"Stations of up to {ON_A_SCREEN}, what meets the eye named with {options.named:g}",
            options.named,
            ON_A_SCREEN,
        ),
        ("One question at a time", options.named, 1),
        ("The complaint alone, nothing said of the rest", 0.0, ON_A_SCREEN),
    )
    with ProcessPoolExecutor(options.workers) as pool:
        for name, chance, most in ways:
            told(list(pool.map(hold, clients, repeat(chance), repeat(most), chunksize=4)), name)
    print(f"\n{TODAY}")
    print(
        f"lines typed through the interview itself, complaint alone: {median(map(through_the_door, clients[:5])):.0f}"
    )
    print(f"({perf_counter() - start:.0f} s)")


if __name__ == "__main__":
    main()
