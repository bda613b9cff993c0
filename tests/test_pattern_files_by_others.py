"""Pattern files written by general-purpose libraries and by hand: the right size, or one clear refusal, never a silent wrong size.

The files and their truth stand in `pattern_file_set.py`; fitdiag is run by its commands only.
"""

from __future__ import annotations

import io
import json
from pathlib import Path

import ezdxf
import pytest
from pattern_file_set import EITHER, READ, REFUSE, TOLD, Sample, all_files
from pattern_shapes import TRUTH
from running import Shell

FILES = {sample.name: sample for sample in all_files()}
CLOSE_MM = 0.3


def names(*kinds: str) -> list[str]:
    return [name for name, sample in FILES.items() if sample.must in kinds]


def sizes(shell: Shell, name: str) -> dict[str, float]:
    code, out, err = shell("pattern", "measure", name, "--json")
    assert code == 0, err
    measures: dict[str, float] = json.loads(out)["measures_mm"]
    return measures


def wrong_sizes(measures: dict[str, float], truth: dict[str, float]) -> str:
    return "; ".join(
        f"{name} {measures.get(name, float('nan')):.1f}, not {want:.1f} mm"
        for name, want in truth.items()
        if not abs(measures.get(name, float("nan")) - want) <= CLOSE_MM
    )


def read(shell: Shell, sample: Sample) -> tuple[int, str, str]:
    Path(sample.name).write_bytes(sample.content)
    return shell("pattern", "read", sample.name, *sample.options, "--out", "taken.yaml")


def assert_clear(code: int, err: str) -> None:
    """One message, exit code not 0, nothing written, no trace of the program's insides."""
    assert code != 0
    assert err.strip(), "refused without a word"
    assert "Traceback" not in err and "Error(" not in err
    assert len(err.strip().splitlines()) <= 4, err
    assert not Path("taken.yaml").exists(), "half written"


def test_the_set_is_large_enough() -> None:
    assert len(FILES) >= 40
    assert {Path(name).suffix for name in FILES} == {".dxf", ".svg"}


@pytest.mark.parametrize("name", names(READ))
def test_a_clear_file_is_read_at_its_right_size(name: str, shell: Shell) -> None:
    sample = FILES[name]
    code, out, err = read(shell, sample)
    assert code == 0, err
    wrong = wrong_sizes(sizes(shell, "taken.yaml"), sample.truth())
    assert not wrong, wrong
    for word in sample.says:
        assert word.lower() in (out + err).lower(), f"'{word}' is not told: {out}{err}"


@pytest.mark.parametrize(
    "name", ["version-r2018.dxf", "entity-bulges.dxf", "insert-turned.dxf", "size-pt.svg", "transform-nested.svg"]
)
def test_measuring_a_file_is_the_same_as_reading_it_first(name: str, shell: Shell) -> None:
    Path(name).write_bytes(FILES[name].content)
    wrong = wrong_sizes(sizes(shell, name), FILES[name].truth())
    assert not wrong, wrong


@pytest.mark.parametrize("name", names(EITHER, TOLD))
def test_a_doubtful_file_is_read_right_or_refused(name: str, shell: Shell) -> None:
    sample = FILES[name]
    code, out, err = read(shell, sample)
    if code:
        assert_clear(code, err)
        assert any(word in err for word in sample.words), f"none of {sample.words} in the reason: {err}"
        return
    wrong = wrong_sizes(sizes(shell, "taken.yaml"), sample.truth())
    told = sample.must == TOLD and any(word in out + err for word in sample.words)
    assert not wrong or told, f"in silence: {wrong}"


@pytest.mark.parametrize("name", names(REFUSE))
def test_a_file_that_cannot_be_read_is_refused_with_its_reason(name: str, shell: Shell) -> None:
    sample = FILES[name]
    code, out, err = read(shell, sample)
    assert code, f"read in silence, {wrong_sizes(sizes(shell, 'taken.yaml'), TRUTH) or 'at its right size'}: {out}"
    assert_clear(code, err)
    assert not sample.words or any(word in err for word in sample.words), f"none of {sample.words} in the reason: {err}"
    assert shell("pattern", "measure", name)[0] != 0


@pytest.mark.parametrize("name", ["version-r2010.dxf", "units-inch.dxf", "size-mm.svg", "dpi-72-page-in-mm.svg"])
def test_what_was_taken_is_told(name: str, shell: Shell) -> None:
    """Units and why, hip, waist and outseam, which line as which, so that a wrong size is seen at once."""
    code, out, err = read(shell, FILES[name])
    assert code == 0, err
    for word in ("unit", "hip", "waist", "outseam", "stitch"):
        assert word in out.lower(), f"'{word}' is not told: {out}"


@pytest.mark.parametrize("kind", ["dxf", "svg"])
def test_notches_and_drill_holes_survive_a_round_trip(kind: str, shell: Shell) -> None:
    """Read, written in the other format and back as DXF: four notches and two drill holes a piece are still there."""
    code, _, err = read(shell, FILES["notches-and-drills.dxf"])
    assert code == 0, err
    for start, end in (("taken.yaml", f"between.{kind}"), (f"between.{kind}", "again.dxf")):
        code, _, err = shell("pattern", "read", start, "--out", end, "--replace")
        assert code == 0, err
    document = ezdxf.read(io.StringIO(Path("again.dxf").read_text(encoding="utf-8")))
    found = [entity.dxf.layer for block in document.blocks if not block.name.startswith("*") for entity in block]
    assert found.count("4") == 8 and found.count("13") == 4


@pytest.mark.parametrize(
    "name", ["version-r2010.dxf", "entity-lines-and-splines.dxf", "size-inch.svg", "path-arcs.svg"]
)
def test_a_file_read_and_written_keeps_its_size(name: str, shell: Shell) -> None:
    """Through every format we write: each within 0.1 mm of the one before."""
    code, _, err = read(shell, FILES[name])
    assert code == 0, err
    before = sizes(shell, "taken.yaml")
    for kind in ("dxf", "svg", "json"):
        code, _, err = shell("pattern", "read", "taken.yaml", "--out", f"again.{kind}")
        assert code == 0, err
        after = sizes(shell, f"again.{kind}")
        assert {name: after[name] for name in TRUTH} == pytest.approx({name: before[name] for name in TRUTH}, abs=0.1)
