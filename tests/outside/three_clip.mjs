// Checks the range of motion that a bake adds: a general-purpose renderer (npm three) loads baked.glb and plays the clip
// with its own mixer, and the vertices must land where clip.f32 says at each of the poses that clip.json names.
//
// Source:    docs/formats.md, "Range of motion": bind at time 0; the pose numbered n stands from n * 0.75 s on, for a
//            quarter of a second; bind again at the end. The standard leaves where a mesh stands to its joints (section
//            3.7.3.3), so the place of the skeleton in the scene is what the joints say at time 0: every joint's world
//            times its inverse bind matrix must be one and the same matrix there.
// Tolerance: 1e-5 of the bind bounding-box diagonal, as in three_pose.mjs: keys are 32-bit quaternions, and each joint
//            of a chain adds a rounding. A pose beside its time gives 1e-2 and more.

import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { AnimationMixer, Matrix4 } from 'three';
import { GLTFLoader } from 'three/addons/loaders/GLTFLoader.js';

import { runCases } from './cases.mjs';
import { diagonalOf, largestGap, loadMeshes, readFloats, withoutMaterials } from './three_file.mjs';

const TOLERANCE = 1e-5; // of the bind bounding-box diagonal
const SECONDS_PER_POSE = 0.75;
const SECONDS_HELD = 0.25;

await runCases(async (folder) => {
    const { json, bytes } = withoutMaterials(join(folder, 'baked.glb'));
    const { scene, animations, parser } = await new GLTFLoader().parseAsync(bytes, '');
    const meshes = await loadMeshes(json, parser);
    const wanted = JSON.parse(readFileSync(join(folder, 'clip.json'), 'utf8'));
    const expected = readFloats(join(folder, 'clip.f32'));
    const others = json.animations.filter(({ name }) => name !== wanted.name);
    if (others.length !== animations.length - 1) throw new Error(`there is not one clip ${wanted.name}`);
    const clip = animations.find(({ name }) => name === wanted.name);
    const end = (wanted.poses + 1) * SECONDS_PER_POSE;
    if (clip.duration !== end) throw new Error(`the clip lasts ${clip.duration} s, not ${end} s`);

    const mixer = new AnimationMixer(scene);
    mixer.clipAction(clip).play();
    const show = (time) => {
        // At its very end an action that repeats stands at its start.
        mixer.setTime(Math.min(time, end * (1 - 1e-9)));
        scene.updateMatrixWorld(true);
    };
    const skeleton = await parser.getDependency('skin', 0);
    const placed = () => skeleton.bones.map((bone, j) => new Matrix4().multiplyMatrices(bone.matrixWorld, skeleton.boneInverses[j]));
    const diagonal = diagonalOf(meshes);
    const positions = meshes.flatMap(({ geometry }) => [...geometry.attributes.position.array]);
    show(0);
    const unplace = placed()[0].invert();
    for (const time of [0, SECONDS_HELD, end]) {
        show(time);
        const gap = largestGap(meshes, unplace, positions) / diagonal;
        if (gap > TOLERANCE) throw new Error(`at ${time} s it is ${gap.toExponential(1)} of the diagonal from bind`);
    }

    const floats = positions.length;
    if (expected.length !== wanted.numbers.length * floats) throw new Error(`clip.f32 holds ${expected.length} floats`);
    let worst = 0;
    for (const [place, number] of wanted.numbers.entries()) {
        const due = expected.subarray(place * floats, (place + 1) * floats);
        for (const held of [0, SECONDS_HELD / 2, SECONDS_HELD]) {
            show(number * SECONDS_PER_POSE + held);
            const gap = largestGap(meshes, unplace, due) / diagonal;
            if (gap > TOLERANCE) {
                throw new Error(`pose ${number} after ${held} s: ${gap.toExponential(1)} of the diagonal away, limit ${TOLERANCE}`);
            }
            worst = Math.max(worst, gap);
        }
    }
    return `largest difference ${worst.toExponential(1)} of the diagonal, limit ${TOLERANCE}; ${wanted.numbers.length} of ${wanted.poses} poses`;
});
