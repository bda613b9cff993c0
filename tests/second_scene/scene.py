"""Everything that makes one picture, chosen by chance from a seed: muslin, stance, room, camera, light, and what spoils the file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, get_args

import numpy as np

from .body import Person, person
from .camera import Array, Camera
from .cloth import Cloth, Stance, drape, folds_by_chance
from .courses import Drawing, drawing_by_chance
from .form import form
from .ink import ink_by_chance
from .muslin import Look
from .room import FLOORS, PAPERS, WALLS, Room, Sheet

View = Literal["back", "front", "left"]
VIEWS: tuple[View, ...] = get_args(View)
FACING = {"back": 180.0, "front": 0.0, "left": -90.0}
KINDS = ("sag", "vee", "level", "both", "rise", "both")
BANDS = ((0.0, 3.0), (3.0, 8.0), (8.0, 15.0))
SIZE = (1500, 2000)


@dataclass(frozen=True)
class Muslin:
    """A person in a muslin with lines on it. `kind` is what the back lines do; `level` means there is nothing to find."""

    seed: int
    kind: str
    person: Person
    cloth: Cloth
    drawing: Drawing
    look: Look


@dataclass(frozen=True)
class Light:
    """A lamp's direction (unit, world), its share and that of the light from all around, and how unevenly it falls over the picture."""

    towards: tuple[float, float, float]
    lamp: float
    around: float
    uneven: tuple[float, float]
    warm: float


@dataclass(frozen=True)
class Finish:
    """What the camera and the messenger do: size, blur and motion in px, noise (sd of 255), sharpening, JPEG quality, mirrored or not."""

    scale: float = 1.0
    blur: float = 0.5
    motion: float = 0.0
    noise: float = 2.0
    sharpen: float = 0.4
    jpeg: int = 88
    bright: float = 1.0
    mirrored: bool = False


@dataclass(frozen=True)
class Scene:
    """One picture to be drawn. `yaw`: the near side of the body turned to the picture's right, degrees."""

    seed: int
    view: View
    muslin: Muslin
    yaw: float
    camera: Camera
    focal_nominal: float
    room: Room
    arms: str
    chair: tuple[float, float] | None
    light: Light
    finish: Finish

    @property
    def turn(self) -> Array:
        """Body axes to world axes: points @ turn.T."""
        angle = np.radians(FACING[self.view] + self.yaw)
        return np.array([[np.cos(angle), 0, np.sin(angle)], [0, 1, 0], [-np.sin(angle), 0, np.cos(angle)]])


@lru_cache(maxsize=64)
def muslin(seed: int, kind: str | None = None) -> Muslin:
    """The muslin of a seed; its three views show the same one."""
    rng = np.random.default_rng([seed, 14])
    kind = kind or KINDS[seed // 3 % len(KINDS)]
    who = person(rng)
    shape = form(who, rng)
    stance = Stance(0.0 if kind == "level" else float(rng.normal(0, 0.022)), float(rng.normal(0, 7)))
    cloth = drape(shape, folds_by_chance(shape, rng, rng.uniform(0.4, 1.7)), stance)
    drawing = drawing_by_chance(cloth, rng, kind)
    ink = ink_by_chance(rng)
    grain = ink if rng.random() < 0.25 else ink_by_chance(rng, other_than=ink.colour)
    tint = np.array([0.80, 0.77, 0.70]) * rng.uniform(0.8, 1.05) + rng.normal(0, 0.02, 3)
    if rng.random() < 0.15:
        tint = np.array([0.62, 0.66, 0.70]) + rng.normal(0, 0.03, 3)
    look = Look(
        tuple(np.clip(tint, 0.2, 0.9)),
        rng.uniform(0.01, 0.035),
        ink,
        grain,
        rng.uniform(0.3, 0.55),
        bool(rng.random() < 0.75),
        bool(rng.random() < 0.7),
        bool(rng.random() < 0.7),
        float(rng.choice([0.0, 0.0, 0.0, 0.14])),
        float(rng.choice([0.0, 0.0, 0.0, 0.0, 9.0])),
        seed,
    )
    return Muslin(seed, kind, who, cloth, drawing, look)


def scene(seed: int, view: View = "back", kind: str | None = None, elevation: float | None = None) -> Scene:
    """A scene by chance. `elevation`: degrees by which the lens looks down on the hip line (else spread over three bands)."""
    wear = muslin(seed, kind)
    turn = VIEWS.index(view)
    rng = np.random.default_rng([seed, 41, turn])
    shared = np.random.default_rng([seed, 43])  # the same room and light for the three views
    if elevation is None:
        low, high = BANDS[(seed + turn) % 3]
        elevation = float(rng.uniform(low, high) * (1 if rng.random() < 0.75 else -1))
    camera, nominal = _camera(wear, elevation, rng)
    arms = str(rng.choice(["folded", "hang", "close", "up"], p=[0.4, 0.25, 0.1, 0.25]))
    if view == "left" and arms in ("hang", "close"):
        arms = "folded"  # hanging arms would lie over the side seam
    room = _room(wear, camera, 130.0 if arms in ("hang", "close") else 0.0, shared, rng)
    seat = None
    if rng.random() < 0.2:
        seat = (float(rng.choice([-1, 1]) * rng.uniform(480, 650)), float(rng.uniform(-350, 150)))
    lamp = np.array([shared.uniform(-0.8, 0.8), shared.uniform(0.15, 0.9), 0.8])
    light = Light(tuple(lamp / np.linalg.norm(lamp)), shared.uniform(0.3, 0.75), shared.uniform(0.35, 0.6),
                  tuple(rng.normal(0, 0.12, 2)), shared.normal(0, 0.05))  # fmt: skip
    finish = Finish(
        blur=rng.uniform(0.35, 0.8),
        noise=rng.uniform(1, 4.5),
        sharpen=rng.uniform(0, 0.8),
        jpeg=int(rng.integers(72, 95)),
        bright=rng.uniform(0.85, 1.1),
    )
    yaw = float(np.clip(rng.normal(0, 3.5), -10, 10))
    return Scene(seed, view, wear, yaw, camera, nominal, room, arms, seat, light, finish)


def _camera(wear: Muslin, elevation: float, rng: np.random.Generator) -> tuple[Camera, float]:
    level, (width, height) = wear.cloth.form.levels, SIZE
    focal = float(rng.choice([26, 28, 35, 48, 52, 65, 77], p=[0.06, 0.06, 0.12, 0.2, 0.2, 0.2, 0.16])) * rng.uniform(
        0.98, 1.02
    )
    blank = Camera(width, height, focal, 0, 0)
    wanted = rng.uniform(0.66, 0.88) * height / (1230 * wear.person.stature / 1700)
    distance = blank.focal / wanted
    if distance < 1700:
        distance = rng.uniform(1750, 2250)
    lens = float(np.clip(level.hip + distance * np.tan(np.radians(elevation)), 150, 2100))
    sideways = float(rng.normal(0, 70))
    target = (level.waist + level.hem) / 2 + rng.normal(20, 35)
    pitch = float(np.degrees(np.arctan2(lens - target, distance)) + rng.normal(0, 0.7))
    aim = float(np.degrees(np.arctan2(-sideways, distance)) + rng.normal(0, 0.9))
    k1 = 0.0 if rng.random() < 0.2 else float(rng.uniform(-0.03, 0.03))
    if rng.random() < 0.1:
        k1 = float(rng.choice([-1, 1]) * rng.uniform(0.03, 0.04))
    k2 = float(rng.normal(0, 0.003)) if k1 else 0.0
    camera = Camera(width, height, focal, lens, float(distance), sideways, pitch, float(np.clip(rng.normal(0, 1.4), -4, 4)), aim,
                    k1, k2, (float(rng.normal(0, 5)), float(rng.normal(0, 5))))  # fmt: skip
    return camera, float(round(focal * (1 + rng.normal(0, 0.006))))


def _room(wear: Muslin, camera: Camera, arm: float, shared: np.random.Generator, rng: np.random.Generator) -> Room:
    tall = wear.person.stature / 1700
    seen = camera.width / 2 * camera.distance / camera.focal
    body = float(np.abs(wear.cloth.left.points[..., 0]).max()) + arm
    side = float(rng.choice([-1, 1]))
    wall_colour = tuple(np.clip(shared.uniform(0.3, 0.8) + shared.normal(0, 0.06, 3), 0.08, 0.9))
    floor_colour = tuple(
        np.clip(np.array([0.36, 0.27, 0.19]) * shared.uniform(0.4, 1.6) + shared.normal(0, 0.03, 3), 0.04, 0.8)
    )
    behind = shared.uniform(320, 1100)
    wall, floor = str(shared.choice(WALLS, p=[0.4, 0.12, 0.12, 0.14, 0.12, 0.1])), str(shared.choice(FLOORS))
    paper, framed, hung = str(shared.choice(list(PAPERS))), shared.random() < 0.35, shared.random() < 0.65
    plumb = [(side * min(rng.uniform(body + 150, body + 420), seen - 30), rng.uniform(-150, 60))]
    door = None
    if rng.random() < 0.55:
        start = rng.uniform(body + 150, seen + 100) if side < 0 else -rng.uniform(body + 150, seen + 100) - 820
        door = (float(start), float(rng.uniform(780, 900)))
    if door is None or rng.random() < 0.4:
        plumb.append((-side * min(rng.uniform(body + 150, body + 420), seen - 30), rng.uniform(-150, 60)))
    sheet = None
    if rng.random() < 0.92:
        landscape = rng.random() < 0.2
        wide = PAPERS[paper][1 if landscape else 0]
        x = -side * rng.uniform(body + wide / 2 + 25, max(body + wide / 2 + 40, seen - wide / 2 - 20))
        z = rng.uniform(-70, 25) if hung else -behind + 3 - abs(x) * 0.09
        sheet = Sheet(paper, landscape, (float(x), float(rng.uniform(640, 1010) * tall), float(z)), float(rng.normal(0, 1.5)),
                      float(rng.normal(0, 3)) if hung else 0.0, float(shared.uniform(0.6, 2.0)) if framed else 0.0,
                      bool(rng.random() < 0.25), bool(rng.random() < 0.4))  # fmt: skip
    skew = float(rng.normal(0, 2.5)) if hung else 0.0
    strings = tuple(np.array([0.04, 0.04, 0.05]) if np.mean(wall_colour) > 0.45 else np.array([0.85, 0.85, 0.8]))
    return Room(behind, skew, wall, wall_colour, floor, floor_colour, shared.uniform(60, 130), door,
                tuple((float(x), float(z)) for x, z in plumb), sheet, int(shared.integers(1000)), strings=strings)  # fmt: skip


def spoiled(plain: Scene, trouble: str) -> Scene:
    """The same scene with one of the troubles that a user's pictures have."""
    camera, finish, room = plain.camera, plain.finish, plain.room
    if trouble == "half":
        return replace(plain, finish=replace(finish, scale=0.5, jpeg=38))
    if trouble == "dark":
        return replace(plain, finish=replace(finish, bright=0.28, noise=6.0, jpeg=60))
    if trouble == "blurred":
        return replace(plain, finish=replace(finish, blur=1.8, motion=7.0))
    if trouble == "rolled":
        return replace(plain, camera=replace(camera, roll=8.0))
    if trouble == "bent":
        return replace(plain, camera=replace(camera, k1=0.04 if plain.seed % 2 else -0.04, k2=0.0))
    if trouble == "mirrored":
        return replace(plain, finish=replace(finish, mirrored=True))
    if trouble == "arm":
        return replace(plain, arms="close")
    if trouble == "wallpaper":
        return replace(plain, room=replace(room, wall="flowers" if plain.seed % 2 else "stripes"))
    if trouble == "chair":
        x = 140.0 + 10 * (plain.seed % 9)
        return replace(plain, chair=(x if plain.seed % 2 else -x, 430.0))
    raise ValueError(f"no such trouble: {trouble}")


TROUBLES = ("half", "dark", "blurred", "rolled", "bent", "mirrored", "arm", "wallpaper", "chair")
