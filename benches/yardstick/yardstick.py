#!/usr/bin/env python3
"""The yardstick: the same bake done the usual way, in plain numpy and scipy, to hold tanyard's time, memory and
error against.

Usual means: the target shapes of all poses stand in memory, then each vertex is a least-squares problem.
  bind        the joint with the most weight in the file (summed over the copies of a welded vertex; ties: the lowest)
  targets     delta mush (Mancewicz et al. 2014) over the rigid bind, topology and frames from tests/outside/mush.py
  candidates  the joints left with weight after smoothing the rigid weights like the shape
  fit         min |R w| with w >= 0 (Lawson & Hanson 1974, scipy's nnls) and a heavy row for sum w = 1, where R's
              columns are the residuals T_j x - t over all poses; then again over the K heaviest

Figures are the rms over welded vertices and poses of the Euclidean distance to the target, unweighted, in percent of
the bind bounding-box diagonal. Fairness: shapes are 32-bit (half the memory traffic, and 1e-7 beside errors of 1e-3),
the least squares 64-bit; shapes lie pose-innermost, so that one sparse product smooths all poses; the frames'
polar factor has its closed form here; nothing is looped in Python but joints, blocks and the fit's vertices.

  yardstick.py INPUT.glb POSES.json [--held-out HELD.json] [--measure BAKED.glb ...]
  yardstick.py INPUT.glb --write-poses sweep-blend POSES.json HELD.json
"""

import argparse
import json
import resource
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from scipy.optimize import nnls
from scipy.sparse import coo_array, csr_array

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "tests" / "outside"))
from gltf_np import load_character, load_poses  # noqa: E402
from mush import WELD_DISTANCE, Mush, Surface, Weld  # noqa: E402

MOST_CANDIDATES = 16
LEAST_MASS = 1e-4  # smoothed rigid weight below which a joint is no candidate
SUM_ROW = 1e3  # times the largest column of R: holds the sum to about 1e-6, and what is left is normalised away
BLOCK = 256  # vertices at once where an operation needs room for temporaries

SWEEP_DEGREES = (-60, -30, 30, 60)
BLENDS = 64
BLEND_DEGREES = 40
FIT_SEED, HELD_OUT_SEED = 1, 2


# Poses -----------------------------------------------------------------------------------------------------------


def quaternion(axis, degrees):
    half = np.radians(degrees) / 2
    return [float(part) for part in (*(np.sin(half) * np.asarray(axis)), np.cos(half))]


def sweep(skin):
    """Every joint alone about its three axes; a single root is left out, since turning it is a rigid motion."""
    roots = skin.parents.count(-1)
    return [
        {"name": f"sweep {name} {axis} {degrees:+d}", "weight": 1, "joints": {name: quaternion(direction, degrees)}}
        for name, parent in zip(skin.names, skin.parents)
        if parent >= 0 or roots > 1
        for axis, direction in zip("xyz", np.eye(3))
        for degrees in SWEEP_DEGREES
    ]


def blends(skin, seed):
    """Every joint at once, by up to BLEND_DEGREES either way about each of its three axes."""
    random = np.random.default_rng(seed)

    def rotation():
        vector = random.uniform(-BLEND_DEGREES, BLEND_DEGREES, size=3)
        angle = np.linalg.norm(vector)
        return quaternion(vector / angle, angle)

    return [
        {"name": f"blend {seed}-{n}", "weight": 1, "joints": {name: rotation() for name in skin.names}}
        for n in range(BLENDS)
    ]


def write_poses(skin, fit_path, held_out_path):
    fit, held_out = sweep(skin) + blends(skin, FIT_SEED), blends(skin, HELD_OUT_SEED)
    for path, poses in ((fit_path, fit), (held_out_path, held_out)):
        Path(path).write_text(json.dumps({"poses": poses}), encoding="utf-8")
        print(f"{path}: {len(poses)} poses")


def skinning(skin, poses):
    """All skinning matrices as [joints, 3, 4, poses]."""
    return np.stack([skin.skinning_matrices(rotations) for _, _, rotations in poses], axis=-1)


# Stages: shapes are [vertices, 3, poses] ---------------------------------------------------------------------------


def heaviest_joint(weld, character):
    return weights_per_vertex(weld, character).argmax(axis=1)


def weights_per_vertex(weld, character):
    """The file's weights as a [vertices, joints] matrix, the mean over the copies of a welded vertex."""
    share = 1.0 / np.bincount(weld.of_raw)[weld.of_raw]
    slots = character.joints.shape[1]
    weights = coo_array(
        ((character.weights * share[:, None]).ravel(), (np.repeat(weld.of_raw, slots), character.joints.ravel())),
        shape=(weld.count, len(character.skin.nodes)),
    )
    return csr_array(weights)


def rigid_weights(bind, joints):
    return csr_array((np.ones(len(bind)), (np.arange(len(bind)), bind)), shape=(len(bind), joints))


def rigid_shapes(positions, bind, matrices):
    shapes = np.empty((len(positions), 3, matrices.shape[-1]), np.float32)
    for joint in np.unique(bind):
        rows = bind == joint
        shapes[rows] = np.einsum("ijp,vj->vip", matrices[joint, :, :3], positions[rows]) + matrices[joint, :, 3]
    return shapes


def mushed_shapes(mush, rounds, shapes):
    count, _, poses = shapes.shape
    smooth_once = mush.smooth_once.astype(np.float32)
    smoothed = shapes.reshape(count, 3 * poses)
    for _ in range(rounds):
        smoothed = smooth_once @ smoothed
    along_u, along_b = (matrix.astype(np.float32) for matrix in mush.frames.tangent_maps)
    delta = mush.local_delta.astype(np.float32)[:, :, None, None]

    mushed = np.empty_like(shapes)
    for start in range(0, count, BLOCK):
        rows = slice(start, start + BLOCK)
        tangents = [(matrix[rows] @ smoothed).reshape(-1, 3, poses) for matrix in (along_u, along_b)]
        u, b = closest_orthonormal_pair(*tangents)
        normal = np.cross(u, b, axis=1)
        center = smoothed[rows].reshape(-1, 3, poses)
        mushed[rows] = center + delta[rows, 0] * u + delta[rows, 1] * b + delta[rows, 2] * normal
    unmushed = ~mush.frames.usable
    mushed[unmushed] = shapes[unmushed]
    return mushed


def closest_orthonormal_pair(u, b):
    """The polar factor of M = [u b]: M (M^T M)^(-1/2), with the closed square root of a 2x2 matrix."""
    uu, ub, bb = (np.einsum("vip,vip->vp", left, right)[:, None] for left, right in ((u, u), (u, b), (b, b)))
    root = np.sqrt(np.maximum(uu * bb - ub * ub, np.finfo(np.float32).tiny))
    scale = 1.0 / (root * np.sqrt(uu + bb + 2 * root))
    return scale * ((bb + root) * u - ub * b), scale * ((uu + root) * b - ub * u)


def candidate_joints(mush, rounds, rigid):
    """For each vertex its candidate joints, heaviest first."""
    mass = rigid
    for _ in range(rounds):
        mass = mush.smooth_once @ mass
    found = []
    for start, end in zip(mass.indptr, mass.indptr[1:]):
        joints, share = mass.indices[start:end], mass.data[start:end]
        order = np.lexsort((joints, -share))[:MOST_CANDIDATES]
        found.append(joints[order[share[order] > LEAST_MASS]])
    return found


def fit(positions, matrices, targets, pose_weights, candidates, influences):
    """Weights capped at `influences`, and without a cap, as [vertices, joints] matrices."""
    strength = np.sqrt(pose_weights)
    entries = {"capped": ([], [], []), "floor": ([], [], [])}
    for vertex, joints in enumerate(candidates):
        placed = np.einsum("jikp,k->jip", matrices[joints], np.append(positions[vertex], 1.0))
        residuals = ((placed - targets[vertex]) * strength).reshape(len(joints), -1).T
        free = convex_fit(residuals)
        kept = np.sort(np.argsort(-free, kind="stable")[:influences])
        capped = free[kept]
        if np.count_nonzero(free) > influences:
            capped = convex_fit(residuals[:, kept])
        for name, some, weights in (("capped", joints[kept], capped), ("floor", joints, free)):
            rows, columns, values = entries[name]
            rows.append(np.full(len(some), vertex))
            columns.append(some)
            values.append(weights)
    shape = (len(candidates), len(matrices))
    return [
        csr_array((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=shape)
        for rows, columns, values in entries.values()
    ]


def convex_fit(residuals):
    """min |residuals w| over the simplex."""
    count = residuals.shape[1]
    if count == 1:
        return np.ones(1)
    heavy = SUM_ROW * np.linalg.norm(residuals, axis=0).max() or 1.0
    weights, _ = nnls(np.vstack([residuals, np.full(count, heavy)]), np.append(np.zeros(len(residuals)), heavy))
    return weights / weights.sum()


def error_percent(weights, positions, matrices, targets, diagonal):
    """rms distance of linear-blend skinning to the targets, in percent of the diagonal."""
    poses = matrices.shape[-1]
    flat = matrices.reshape(len(matrices), 12 * poses)
    squared = 0.0
    for start in range(0, len(positions), BLOCK):
        rows = slice(start, start + BLOCK)
        blended = (weights[rows] @ flat).reshape(-1, 3, 4, poses)
        homogeneous = np.column_stack([positions[rows], np.ones(len(blended))])
        squared += np.sum((np.einsum("vijp,vj->vip", blended, homogeneous) - targets[rows]) ** 2)
    return 100 * np.sqrt(squared / (len(positions) * poses)) / diagonal


# The run -----------------------------------------------------------------------------------------------------------


class Clock:
    """Wall time by stage, in seconds."""

    def __init__(self):
        self.seconds = {}

    @contextmanager
    def stage(self, name):
        start = time.perf_counter()
        yield
        self.seconds[name] = time.perf_counter() - start


def peak_mebibytes():
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (2**20 if sys.platform == "darwin" else 2**10)  # the one counts bytes, Linux kibibytes


def welded_bind(path, weld):
    raw = np.fromfile(path, "<u2")
    if raw.size != len(weld.of_raw):
        sys.exit(f"{path} holds {raw.size} joints for {len(weld.of_raw)} raw vertices")
    return raw[weld.first_raw].astype(int)


def measured_weights(path, character, weld):
    other = load_character(path)
    if not np.array_equal(other.positions, character.positions):
        sys.exit(f"{path} does not hold the vertices of the input")
    return weights_per_vertex(weld, other)


def run(arguments):
    clock = Clock()
    before = peak_mebibytes()
    with clock.stage("read and weld"):
        character = load_character(arguments.input)
        skin, diagonal = character.skin, character.diagonal
        poses = load_poses(arguments.poses)
        weld = Weld(character.positions, WELD_DISTANCE * diagonal)
        bind = welded_bind(arguments.bind, weld) if arguments.bind else heaviest_joint(weld, character)
    positions = weld.positions

    with clock.stage("pose joints"):
        matrices = skinning(skin, poses)
    with clock.stage("rigid shapes"):
        rigid = rigid_weights(bind, len(skin.nodes))
        shapes = rigid_shapes(positions, bind, matrices)
    with clock.stage("mush"):
        mush = Mush(positions, Surface(weld, character.triangles), arguments.rounds, arguments.pull)
        targets = mushed_shapes(mush, arguments.rounds, shapes)
        del shapes
    with clock.stage("candidates"):
        candidates = candidate_joints(mush, arguments.rounds, rigid)
    with clock.stage("fit"):
        pose_weights = np.array([weight for _, weight, _ in poses])
        capped, floor = fit(positions, matrices, targets, pose_weights, candidates, arguments.influences)
    peak = peak_mebibytes()

    contenders = {"rigid": rigid, f"K={arguments.influences}": capped, "floor": floor}
    contenders |= {path: measured_weights(path, character, weld) for path in arguments.measure}
    sets = {"fit": (matrices, targets)}
    if arguments.held_out:
        held_matrices = skinning(skin, load_poses(arguments.held_out))
        held_targets = mushed_shapes(mush, arguments.rounds, rigid_shapes(positions, bind, held_matrices))
        sets["held_out"] = (held_matrices, held_targets)
    return {
        "raw_vertices": len(character.positions),
        "welded_vertices": weld.count,
        "unmushed_vertices": int(np.count_nonzero(~mush.frames.usable)),
        "joints": len(skin.nodes),
        "poses": len(poses),
        "rms_error_percent_of_diagonal": {
            name: {key: error_percent(weights, positions, *of, diagonal) for key, of in sets.items()}
            for name, weights in contenders.items()
        },
        "seconds": clock.seconds,
        "bake_seconds": sum(clock.seconds.values()),
        "peak_memory_mebibytes": peak,
        "peak_memory_before_reading_mebibytes": before,
    }


def show(report):
    counts = ("raw_vertices", "welded_vertices", "unmushed_vertices", "joints", "poses")
    print(", ".join(f"{report[key]} {key.replace('_', ' ')}" for key in counts))
    errors = report["rms_error_percent_of_diagonal"]
    width = max(map(len, errors)) + 2
    print(f"\nrms error, % of the bind diagonal\n{'':{width}}{'fit':>10}{'held-out':>10}")
    for name, figures in errors.items():
        held_out = f"{figures['held_out']:10.4f}" if "held_out" in figures else f"{'-':>10}"
        print(f"{name:{width}}{figures['fit']:10.4f}{held_out}")
    print("\nwall time, s")
    for name, seconds in report["seconds"].items():
        print(f"{name:16}{seconds:8.3f}")
    print(f"{'bake':16}{report['bake_seconds']:8.3f}")
    peak, before = report["peak_memory_mebibytes"], report["peak_memory_before_reading_mebibytes"]
    print(f"\npeak memory of the bake {peak:.0f} MiB, {before:.0f} MiB of them before reading")


def main():
    parser = argparse.ArgumentParser(description="A plain numpy and scipy bake to measure against.")
    parser.add_argument("input", metavar="INPUT.glb")
    parser.add_argument("poses", metavar="POSES.json", nargs="?")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--pull", type=float, default=0.5)
    parser.add_argument("--influences", type=int, default=4)
    parser.add_argument("--held-out", metavar="HELD.json")
    parser.add_argument("--measure", metavar="BAKED.glb", nargs="+", default=[], help="measure their weights too")
    parser.add_argument("--bind", metavar="BIND.u16", help="the joint of each raw vertex, not the file's heaviest")
    parser.add_argument("--json", action="store_true", help="print the figures as JSON")
    parser.add_argument(
        "--write-poses",
        nargs=3,
        metavar=("SET", "POSES.json", "HELD.json"),
        help="write the pose set SET (sweep-blend) for the input, and stop",
    )
    arguments = parser.parse_args()

    if arguments.write_poses:
        pose_set, fit_path, held_out_path = arguments.write_poses
        if pose_set != "sweep-blend":
            parser.error(f"there is no pose set {pose_set}, only sweep-blend")
        write_poses(load_character(arguments.input).skin, fit_path, held_out_path)
        return
    if not arguments.poses:
        parser.error("POSES.json is missing")
    report = run(arguments)
    if arguments.json:
        json.dump(report, sys.stdout, indent=2)
        print()
    else:
        show(report)


if __name__ == "__main__":
    main()
