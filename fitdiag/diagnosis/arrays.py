"""The same pass as `exact.Component.run`, for many changed weights at once on numpy arrays.

"Symptom j is absent" only changes the weights of j's causes, so all open questions go through one pass as the columns of a
batch: `on` holds one row per cause and one column per question. Used where a session asks again and again; a single
`diagnose` stays with the plain version, which starts faster than numpy loads.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from fitdiag.diagnosis.exact import CAUSE, OPEN, fold, private_weights

if TYPE_CHECKING:
    from fitdiag.diagnosis.exact import Component, Posterior

Array = NDArray[np.float64]
_MOST_NUMBERS = 8_000_000  # numbers kept for the way back, 64 MB; wider components take their questions in portions


def run_batch(component: Component, off: list[float], on: dict[int, Array]) -> tuple[Array, list[Array]]:
    """Total weight, and the weight of each of `component.causes`, as arrays with one value per column of `on`."""
    findings = component.findings
    columns = next(iter(on.values())).shape[0]
    folded = [fold(finding, off, on) for finding in findings]
    if not component.steps:
        finding = findings[0]
        weight_of_all = finding.absent * folded[0][0] + finding.present * folded[0][1]
        return weight_of_all, private_weights(finding, off, on, finding.absent, finding.present)
    state = np.ones((1, columns))
    forward: list[Array] = []
    moved: list[Array] = []
    for step in component.steps:
        forward.append(state)
        if step.kind == OPEN:
            u, t = folded[step.finding]
            state = np.concatenate((state * u, state * t))
        elif step.kind == CAUSE:
            shifted = state.copy()
            for bit, q in step.moves:
                view = shifted.reshape(-1, 2, 1 << bit, columns)
                view[:, 1] += view[:, 0] * (1.0 - q)
                view[:, 0] *= q
            moved.append(shifted)
            state = off[step.cause] * state + on[step.cause] * shifted
        else:
            finding = findings[step.finding]
            view = state.reshape(-1, 2, 1 << step.bit, columns)
            state = (finding.absent * view[:, 0] + finding.present * view[:, 1]).reshape(-1, columns)
    total: Array = state[0]
    back = np.ones((1, columns))
    gradient: list[tuple[Array, Array]] = [(total, total)] * len(findings)
    weight: dict[int, Array] = {}
    for number in range(len(component.steps) - 1, -1, -1):
        step, before = component.steps[number], forward[number]
        if step.kind == OPEN:
            half = len(before)
            low_back, high_back = back[:half], back[half:]
            gradient[step.finding] = ((before * low_back).sum(axis=0), (before * high_back).sum(axis=0))
            u, t = folded[step.finding]
            back = low_back * u + high_back * t
        elif step.kind == CAUSE:
            weight[step.cause] = on[step.cause] * (moved.pop() * back).sum(axis=0)
            pulled = back.copy()
            for bit, q in step.moves:
                view = pulled.reshape(-1, 2, 1 << bit, columns)
                view[:, 0] *= q
                view[:, 0] += view[:, 1] * (1.0 - q)
            back = off[step.cause] * back + on[step.cause] * pulled
        else:
            finding = findings[step.finding]
            wider = np.empty((len(before) >> (step.bit + 1), 2, 1 << step.bit, columns))
            narrow = back.reshape(-1, 1 << step.bit, columns)
            np.multiply(narrow, finding.absent, out=wider[:, 0])
            np.multiply(narrow, finding.present, out=wider[:, 1])
            back = wider.reshape(len(before), columns)
    weights: list[Array] = []
    for finding, (low, high) in zip(findings, gradient, strict=True):
        weights += private_weights(finding, off, on, low, high)
    return total, weights + [weight[cause] for cause, _ in component.coupled]


def run_one(component: Component, off: list[float], on: list[float]) -> tuple[float, list[float]]:
    """`Component.run` for a wide component: one column."""
    total, weights = run_batch(component, off, {cause: np.array([on[cause]]) for cause in component.causes})
    return float(total[0]), [float(weight[0]) for weight in weights]


def gains(posterior: Posterior) -> dict[int, float]:
    """`Posterior.gains` in one batch; equal to it to rounding."""
    network = posterior.network
    asked = [finding for finding in range(len(network.links)) if finding not in posterior.evidence]
    if not asked:
        return {}
    count = len(asked)
    p = np.array(posterior.probability)
    absent = 1.0 - np.array([network.leak[finding] for finding in asked])
    given_absent = np.repeat(p[:, None], count, axis=1)
    on: dict[int, Array] = {}
    touched: dict[int, set[int]] = {}
    for column, finding in enumerate(asked):
        for cause, q in network.links[finding]:
            number = posterior.home.get(cause)
            if number is None:
                chance = posterior.probability[cause]
                stays = 1.0 - chance + chance * q
                absent[column] *= stays
                given_absent[cause, column] = chance * q / stays if stays else chance
            else:
                touched.setdefault(number, set()).add(column)
                row = on.get(cause)
                if row is None:
                    row = on[cause] = np.full(count, posterior.on[cause])
                row[column] *= q
    for number, column_set in touched.items():
        component = posterior.components[number]
        everything = np.array(sorted(column_set))
        at_once = max(1, _MOST_NUMBERS // (max(1, len(component.steps)) << component.width))
        for start in range(0, len(everything), at_once):
            columns = everything[start : start + at_once]
            rows = {
                cause: on[cause][columns] if cause in on else np.full(len(columns), posterior.on[cause])
                for cause in component.causes
            }
            total, weights = run_batch(component, posterior.off, rows)
            absent[columns] *= total / posterior.totals[number]
            given_absent[np.ix_(np.array(component.causes), columns)] = np.array(weights) / total
    present = 1.0 - absent
    fair = (absent > 1e-12) & (absent < 1.0 - 1e-12)
    safe_present = np.where(fair, present, 1.0)
    given_present = (p[:, None] - absent * given_absent) / safe_present
    gain = (
        _entropy(p).sum() - absent * _entropy(given_absent).sum(axis=0) - present * _entropy(given_present).sum(axis=0)
    )
    gain = np.where(fair, np.maximum(gain, 0.0), 0.0)
    return dict(zip(asked, gain.tolist(), strict=True))


def _entropy(p: Array) -> Array:
    inside = np.clip(p, 1e-300, 1.0)
    outside = np.clip(1.0 - p, 1e-300, 1.0)
    result: Array = -(p * np.log2(inside) + (1.0 - p) * np.log2(outside))
    return result
