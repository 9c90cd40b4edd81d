"""Checks the fill of weights against a dense solve of the same problem in numpy.

Source:    Abdrashitov, Raichstat, Monsen, Hill, "Robust Skin Weights Transfer via Weight Inpainting", SIGGRAPH Asia 2023
           Technical Communications: given the weights of matched vertices, those of the others make
           w^T L^T M^-1 L w least, joint by joint, with the cotangent Laplacian L and the vertex areas M.
           The holes lie away from the border, where the program has terms of its own (docs/method.md).
Here:      cotangents from angles by arccos, areas by thirds of triangles by Heron's formula, borders by counting edges,
           and numpy's dense least squares. Weights below zero count as zero, and the others are scaled to sum to one.
Tolerance: 1e-5 of a weight: both solve in 64 bits, least squares here and normal equations there, which square the
           condition.
"""

import json
import sys

import numpy as np

TOLERANCE = 1e-5


def main() -> int:
    with open(sys.argv[1]) as file:
        case = json.load(file)
    x = np.array(case["positions"], dtype=np.float32).astype(np.float64)
    triangles = np.array(case["triangles"])
    known = np.array(case["known"])
    weights, filled = np.array(case["before"]), np.array(case["filled"])
    n = len(x)

    stiffness, area, edges = np.zeros((n, n)), np.zeros(n), {}
    for corners in triangles:
        for k in range(3):
            apex, a, b = np.roll(corners, -k)
            u, v = x[a] - x[apex], x[b] - x[apex]
            angle = np.arccos(u @ v / np.linalg.norm(u) / np.linalg.norm(v))
            half = 0.5 / np.tan(angle)
            stiffness[[a, b], [a, b]] += half
            stiffness[[a, b], [b, a]] -= half
            edge = (min(a, b), max(a, b))
            edges[edge] = edges.get(edge, 0) + 1
        a, b, c = (np.linalg.norm(x[corners[i]] - x[corners[j]]) for i, j in ((0, 1), (1, 2), (2, 0)))
        s = (a + b + c) / 2
        area[corners] += np.sqrt(s * (s - a) * (s - b) * (s - c)) / 3
    border = np.zeros(n, dtype=bool)
    for edge, count in edges.items():
        border[list(edge)] |= count == 1

    rows = stiffness[~border] / np.sqrt(area[~border])[:, None]
    found, _, rank, _ = np.linalg.lstsq(rows[:, ~known], -rows[:, known] @ weights[known], rcond=None)
    open_count = int((~known).sum())
    found = np.maximum(found, 0)
    found /= found.sum(axis=1, keepdims=True)
    apart = float(np.abs(found - filled[~known]).max())
    kept = bool((filled[known] == weights[known]).all())
    print(f"{n} vertices, {open_count} filled (rank {rank}): at most {apart:.1e} apart, limit {TOLERANCE:.0e}")
    good = case["solved"] and kept and rank == open_count and apart <= TOLERANCE and open_count > 30
    if not good:
        print("the fill is not that of the reference", file=sys.stderr)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
