"""Checks delta mush over a rigid bind: mush.f32 against an independent float64 version.

Source:    Mancewicz, Derksen, Rijpkema, Wilson, "Delta Mush: smoothing deformations while preserving detail",
           DigiPro 2014: smooth the bind shape and the posed shape alike, keep what the smoothing took from the bind
           shape (the delta) in a local frame at each vertex, and give it back in the frame of the posed shape.
Smoothing: `rounds` times s <- s + pull * (A s - s), A the plain mean over the one-ring. Vertices are welded by
           position first and topology is that of the triangles that stay triangles; a lone vertex stays where it is.
Frame:     the paper leaves it open, so this is our choice. At a vertex of the smoothed bind shape the ring edges e_k
           have the moment C = sum e_k e_k^T with principal directions u, b of the two largest moments l1 >= l2. In the
           smoothed posed shape M = (sum e'_k [e_k.u, e_k.b]) diag(1/l1, 1/l2) is the least-squares map of the tangent
           plane. R takes [u, b, u x b] to the orthonormal pair closest to M (its polar factor, by SVD here) and their
           cross product. A ring with l2 < 1e-4 l1 or fewer than two vertices is degenerate: it grows to two, then three
           rings, and if that does not help the vertex keeps the position that came in.
Tolerance: 1e-5 of the bind bounding-box diagonal. The program may work in 32-bit floats (6e-8 a rounding): rounds of
           means damp rounding errors, and the frame amplifies them by at most delta / edge length, a few times.
           A wrong frame, count of rounds or weld gives 1e-3 and more.

For information, the last figure of a line is the rms difference to the same with the frame most often seen, the
area-weighted normal and one edge: how much the open choice matters. It is no part of the check.
"""

import json

import numpy as np
from scipy.sparse import coo_array, csr_array, diags_array, eye_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from cases import run_cases
from gltf_np import load_character, load_poses

TOLERANCE = 1e-5  # of the diagonal
WELD_DISTANCE = 1e-6  # of the diagonal; above the rounding of a 32-bit coordinate, below any modelled gap
DEGENERATE = 1e-4  # l2 / l1 of a ring's moments below which it has no tangent plane to speak of
LARGEST_RING = 3


class Weld:
    """Raw vertices at one position are one welded vertex; welded vertices are numbered by their first raw vertex."""

    def __init__(self, positions, distance):
        pairs = cKDTree(positions).query_pairs(distance, output_type="ndarray")
        links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(positions),) * 2)
        self.count, self.of_raw = connected_components(links, directed=False)
        _, self.first_raw = np.unique(self.of_raw, return_index=True)
        self.positions = positions[self.first_raw]


class Surface:
    """A welded mesh: `ring` is its symmetric 0/1 adjacency, `triangles` those with three different corners."""

    def __init__(self, weld, raw_triangles):
        triangles = weld.of_raw[raw_triangles]
        a, b, c = triangles.T
        self.triangles = triangles[(a != b) & (b != c) & (c != a)]
        a, b, c = self.triangles.T
        tails, heads = np.concatenate([a, b, c, b, c, a]), np.concatenate([b, c, a, a, b, c])
        ring = coo_array((np.ones(len(tails)), (tails, heads)), shape=(weld.count,) * 2).tocsr()
        self.ring = _ones(ring)
        self.count = weld.count

    def smoothing(self, pull):
        """One round as a matrix: (1 - pull) I + pull A; the rows of lone vertices are those of I."""
        degree = self.ring.sum(axis=1)
        mean = diags_array(1.0 / np.maximum(degree, 1)) @ self.ring + diags_array((degree == 0).astype(float))
        return csr_array((1.0 - pull) * eye_array(self.count) + pull * mean)


class Frames:
    """The principal ring directions of a shape, and the matrices that map a posed shape to its tangent maps."""

    def __init__(self, shape, surface):
        rings = _well_shaped_rings(shape, surface.ring)
        self.usable = rings.sum(axis=1) > 0
        moments, directions = _principal(shape, rings)
        self.axes = directions[:, :, [2, 1]]  # u, b
        self.axes = np.dstack([self.axes, np.cross(self.axes[:, :, 0], self.axes[:, :, 1])])
        # M[:, :, c] = sum_k (s'_k - s'_v) (e_k . axis_c) / l_c is linear in s': a matrix whose rows sum to zero.
        vertex, other = rings.coords
        edges = shape[other] - shape[vertex]
        self.tangent_maps = []
        for column, moment in ((0, moments[:, 2]), (1, moments[:, 1])):
            share = np.einsum("ei,ei->e", edges, self.axes[vertex, :, column]) / moment[vertex]
            spread = coo_array((share, (vertex, other)), shape=rings.shape).tocsr()
            self.tangent_maps.append(csr_array(spread - diags_array(spread.sum(axis=1))))

    def posed(self, shape):
        """The frames of the posed shape [vertices, 3], as [vertices, 3, 3] with the axes in columns."""
        tangents = np.stack([matrix @ shape for matrix in self.tangent_maps], axis=-1)
        left, _, right = np.linalg.svd(tangents, full_matrices=False)
        pair = left @ right
        return np.dstack([pair, np.cross(pair[:, :, 0], pair[:, :, 1])])


class Mush:
    """Delta mush of one surface and bind shape."""

    def __init__(self, bind_shape, surface, rounds, pull):
        self.smooth_once = surface.smoothing(pull)
        self.rounds = rounds
        self.smoothed_bind = self.smooth(bind_shape)
        self.frames = Frames(self.smoothed_bind, surface)
        self.delta = bind_shape - self.smoothed_bind
        self.local_delta = np.einsum("vij,vi->vj", self.frames.axes, self.delta)

    def smooth(self, shape):
        for _ in range(self.rounds):
            shape = self.smooth_once @ shape
        return shape

    def apply(self, shape):
        smoothed = self.smooth(shape)
        mushed = smoothed + np.einsum("vij,vj->vi", self.frames.posed(smoothed), self.local_delta)
        return np.where(self.frames.usable[:, None], mushed, shape)

    def apply_with_classical_frames(self, shape, surface):
        """For information: frames from the area-weighted normal and the edge to the first neighbour."""
        smoothed = self.smooth(shape)
        turn = classical_frames(smoothed, surface) @ classical_frames(self.smoothed_bind, surface).transpose(0, 2, 1)
        mushed = smoothed + np.einsum("vij,vj->vi", turn, self.delta)
        return np.where(self.frames.usable[:, None], mushed, shape)


def classical_frames(shape, surface):
    a, b, c = surface.triangles.T
    area_normals = np.cross(shape[b] - shape[a], shape[c] - shape[a])
    normals = np.zeros_like(shape)
    for corner in (a, b, c):
        np.add.at(normals, corner, area_normals)
    normals = _unit(normals)
    lone = np.diff(surface.ring.indptr) == 0
    neighbour = np.arange(surface.count)
    neighbour[~lone] = surface.ring.indices[surface.ring.indptr[:-1][~lone]]
    edges = shape[neighbour] - shape
    tangents = _unit(edges - normals * np.einsum("vi,vi->v", edges, normals)[:, None])
    return np.stack([tangents, np.cross(normals, tangents), normals], axis=-1)


def _unit(vectors):
    return vectors / np.maximum(np.linalg.norm(vectors, axis=1, keepdims=True), np.finfo(float).tiny)


def _ones(matrix):
    matrix = csr_array(matrix)
    matrix.data[:] = 1.0
    matrix.sort_indices()
    return matrix


def _principal(shape, rings):
    """Ascending eigenvalues and eigenvectors of sum e_k e_k^T over each vertex's ring."""
    vertex, other = rings.coords
    edges = shape[other] - shape[vertex]
    moments = np.zeros((len(shape), 3, 3))
    np.add.at(moments, vertex, edges[:, :, None] * edges[:, None, :])
    return np.linalg.eigh(moments)


def _well_shaped_rings(shape, ring):
    """The ring of each vertex, grown where it is degenerate; without entries where no growth helps. COO."""
    reached = ring
    chosen = csr_array(ring.shape)
    open_rows = np.ones(len(shape), bool)
    for size in range(1, LARGEST_RING + 1):
        if size > 1:
            reached = reached + reached @ ring
            reached = _ones(reached - diags_array(reached.diagonal()))
            reached.eliminate_zeros()
        candidate = (diags_array(open_rows.astype(float)) @ reached).tocoo()
        candidate.eliminate_zeros()
        moments, _ = _principal(shape, candidate)
        neighbours = np.bincount(candidate.coords[0], minlength=len(shape))
        good = open_rows & (neighbours >= 2) & (moments[:, 1] >= DEGENERATE * moments[:, 2]) & (moments[:, 2] > 0)
        chosen = chosen + diags_array(good.astype(float)) @ reached
        open_rows &= ~good
    chosen = chosen.tocoo()
    chosen.eliminate_zeros()
    return chosen


def check(folder):
    character = load_character(folder / "baked.glb")
    poses = load_poses(folder / "poses.json")
    case = json.loads((folder / "case.json").read_text(encoding="utf-8"))
    raw_count = len(character.positions)
    raw_bind = np.fromfile(folder / "bind.u16", "<u2")
    expected = np.fromfile(folder / "mush.f32", "<f4")
    if raw_bind.size != raw_count or expected.size != len(poses) * raw_count * 3:
        raise ValueError(
            f"bind.u16 holds {raw_bind.size} and mush.f32 {expected.size} values"
            f" for {len(poses)} poses x {raw_count} raw vertices"
        )
    expected = expected.reshape(len(poses), raw_count, 3)

    weld = Weld(character.positions, WELD_DISTANCE * character.diagonal)
    bind = raw_bind[weld.first_raw]
    if np.any(bind[weld.of_raw] != raw_bind):
        raise ValueError("bind.u16 differs between copies of one welded vertex")
    surface = Surface(weld, character.triangles)
    mush = Mush(weld.positions, surface, case["rounds"], case["pull"])

    worst, place, classical = 0.0, "nowhere", 0.0
    for (name, _, rotations), theirs in zip(poses, expected):
        turn = character.skin.skinning_matrices(rotations)[bind]
        posed = np.einsum("vij,vj->vi", turn[:, :, :3], weld.positions) + turn[:, :, 3]
        ours = mush.apply(posed)
        distance = np.linalg.norm(ours[weld.of_raw] - theirs, axis=1) / character.diagonal
        distance[np.isnan(distance)] = np.inf
        if distance.max() > worst:
            worst, place = distance.max(), f"pose {name}, raw vertex {distance.argmax()}"
        classical += np.mean(np.sum((ours - mush.apply_with_classical_frames(posed, surface)) ** 2, axis=1))

    finding = f"largest difference {worst:.1e} of the diagonal ({place}), limit {TOLERANCE}"
    if worst > TOLERANCE:
        raise ValueError(finding)
    percent = 100 * np.sqrt(classical / len(poses)) / character.diagonal
    return (
        f"{finding}; {len(poses)} poses, {weld.count} welded vertices,"
        f" {np.count_nonzero(~mush.frames.usable)} unmushed; classical frames differ by {percent:.4f} % rms"
    )


if __name__ == "__main__":
    run_cases(check)
