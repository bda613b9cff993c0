"""How fast beliefs and the value of all open questions are, against pyAgrum in the same run on the same cases.

    python tests/bench/diagnosis.py [--cases N] [--seed N]

Single shots on both sides, taken in turn. Not timed: building our `Network` and pyAgrum's net, which both keep for a session.
A third of pyAgrum's time for the gains goes into the chance of each answer, which its engines give by a pass of its own.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from reference import ENGINES, OutOfMemoryError, Reference, draw_client, draw_network

from fitdiag.diagnosis.belief import compile_network
from fitdiag.diagnosis.exact import Evidence, Network, Posterior
from fitdiag.knowledge.findings import Findings
from fitdiag.knowledge.load import load_rules

LEAST_SIGNS, MOST_SIGNS = 4, 15
GOAL_POSTERIOR, GOAL_GAINS = 10.0, 200.0


@dataclass
class Times:
    """Seconds of every case; `inf` where memory ran out, which counts as slower than any time."""

    name: str
    seconds: list[float]

    def __str__(self) -> str:
        failed = self.seconds.count(inf)
        worst = max((value for value in self.seconds if value < inf), default=inf)
        note = f" ({failed} of {len(self.seconds)} cases out of memory)" if failed else ""
        return f"{self.name:<38}{1e3 * median(self.seconds):>10.3f}{1e3 * worst:>10.2f}{note}"


def draw_cases(rng: random.Random, network: Network, count: int) -> list[Evidence]:
    """Clients with 4 to 15 signs drawn from the network: all their signs, and as many answers "not seen"."""
    cases: list[Evidence] = []
    while len(cases) < count:
        _, signs = draw_client(rng, network)
        seen = [finding for finding, there in enumerate(signs) if there]
        if LEAST_SIGNS <= len(seen) <= MOST_SIGNS:
            absent = rng.sample([finding for finding, there in enumerate(signs) if not there], len(seen))
            cases.append({**dict.fromkeys(seen, (0.0, 1.0)), **dict.fromkeys(absent, (1.0, 0.0))})
    return cases


def timed(call: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds and the result of one call."""
    start = perf_counter()
    try:
        result = call()
    except OutOfMemoryError:
        return inf, None
    return perf_counter() - start, result


def compare(title: str, network: Network, cases: list[Evidence]) -> tuple[float, float]:
    """Print the table for one network; the two ratios that have goals: posterior, and posterior with all gains."""
    links = sum(map(len, network.links))
    widths = [Posterior(network, case).width for case in cases]
    print(f"\n{title}: {len(network.prior)} causes, {len(network.leak)} symptoms, {links} links;"
          f" {len(cases)} cases, width {median(widths):g}, at most {max(widths)}")  # fmt: skip
    print(f"{'':<38}{'median ms':>10}{'worst ms':>10}")
    engines = [(name, Reference(network, name)) for name in ENGINES[:2]]
    ours = Times("posterior, ours", [])
    theirs = [Times(f"posterior, {name}", []) for name, _ in engines]
    difference = 0.0
    Posterior(network, cases[0]).gains()  # everything has run once
    for case in cases:
        seconds, posterior = timed(lambda case=case: Posterior(network, case))
        ours.seconds.append(seconds)
        for times, (_, engine) in zip(theirs, engines, strict=True):
            seconds, expected = timed(lambda case=case, engine=engine: engine.probability(case))
            times.seconds.append(seconds)
            if expected is not None:
                pairs = zip(expected, posterior.probability, strict=True)
                difference = max(difference, *(abs(one - other) for one, other in pairs))
    fastest = min(range(len(engines)), key=lambda index: median(theirs[index].seconds))
    name, engine = engines[fastest]
    told = Times("posterior and gains, ours", [])
    general = Times(f"posterior and gains, {name}", [])
    bits = 0.0
    for case in cases:
        general.seconds.append((reply := timed(lambda case=case: engine.gains(case)))[0])
        seconds, gains = timed(lambda case=case: Posterior(network, case).gains())
        told.seconds.append(seconds)
        if reply[1] is not None:
            bits = max(bits, *(abs(gains[finding] - value) for finding, value in reply[1].items()))
    for times in (ours, *theirs, told, general):
        print(times)
    beliefs = median(theirs[fastest].seconds) / median(ours.seconds)
    questions = median(general.seconds) / median(told.seconds)
    print(f"posterior: {beliefs:.0f} times as fast as the fastest engine ({met(beliefs, GOAL_POSTERIOR)})")
    print(f"posterior and gains: {questions:.0f} times ({met(questions, GOAL_GAINS)})")
    print(f"largest difference: {difference:.1e} in a belief, {bits:.1e} bits in a gain")
    return beliefs, questions


def met(value: float, goal: float) -> str:
    """Whether a goal is met, in words."""
    return f"goal {goal:g}: {'met' if value >= goal else 'NOT met'}"


def main(arguments: list[str] | None = None) -> None:
    """Both sizes, one after the other."""
    parser = argparse.ArgumentParser(description="Speed of the exact diagnosis against a general-purpose library.")
    parser.add_argument("--cases", type=int, default=40)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    rng = random.Random(options.seed)
    shipped = compile_network(load_rules(), Findings()).network
    compare("The shipped rule base", shipped, draw_cases(rng, shipped, options.cases))
    drawn = draw_network(rng, 60, 90, 376)
    compare("A drawn network", drawn, draw_cases(rng, drawn, options.cases))


if __name__ == "__main__":
    main()
