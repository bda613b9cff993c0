"""See `blackbox`."""

import sys
from pathlib import Path

from . import blackbox

if __name__ == "__main__":
    what, folder, *chosen = sys.argv[1:]
    seeds = [seed for text in chosen for seed in blackbox.seeds_of(text)]
    if what == "make":
        blackbox.make_all(Path(folder), seeds)
    else:
        if what == "measure":
            blackbox.mark_again(Path(folder), seeds)
            blackbox.measure_all(Path(folder), seeds)
        print(blackbox.table(blackbox.scores(Path(folder), seeds)))
