"""How much memory large pictures take when they are taken in, beside a plain decode of the same file.

python tests/bench/memory.py [--only NAME]
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

GOAL_MB = 500
PICTURES = {  # name: how it is made (by Pillow)
    "12 MP JPEG": ("RGB", (4000, 3000), "JPEG", {}),
    "50 MP JPEG": ("RGB", (8160, 6120), "JPEG", {}),
    "50 MP JPEG, turned": ("RGB", (8160, 6120), "JPEG", {"turned": True}),
    "100 MP JPEG": ("RGB", (11600, 8700), "JPEG", {}),
    "100 MP progressive JPEG": ("RGB", (11600, 8700), "JPEG", {"progressive": True}),
    "50 MP PNG": ("RGB", (8160, 6120), "PNG", {}),
    "50 MP PNG with transparency": ("RGBA", (8160, 6120), "PNG", {}),
    "59 MP PNG with transparency": ("RGBA", (9000, 6555), "PNG", {}),
    "100 MP grey PNG": ("L", (11600, 8700), "PNG", {}),
}
MAKE = """
import sys
from PIL import Image
mode, width, height, kind, turned, progressive, path = sys.argv[1:]
image = Image.effect_noise((int(width) // 8, int(height) // 8), 20).resize((int(width), int(height)), 0).convert(mode)
exif = Image.Exif()
exif[0x0112] = 6 if turned == "True" else 1
more = {"quality": 80, "progressive": progressive == "True"} if kind == "JPEG" else {"compress_level": 1}
image.save(path, kind, exif=exif, **more)
"""
PEAK = "import resource; print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024, file=sys.stderr)"
PLAIN = f"import sys\nfrom PIL import Image\nImage.MAX_IMAGE_PIXELS = None\nImage.open(sys.argv[1]).load()\n{PEAK}"
TAKEN = f"""
import sys
from fitdiag.cli.photo import take_pictures
from fitdiag.problems import ProblemsFoundError
try:
    take_pictures([f"back={{sys.argv[1]}}"], sys.argv[2])
except ProblemsFoundError as stopped:
    print("REFUSED", stopped)
{PEAK}
"""


def run(code: str, *arguments: str) -> tuple[str, int]:
    """What a program printed, and the most memory it took, in MB."""
    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
    return done.stdout, int(done.stderr.split()[-1]) if done.stderr.split() else 0


def main() -> int:
    """The table; exit code 1 if anything took more than the goal."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only")
    only, worst = parser.parse_args().only, 0
    print(f"{'picture':30} {'taken in':>9} {'plain decode':>13}  ratio")
    with tempfile.TemporaryDirectory() as folder:
        for name, (mode, (width, height), kind, how) in PICTURES.items():
            if only not in (None, name):
                continue
            path = str(Path(folder) / f"a.{kind.lower()}")
            run(MAKE, mode, str(width), str(height), kind, str("turned" in how), str("progressive" in how), path)
            out, taken = run(TAKEN, path, str(Path(folder) / name))
            plain = run(PLAIN, path)[1]
            worst = max(worst, taken)
            what = "refused" if "REFUSED" in out else "smaller" if "made smaller" in out else ""
            print(f"{name:30} {taken:6} MB {plain:10} MB {taken / plain:6.2f}  {what}", flush=True)
    print(f"at most {worst} MB (goal {GOAL_MB})")
    return 1 if worst > GOAL_MB else 0


if __name__ == "__main__":
    sys.exit(main())
