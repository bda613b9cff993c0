"""YAML files of the tests and rules as PyYAML reads them, so that what reads them for the program is not its own judge."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

Loader = getattr(yaml, "CSafeLoader", yaml.SafeLoader)  # libyaml, where it is there, takes a tenth of the time


def plain_yaml(path: Path) -> Any:
    """What a YAML file holds."""
    return yaml.load(path.read_text(encoding="utf-8"), Loader)
