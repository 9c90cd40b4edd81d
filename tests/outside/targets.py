"""Target shapes made here, of weights that are known, must give these weights back; and shapes with a flaw must be
refused in words.

    targets.py TANYARD CHARACTER.glb FOLDER

Reads the character with gltf_np, gives every vertex smooth weights by its distance to joints (so that neither the file
nor a bind knows them), poses it by linear blend skinning in double precision, and writes the shapes as OBJ files, as a
NumPy array and as morph targets, each split and ordered in another way. Then `tanyard bake --targets` must find the
weights to 1e-3, the tolerance that the recovery of a file's own weights has.

Limits: skin 0 of a GLB without matrices of nodes that shear.
"""

import json
import shutil
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np

from gltf_np import Document, load_character, rotation_matrix

POSES = 24
TOLERANCE = 1e-3
SLOTS = 4
# Six decimals of a scene: what most exporters write.
DECIMALS = 6


def main(tanyard, path, folder):
    folder = Path(folder)
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    random = np.random.default_rng(7)
    character = load_character(path)
    known = known_weights(character)
    poses, shapes = posed(character, known, random)
    bind = character.positions
    to_scene = placement(Document(path), character.skin)
    in_scene = lambda points: points @ to_scene[:3, :3].T + to_scene[:3, 3]
    shapes, bind = in_scene(shapes), in_scene(bind)
    pose_file = folder / "given.json"
    pose_file.write_text(json.dumps({"poses": poses}))
    recipe = folder / "recipe.toml"
    # Mending and symmetry are there to change what the fit finds.
    recipe.write_text("[fit]\nmend = false\nsymmetry = \"off\"\n")

    forms = {
        # In the order of the file, without a bind shape: the poses lie beside.
        "obj": write_obj(folder / "obj", shapes),
        # Big-endian doubles, with a bind shape.
        "npy": write_npy(folder / "shapes.npy", shapes, bind),
        # Every vertex twice and in any order: found by its place.
        "glb": write_glb(folder / "shapes.glb", shapes, bind, random),
    }
    (folder / "obj" / "poses.json").write_text(pose_file.read_text())
    failures = 0
    for form, given in forms.items():
        output = folder / f"{form}.glb"
        words = [tanyard, "bake", path, "-o", output, "--targets", given, "--recipe", recipe, "--quiet"]
        words += [] if form == "obj" else ["--poses", pose_file]
        run = subprocess.run(words, capture_output=True, text=True)
        if run.returncode != 0:
            print(f"  {form}: exit code {run.returncode}: {run.stderr.strip()}")
            failures += 1
            continue
        off = np.abs(dense(load_character(output)) - known).max(axis=1)
        verdict = "ok" if off.max() <= TOLERANCE else "FAILED"
        print(f"  {form}: {len(off)} vertices, {POSES} poses, worst weight off by {off.max():.1e}: {verdict}")
        failures += verdict != "ok"
    failures += refusals(tanyard, path, folder, recipe, forms, pose_file, shapes, random)
    return failures


def known_weights(character):
    """[raw, joints]: by the inverse fourth power of the distance to the nearest joints, smallest shares cut."""
    joints = np.linalg.inv(character.skin.inverse_bind)[:, :3, 3]
    distance = np.linalg.norm(character.positions[:, None] - joints[None], axis=2) + 1e-3 * character.diagonal
    weights = distance**-4.0
    weights[weights < np.sort(weights, axis=1)[:, -SLOTS, None]] = 0
    weights /= weights.sum(axis=1, keepdims=True)
    weights[weights < 0.02] = 0
    return weights / weights.sum(axis=1, keepdims=True)


def posed(character, weights, random):
    """Pose entries, and [poses, raw, 3]: every joint turns about any axis, by up to 40 degrees."""
    skin = character.skin
    points = np.hstack([character.positions, np.ones((len(character.positions), 1))])
    poses, shapes = [], []
    for number in range(POSES):
        axes = random.normal(size=(len(skin.names), 3))
        axes /= np.linalg.norm(axes, axis=1, keepdims=True)
        half = np.radians(random.uniform(5, 40, size=(len(skin.names), 1))) / 2
        turns = np.hstack([axes * np.sin(half), np.cos(half)])
        joints = {name: turn.tolist() for name, turn in zip(skin.names, turns)}
        poses.append({"name": f"any {number}", "joints": joints})
        blended = np.einsum("vj,jrc->vrc", weights, skin.skinning_matrices(joints))
        shapes.append(np.einsum("vrc,vc->vr", blended, points))
    return poses, np.array(shapes)


def placement(document, skin):
    """Mesh space to the scene: the world matrix of the first root joint as saved, times its inverse bind matrix."""
    nodes = document.json["nodes"]
    above = {child: node for node, entry in enumerate(nodes) for child in entry.get("children", [])}

    def world(node):
        entry = nodes[node]
        if "matrix" in entry:
            local = np.array(entry["matrix"], float).reshape(4, 4).T
        else:
            local = np.eye(4)
            local[:3, :3] = rotation_matrix(entry.get("rotation", [0, 0, 0, 1])) * np.array(entry.get("scale", [1, 1, 1]))
            local[:3, 3] = entry.get("translation", [0, 0, 0])
        return world(above[node]) @ local if node in above else local

    root = skin.parents.index(-1)
    return world(skin.nodes[root]) @ skin.inverse_bind[root]


def write_obj(folder, shapes):
    folder.mkdir()
    for number, shape in enumerate(shapes):
        lines = [f"v {x:.{DECIMALS}f} {y:.{DECIMALS}f} {z:.{DECIMALS}f}" for x, y, z in shape]
        (folder / f"frame{number}.obj").write_text("o it\r\n" + "\r\n".join(lines) + "\r\n")
    return folder


def write_npy(path, shapes, bind):
    np.save(path, shapes.astype(">f8"))
    np.save(path.with_suffix(".bind.npy"), bind.astype("<f4"))
    return path


def write_glb(path, shapes, bind, random):
    order = random.permutation(np.repeat(np.arange(len(bind)), 2))
    arrays = [bind[order]] + [(shape - bind)[order] for shape in shapes]
    arrays = [array.astype("<f4") for array in arrays]
    length = arrays[0].nbytes
    accessors = [
        {
            "bufferView": number,
            "componentType": 5126,
            "count": len(order),
            "type": "VEC3",
            "min": array.min(axis=0).tolist(),
            "max": array.max(axis=0).tolist(),
        }
        for number, array in enumerate(arrays)
    ]
    views = [{"buffer": 0, "byteOffset": n * length, "byteLength": length} for n in range(len(arrays))]
    targets = [{"POSITION": n} for n in range(1, len(arrays))]
    document = {
        "asset": {"version": "2.0"},
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "targets": targets}]}],
        "accessors": accessors,
        "bufferViews": views,
        "buffers": [{"byteLength": len(arrays) * length}],
    }
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    binary = b"".join(array.tobytes() for array in arrays)
    total = 12 + 8 + len(text) + 8 + len(binary)
    head = struct.pack("<4sIIII", b"glTF", 2, total, len(text), 0x4E4F534A)
    path.write_bytes(head + text + struct.pack("<II", len(binary), 0x004E4942) + binary)
    return path


def dense(character):
    """[raw, joints] of the weights that a file has."""
    weights = np.zeros((len(character.positions), len(character.skin.names)))
    rows = np.repeat(np.arange(len(weights)), character.joints.shape[1])
    np.add.at(weights, (rows, character.joints.ravel()), character.weights.ravel())
    return weights


def refusals(tanyard, path, folder, recipe, forms, pose_file, shapes, random):
    """Shapes with a flaw: exit code 3, words that say it, and nothing written."""
    fewer = folder / "fewer.json"
    poses = json.loads(pose_file.read_text())["poses"]
    fewer.write_text(json.dumps({"poses": poses[1:]}))
    permuted = folder / "permuted.npy"
    np.save(permuted, shapes[:, random.permutation(shapes.shape[1])].astype("<f4"))
    nowhere = folder / "nowhere.npy"
    with_nan = shapes.astype("<f4")
    with_nan[17, 123, 1] = np.nan
    np.save(nowhere, with_nan)
    short = folder / "short.npy"
    np.save(short, shapes[:, :-1].astype("<f4"))
    gap = folder / "gap"
    shutil.copytree(forms["obj"], gap)
    (gap / "frame7.obj").unlink()
    cases = {
        "a wrong number of poses": (forms["npy"], fewer, [str(POSES), str(POSES - 1), "fewer.json"]),
        "another order": (permuted, pose_file, ["another order", "permuted.bind.npy"]),
        "no number": (nowhere, pose_file, ["shape 17, vertex 123", "NaN", "nowhere.npy"]),
        "a vertex too few": (short, pose_file, [str(shapes.shape[1]), str(shapes.shape[1] - 1)]),
        "a missing frame": (gap, pose_file, ["none of 7", "gap"]),
    }
    failures = 0
    for name, (given, poses, words) in cases.items():
        output = folder / "refused.glb"
        command = [tanyard, "bake", path, "-o", output, "--targets", given, "--poses", poses, "--recipe", recipe]
        run = subprocess.run([*command, "--quiet"], capture_output=True, text=True)
        missing = [word for word in words if word not in run.stderr]
        fine = run.returncode == 3 and not missing and not output.exists()
        print(f"  {name}: {'ok' if fine else 'FAILED'}: exit code {run.returncode}: {run.stderr.strip()}")
        failures += not fine
    return failures


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    sys.exit(1 if main(*sys.argv[1:]) else 0)
