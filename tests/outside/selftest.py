"""Checks the checks: each must pass over sound mock cases and fail when one thing in them is broken.

Source:    the mocks come from the sample characters in the folder that TANYARD_ASSETS names (skipped when unset), and
           from one small character made here with what real files contain: two primitives, normalised weights, a
           node between joints that is no joint, a mesh node and a root that are moved, scaled and mirroring
           joints, two joints of one name and one of none, a strip without tangent planes. Their skinned.f32 and
           mush.f32 come from the loops below, written vertex by vertex and sharing no code with gltf_np.py and mush.py
           but the reading of accessors. Reports are those that tests/it keeps, in which everything happens.
Tolerance: that of the checks; a break is the smallest that matters: 3e-5 of the diagonal, one degree, one round.

Needs what run.sh installs: run it with the environment's python, after run.sh or `npm ci`.
"""

import json
import os
import shutil
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.linalg import polar
from scipy.spatial.transform import Rotation

from gltf_np import Document

HERE = Path(__file__).resolve().parent
VALIDATE = ["node", HERE / "validate.mjs"]
THREE_POSE = ["node", HERE / "three_pose.mjs"]
MUSH = [sys.executable, HERE / "mush.py"]
REPORTS = [sys.executable, HERE / "reports.py"]
KEPT = HERE.parent / "it" / "kept"
ROUNDS, PULL = 5, 0.5
BROKEN_BY = 3e-5  # of the diagonal: three times the tolerance


# The plain way: loops over joints and vertices -----------------------------------------------------------------------


def read_plainly(path):
    document = Document(path)
    nodes, joints = document.json["nodes"], document.json["skins"][0]["joints"]
    inverse_bind = document.accessor(document.json["skins"][0]["inverseBindMatrices"]).reshape(-1, 4, 4)
    inverse_bind = [matrix.astype(float).T for matrix in inverse_bind]
    parent = {}
    for node, entry in enumerate(nodes):
        for child in entry.get("children", []):
            parent[child] = node

    def joint_above(node):
        while node in parent:
            node = parent[node]
            if node in joints:
                return joints.index(node)
        return None

    corners, points, weights = [], [], []
    for node in nodes:
        if node.get("skin") != 0:
            continue
        for primitive in document.json["meshes"][node["mesh"]]["primitives"]:
            attributes = primitive["attributes"]
            first = len(points)
            points += [point.astype(float) for point in document.accessor(attributes["POSITION"])]
            slots = (document.accessor(attributes[name]) for name in ("JOINTS_0", "WEIGHTS_0"))
            for some, shares in zip(*slots):
                weights.append([(int(joint), float(share)) for joint, share in zip(some, shares) if share > 0])
            order = document.accessor(primitive["indices"]) if "indices" in primitive else range(len(points) - first)
            corners += [first + int(corner) for corner in order]
    names = [nodes[node].get("name") for node in joints]
    names = [name if names.count(name) == 1 and name else f"#{node}" for name, node in zip(names, joints)]
    return names, [joint_above(node) for node in joints], inverse_bind, points, weights, corners


def world_plainly(joint, pose, names, parents, inverse_bind):
    bind = np.linalg.inv(inverse_bind[joint])
    local = bind if parents[joint] is None else inverse_bind[parents[joint]] @ bind
    scale = np.linalg.norm(local[:3, :3], axis=0)
    if np.linalg.det(local) < 0:
        scale[0] *= -1
    translate, rotate, turn, stretch = np.eye(4), np.eye(4), np.eye(4), np.diag([*scale, 1.0])
    translate[:3, 3] = local[:3, 3]
    rotate[:3, :3] = local[:3, :3] @ np.diag(1 / scale)
    turn[:3, :3] = Rotation.from_quat(pose.get(names[joint], [0, 0, 0, 1])).as_matrix()
    posed = translate @ rotate @ turn @ stretch
    if parents[joint] is None:
        return posed
    return world_plainly(parents[joint], pose, names, parents, inverse_bind) @ posed


def mush_plainly(bind_points, posed_points, corners):
    """Delta mush over exactly welded points, by dictionaries of neighbours."""
    first = {}
    vertex = [first.setdefault(tuple(point), len(first)) for point in bind_points]
    bind, posed = np.zeros((len(first), 3)), np.zeros((len(first), 3))
    for raw, v in enumerate(vertex):
        bind[v], posed[v] = bind_points[raw], posed_points[raw]
    ring = [set() for _ in first]
    for at in range(0, len(corners), 3):
        triangle = {vertex[corner] for corner in corners[at : at + 3]}
        if len(triangle) == 3:
            for v in triangle:
                ring[v] |= triangle - {v}

    def smooth(shape):
        for _ in range(ROUNDS):
            means = [np.mean(shape[list(around)], axis=0) if around else shape[v] for v, around in enumerate(ring)]
            shape = shape + PULL * (means - shape)
        return shape

    smooth_bind, smooth_posed = smooth(bind), smooth(posed)
    mushed = posed.copy()
    for v in range(len(first)):
        around = set(ring[v])
        for _ in range(3):
            others = sorted(around)
            edges = smooth_bind[others] - smooth_bind[v]
            _, singular, axes = np.linalg.svd(edges, full_matrices=False) if len(others) > 1 else (0, [0, 0], 0)
            if len(others) > 1 and singular[1] ** 2 >= 1e-4 * singular[0] ** 2 and singular[0] > 0:
                plane = axes[:2]
                coordinates = edges @ plane.T
                tangents = np.linalg.lstsq(coordinates, smooth_posed[others] - smooth_posed[v], rcond=None)[0].T
                pair, _ = polar(tangents)
                after = np.column_stack([pair, np.cross(pair[:, 0], pair[:, 1])])
                before = np.column_stack([*plane, np.cross(*plane)])
                mushed[v] = smooth_posed[v] + after @ before.T @ (bind[v] - smooth_bind[v])
                break
            around = around.union(*(ring[other] for other in around)) - {v}
    return mushed[vertex]


# Mock cases --------------------------------------------------------------------------------------------------------


def make_case(folder, glb):
    folder.mkdir(parents=True)
    for file in ("input.glb", "baked.glb"):
        shutil.copyfile(glb, folder / file)
    names, parents, inverse_bind, points, weights, corners = read_plainly(glb)
    random = np.random.default_rng(7)
    poses = [
        {
            "name": f"mock {n}",
            "weight": 1,
            "joints": {name: Rotation.from_rotvec(random.normal(size=3) * 0.4).as_quat().tolist() for name in names},
        }
        for n in range(2)
    ] + [{"name": "bind", "weight": 1, "joints": {}}]

    total = {}
    for point, shares in zip(points, weights):
        for joint, share in shares:
            sums = total.setdefault(tuple(point), [0.0] * len(names))
            sums[joint] += share
    bind = [int(np.argmax(total[tuple(point)])) for point in points]

    skinned, mushed = [], []
    for pose in poses:
        world = lambda joint: world_plainly(joint, pose["joints"], names, parents, inverse_bind)
        turns = [world(joint) @ inverse_bind[joint] for joint in range(len(names))]
        place = lambda joint, point: turns[joint][:3, :3] @ point + turns[joint][:3, 3]
        blend = lambda point, shares: sum(share * place(joint, point) for joint, share in shares)
        skinned.append([blend(point, shares) for point, shares in zip(points, weights)])
        mushed.append(mush_plainly(points, [place(joint, point) for joint, point in zip(bind, points)], corners))

    (folder / "poses.json").write_text(json.dumps({"poses": poses}))
    (folder / "case.json").write_text(json.dumps({"rounds": ROUNDS, "pull": PULL}))
    np.asarray(skinned, "<f4").tofile(folder / "skinned.f32")
    np.asarray(mushed, "<f4").tofile(folder / "mush.f32")
    np.asarray(bind, "<u2").tofile(folder / "bind.u16")


def write_glb(path, document, binary):
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(binary), b"BIN\0") + binary
    path.write_bytes(b"glTF" + struct.pack("<II", 2, 12 + len(chunks)) + chunks)


def knotty_character(path):
    """A bent tube of two primitives and a loose strip, over a skeleton with the oddities named above."""
    binary, views, accessors = bytearray(), [], []

    def accessor(array, kind, component, **more):
        views.append({"buffer": 0, "byteOffset": len(binary), "byteLength": array.nbytes})
        binary.extend(array.tobytes() + bytes(-array.nbytes % 4))
        entry = {"bufferView": len(views) - 1, "componentType": component, "count": len(array), "type": kind}
        accessors.append(entry | more)
        return len(accessors) - 1

    def primitive(points, triangles, weights):
        points = np.asarray(points, "<f4")
        shares = np.round(np.asarray(weights) * 255)
        shares[np.arange(len(shares)), shares.argmax(axis=1)] += 255 - shares.sum(axis=1)
        joints = np.where(shares > 0, np.arange(4), 0)
        return {
            "attributes": {
                "POSITION": accessor(points, "VEC3", 5126, min=points.min(0).tolist(), max=points.max(0).tolist()),
                "JOINTS_0": accessor(joints.astype("u1"), "VEC4", 5121),
                "WEIGHTS_0": accessor(shares.astype("u1"), "VEC4", 5121, normalized=True),
            },
            "indices": accessor(np.asarray(triangles, "<u2").ravel(), "SCALAR", 5123),
        }

    around, along = 8, 6
    angle = 2 * np.pi * np.arange(around) / around

    def tube(first_ring):
        height = first_ring + np.arange(along)
        points = [[np.cos(a) + 0.1 * h, 0.8 * np.sin(a), h] for h in height for a in angle]
        quads = [(i * around + k, i * around + (k + 1) % around) for i in range(along - 1) for k in range(around)]
        triangles = [t for a, b in quads for t in ((a, b, b + around), (a, b + around, a + around))]
        return points, triangles, [np.exp(-(((h / 3 - np.arange(4)) / 0.6) ** 2)) for h in height for _ in angle]

    normalised = lambda weights: np.asarray(weights) / np.sum(weights, axis=1, keepdims=True)
    length = 24  # the last bends off: rings grow near it, and stay degenerate far from it
    strip = [[3 + 0.1 * n, 1e-5 * (n % 2) + (n == length - 1), 5] for n in range(length)] + [[9, 9, 9]]  # a lone vertex
    strip_triangles = [(n, n + 1, n + 2) for n in range(length - 2)] + [(0, 0, 1)]
    primitives = [
        *(primitive(points, corners, normalised(weights)) for points, corners, weights in map(tube, (0, along - 1))),
        primitive(strip, strip_triangles, [[0, 1, 0, 0]] * 16 + [[0, 0, 1, 0]] * 8 + [[0.5, 0.25, 0.125, 0.125]]),
    ]

    def turned(degrees, offset, scale):
        rotation = Rotation.from_euler("xyz", degrees, degrees=True).as_matrix()
        return np.block([[rotation * scale, np.reshape(offset, (3, 1))], [0, 0, 0, 1]])

    locals_ = [
        turned([10, 0, 20], [0, 0, 0], [2, 2, 2]),
        turned([0, 30, 0], [0, 0, 1.5], [0.5, 0.7, 0.5]),
        turned([40, 0, 0], [0, 0, 3], [-1, 1, 1]),
        turned([0, 0, 50], [0.2, 0, 3], [1, 1, 1]),
    ]
    parents = [None, 0, 0, 2]
    worlds = []
    for local, parent in zip(locals_, parents):
        worlds.append(local if parent is None else worlds[parent] @ local)
    inverse_bind = np.array([np.linalg.inv(world).T.ravel() for world in worlds], "<f4")

    document = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [
            {"name": "stage", "children": [1, 6], "translation": [5, 6, 7], "scale": [0.01, 0.01, 0.01]},
            {"name": "hip", "children": [2, 3]},
            {"name": "limb", "rotation": [0, 1, 0, 0]},
            {"name": "not a joint", "children": [4], "translation": [1, 2, 3], "rotation": [0.6, 0, 0, 0.8]},
            {"name": "limb", "children": [5], "scale": [1, 2, 1]},
            {"translation": [0, 0, 1]},
            {"name": "body", "mesh": 0, "skin": 0, "translation": [9, 9, 9]},
        ],
        "meshes": [{"primitives": primitives}],
        "skins": [{"joints": [1, 2, 4, 5], "inverseBindMatrices": accessor(inverse_bind, "MAT4", 5126)}],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(binary)}],
    }
    write_glb(path, document, bytes(binary))


# Breaks --------------------------------------------------------------------------------------------------------------


def edit_json(folder, file, change):
    content = json.loads((folder / file).read_text())
    change(content)
    (folder / file).write_text(json.dumps(content))


def edit_glb(folder, change):
    document = Document(folder / "baked.glb")
    binary = bytearray(document.binary)
    change(document.json, binary)
    write_glb(folder / "baked.glb", document.json, bytes(binary))


def weights_start(gltf):
    primitive = gltf["meshes"][0]["primitives"][0]
    weights = gltf["accessors"][primitive["attributes"]["WEIGHTS_0"]]
    return gltf["bufferViews"][weights["bufferView"]]["byteOffset"] + weights.get("byteOffset", 0)


def zero_first_weights(gltf, binary):
    start = weights_start(gltf)
    binary[start : start + 4] = bytes(4)


def misspell_property(gltf, binary):
    gltf["nodes"][0]["rotatoin"] = [0, 0, 0, 1]  # the standard knows no such property: a warning


def turn_one_degree(content):
    joints = content["poses"][0]["joints"]
    name = next(iter(joints))
    joints[name] = (Rotation.from_quat(joints[name]) * Rotation.from_euler("x", 1, degrees=True)).as_quat().tolist()


def add_ghost_joint(content):
    content["poses"][0]["joints"]["ghost"] = [0, 0, 0, 1]


def nudge(file):
    def change(folder):
        values = np.fromfile(folder / file, "<f4")
        size = np.linalg.norm(np.ptp(np.asarray(read_plainly(folder / "input.glb")[3]), axis=0))
        values[-1] += BROKEN_BY * size
        values.tofile(folder / file)

    return change


def not_a_number(file):
    def change(folder):
        values = np.fromfile(folder / file, "<f4")
        values[0] = np.nan
        values.tofile(folder / file)

    return change


BREAKS = [
    ("weights that do not sum to one", VALIDATE, lambda folder: edit_glb(folder, zero_first_weights)),
    ("a new warning", VALIDATE, lambda folder: edit_glb(folder, misspell_property)),
    ("a baked file that is missing", VALIDATE, lambda folder: (folder / "baked.glb").unlink()),
    ("a baked file cut short", VALIDATE, lambda folder: os.truncate(folder / "baked.glb", 5000)),
    ("other weights than were skinned", THREE_POSE, lambda folder: edit_glb(folder, zero_first_weights)),
    ("a rotation one degree off", THREE_POSE, lambda folder: edit_json(folder, "poses.json", turn_one_degree)),
    ("one skinned coordinate off", THREE_POSE, nudge("skinned.f32")),
    ("a skinned coordinate that is no number", THREE_POSE, not_a_number("skinned.f32")),
    ("a skinned.f32 cut short", THREE_POSE, lambda folder: os.truncate(folder / "skinned.f32", 600)),
    ("a joint that is not there", THREE_POSE, lambda folder: edit_json(folder, "poses.json", add_ghost_joint)),
    ("one round more", MUSH, lambda folder: edit_json(folder, "case.json", lambda case: case.update(rounds=6))),
    ("a pull 2 % off", MUSH, lambda folder: edit_json(folder, "case.json", lambda case: case.update(pull=0.51))),
    ("a rotation one degree off", MUSH, lambda folder: edit_json(folder, "poses.json", turn_one_degree)),
    ("one mushed coordinate off", MUSH, nudge("mush.f32")),
    ("a mushed coordinate that is no number", MUSH, not_a_number("mush.f32")),
    ("a bind.u16 cut short", MUSH, lambda folder: os.truncate(folder / "bind.u16", 100)),
]


def swap(file, old, new):
    """Puts new text in the first place of the old."""

    def change(folder):
        text = (folder / file).read_text(encoding="utf-8")
        if old not in text:
            sys.exit(f"nothing to break: no {old!r} in {file}")
        (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")

    return change


def last_lines_away(file, count):
    def change(folder):
        lines = (folder / file).read_text(encoding="utf-8").splitlines(keepends=True)
        (folder / file).write_text("".join(lines[:-count]), encoding="utf-8")

    return change


REPORT_BREAKS = [
    ("a number that is text", swap("report.json", '"wall_s": 12.5', '"wall_s": "12.5"')),
    ("a status that is none", swap("report.json", '"status": "left"', '"status": "gone"')),
    ("a field too many", swap("report.json", '"shard": null', '"shard": null, "shards": 3')),
    ("a field too few", swap("report.json", '"status": "left",', "")),
    ("a number that JSON has not", swap("report.json", '"wall_s": 12.5', '"wall_s": NaN')),
    ("a document cut short", last_lines_away("report.json", 1)),
    ("a line without status", swap("report.jsonl", '"status":"left",', "")),
    ("lines without the run", last_lines_away("report.jsonl", 1)),
    ("a line of a file that is missing", last_lines_away("report.jsonl", 2)),
    ("an element that is none", swap("report.xml", "<skipped", "<skippped")),
    ("an attribute that is none", swap("report.xml", "<testsuites ", '<testsuites skipped="1" ')),
    ("a case without name", swap("report.xml", '<testcase name="h.glb" ', "<testcase ")),
    ("a time that is none", swap("report.xml", 'time="12.500"', 'time="12.5000"')),
    ("a bare <", swap("report.xml", "&lt;", "<")),
    ("a bare &", swap("report.xml", "&amp;amp;", "& amp;")),
    ("a bare ]]>", swap("report.xml", 'type="limit">nasty/&lt;b&gt;|]]&gt;', 'type="limit">]]>')),
    ("a sign that XML cannot say", swap("report.xml", "no skins", "no \x1b skins")),
    ("a count that is wrong", swap("report.xml", 'errors="3"', 'errors="2"')),
    ("two cases of one name", swap("report.xml", "b.glb, body (2)", "b.glb, body")),
    ("a form that is missing", lambda folder: (folder / "report.xml").unlink()),
]


def run(command, cases):
    result = subprocess.run([*command, cases], capture_output=True, text=True)
    return result.returncode == 0, result.stdout + result.stderr


def main():
    outcomes = []

    def expect(what, passes, command, cases):
        passed, output = run(command, cases)
        tallied = output.strip().splitlines()[-1].endswith(" failed")  # a crash is no verdict
        outcomes.append(passed == passes and tallied)
        print(f"{'ok' if outcomes[-1] else 'FAILED'} {Path(command[-1]).name}: {what}", flush=True)
        if not outcomes[-1]:
            print(output)

    with tempfile.TemporaryDirectory() as temporary:
        root = Path(temporary)
        knotty_character(root / "Knotty.glb")
        characters = [root / "Knotty.glb"]
        if "TANYARD_ASSETS" in os.environ:
            characters += sorted(Path(os.environ["TANYARD_ASSETS"]).glob("*.glb"))
        else:
            print("skip the sample characters: TANYARD_ASSETS is not set")
        for glb in characters:
            make_case(root / "sound" / glb.stem, glb)
        kept = root / "reports" / "kept"
        kept.mkdir(parents=True)
        for path in KEPT.glob("report.*"):
            shutil.copy(path, kept)
        expect("passes the kept reports", True, REPORTS, kept.parent)
        for command in (VALIDATE, THREE_POSE, MUSH):
            expect(f"passes {len(characters)} sound cases", True, command, root / "sound")
        for command in (VALIDATE, THREE_POSE, MUSH, REPORTS):
            (root / "empty").mkdir(exist_ok=True)
            expect("fails when there is no case", False, command, root / "empty")
        for what, command, change in BREAKS:
            broken = root / "broken" / "Knotty"
            shutil.copytree(root / "sound" / "Knotty", broken)
            change(broken)
            expect(f"fails on {what}", False, command, broken.parent)
            shutil.rmtree(broken)
        for what, change in REPORT_BREAKS:
            broken = root / "broken" / "kept"
            shutil.copytree(kept, broken)
            change(broken)
            expect(f"fails on {what}", False, REPORTS, broken.parent)
            shutil.rmtree(broken)
    print(f"{outcomes.count(True)} passed, {outcomes.count(False)} failed")
    sys.exit(0 if all(outcomes) else 1)


if __name__ == "__main__":
    main()
