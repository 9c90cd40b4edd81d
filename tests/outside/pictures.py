"""Pictures of the guide, made anew, against those that are kept; read by the Pillow library.

Rounding differs from machine to machine in the last bits: a sample at an edge may show its other side. So the mean of
all channels may differ by MEAN levels, and SHARE of the pixels by more than 32 levels.
"""

import sys
from pathlib import Path

import numpy as np
from PIL import Image

MEAN = 0.05
SHARE = 0.0005


def read(path):
    return np.asarray(Image.open(path).convert("RGB"), dtype=np.int16)


def main(kept, made):
    names = [sorted(path.name for path in Path(folder).glob("*.png")) for folder in (kept, made)]
    faults = [] if names[0] == names[1] and names[0] else [f"kept are {names[0]}, made are {names[1]}"]
    for name in sorted(set(names[0]) & set(names[1])):
        a, b = read(Path(kept) / name), read(Path(made) / name)
        if a.shape != b.shape:
            faults.append(f"{name}: of another size")
            continue
        off = np.abs(a - b)
        mean, share = off.mean(), (off.max(axis=2) > 32).mean()
        print(f"{name}: mean {mean:.4f} levels, {100 * share:.4f} % of pixels")
        if mean > MEAN or share > SHARE:
            faults.append(f"{name}: differs; docs/pictures/remake.sh makes it anew")
    for fault in faults:
        print(fault, file=sys.stderr)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
