"""Where rules are kept: the shipped folders, one per garment, and the one that garments share."""

from __future__ import annotations

import re
from pathlib import Path

from fitdiag.problems import one_line, stop

_SHARES = re.compile(rb"^shares: *([a-z0-9-]+)", re.MULTILINE)


def shipped(name: str) -> Path:
    """The shipped folder `rules` or `sample_sessions`: inside the wheel, or beside the package in a checkout."""
    package = Path(__file__).resolve().parent.parent
    inside = package / "data" / name
    return inside if inside.is_dir() else package.parent / name


def default_rules() -> Path:
    """The folder of rules used when no garment is named."""
    return shipped("rules") / "trousers"


def garments() -> list[str]:
    """The garments that rules ship for."""
    return sorted(one.name for one in shipped("rules").iterdir() if (one / "garment.yaml").exists())


def rules_for(garment: str) -> Path:
    """The shipped rules folder for a garment; the default for an empty name. Raises ProblemsFoundError if there is none."""
    if not garment:
        return default_rules()
    if garment not in (known := garments()):
        message = f"there are no rules for the garment '{one_line(garment, 40)}'"
        raise stop("garment", message, hint=f"there are rules for {', '.join(known)}")
    return shipped("rules") / garment


def shared_folder(folder: Path) -> Path | None:
    """The folder that the rules in `folder` share with others: its sibling, or the shipped one if there is no sibling.

    None if its `rulebase.yaml` names none. Raises OSError.
    """
    found = _SHARES.search((folder / "rulebase.yaml").read_bytes())
    if found is None:
        return None
    beside = folder.resolve().parent / found[1].decode()
    return beside if beside.is_dir() else shipped("rules") / found[1].decode()
