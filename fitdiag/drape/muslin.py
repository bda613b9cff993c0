"""A pattern draped on a body, from order to result; simulated by up to two processes.

Results are cached in the user's cache folder under a fingerprint of all they depend on, so none is computed twice.
"""

from __future__ import annotations

import hashlib
import io
import json
import multiprocessing
import signal
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from functools import cached_property, lru_cache
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path
from typing import Any

import numpy as np

from fitdiag.drape.body import Array, Body, body_of
from fitdiag.drape.cloth import Cloth, Sheet
from fitdiag.drape.dressing import dress
from fitdiag.drape.figure import Figure
from fitdiag.drape.mesh import POINTS, Mesh, mesh_of
from fitdiag.drape.panels import Cut, cut_of, too_small
from fitdiag.drape.picture import Pixels, draw
from fitdiag.drape.readings import READINGS, Worn, read
from fitdiag.drape.settle import Rested, Settling
from fitdiag.files import make_folder, own_folder, remove_file, write_atomically
from fitdiag.pattern.piece import Pattern
from fitdiag.problems import ProblemsFoundError, stop
from fitdiag.units import Units

PHYSICS = "3"  # raise it when results change, so that older cached ones are not used
WORKERS = 2
MOST_PREPARED = 12
MOST_KEPT = 300  # cached results; the oldest go first
TOO_DEEP_MM = 3.0  # cloth that penetrates the body deeper than this was trapped


@dataclass(frozen=True, eq=False)
class Order:
    """What is to be draped on whom: the cut panels, figure, kind of cloth, and how it is worn; compared by fingerprint.

    `drop`: mm from the body's waist down to the garment's; `hung`: it hangs from the hips instead of being held at the waist.
    """

    cut: Cut
    figure: Figure
    cloth: Cloth = field(default_factory=Cloth)
    drop: float = 0.0
    hung: bool = False
    points: int = POINTS

    @cached_property
    def fingerprint(self) -> str:
        """Hash of all the result depends on; equal for orders with equal results."""
        digest = hashlib.sha256()
        plain = [PHYSICS, asdict(self.figure), asdict(self.cloth), self.drop, self.hung, self.points]
        digest.update(json.dumps(plain, sort_keys=True).encode())
        for number, panel in enumerate((*self.cut.panels, *self.cut.left)):
            for name, line in (*panel.outline, *sorted(panel.lines.items()), ("grain", panel.grain)):
                digest.update(f"{number} {panel.name} {name}".encode() + np.round(line, 2).tobytes())
        return digest.hexdigest()[:32]

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Order) and self.fingerprint == other.fingerprint

    def __hash__(self) -> int:
        return hash(self.fingerprint)


@dataclass(frozen=True, eq=False)
class Draped:
    """One muslin at rest. `readings`: the mean over the dressings, by the names of READINGS, right side; `left`: the left side's
    where they differ; `apart`: the range over the dressings, None for one. `worn`: the first dressing, for drawing."""

    order: Order
    readings: Mapping[str, float]
    left: Mapping[str, float]
    apart: Mapping[str, float] | None
    deepest_mm: float
    still: bool
    _places: Array

    @cached_property
    def worn(self) -> Worn:
        """The first dressing as it hangs; without its forces."""
        body, mesh, sheet = _prepared(self.order)
        none = np.zeros_like(self._places)
        rested = Rested(self._places, none, none, none, 0.0, 0.0)
        return Worn(self.order.cut, mesh, sheet, body, rested)


def order_of(
    pattern: Pattern, figure: Figure, cloth: Cloth | None = None, *, drop: float = 0.0, hung: bool = False,
    units: Units = "cm",
) -> Order:  # fmt: skip
    """Order a pattern to be draped. Raises ProblemsFoundError if it cannot be sewn, or is far too small for the figure."""
    cut = cut_of(pattern, units)
    body = {"hip": figure.hip, "thigh": figure.thigh, **({"waist": figure.waist} if abs(drop) < 1.0 else {})}
    if problems := too_small(cut, body, units):
        raise ProblemsFoundError(problems)
    return Order(cut, figure, cloth or Cloth(), drop, hung, POINTS)


def drape(
    orders: Sequence[Order], *, dressings: int = 2, tell: Callable[[float], None] | None = None, keep: bool = True
) -> list[Draped]:
    """Drape every order `dressings` times, in up to WORKERS processes; `tell` is called with the share done; `keep`: use the cache.

    Raises ProblemsFoundError if a sheet does not come to rest outside the body.
    """
    tasks = dict.fromkeys((order, number) for order in orders for number in range(dressings))
    results = {task: cached for task in tasks if keep and (cached := _recall(*task)) is not None}
    waiting = {task: task for task in tasks if task not in results}
    for order, _ in waiting:
        _prepared(order)
    for (order, number), result in _shared(_settled, waiting, tell):
        results[order, number] = result
        if keep:
            _remember(order, number, result)
    return [_draped(order, [results[order, number] for number in range(dressings)]) for order in orders]


def pictures(muslins: Sequence[Draped], views: Sequence[str], scale: float) -> list[dict[str, Pixels]]:
    """Draw every muslin from every view, (height, width, 3) each; `scale` in pixels per mm."""
    tasks = {(number, view): (muslin, view, scale) for number, muslin in enumerate(muslins) for view in views}
    drawn: list[dict[str, Pixels]] = [{} for _ in muslins]
    for (number, view), image in _shared(_drawn, tasks):
        drawn[number][view] = image
    return drawn


_body = lru_cache(MOST_PREPARED)(body_of)


@lru_cache(MOST_PREPARED)
def _prepared(order: Order) -> tuple[Body, Mesh, Sheet]:
    """Body, mesh and sheet of an order, cached, so that processes forked later share them."""
    mesh = mesh_of(order.cut, whole=order.figure.lopsided, points=order.points)
    return _body(order.figure), mesh, Sheet(mesh, order.cloth)


def _settled(order: Order, dressing: int, tell: Callable[[float], None] | None = None) -> dict[str, Any]:
    """Simulate one dressing of one order; plain values that can be cached."""
    body, mesh, sheet = _prepared(order)
    dressed = dress(order.cut, mesh, body, drop=order.drop, dressing=dressing)
    rested = Settling(sheet, dressed, body, hung=order.hung).run(tell)
    if not np.isfinite(rested.places).all():
        message = "the cloth did not come to rest: the simulation broke down"
        raise stop("drape", message, hint="check pattern and measures")
    worn = Worn(order.cut, mesh, sheet, body, rested)
    return {
        "places": rested.places.astype(np.float32), "readings": read(worn), "left": read(worn, left=True) if mesh.whole else {},
        "deepest": rested.deepest_mm, "still": rested.still,
    }  # fmt: skip


def _drawn(muslin: Draped, view: str, scale: float, tell: Callable[[float], None] | None = None) -> Pixels:
    return draw(muslin.worn, view, scale=scale)


def _draped(order: Order, results: Sequence[dict[str, Any]]) -> Draped:
    def mean(part: str) -> dict[str, float]:
        names = [name for name in READINGS if all(name in result[part] for result in results)]
        return {name: float(np.mean([result[part][name] for result in results])) for name in names}

    deepest = max(result["deepest"] for result in results)
    if deepest > TOO_DEEP_MM:
        message = "the cloth was trapped inside the body, so nothing can be read off it"
        raise stop("drape", message, hint="the pattern and the body are far apart: check size and measures")
    apart = None
    if len(results) > 1:
        apart = {name: float(np.ptp([result["readings"][name] for result in results])) for name in mean("readings")}
    return Draped(
        order, mean("readings"), mean("left"), apart, deepest, all(result["still"] for result in results),
        results[0]["places"].astype(np.float64),
    )  # fmt: skip


# -- processes -------------------------------------------------------------------------------------------------------

_done: Any = None


def _begin(done: Synchronized[float]) -> None:
    """Set up a worker: Ctrl-C is left to the parent, which ends the workers.

    It ends them by SIGTERM, so what the parent does on that signal, like leaving an interview, must not be done here.
    """
    global _done  # noqa: PLW0603 (a pool has no other way to hand a counter to its workers)
    _done = done
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for name in ("SIGHUP", "SIGTERM"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_DFL)


def _work(task: tuple[Callable[..., Any], tuple[Any, ...]]) -> Any:
    call, arguments = task
    before = 0.0

    def tell(share: float) -> None:
        nonlocal before
        with _done.get_lock():
            _done.value += share - before
        before = share

    return call(*arguments, tell=tell)


def _shared(
    call: Callable[..., Any], tasks: Mapping[Any, tuple[Any, ...]], tell: Callable[[float], None] | None = None
) -> Sequence[tuple[Any, Any]]:
    """Call a function on every task, in a process pool if there are several; (key, result) pairs. One error stops all."""
    if len(tasks) < 2:
        return [(key, call(*task, tell=tell)) for key, task in tasks.items()]
    context = multiprocessing.get_context("spawn" if sys.platform != "linux" else "fork")
    done = context.Value("d", 0.0)
    with context.Pool(WORKERS, _begin, (done,)) as pool:
        waiting = pool.map_async(_work, [(call, task) for task in tasks.values()], chunksize=1)
        while not waiting.ready():
            waiting.wait(0.2)
            if tell is not None:
                tell(min(1.0, done.value / len(tasks)))
        return list(zip(tasks, waiting.get(), strict=True))


# -- cached results ----------------------------------------------------------------------------------------------------


def _place(order: Order, dressing: int) -> Path:
    return own_folder() / "drapes" / f"{order.fingerprint}-{dressing}.npz"


def _recall(order: Order, dressing: int) -> dict[str, Any] | None:
    """Read a cached result; None if there is none, or anything about it is odd."""
    try:
        with np.load(_place(order, dressing), allow_pickle=False) as file:
            values = json.loads(str(file["told"]))
            places = file["places"]
            if places.ndim != 2 or not np.isfinite(places).all():
                return None
            return {**values, "places": places}
    except Exception:
        return None


def _remember(order: Order, dressing: int, result: dict[str, Any]) -> None:
    """Cache a result, whole or not at all. Never fails."""
    with suppress(OSError, RuntimeError, ValueError, ProblemsFoundError):
        place, whole = _place(order, dressing), io.BytesIO()
        values = json.dumps({name: value for name, value in result.items() if name != "places"})
        np.savez_compressed(whole, places=result["places"], told=np.array(values))
        make_folder(place.parent)
        write_atomically(place, whole.getvalue(), replace=True)
        kept = sorted(place.parent.glob("*.npz"), key=lambda path: path.stat().st_mtime)
        for old in kept[: max(0, len(kept) - MOST_KEPT)]:
            remove_file(old)
