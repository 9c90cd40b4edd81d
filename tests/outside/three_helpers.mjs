// Checks helper joints in the clips of a file: a general-purpose renderer (npm three) loads helped.glb, plays each clip with
// its own mixer, and the vertices must land where helped.f32 says at the times that helped.json names.
//
// Source:    docs/formats.md, "Helper joints": joints of the skin like others, with LINEAR keys of translation and
//            rotation in every clip. The times are spread over each clip; most lie between keys of helpers, since these
//            are thinned out. Mesh space has one place in the scene: what the first joint says at the first time.
// Tolerance: 1e-5 of the bind bounding-box diagonal, as in three_clip.mjs. A helper that stays at its parent gives 1e-3
//            and more, which is checked besides: else the clips would show nothing.

import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { AnimationMixer, Matrix4 } from 'three';
import { GLTFLoader } from 'three/addons/loaders/GLTFLoader.js';

import { Skip, runCases } from './cases.mjs';
import { diagonalOf, largestGap, loadMeshes, readFloats, withoutMaterials } from './three_file.mjs';

const TOLERANCE = 1e-5; // of the bind bounding-box diagonal
const LEAST_MOVED = 1e-3;

await runCases(async (folder) => {
    const { json, bytes } = withoutMaterials(join(folder, 'helped.glb'));
    const { helpers, clips } = JSON.parse(readFileSync(join(folder, 'helped.json'), 'utf8'));
    if (clips.length === 0) throw new Skip('it has no clips');
    if (helpers.length === 0) throw new Error('no helper joints');
    const { scene, animations, parser } = await new GLTFLoader().parseAsync(bytes, '');
    const meshes = await loadMeshes(json, parser);
    const expected = readFloats(join(folder, 'helped.f32'));
    const skeleton = await parser.getDependency('skin', 0);
    const bones = await Promise.all(helpers.map((node) => parser.getDependency('node', node)));
    if (!bones.every((bone) => skeleton.bones.includes(bone))) throw new Error('a helper is no joint of the skin');
    const resting = bones.map((bone) => [bone.position.clone(), bone.quaternion.clone()]);
    const diagonal = diagonalOf(meshes);
    const floats = meshes.reduce((sum, { geometry }) => sum + 3 * geometry.attributes.position.count, 0);
    const times = clips.reduce((sum, clip) => sum + clip.times.length, 0);
    if (expected.length !== times * floats) throw new Error(`helped.f32 holds ${expected.length} floats, not ${times} x ${floats}`);

    const mixer = new AnimationMixer(scene);
    let at = 0;
    let worst = 0;
    let moved = 0;
    let unplace;
    for (const { animation, times, first_joint } of clips) {
        const clip = animations[animation];
        mixer.stopAllAction();
        mixer.clipAction(clip).play();
        for (const [place, time] of times.entries()) {
            // At its very end an action that repeats stands at its start.
            mixer.setTime(Math.min(time, clip.duration * (1 - 1e-9)));
            scene.updateMatrixWorld(true);
            if (place === 0) {
                const theirs = new Matrix4().multiplyMatrices(skeleton.bones[0].matrixWorld, skeleton.boneInverses[0]);
                unplace = new Matrix4().fromArray(first_joint).multiply(theirs.invert());
            }
            const due = expected.subarray(at, at + floats);
            at += floats;
            const gap = largestGap(meshes, unplace, due) / diagonal;
            if (!(gap <= TOLERANCE)) {
                throw new Error(`clip ${clip.name} at ${time} s: ${gap.toExponential(1)} of the diagonal away, limit ${TOLERANCE}`);
            }
            worst = Math.max(worst, gap);
            // The same without the motion of helpers must be elsewhere.
            bones.forEach((bone, h) => {
                bone.position.copy(resting[h][0]);
                bone.quaternion.copy(resting[h][1]);
            });
            scene.updateMatrixWorld(true);
            moved = Math.max(moved, largestGap(meshes, unplace, due) / diagonal);
        }
    }
    if (moved < LEAST_MOVED) throw new Error(`helpers move the surface by ${moved.toExponential(1)} of the diagonal at most`);
    const finding = `largest difference ${worst.toExponential(1)} of the diagonal, limit ${TOLERANCE}`;
    return `${finding}; ${times} times of ${clips.length} clips, ${helpers.length} helpers that move it by ${moved.toExponential(1)}`;
});
