"""How good the interview is: simulated clients answer, and orders of questions are compared.

    python tests/bench/interview.py [--clients N] [--seed N]

A client's causes are drawn from the priors and the signs from the links, so this tests the way of asking, not the rules; what
rules that are somewhat wrong cost is measured with every link one word off. Every client has at least one cause and one sign.
The interview begins with "What do you see?": one sign, drawn at random, is the complaint, and each other sign that meets the
eye (`by: looking`) is named with the chance NAMED, whatever brought it about. How far that matters is printed with other
chances, down to a complaint alone. Named signs count as no question. A first cause
that is never found counts as all questions. The "set" of causes is every one above one half; "all right" means just the true
ones, which is hard where a client has many; the overlap is told beside it.

Last comes a calmer wardrobe: half as many causes, and half as many signs that no cause brings about. It is no tuning of the
rules but tells what the figures owe to how much is the matter with a client. (Both are halved together, so that a cause with
one sign is believed as much as before.)
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from time import perf_counter
from typing import Literal

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from reference import draw_client

from fitdiag.diagnosis.belief import Diagnosis, compile_network
from fitdiag.diagnosis.exact import Evidence, Network, Posterior, TooWideError
from fitdiag.interview.engine import Interview
from fitdiag.knowledge.findings import Finding, Findings
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase

SURE = 0.9
NAMED = 0.5
_CHANCES = (0.0, 0.25, 0.75)
_STRIDE = 4  # orders without a look at worth: the stop is looked for at every fourth question, then between them
_LATENCY_CLIENTS = 12
_RESAMPLES = 2000


@dataclass(frozen=True)
class Client:
    """What is true of a client: causes, every sign, the complaint, and how easily each other sign is named (below a chance)."""

    causes: frozenset[int]
    signs: Sequence[bool]
    complaint: int
    ease: Sequence[float]


@dataclass(frozen=True)
class Course:
    """One interview: questions to the first cause found and to the stop, and what was believed at the stop."""

    found: int
    stop: int
    top_right: bool
    set_right: bool
    hits: float


@dataclass(frozen=True)
class Wardrobe:
    """A rule base and its network without body notes; what the program believes, which need not be true."""

    base: RuleBase
    network: Network
    symptoms: tuple[str, ...]

    @classmethod
    def of(cls, base: RuleBase) -> Wardrobe:
        """The network of a base."""
        compiled = compile_network(base, Findings())
        return cls(base, compiled.network, compiled.symptoms)

    def first_look(self, client: Client, chance: float) -> tuple[tuple[int, ...], Findings]:
        """What is named before the questions, the complaint first; as indexes and as findings."""
        named = [
            sign
            for sign, there in enumerate(client.signs)
            if there
            and sign != client.complaint
            and self.base.symptoms[self.symptoms[sign]].by == "looking"
            and client.ease[sign] < chance
        ]
        findings = Findings()
        for sign in (client.complaint, *named):
            findings = findings.with_finding(Finding(self.symptoms[sign], "yes", origin="volunteered"))
        return (client.complaint, *named), findings

    def everything(self, client: Client, chance: float = NAMED) -> Posterior:
        """What is believed when every symptom has been answered."""
        network = compile_network(self.base, self.first_look(client, chance)[1]).network
        return Posterior(network, dict(enumerate(map(_pair, client.signs))))


def draw_clients(rng: random.Random, network: Network, count: int) -> tuple[list[Client], int]:
    """So many clients, and how many were left out because all their answers together are too many to weigh exactly."""
    clients: list[Client] = []
    left_out = 0
    while len(clients) < count:
        world, signs = draw_client(rng, network)
        if not any(world) or not any(signs):
            continue
        try:
            Posterior(network, dict(enumerate(map(_pair, signs))))
        except TooWideError:
            left_out += 1
            continue
        complaint = rng.choice([finding for finding, there in enumerate(signs) if there])
        causes = frozenset(cause for cause, there in enumerate(world) if there)
        clients.append(Client(causes, signs, complaint, [rng.random() for _ in signs]))
    return clients, left_out


def _pair(there: bool) -> tuple[float, float]:
    return (0.0, 1.0) if there else (1.0, 0.0)


def judge(posterior: Posterior, client: Client) -> tuple[bool, bool, float]:
    """Whether the top cause is true, whether the causes above one half are just the true ones, and how alike the two sets are."""
    top = max(range(len(posterior.probability)), key=posterior.probability.__getitem__)
    believed = {cause for cause, probability in enumerate(posterior.probability) if probability > 0.5}
    alike = len(believed & client.causes) / len(believed | client.causes)
    return top in client.causes, believed == client.causes, alike


def first_found(posterior: Posterior, client: Client) -> bool:
    """Whether the top cause is nearly sure, and true."""
    top = max(range(len(posterior.probability)), key=posterior.probability.__getitem__)
    return posterior.probability[top] > SURE and top in client.causes


def by_worth(wardrobe: Wardrobe, client: Client, chance: float = NAMED) -> Course:
    """The program's own interview; for `found` it goes on after its stop, like the orders it is compared with."""
    base, symptoms = wardrobe.base, wardrobe.symptoms
    row = {symptom: index for index, symptom in enumerate(symptoms)}
    named, findings = wardrobe.first_look(client, chance)
    symptom = symptoms[named[-1]]
    everything = len(symptoms) - len(named)
    found = stop = None
    verdict = (False, False, 0.0)
    for asked in range(everything + 1):
        diagnosis = Diagnosis(base, findings)
        view = base.symptoms[symptom].views[0]
        if found is None and first_found(diagnosis.posterior, client):
            found = asked
        question = diagnosis.next_question(view, arrays=True)
        if stop is None and question is None:
            stop, verdict = asked, judge(diagnosis.posterior, client)
        open_ones = diagnosis.questions(view, arrays=True)
        if stop is not None and (found is not None or not open_ones):
            break
        symptom = (question or open_ones[0]).symptom
        findings = findings.with_finding(
            Finding(symptom, "yes" if client.signs[row[symptom]] else "no", origin="asked")
        )
    return Course(everything if found is None else found, everything if stop is None else stop, *verdict)


def by_list(wardrobe: Wardrobe, client: Client, order: Sequence[int]) -> Course:
    """An interview that asks in a set order and stops by the same rule."""
    named, findings = wardrobe.first_look(client, NAMED)
    network = compile_network(wardrobe.base, findings).network
    order = [finding for finding in order if finding not in named]

    def after(questions: int) -> Posterior:
        evidence: Evidence = {finding: _pair(client.signs[finding]) for finding in [*named, *order[:questions]]}
        return Posterior(network, evidence)

    found = stop = None
    for asked in range(len(order) + 1):
        posterior = after(asked)
        if found is None and first_found(posterior, client):
            found = asked
        if stop is None and asked % _STRIDE == 0 and not _worth_asking(wardrobe, posterior):
            stop = next(
                (
                    early
                    for early in range(max(0, asked - _STRIDE + 1), asked)
                    if not _worth_asking(wardrobe, after(early))
                ),
                asked,
            )
        if found is not None and stop is not None:
            break
    stop = len(order) if stop is None else stop
    return Course(len(order) if found is None else found, stop, *judge(after(stop), client))


def _worth_asking(wardrobe: Wardrobe, posterior: Posterior) -> bool:
    """Whether any open question is worth its cost, the fitter already standing in the right place."""
    base = wardrobe.base
    cost = base.words.cost.words
    worth = (
        gain / cost[base.symptoms[wardrobe.symptoms[finding]].by]
        for finding, gain in posterior.gains(arrays=True).items()
    )
    return max(worth, default=0.0) >= base.setting("stop_below_bits")


def checklist(wardrobe: Wardrobe, client: Client) -> list[int]:
    """The signs that show in the complaint's view, then the others, both in the order of the files."""
    symptoms = [wardrobe.base.symptoms[symptom] for symptom in wardrobe.symptoms]
    view = symptoms[client.complaint].views[0]
    return sorted(range(len(symptoms)), key=lambda finding: view not in symptoms[finding].views)


def with_wrong_strengths(base: RuleBase, rng: random.Random) -> RuleBase:
    """The same rules with each link's "how often" one word off, up or down by chance (at the ends the only way there is)."""
    words = sorted(base.words.how_often.words, key=base.words.how_often.words.__getitem__)

    def off_by_one(word: str) -> str:
        place = words.index(word)
        near = [words[other] for other in (place - 1, place + 1) if 0 <= other < len(words)]
        return rng.choice(near)

    causes = {
        cause.id: cause.model_copy(
            update={
                "shows": tuple(
                    link.model_copy(update={"how_often": off_by_one(link.how_often)}) for link in cause.shows
                )
            }
        )
        for cause in base.causes.values()
    }
    return replace(base, causes=causes)


def stopping_below(base: RuleBase, bits: float) -> RuleBase:
    """The same rules with another limit of the worth from which a question is asked."""
    return with_words(base, "settings", {"stop_below_bits": bits})


def calmer(base: RuleBase) -> RuleBase:
    """The same rules where every cause, and every sign that no cause brings about, is half as common."""
    for table in ("base_rate", "seen_anyway"):
        base = with_words(base, table, {word: rate / 2 for word, rate in getattr(base.words, table).words.items()})
    return base


def with_words(base: RuleBase, table: str, words: Mapping[str, float]) -> RuleBase:
    """The same rules with other numbers for some words."""
    old = getattr(base.words, table)
    changed = old.model_copy(update={"words": {**old.words, **words}})
    return replace(base, words=base.words.model_copy(update={table: changed}))


def interval(
    rng: np.random.Generator, statistic: Callable[[np.ndarray], float], count: int
) -> tuple[float, float, float]:
    """A statistic of the clients (given as indexes) and its 95 % bootstrap interval over clients."""
    draws = sorted(statistic(rng.integers(count, size=count)) for _ in range(_RESAMPLES))
    return statistic(np.arange(count)), draws[int(0.025 * _RESAMPLES)], draws[int(0.975 * _RESAMPLES) - 1]


def told(numbers: tuple[float, float, float], digits: int = 1) -> str:
    """A number with its interval."""
    value, low, high = numbers
    return f"{value:.{digits}f} [{low:.{digits}f}, {high:.{digits}f}]"


def goal(value: float, limit: float, way: Literal["at least", "at most"]) -> str:
    """Whether a goal is met, in words."""
    met = value >= limit if way == "at least" else value <= limit
    return f"goal {way} {limit:g}: {'met' if met else 'NOT met'}"


def short(wardrobe: Wardrobe, clients: Sequence[Client], chance: float = NAMED) -> str:
    """The figures of the program's own interview in one line."""
    held = [by_worth(wardrobe, client, chance) for client in clients]
    best = np.array([judge(wardrobe.everything(client, chance), client) for client in clients], float).mean(axis=0)
    top, whole, alike = np.array([(one.top_right, one.set_right, one.hits) for one in held], float).mean(axis=0)
    asked = np.mean([one.stop for one in held]) / len(wardrobe.symptoms)
    return (
        f"{100 * asked:.1f} % asked, top right {100 * top:.1f} % ({100 * best[0]:.1f} %),"
        f" all right {100 * whole:.1f} % ({100 * best[1]:.1f} %), {100 * whole / max(1e-9, best[1]):.0f} % of everything,"
        f" overlap {100 * alike / max(1e-9, best[2]):.0f} % of everything"
    )


def latency(base: RuleBase, symptoms: Sequence[str], clients: Sequence[Client]) -> list[float]:
    """Seconds from an answer to the next question, in the real interview: log, beliefs, plan, choice and its text."""
    row = {symptom: index for index, symptom in enumerate(symptoms)}
    seconds = []
    for client in clients:
        interview = Interview(base, ({"event": "start"},), lambda event: event)
        while interview.stage != "seen":
            interview.reply("")
        interview.reply(symptoms[client.complaint])
        while interview.stage != "questions":
            interview.reply("")
        interview.prompt()
        while not interview.finished:
            assert interview.asking is not None
            there = client.signs[row[interview.asking]]
            start = perf_counter()
            interview.reply("yes" if there else "no")
            if interview.expects_amount:
                interview.reply("")
            interview.prompt()
            seconds.append(perf_counter() - start)
    return seconds


def main(arguments: list[str] | None = None) -> None:
    """Draw clients, hold every interview in every order, print what came out."""
    parser = argparse.ArgumentParser(description="Simulated interviews over the shipped rule base.")
    parser.add_argument("--clients", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--stops", type=float, nargs="*", default=[], help="try other values of stop_below_bits, too")
    options = parser.parse_args(arguments)
    start = perf_counter()
    rng = random.Random(options.seed)
    base = load_rules()
    true = Wardrobe.of(base)
    clients, left_out = draw_clients(rng, true.network, options.clients)
    count, symptoms = len(clients), len(true.symptoms)
    signs = np.mean([sum(client.signs) for client in clients])
    causes = np.mean([len(client.causes) for client in clients])
    print(f"{count} clients (seed {options.seed}), {len(true.network.prior)} causes, {symptoms} symptoms;"
          f" on average {causes:.1f} causes and {signs:.1f} signs a client")  # fmt: skip
    if left_out:
        print(f"{left_out} more were drawn and left out: with all answers given, too many signs hang together")
    fixed = list(range(symptoms))
    courses: Mapping[str, list[Course]] = {
        "by worth": [by_worth(true, client) for client in clients],
        "checklist": [by_list(true, client, checklist(true, client)) for client in clients],
        "fixed order": [by_list(true, client, fixed) for client in clients],
        "random": [by_list(true, client, rng.sample(fixed, symptoms)) for client in clients],
    }
    boot = np.random.default_rng(options.seed)
    print(
        f"\n{'questions':<14}{'to the first cause found: mean':<34}{'median':>8}{'90th':>6}   {'to the stop: mean':<22}"
    )
    column = {name: np.array([course.found for course in held], float) for name, held in courses.items()}
    stops = {name: np.array([course.stop for course in held], float) for name, held in courses.items()}
    for name, found in column.items():
        mean = told(interval(boot, lambda pick, found=found: float(found[pick].mean()), count))
        stop = told(interval(boot, lambda pick, stop=stops[name]: float(stop[pick].mean()), count))
        print(f"{name:<14}{mean:<34}{np.median(found):>8.0f}{np.percentile(found, 90):>6.0f}   {stop:<22}")
    for name in ("checklist", "fixed order", "random"):
        ratio = interval(
            boot, lambda pick, name=name: float(column[name][pick].mean() / column["by worth"][pick].mean()), count
        )
        note = f" ({goal(ratio[0], 1.7, 'at least')})" if name == "fixed order" else ""
        print(f"{name} needs {told(ratio, 2)} times as many questions to the first cause found{note}")

    everything = [judge(true.everything(client), client) for client in clients]
    asked = courses["by worth"]
    top = np.array([course.top_right for course in asked], float)
    whole = np.array([course.set_right for course in asked], float)
    hits = np.array([course.hits for course in asked], float)
    best_top, best_whole, best_hits = np.array(everything, float).T
    share = stops["by worth"] / symptoms
    print("\nBy worth, at the stop (and with everything answered)")
    right = interval(boot, lambda pick: 100 * float(top[pick].mean()), count)
    print(f"top cause right: {told(right)} % ({100 * best_top.mean():.1f} %) ({goal(right[0], 90, 'at least')})")
    sets = interval(boot, lambda pick: 100 * float(whole[pick].sum() / max(1.0, best_whole[pick].sum())), count)
    print(f"all causes right, none besides: {100 * whole.mean():.1f} % ({100 * best_whole.mean():.1f} %),"
          f" {told(sets)} % of what everything gives ({goal(sets[0], 90, 'at least')})")  # fmt: skip
    overlap = interval(boot, lambda pick: 100 * float(hits[pick].sum() / max(1e-9, best_hits[pick].sum())), count)
    print(
        f"overlap of believed and true causes (Jaccard): {hits.mean():.2f} ({best_hits.mean():.2f}), {told(overlap)} %"
    )
    part = interval(boot, lambda pick: 100 * float(share[pick].mean()), count)
    print(f"share of symptoms asked: {told(part)} % ({goal(part[0], 30, 'at most')})")

    print(
        f"\n{'causes a client has':<22}{'clients':>8}{'asked':>8}{'top right':>11}{'all right':>11}{'(everything)':>14}"
    )
    truly = np.array([len(client.causes) for client in clients])
    for name, low, high in (("one or two", 1, 2), ("three or four", 3, 4), ("five and more", 5, 99)):
        pick = (truly >= low) & (truly <= high)
        if pick.any():
            print(f"{name:<22}{pick.sum():>8}{stops['by worth'][pick].mean():>8.1f}{100 * top[pick].mean():>9.0f} %"
                  f"{100 * whole[pick].mean():>9.0f} %{100 * best_whole[pick].mean():>12.0f} %")  # fmt: skip

    print("\nWhen the fitter names more or less unasked")
    for chance in _CHANCES:
        print(f"{f'each with {chance:g}' if chance else 'the complaint alone':<22}{short(true, clients, chance)}")
    for least in options.stops:
        print(f"{f'stop below {least:g} bits':<22}{short(Wardrobe.of(stopping_below(base, least)), clients)}")
    calm = Wardrobe.of(calmer(base))
    calm_clients, _ = draw_clients(random.Random(options.seed), calm.network, options.clients)
    print(f"A calmer wardrobe: on average {np.mean([len(client.causes) for client in calm_clients]):.1f} causes"
          f" and {np.mean([sum(client.signs) for client in calm_clients]):.1f} signs a client")  # fmt: skip
    print(f"{'':<22}{short(calm, calm_clients)}")
    for least in options.stops:
        print(f"{f'stop below {least:g} bits':<22}{short(Wardrobe.of(stopping_below(calm.base, least)), calm_clients)}")

    wrong = [by_worth(Wardrobe.of(with_wrong_strengths(base, rng)), client) for client in clients]
    wrong_top = np.array([course.top_right for course in wrong], float)
    cost = interval(boot, lambda pick: 100 * float((top - wrong_top)[pick].mean()), count)
    print("\nEvery link one word off in the program's rules, drawn anew for every client")
    print(f"top cause right: {100 * wrong_top.mean():.1f} %, cost {told(cost)} points ({goal(cost[0], 12, 'at most')})")

    seconds = latency(base, true.symptoms, clients[:_LATENCY_CLIENTS])[1:]  # the first one loads numpy
    print(f"\nFrom an answer to the next question: median {1e3 * median(seconds):.1f} ms, worst {1e3 * max(seconds):.1f} ms"
          f" of {len(seconds)}")  # fmt: skip
    print(f"({perf_counter() - start:.0f} s)")


if __name__ == "__main__":
    main()
