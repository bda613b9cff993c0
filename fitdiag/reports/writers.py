"""The writers: plain text, Markdown, CSV and JSON from one report.

Text from outside (a client's name, a note) stays text everywhere: Markdown signs are escaped, a spreadsheet cell that would
be read as a formula gets a leading apostrophe, control characters never reach a terminal.
"""

from __future__ import annotations

import csv
import io
import json
import re
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from fitdiag.diagnosis.joint import CauseExtent
from fitdiag.knowledge.model import RuleBase
from fitdiag.planning.plan import SIDE_WORDS, Recommendation
from fitdiag.planning.stages import HONEST, Effects, Simulation, Stage
from fitdiag.problems import one_line
from fitdiag.reports.report import Report, Section, cautions, for_one_screen

DIAGNOSIS_SCHEMA = "fitdiag.diagnosis/1"


def as_text(report: Report, width: int = 80) -> str:
    """Plain text, wrapped to `width`, fit for a screen reader: no boxes, no colour, no columns."""
    lines = textwrap.wrap(one_line(report.title), width)
    lines += ["=" * max(len(line) for line in lines), ""]
    for section in report.sections:
        _text_section(section, 0, width, lines)
    return "\n".join(lines).rstrip() + "\n"


MORE = "Why, what was found and what to leave alone: {}."
TRY_FIRST = " Try each change with basting or pins before you cut."


def on_screen(report: Report, width: int = 80, *, full: bool = False, more: str = "--full") -> str:
    """The list alone, for one screen, with what was asked for besides; `full`: all of the report; `more`: what shows it."""
    if full:
        return as_text(report, width)
    advice = TRY_FIRST if report.plan.recommendations else ""
    last = "\n".join(textwrap.wrap(MORE.format(more) + advice, width))
    return f"{as_text(replace(report, sections=for_one_screen(report)), width)}\n{last}\n"


def _text_section(section: Section, depth: int, width: int, lines: list[str]) -> None:
    def wrapped(text: str, first: str, then: str) -> list[str]:
        return textwrap.wrap(text, width, initial_indent=first, subsequent_indent=then, break_long_words=False)

    title = one_line(section.title, 200)
    if depth == 0:
        lines += [title, "-" * min(width, len(title))]
    else:
        lines += wrapped(title, "", "   ")
    pad = "  " * depth
    for part in section.parts:
        if isinstance(part, Section):
            _text_section(part, depth + 1, width, lines)
            continue
        if isinstance(part, str):
            lines += wrapped(one_line(part, 2000), pad, pad)
            continue
        if part.title:
            lines.append(f"{pad}{part.title}:")
        for number, item in part.counted:
            mark = f"{number}. " if part.numbered else "- "
            indent = pad + ("  " if part.title else "")
            lines += wrapped(one_line(item, 2000), indent + mark, indent + " " * len(mark))
    if not lines or lines[-1]:
        lines.append("")


_MARKDOWN_SIGNS = re.compile(r"([\\`*_{}\[\]<>#|~&]|(?<=www)\.|:(?=//)|@)")


def escape_markdown(text: str) -> str:
    """Text that Markdown shows as it is, on one line. Also breaks what some readers turn into a link by themselves.

    >>> escape_markdown("<b>*lamp*</b>")
    '\\\\<b\\\\>\\\\*lamp\\\\*\\\\</b\\\\>'
    """
    escaped = _in_a_heading(text)
    return re.sub(r"^(\d+)([.)])|^([-+=])", lambda m: f"{m[1]}\\{m[2]}" if m[1] else f"\\{m[3]}", escaped)


def _in_a_heading(text: str) -> str:
    """The same behind a mark of its own, where a number and a full stop begin no list."""
    return _MARKDOWN_SIGNS.sub(r"\\\1", one_line(text, 2000))


def as_markdown(report: Report) -> str:
    """Markdown (CommonMark 0.31) with headings and lists."""
    lines = [f"# {escape_markdown(report.title)}", ""]
    for section in report.sections:
        _markdown_section(section, 2, lines)
    return "\n".join(lines).rstrip() + "\n"


def _markdown_section(section: Section, level: int, lines: list[str]) -> None:
    lines += [f"{'#' * level} {_in_a_heading(section.title)}", ""]
    for part in section.parts:
        if isinstance(part, Section):
            _markdown_section(part, level + 1, lines)
        elif isinstance(part, str):
            lines += [escape_markdown(part), ""]
        else:
            lines += [f"**{escape_markdown(part.title)}**", ""] if part.title else []
            # Markdown counts an ordered list on by itself, so other numbers stand in the text of a plain one
            in_order = part.numbered and all(number == place for place, (number, _) in enumerate(part.counted, 1))
            for number, item in part.counted:
                mark, text = (f"{number}.", item) if in_order else ("-", f"{number}. {item}" if part.numbered else item)
                lines.append(f"{mark} {escape_markdown(text)}")
            lines.append("")


COLUMNS = ("kind", "rank", "alteration", "title", "amount", "amount_mm", "side", "only_if", "because", "check_next", "where", "hinge",
           "on_the_cloth", "on_the_paper", "true_up")  # fmt: skip


def cell(value: object) -> str:
    """A spreadsheet cell: a number, or text that stays text whatever it starts with.

    See OWASP, "CSV Injection": = + - @ and control characters.
    """
    if isinstance(value, (int, float)):
        return str(value)
    # where the semicolon separates cells, a new one begins after it
    text = re.sub(r"(?<=[;|])(?=[=+\-@])", " ", one_line(value, 4000))
    return "'" + text if text[:1] in ("=", "+", "-", "@", "'", "|", "%") else text


def as_csv(report: Report) -> str:
    """One row per alteration: done this round (one for each side that gets an amount of its own), left alone, later.

    RFC 4180, UTF-8 with a byte-order mark.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    writer.writerow(COLUMNS)

    def put(**values: object) -> None:
        writer.writerow([cell(values.get(column, "")) for column in COLUMNS])

    for item in report.plan.recommendations:
        rule = report.base.alterations[item.alteration]
        for side, mm in item.cuts():
            put(
                kind="this round", rank=item.rank, alteration=rule.id, title=item.title, amount=item.amount.text,
                amount_mm=round(mm, 2), side=SIDE_WORDS[side if item.where == "each" and side else item.where],
                only_if=item.only_if or "", because=" ".join(item.because), check_next=" ".join(rule.check_next),
                where=rule.operation.cut, hinge=rule.operation.hinge,
                on_the_cloth=" ".join(f"{number}. {step}" for number, step in enumerate(rule.cloth, 1)),
                on_the_paper=" ".join(f"{number}. {step}" for number, step in enumerate(rule.paper, 1)),
                true_up=" ".join(rule.true_up),
            )  # fmt: skip
    for kind, named in (("leave alone", report.plan.leave_alone), ("later", report.plan.later)):
        for other in named:
            rule = report.base.alterations[other.alteration]
            put(kind=kind, alteration=rule.id, title=rule.title, because=" ".join(other.because))
    if report.client:
        put(kind="client", title=report.client)
    for caution in cautions(report.base, report.plan):
        put(kind="caution", title=caution)
    return "\ufeff" + buffer.getvalue()


def as_data(report: Report) -> dict[str, Any]:
    """The diagnosis as one JSON object of schema fitdiag.diagnosis/1; lengths in mm where the name says so."""
    base, diagnosis, plan = report.base, report.conclusion.diagnosis, report.plan
    extents = diagnosis.extents
    return {
        "schema": DIAGNOSIS_SCHEMA, "garment": base.about.garment, "rules": base.fingerprint,
        "client": one_line(report.client), "units": diagnosis.findings.units, "verdict": plan.verdict,
        "causes": [
            {
                "id": belief.cause, "title": base.causes[belief.cause].title, "probability": belief.probability,
                "spoken_of": belief.cause in diagnosis.touched,
                "listed": belief in diagnosis.likely or belief in diagnosis.not_ruled_out,
                **_extent_data(extents.get(belief.cause)),
                "because": [reason.speaks for reason in belief.because],
                "against": [reason.speaks for reason in belief.against],
            }
            for belief in diagnosis.beliefs
        ],
        "recommendations": [_recommendation_data(base, item) for item in plan.recommendations],
        "signs": [_picked(item, "symptom", "ending", "by", "text") for item in plan.closings],
        "does_not_go_together": [_picked(item, "kind", "one", "other", "text") for item in report.conclusion.contradictions],
        "leave_alone": [_picked(item, "alteration", "because") for item in plan.leave_alone],
        "may_stay": list(plan.may_stay), "later": [_picked(item, "alteration", "because") for item in plan.later],
        **({"on_pattern": effects_data(report.on_pattern)} if report.on_pattern else {}),
        **({"simulated": simulation_data(report.simulated)} if report.simulated else {}),
        "next_question": (
            {"symptom": report.next_question.symptom, "gain_bits": round(report.next_question.gain_bits, 6)}
            if report.next_question
            else None
        ),
    }  # fmt: skip


def _recommendation_data(base: RuleBase, item: Recommendation) -> dict[str, Any]:
    rule, amount = base.alterations[item.alteration], item.amount
    return {
        **_picked(item, "rank", "alteration", "title"), "amount_mm": round(amount.signed_mm, 3),
        "amount_error_mm": _figure(amount.error_mm),
        "amount_told_by": list(amount.rests_on),
        **({"left_mm": amount.left_mm, "right_mm": amount.right_mm} if amount.left_mm is not None else {}),
        **({"gives_back": amount.gives_back.alteration} if amount.gives_back is not None else {}),
        **({"amount_extra": amount.extra} if amount.extra else {}), "amount": amount.text, "amount_basis": amount.basis,
        "remainder_mm": round(amount.remainder_mm, 3), **_picked(item, "side", "causes"),
        "hinge": rule.operation.hinge, **_picked(item, "because", "against", "only_if", "only_if_symptom"),
        **_picked(rule, "cloth", "paper", "true_up", "check_next"),
    }  # fmt: skip


def _picked(item: object, *names: str) -> dict[str, Any]:
    """Some attributes of a value, by name."""
    found = {name: getattr(item, name) for name in names}
    return {name: list(value) if isinstance(value, tuple) else value for name, value in found.items()}


def _rounded(lengths: Mapping[str, float]) -> dict[str, float]:
    return {name: round(value, 3) for name, value in lengths.items()}


def _figure(mm: float | None) -> float | None:
    """A length in mm without the noise of arithmetic in inches, so that it can be typed again."""
    return None if mm is None else round(mm, 3)


def _extent_data(extent: CauseExtent | None) -> dict[str, Any]:
    """The extent of a cause, if readings give one."""
    if extent is None:
        return {}
    return {
        "extent_mm": round(extent.mean_mm, 2),
        "extent_error_mm": round(extent.error_mm, 2),
        "extent_told_by": list(extent.rests_on),
    }


def effects_data(found: Effects) -> dict[str, Any]:
    """What a plan does to the pattern, lengths in mm."""

    def rows(stages: tuple[Stage, ...]) -> list[dict[str, Any]]:
        return [
            {"after": stage.name, "amount_mm": _figure(stage.amount), "measures_mm": _rounded(stage.measures)}
            for stage in stages
        ]

    return {
        "grade": found.grade,
        "stages": rows(found.stages),
        "history": rows(found.history),
        "solved_mm": _rounded(found.solved),
        "warnings": list(found.warnings),
    }


def simulation_data(found: Simulation) -> dict[str, Any]:
    """What simulated cloth shows of a plan; the units of the readings are those of `fitdiag drape --json`."""
    return {
        "grade": "simulated", "limits": HONEST, "body": list(found.body), "cloth": found.cloth,
        "block": _rounded(found.block),
        "stages": [
            {
                "after": stage.alteration, "amount_mm": _figure(stage.amount), "readings": _rounded(stage.readings),
                "two_dressings_differ": _rounded(stage.apart), "told": list(stage.changes),
            }
            for stage in found.stages
        ],
        "warnings": list(found.warnings), "near": list(found.near),
    }  # fmt: skip


def as_json(report: Report) -> str:
    """`as_data` as text."""
    return json.dumps(as_data(report), ensure_ascii=False, indent=2) + "\n"


WRITERS: Mapping[str, Callable[[Report], str]] = {
    ".md": as_markdown, ".csv": as_csv, ".json": as_json, ".txt": as_text,
}  # fmt: skip
PAGES = (".html", ".pdf")  # written by `reports.sheet` and `reports.client_pdf`
