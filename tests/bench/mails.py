"""How well plain mails are read: thirty of different temper, with what they say and what must not be read out of them.

    python tests/bench/mails.py [--half judge|tune] [--file FILE] [--each]

FILE: another set, a list of {mail, signs: [{ids, amount_mm, side}], denied}, which says nothing of body notes and earlier work.

Goals: 80 % of the signs found, at most one wrong proposal a mail. Nothing that is read counts before it is confirmed.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import yaml

from fitdiag.interview.mail import Proposal, read_mail
from fitdiag.interview.search import Words
from fitdiag.knowledge.load import load_rules
from fitdiag.knowledge.model import RuleBase

MAILS = Path(__file__).resolve().parents[1] / "data" / "mails"


def ids_of(entry: dict[str, Any]) -> set[str]:
    return set(entry.get("any_of", ())) or {entry["id"]}


def wrong(proposal: Proposal, mail: dict[str, Any]) -> bool:
    """Whether a proposal is neither said nor allowed."""
    key = {"symptom": "signs", "body note": "body", "alteration": "done"}[proposal.kind]
    seen = proposal.finding.seen if proposal.finding is not None else "yes"
    if any(proposal.id in ids_of(entry) and entry.get("seen", "yes") == seen for entry in mail[key]):
        return False
    plain = " ".join(proposal.sentence.split())
    for entry in mail.get("may", ()):
        allowed = not entry.get("ids") or proposal.id in entry["ids"]
        if allowed and (proposal.id in entry.get("ids", ()) or " ".join(entry["sentence"].split()) in plain):
            return False
    return True


def told(base: RuleBase, words: Words, mails: list[dict[str, Any]], *, each: bool) -> None:
    """The figures of a set that holds signs, their amounts and sides, and what is denied."""
    found = bad = denied = amounts = right = sides = right_sides = 0
    for mail in mails:
        read = {one.id: one for one in read_mail(base, words, mail["mail"], "in") if one.kind == "symptom"}
        missed = [entry["ids"] for entry in mail["signs"] if not read.keys() & set(entry["ids"])]
        faults = [one for one in read.values() if not any(one.id in entry["ids"] for entry in mail["signs"])]
        found += len(mail["signs"]) - len(missed)
        bad += len(faults)
        denied += sum(one.id in mail["denied"] for one in faults)
        for entry in (one for one in mail["signs"] if one["ids"] not in missed):
            finding = next(read[name].finding for name in entry["ids"] if name in read)
            assert finding is not None
            amounts, sides = amounts + (entry["amount_mm"] is not None), sides + (entry["side"] is not None)
            right += entry["amount_mm"] is not None and abs((finding.amount_mm or 0.0) - entry["amount_mm"]) < 1.0
            right_sides += entry["side"] is not None and finding.side == entry["side"]
        if each:
            print("\n" + mail["mail"], "\n    missed", missed)
            print("    wrong", [(one.id, one.sentence[:90]) for one in faults])
    said = sum(len(mail["signs"]) for mail in mails)
    print(f"{len(mails)} mails: signs found {found} of {said} ({100 * found / said:.0f} %, goal 80), wrong proposals"
          f" {bad / len(mails):.1f} a mail (goal 1), {denied} of them denied in the mail; amounts right {right} of {amounts},"
          f" sides {right_sides} of {sides}")  # fmt: skip


def main() -> None:
    """Print how many signs were found, how many proposals were wrong, and how many amounts and sides were right."""
    parser = argparse.ArgumentParser(description="Plain mails against what they say.")
    parser.add_argument("--half", choices=("judge", "tune"), default="judge")
    parser.add_argument("--each", action="store_true", help="list every mail (tuning half only)")
    parser.add_argument("--file", type=Path, help="another set of mails")
    options = parser.parse_args()
    base = load_rules()
    words = Words(base)
    if options.file:
        told(base, words, yaml.safe_load(options.file.read_text("utf-8")), each=options.each)
        return
    truth = yaml.safe_load((MAILS / "truth.yaml").read_text("utf-8"))
    said = found = amounts = right = bad = mails = bodies = body_found = 0
    for mail in (one for one in truth if one["half"] == options.half):
        mails += 1
        read = read_mail(base, words, (MAILS / mail["mail"]).read_text("utf-8"), mail["units"])
        signs = {one.id: one for one in read if one.kind == "symptom"}
        seen = [entry for entry in mail["signs"] if entry["seen"] == "yes"]
        missed = [entry for entry in seen if not ids_of(entry) & signs.keys()]
        said, found = said + len(seen), found + len(seen) - len(missed)
        bodies += len(mail["body"])
        body_found += sum(bool(ids_of(entry) & {one.id for one in read}) for entry in mail["body"])
        for entry in (one for one in seen if "amount" in one and one not in missed):
            finding = next(signs[name].finding for name in ids_of(entry) if name in signs)
            amounts += 1
            right += finding is not None and abs((finding.amount_mm or 0.0) - entry["amount"]) < 1.0
        faults = [one for one in read if wrong(one, mail)]
        bad += len(faults)
        if options.each and options.half == "tune":
            print(mail["mail"], "missed", [(ids_of(one), one["sentence"]) for one in missed])
            print("    wrong", [(one.id, one.sentence[:90]) for one in faults])
    print(f"{mails} mails, {options.half} half: signs found {found} of {said} ({100 * found / said:.0f} %, goal 80), wrong proposals"
          f" {bad / mails:.1f} a mail (goal 1), amounts right {right} of {amounts}, body notes found {body_found} of {bodies}")  # fmt: skip


if __name__ == "__main__":
    main()
