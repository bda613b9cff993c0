"""The plan of a case on simulated cloth: the muslin as it was sewn, and what the rounds teach about the simulated body."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from fitdiag.cli.diagnose import effects_of, pattern_in
from fitdiag.cli.output import say
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.stages import Simulation
from fitdiag.problems import ProblemsFoundError
from fitdiag.sessions.case_files import Case
from fitdiag.sessions.state import Conclusion

if TYPE_CHECKING:
    from fitdiag.knowledge.findings import Findings
    from fitdiag.pattern.piece import Pattern


def simulated_round(
    base: RuleBase, case: Case, conclusion: Conclusion
) -> tuple[Simulation | None, Mapping[str, float] | None]:
    """The plan on simulated cloth with pictures, and by how much its try-on moves parts of the body (mm; None: not known).

    No simulation, and the reason said, where there is none. From the second round on the muslin that was tried on was
    simulated before: how near it came is said, and the body is to be nudged for the rounds to come.
    """
    findings, pattern = conclusion.diagnosis.findings, pattern_in(base, case.pattern_file)
    if pattern is None or "hip" not in findings.body_measures or not conclusion.plan.recommendations:
        return None, None
    from fitdiag.cli.drape import simulated
    from fitdiag.sessions.case_body import nudges_of, together

    effects = effects_of(base, conclusion, pattern)
    try:
        sewn, number = _as_sewn(case, pattern), case.rounds[-1].number
        earlier = together(tuple(nudge for nudge in nudges_of(case) if nudge.round != number))
        solved = effects.solved if effects else None
        photos = sorted(case.rounds[-1].photos.glob("*.jpg"))
        found = simulated(base, conclusion, sewn, solved=solved, nudges=earlier, drawn=True, photos=photos)
        if number == 1 or not found.near:
            return replace(found, near=()), None
        moved = _taught(base, findings, sewn, earlier)
    except ProblemsFoundError as stopped:
        say(f"The plan was not shown on simulated cloth: {stopped.problems[0]}.")
        return None, None
    if moved:
        parts = "; ".join(f"{part.replace('-', ' ')} {mm:+.0f} mm" for part, mm in moved.items())
        told = f"For the next rounds the simulated body is moved a little: {parts}. `fitdiag case body NAME --take-back` takes it back."
        found = replace(found, near=(*found.near, told))
    return found, moved


def _taught(base: RuleBase, findings: Findings, sewn: Pattern, earlier: Mapping[str, float]) -> dict[str, float]:
    """By how much what came at this try-on moves parts of the body."""
    from fitdiag.cli.drape import Progress
    from fitdiag.planning.muslins import block_for, cloth_of, wearer_of
    from fitdiag.planning.nudges import nudge

    wearer = wearer_of(base, findings.body_measures, findings.body, findings.units, earlier)
    with Progress("Comparing with what came") as tell:
        block = block_for(wearer.figure, sewn)
        return nudge(base, findings, sewn, block, wearer.figure, cloth_of(base), earlier, tell)


def _as_sewn(case: Case, pattern: Pattern) -> Pattern:
    """The pattern of the muslin that is tried on now: with what was really done in the rounds of this case."""
    from fitdiag.pattern.moves import carry_out

    known = [(item.alteration, round(item.amount, 1)) for item in pattern.carried]
    for one in case.rounds:
        for item in one.done:
            if item.done and item.amount_mm and (item.alteration, round(item.amount_mm, 1)) not in known:
                pattern = carry_out(pattern, item.alteration, item.amount_mm).pattern
    return pattern


def case_body(name: str, given: str | None, *, back: bool) -> int:
    """What the rounds of a case taught about the simulated body; with `back` the last of it is taken back."""
    from fitdiag.cli.case_list import case_folder
    from fitdiag.sessions.case import alone, open_case
    from fitdiag.sessions.case_body import nudges_of, take_back

    case = open_case(case_folder(name, given))
    if back:
        with alone(case.folder):
            nudges = take_back(case)
    else:
        nudges = nudges_of(case)
    if not nudges:
        say("The simulated body is as the measures and notes make it.")
    for nudge in nudges:
        by = f"{'+' if nudge.mm > 0 else '-'}{abs(nudge.mm):g} mm"
        say(f"Round {nudge.round}: {nudge.part.replace('-', ' ')} {by}{', taken back' if back else ''}.")
    return 0
