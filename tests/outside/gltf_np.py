"""Reads skinned characters from GLB files into numpy arrays and poses them: the shared ground of the Python checks.

Source: glTF 2.0 specification, sections 3.6.2 (accessors), 3.7.3 (skins) and 4.4 (GLB). Written from the standard
alone, so that it can contradict the program under test.

Limits: one GLB with everything in its binary chunk, skin 0 only, no sparse or compressed accessors, no triangle
strips or fans. What is outside raises ValueError.

Terms: a raw vertex is a vertex as stored. Raw order: nodes in node order that reference skin 0, their mesh's primitives
in order, POSITION order; a POSITION accessor shared by several primitives counts once, at its first use. Mesh space is
the space of POSITION, where the skinned position of x is sum_j w_j * World_j * IBM_j * x.
"""

import json
import struct
from collections import Counter
from dataclasses import dataclass

import numpy as np

COMPONENT = {5120: np.int8, 5121: np.uint8, 5122: np.int16, 5123: np.uint16, 5125: np.uint32, 5126: np.float32}
WIDTH = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}
JSON_CHUNK, BIN_CHUNK = 0x4E4F534A, 0x004E4942
TRIANGLES, TRIANGLE_STRIP, TRIANGLE_FAN = 4, 5, 6


class Document:
    """A GLB: its JSON and its accessors as arrays."""

    def __init__(self, path):
        with open(path, "rb") as file:
            data = file.read()
        if data[:4] != b"glTF":
            raise ValueError(f"{path} is no GLB file")
        chunks = {}
        at = 12
        while at + 8 <= len(data):
            length, kind = struct.unpack_from("<II", data, at)
            chunks.setdefault(kind, data[at + 8 : at + 8 + length])
            at += 8 + length
        self.json = json.loads(chunks[JSON_CHUNK])
        self.binary = chunks.get(BIN_CHUNK, b"")

    def accessor(self, index):
        """The accessor as [count] or [count, width]; normalised integers as float64, others in their own type."""
        accessor = self.json["accessors"][index]
        if "sparse" in accessor or "bufferView" not in accessor:
            raise ValueError(f"accessors[{index}] is sparse or has no bufferView, which is not read here")
        view = self.json["bufferViews"][accessor["bufferView"]]
        if "uri" in self.json["buffers"][view["buffer"]]:
            raise ValueError(f"accessors[{index}] lies outside of the GLB")
        component = np.dtype(COMPONENT[accessor["componentType"]]).newbyteorder("<")
        width = WIDTH[accessor["type"]]
        stride = view.get("byteStride", width * component.itemsize)
        array = np.ndarray(
            (accessor["count"], width),
            component,
            self.binary,
            view.get("byteOffset", 0) + accessor.get("byteOffset", 0),
            (stride, component.itemsize),
        )
        if accessor.get("normalized", False):
            array = np.maximum(array / float(np.iinfo(component).max), -1.0)
        return np.ascontiguousarray(array[:, 0] if width == 1 else array)


class Skin:
    """Skin 0 as the inverse bind matrices define it; node transforms are not read."""

    def __init__(self, document):
        skin = document.json["skins"][0]
        nodes = document.json["nodes"]
        self.nodes = skin["joints"]
        count = len(self.nodes)
        if "inverseBindMatrices" in skin:
            columns_first = document.accessor(skin["inverseBindMatrices"]).astype(np.float64)
            self.inverse_bind = columns_first[:count].reshape(count, 4, 4).transpose(0, 2, 1)
        else:
            self.inverse_bind = np.broadcast_to(np.eye(4), (count, 4, 4))

        parent_node = {child: node for node, entry in enumerate(nodes) for child in entry.get("children", [])}
        joint_of_node = {node: joint for joint, node in enumerate(self.nodes)}
        self.parents, depths = [], []
        for node in self.nodes:
            chain = []
            while node in parent_node:
                node = parent_node[node]
                chain.append(node)
            self.parents.append(next((joint_of_node[above] for above in chain if above in joint_of_node), -1))
            depths.append(len(chain))
        self.parents_first = sorted(range(count), key=lambda joint: depths[joint])

        bind = np.linalg.inv(self.inverse_bind)
        self.bind_locals = bind.copy()
        for joint, parent in enumerate(self.parents):
            if parent >= 0:
                self.bind_locals[joint] = self.inverse_bind[parent] @ bind[joint]

        # A joint goes by its name where that is unique among the joints, else by "#<node index>".
        names = [nodes[node].get("name") for node in self.nodes]
        uses = Counter(names)
        self.names = [name if name and uses[name] == 1 else f"#{node}" for name, node in zip(names, self.nodes)]
        self.joint_of_name = {f"#{node}": joint for joint, node in enumerate(self.nodes)}
        self.joint_of_name.update({name: joint for joint, name in enumerate(self.names)})

    def skinning_matrices(self, rotations):
        """World_j * IBM_j as [joints, 3, 4] for {joint name: [x, y, z, w]}, a rotation in the joint's own bind frame.

        T R Q S is computed as L * inverse(S) * Q * S, with L = T R S the bind local: the same, and no rotation need
        be split off. S holds the lengths of L's columns; where L mirrors, the first is negative.
        """
        turns = {}
        for name, quaternion in rotations.items():
            if name not in self.joint_of_name:
                raise ValueError(f"a pose names the unknown joint {name}")
            turns[self.joint_of_name[name]] = rotation_matrix(quaternion)
        worlds = np.empty_like(self.bind_locals)
        for joint in self.parents_first:
            local = self.bind_locals[joint].copy()
            if joint in turns:
                scale = np.linalg.norm(local[:3, :3], axis=0)
                if np.linalg.det(local[:3, :3]) < 0:
                    scale[0] = -scale[0]
                local[:3, :3] = (local[:3, :3] / scale) @ turns[joint] * scale
            parent = self.parents[joint]
            worlds[joint] = local if parent < 0 else worlds[parent] @ local
        return (worlds @ self.inverse_bind)[:, :3, :]


def rotation_matrix(quaternion):
    """The rotation matrix of a quaternion (x, y, z, w) of any length but zero."""
    x, y, z, w = np.asarray(quaternion, np.float64) / np.linalg.norm(quaternion)
    return np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )


@dataclass
class Character:
    skin: Skin
    positions: np.ndarray  # [raw, 3] float64
    triangles: np.ndarray  # [triangles, 3] raw vertex indices
    joints: np.ndarray  # [raw, slots] joint indices
    weights: np.ndarray  # [raw, slots] float64

    @property
    def diagonal(self):
        """Of the bind bounding box; every tolerance and figure is relative to it."""
        return np.linalg.norm(np.ptp(self.positions, axis=0))


def load_character(path):
    document = Document(path)
    meshes = document.json["meshes"]
    primitives = [
        primitive
        for node in document.json["nodes"]
        if node.get("skin") == 0 and "mesh" in node
        for primitive in meshes[node["mesh"]]["primitives"]
    ]
    first_raw = {}
    positions, triangles, joints, weights = [], [], [], []
    count = 0
    for primitive in primitives:
        attributes = primitive["attributes"]
        shared = attributes["POSITION"]
        if shared not in first_raw:
            first_raw[shared] = count
            positions.append(document.accessor(shared).astype(np.float64))
            count += len(positions[-1])
            sets = sum(name.startswith("JOINTS_") for name in attributes)
            side_by_side = lambda kind: np.hstack([document.accessor(attributes[f"{kind}_{n}"]) for n in range(sets)])
            joints.append(side_by_side("JOINTS").astype(int))
            weights.append(side_by_side("WEIGHTS").astype(np.float64))
        triangles.append(first_raw[shared] + _triangles(document, primitive))

    slots = max(array.shape[1] for array in joints)
    padded = lambda arrays: np.vstack([np.pad(array, ((0, 0), (0, slots - array.shape[1]))) for array in arrays])
    return Character(Skin(document), np.vstack(positions), np.vstack(triangles), padded(joints), padded(weights))


def _triangles(document, primitive):
    mode = primitive.get("mode", TRIANGLES)
    if mode in (TRIANGLE_STRIP, TRIANGLE_FAN):
        raise ValueError("triangle strips and fans are not read here")
    if mode != TRIANGLES:
        return np.empty((0, 3), int)
    if "indices" in primitive:
        corners = document.accessor(primitive["indices"]).astype(int)
    else:
        corners = np.arange(document.json["accessors"][primitive["attributes"]["POSITION"]]["count"])
    return corners.reshape(-1, 3)


def load_poses(path):
    """[(name, weight, {joint name: quaternion})] of a pose file."""
    with open(path, encoding="utf-8") as file:
        poses = json.load(file)["poses"]
    return [(pose["name"], float(pose.get("weight", 1.0)), pose["joints"]) for pose in poses]
