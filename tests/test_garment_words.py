"""A garment is data: no module but a garment's own names one of its pieces, seams, levels, signs, causes or alterations.

The words are read from the garments' files. A view of the body (front, side, back) is also a piece; it counts where it picks a
piece out. A module that still knows a garment stands in `STILL`, and leaves the list when it no longer does.
"""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import fitdiag
from fitdiag.knowledge.folders import garments, rules_for
from fitdiag.knowledge.load import load_rules

PACKAGE = Path(fitdiag.__file__).parent
VIEWS = frozenset(("front", "side", "back"))
PLAIN = frozenset(("curve", "rise"))  # also how an edge is drawn, and what grades do
BODY = "measures and shape of a body, whatever is worn on it"
STILL = {
    "plausible.py": BODY,
    "drape/body.py": BODY,
    "drape/figure.py": BODY,
    "drape/mesh.py": "where cloth is finer",
    "drape/muslin.py": BODY,
    "drape/panels.py": "which girths must go over the body, which level lines are drawn",
    "drape/picture.py": "the lines that are drawn",
    "drape/readings.py": "what is read off each line",
    "knowledge/findings.py": "the sign that one side alone answers",
    "pattern/blocks/__init__.py": "what is told of measures out of proportion",
    "planning/ease.py": "tables of ease go by the hip of the body",
    "planning/muslins.py": "measures of the body for a block",
    "cli/case.py": BODY,
    "cli/documents.py": BODY,
    "cli/review.py": BODY,
}  # fmt: skip


@cache
def words() -> tuple[frozenset[str], frozenset[str], frozenset[str]]:
    """What the garments call their pieces; their seams, corners, levels and heights; their signs, causes and alterations."""
    pieces, parts, rules = set(), set(), set()
    for name in garments():
        base = load_rules(rules_for(name))
        assert base.garment is not None
        pieces |= {piece.id for piece in base.garment.pieces}
        for shape in base.garment.shapes:
            parts |= {*shape.seams, *shape.corners}
        parts |= {level.id for level in (*base.garment.levels, *base.garment.heights)}
        rules |= {*base.symptoms, *base.causes, *base.alterations}
    return frozenset(pieces), frozenset(parts - VIEWS - PLAIN), frozenset(rules)


def named(path: Path) -> list[str]:
    """The words of a garment that stand in a module's texts (docstrings left out), with their lines."""
    pieces, parts, rules = words()
    nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    documents = {
        id(node.body[0].value)
        for node in nodes
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    texts = [node for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)]
    views = {id(node) for node in texts if node.value in pieces}
    picked = {id(node.slice) for node in nodes if isinstance(node, ast.Subscript)}
    picked |= {
        id(side)
        for node in nodes
        if isinstance(node, ast.Compare)
        for side in node.comparators
        if id(side) in views and "name" in ast.dump(node.left)
    }
    found = []
    for node in texts:
        if id(node) in documents:
            continue
        ids = set(re.findall(r"[a-z0-9]+(?:-[a-z0-9]+)+", str(node.value))) & rules
        if node.value in parts or ids or id(node) in picked & views:
            found.append(f"{node.lineno}: {str(node.value)[:60]}")
    return found


def modules() -> list[str]:
    """Every module but those of a garment's own, which bear its name."""
    return sorted(path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py") if path.stem not in garments())


def test_no_module_names_what_a_garment_is_made_of() -> None:
    """What a module needs to know of a garment stands in the garment's folder; the list of those that still know shrinks."""
    found = {module: words for module in modules() if (words := named(PACKAGE / module))}
    assert {} == {module: words for module, words in found.items() if module not in STILL}
    assert set() == {module for module in modules() if module in STILL} - set(found), (
        "no garment any more: out of STILL"
    )


def test_the_list_holds_modules_there_are() -> None:
    """A module that is gone, or is a garment's own, stands in no list."""
    assert set() == set(STILL) - set(modules())
