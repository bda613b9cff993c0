"""A second maker of pictures of trouser muslins, with exact truth, written without a look at the first.

    import second_scene as second

    made = second.make(7, "back")              # the same client as make(7, "left") and make(7, "front")
    made.pixels, made.jpeg, made.truth         # 8 bits (2000, 1500, 3); the file's bytes; a dictionary for JSON
    made.marks()                               # a user's rough marks, for `fitdiag photo measure`
    second.make(7, "back", trouble="half")     # one of second.TROUBLES
    second.write(made, folder)                 # back.jpg, back.marks.json, back.truth.json

Bodies: girths of 507 measured people, sections by Fourier descriptors, trunk and legs grown together as fields, folds lifted along the
normals (`form`, `cloth`). Lines are drawn in the cloth's own coordinates with a drop, a V, a tilt that are known (`courses`, `ink`).
From the shell: see `blackbox`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from .marks import as_text, marks
from .picture import as_jpeg, draw
from .scene import BANDS, KINDS, TROUBLES, VIEWS, Scene, View, scene, spoiled
from .truth import truth

__all__ = ["BANDS", "KINDS", "TROUBLES", "VIEWS", "Picture", "View", "make", "write"]


@dataclass(frozen=True)
class Picture:
    """A made picture: the scene it shows, its pixels and what is true of it."""

    scene: Scene
    pixels: np.ndarray
    truth: dict[str, Any]

    @cached_property
    def jpeg(self) -> bytes:
        """The file's bytes."""
        return as_jpeg(self.pixels, self.scene.finish.jpeg)

    @property
    def file(self) -> str:
        """The name it is written under."""
        return f"{self.scene.view}.jpg"

    def marks(self, error_px: float = 6.0, seed: int | None = None) -> dict[str, Any]:
        """A user's marks; another `seed` is another hand."""
        own = self.scene.seed if seed is None else seed
        return marks(self.truth, self.jpeg, self.file, own * 3 + VIEWS.index(self.scene.view), error_px)


def make(
    seed: int,
    view: View = "back",
    *,
    trouble: str | None = None,
    kind: str | None = None,
    elevation: float | None = None,
) -> Picture:
    """Draw the picture of a seed; `kind` (see `KINDS`) and `elevation` (degrees the lens looks down on the hip line) else by chance."""
    shown = scene(seed, view, kind, elevation)
    if trouble:
        shown = spoiled(shown, trouble)
    drawn = draw(shown)
    return Picture(shown, drawn.pixels, truth(shown, drawn))


def write(made: Picture, folder: Path, error_px: float = 6.0) -> Path:
    """Write picture, marks and truth side by side; gives the picture's path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / made.file
    path.write_bytes(made.jpeg)
    path.with_suffix(".marks.json").write_text(as_text(made.marks(error_px)), encoding="utf-8")
    path.with_suffix(".truth.json").write_text(json.dumps(made.truth), encoding="utf-8")
    return path
