"""The ramp of errors against CAM02-UCS (Luo, Cui & Li 2006) and the dichromats of Machado, Oliveira & Fernandes 2009,
both as the colorspacious library has them.

Equal steps of error must look about equal, lightness must fall all the way for every eye, and the ends must be far
apart. What a colour-blind reader sees of a step may be less than what others see, but never nothing.
"""

import json
import sys

import numpy as np
from colorspacious import cspace_convert

UNEVEN = 1.35  # the greatest step against the mean: a step of a third more is hardly told from the others
LEAST_STEP = 0.3  # the least step that a dichromat sees, against the mean of all eyes
LEAST_FALL = 55  # of lightness J', from 0 to 100


def steps(colours):
    return np.linalg.norm(np.diff(colours, axis=0), axis=1)


def seen(ramp, kind):
    if kind is None:
        return ramp
    space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
    return np.clip(cspace_convert(ramp, space, "sRGB1"), 0, 1)


def main(path):
    with open(path) as file:
        ramp = np.array(json.load(file)) / 255
    # Every eighth: between neighbours the eight bits of a channel are as large as the step.
    ramp = ramp[::8]
    mean = None
    faults = []
    for kind in [None, "protanomaly", "deuteranomaly", "tritanomaly"]:
        colours = cspace_convert(seen(ramp, kind), "sRGB1", "CAM02-UCS")
        step = steps(colours)
        mean = mean or step.mean()
        fall = -np.diff(colours[:, 0])
        print(
            f"{kind or 'all primaries'}: steps {step.min() / mean:.2f} to {step.max() / mean:.2f} of the mean, "
            f"lightness falls by {fall.sum():.0f}, least {fall.min():.2f}"
        )
        if kind is None and step.max() / mean > UNEVEN:
            faults.append("uneven")
        if step.min() / mean < LEAST_STEP:
            faults.append(f"{kind}: a step that hardly shows")
        if fall.min() <= 0 or fall.sum() < LEAST_FALL:
            faults.append(f"{kind}: lightness does not fall")
    for fault in faults:
        print(fault, file=sys.stderr)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
