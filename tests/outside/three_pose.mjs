// Checks linear-blend skinning: a general-purpose renderer's loader and its own skinning code (npm three) read
// baked.glb, its bones are posed, and the vertices must land where skinned.f32 says.
//
// Source:    glTF 2.0 specification, section 3.7.3 (skins): x' = sum_j w_j * World_j * IBM_j * x. The posed worlds
//            are worked out here, with three's matrices, from the inverse bind matrices alone:
//            local = T_bind * R_bind * Q * S_bind, bind world = inverse(IBM).
// Tolerance: 1e-5 of the bind bounding-box diagonal. three works in 64-bit floats on the file's 32-bit ones; ours may
//            work in 32-bit floats: 6e-8 a rounding, some ten matrix products down a chain and as many sums, on
//            coordinates of a few diagonals, gives about 2e-6. A wrong joint, weight or order of rotations gives 1e-3
//            and more.
//
// Where the result lives: the loader binds with an identity bindMatrix in "attached" mode, where three returns
// inverse(mesh world) * (sum over bones); times the mesh's world this is the plain sum over bones, and since every
// bone's matrixWorld is set to its mesh-space world below, the sum is in mesh space. The transform of the mesh's node
// drops out, as the standard demands.
//
// Limits: three reads one set of four influences; files with more are skipped, loudly. Sheared bind locals lose
// their shear in three's decompose, and so fail.

import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { Matrix4, Quaternion, Vector3 } from 'three';
import { GLTFLoader } from 'three/addons/loaders/GLTFLoader.js';

import { runCases } from './cases.mjs';
import { diagonalOf, loadMeshes, readFloats, withoutMaterials } from './three_file.mjs';

const TOLERANCE = 1e-5; // of the bind bounding-box diagonal

/** Skin 0: for each joint its bone, inverse bind matrix, parent joint (-1 at roots), depth and bind local. */
async function loadJoints(json, parser) {
    const nodes = json.skins[0].joints;
    const parentNode = new Map();
    json.nodes.forEach((node, index) => node.children?.forEach((child) => parentNode.set(child, index)));
    const ancestors = (node) => {
        const parent = parentNode.get(node);
        return parent === undefined ? [] : [parent, ...ancestors(parent)];
    };

    const skeleton = await parser.getDependency('skin', 0);
    return nodes.map((node, joint) => {
        const above = ancestors(node);
        const parent = nodes.indexOf(above.find((candidate) => nodes.includes(candidate)));
        const bindLocal = skeleton.boneInverses[joint].clone().invert();
        if (parent >= 0) bindLocal.premultiply(skeleton.boneInverses[parent]);
        return { node, parent, depth: above.length, bone: skeleton.bones[joint], bindLocal };
    });
}

/** The rotations of a pose by joint index; a joint goes by its name where that is unique, else by `#<node index>`. */
function rotationsOf(pose, joints, json) {
    const names = joints.map(({ node }) => json.nodes[node].name);
    const byName = new Map(joints.map(({ node }, joint) => [`#${node}`, joint]));
    names.forEach((name, joint) => {
        if (name && names.indexOf(name) === names.lastIndexOf(name)) byName.set(name, joint);
    });
    const rotations = new Map();
    for (const [name, rotation] of Object.entries(pose.joints)) {
        if (!byName.has(name)) throw new Error(`pose ${pose.name} names the unknown joint ${name}`);
        rotations.set(byName.get(name), new Quaternion(...rotation).normalize());
    }
    return rotations;
}

/** Sets every bone's local matrix so that its matrixWorld becomes the posed world in mesh space. */
function poseBones(joints, rotations) {
    const worlds = [];
    const order = joints.map((_, joint) => joint).sort((a, b) => joints[a].depth - joints[b].depth);
    for (const joint of order) {
        const { bone, parent, bindLocal } = joints[joint];
        const [position, rotation, scale] = [new Vector3(), new Quaternion(), new Vector3()];
        bindLocal.decompose(position, rotation, scale);
        if (rotations.has(joint)) rotation.multiply(rotations.get(joint));
        const local = new Matrix4().compose(position, rotation, scale);
        worlds[joint] = parent < 0 ? local : worlds[parent].clone().multiply(local);

        bone.matrixAutoUpdate = false;
        if (parent >= 0 && bone.parent === joints[parent].bone) {
            bone.matrix.copy(local);
        } else {
            bone.parent?.updateWorldMatrix(true, false);
            bone.matrix.copy(bone.parent?.matrixWorld ?? new Matrix4()).invert().multiply(worlds[joint]);
        }
        bone.matrixWorldNeedsUpdate = true;
        bone.updateWorldMatrix(true, false);
    }
}

await runCases(async (folder) => {
    const { json, bytes } = withoutMaterials(join(folder, 'baked.glb'));
    const { scenes, parser } = await new GLTFLoader().parseAsync(bytes, '');
    const joints = await loadJoints(json, parser);
    const meshes = await loadMeshes(json, parser);
    const { poses } = JSON.parse(readFileSync(join(folder, 'poses.json'), 'utf8'));
    const expected = readFloats(join(folder, 'skinned.f32'));

    const diagonal = diagonalOf(meshes);
    const rawVertices = meshes.reduce((sum, { geometry }) => sum + geometry.attributes.position.count, 0);
    if (expected.length !== poses.length * rawVertices * 3) {
        const due = `${poses.length} poses x ${rawVertices} raw vertices x 3`;
        throw new Error(`skinned.f32 holds ${expected.length} floats, not ${due}`);
    }

    const worst = { distance: 0, place: 'nowhere' };
    let at = 0;
    for (const pose of poses) {
        poseBones(joints, rotationsOf(pose, joints, json));
        for (const scene of scenes) scene.updateMatrixWorld(true);
        const first = at;
        for (const mesh of meshes) {
            const { position } = mesh.geometry.attributes;
            for (let vertex = 0; vertex < position.count; vertex += 1, at += 3) {
                const theirs = new Vector3().fromBufferAttribute(position, vertex);
                mesh.applyBoneTransform(vertex, theirs).applyMatrix4(mesh.matrixWorld);
                const gap = theirs.distanceTo(new Vector3().fromArray(expected, at)) / diagonal;
                const distance = Number.isNaN(gap) ? Infinity : gap;
                if (distance > worst.distance) {
                    Object.assign(worst, { distance, place: `pose ${pose.name}, raw vertex ${(at - first) / 3}` });
                }
            }
        }
    }
    const largest = worst.distance.toExponential(1);
    const finding = `largest difference ${largest} of the diagonal (${worst.place}), limit ${TOLERANCE}`;
    if (worst.distance > TOLERANCE) throw new Error(finding);
    return `${finding}; ${poses.length} poses, ${rawVertices} raw vertices`;
});
