"""How well everyday words are understood: phrases written without sight of the rules' words, on the half not tuned on.

    python tests/bench/words.py [--half judge|tune] [--wrong]

A phrase is right first where the first rule offered is one that it means, among five where one of the first five is. It is silently
wrong where it is taken as the very name of a rule it does not mean: everything else is only offered. Goals: 75 %, 92 %, none.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import yaml

from fitdiag.interview.search import Kind, Words
from fitdiag.knowledge.load import load_rules

DATA = Path(__file__).resolve().parents[1] / "data"
SETS: dict[Kind, tuple[str, str]] = {
    "symptom": ("phrases-signs.yaml", "sign"),
    "body note": ("phrases-body.yaml", "body"),
    "alteration": ("phrases-alterations.yaml", "alteration"),
}


def meant(entry: dict[str, Any], key: str) -> set[str]:
    """The rules that a phrase means; none where it means no rule of the kind."""
    return set(entry.get("any_of", ())) or {entry[key]} if entry.get("any_of") or entry.get(key) else set()


def main() -> None:
    """Print the share that is right first, among five and silently wrong, for each kind."""
    parser = argparse.ArgumentParser(description="Everyday words against the rules.")
    parser.add_argument("--half", choices=("judge", "tune"), default="judge")
    parser.add_argument("--wrong", action="store_true", help="list what is not among five (tuning half only)")
    options = parser.parse_args()
    words = Words(load_rules())
    for kind, (name, key) in SETS.items():
        if not (DATA / name).exists():
            continue
        entries = [entry for entry in yaml.safe_load((DATA / name).read_text("utf-8")) if entry["half"] == options.half]
        counted = [entry for entry in entries if meant(entry, key)]
        found = [words.find(kind, entry["phrase"], 5) for entry in counted]
        first = sum(bool(ids) and ids[0] in meant(entry, key) for entry, ids in zip(counted, found, strict=True))
        five = sum(bool(meant(entry, key) & set(ids)) for entry, ids in zip(counted, found, strict=True))
        named = [words.own_name(kind, entry["phrase"]) for entry in entries]
        silent = sum(bool(own) and own not in meant(entry, key) for entry, own in zip(entries, named, strict=True))
        print(f"{kind}, {options.half} half: {len(counted)} phrases, right first {100 * first / len(counted):.0f} %"
              f" (goal 75), among five {100 * five / len(counted):.0f} % (goal 92), silently wrong {silent}")  # fmt: skip
        if options.wrong and options.half == "tune":
            for entry, ids in zip(counted, found, strict=True):
                if not meant(entry, key) & set(ids):
                    print("  ", entry["phrase"], sorted(meant(entry, key)), "->", ids)


if __name__ == "__main__":
    main()
