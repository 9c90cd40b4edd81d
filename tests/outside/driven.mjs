// Checks driven helper joints: the evaluator in examples/helpers, which knows docs/helpers.md alone, must put each helper
// where the library puts it. CASE is driven.json of examples/outside_cases.
//
// Tolerance: 1e-9 of lengths of order one. Both work in 64 bits: some hundred sums and products of numbers up to ten give
//            1e-14, sines of another library as much. A wrong sign, order of a product or clamp gives 1e-3 and more.
//
// Checked besides, so that nothing passes that shows nothing: helpers move, poses beyond the clamp are among them, one
// helper has two drivers, one has none, and at rest each stands exactly where the file has it.

import { readFileSync } from 'node:fs';

import { evaluate } from '../../examples/helpers/driven.mjs';

const TOLERANCE = 1e-9;

/** The greatest difference of two lists; that of rotations whatever their sign. */
const apart = (a, b) => Math.max(...a.map((x, i) => Math.abs(x - b[i])), a.length === b.length ? 0 : Infinity);
const turned = (a, b) => Math.min(apart(a, b), apart(a, b.map((x) => -x)));
const worse = (a, b) => (Number.isNaN(b) ? Infinity : Math.max(a, b));

const cases = JSON.parse(readFileSync(process.argv[2], 'utf8'));
const faults = [];
let [worst, atRest, count, clamped] = [0, 0, 0, 0];
for (const { driven, poses } of cases) {
    const rest = new Map(driven.drivers.map(({ node, rest_rotation }) => [node, rest_rotation]));
    const resting = evaluate(driven, (node) => rest.get(node));
    atRest = worse(atRest, apart(resting.translation, driven.rest_translation));
    atRest = worse(atRest, apart(resting.rotation, driven.rest_rotation));
    let moves = 0;
    for (const { nodes, translation, rotation } of poses) {
        const own = evaluate(driven, (node) => nodes[node]);
        worst = worse(worst, apart(own.translation, translation));
        worst = worse(worst, turned(own.rotation, rotation));
        moves = Math.max(moves, turned(rotation, driven.rest_rotation), apart(translation, driven.rest_translation));
        const cosine = Math.abs(rotation.reduce((sum, q, i) => sum + q * driven.rest_rotation[i], 0));
        const angle = 2 * Math.acos(Math.min(cosine, 1));
        if (driven.most_angle > 0 && angle > driven.most_angle - 1e-6) clamped += 1;
        count += 1;
    }
    if (moves > 0.1 !== driven.terms.length > 0) faults.push(`a helper of ${driven.terms.length} terms moves by ${moves}`);
}
const drivers = cases.map(({ driven }) => driven.drivers.length);
if (!(drivers.includes(0) && drivers.some((n) => n > 1))) faults.push(`helpers have ${drivers} drivers`);
if (clamped < 5) faults.push(`only ${clamped} poses reach the clamp`);
if (count < 300) faults.push(`only ${count} poses`);
// The quaternion of a rest has length one to sixteen digits, and is multiplied twice.
if (!(atRest < 1e-14)) faults.push(`at rest helpers are ${atRest} off`);
if (!(worst <= TOLERANCE)) faults.push('the evaluator does not give what the library gives');
console.log(
    `${count} poses of ${cases.length} helpers, ${clamped} of them clamped: at most ${worst.toExponential(1)} apart, limit ${TOLERANCE}`,
);
faults.forEach((fault) => console.error(fault));
process.exitCode = faults.length > 0 ? 1 : 0;
