// Moves a helper joint by the object that its node has in `extras`, as docs/helpers.md tells. Use it under the licence of
// this repository: MIT or Apache-2.0.

/** The parts of how a driver turns away from rest: rest⁻¹ · now, both [x, y, z, w]. */
function parts([a, b, c, d], [e, f, g, h]) {
    const w = d * h + a * e + b * f + c * g;
    const x = d * e - a * h - b * g + c * f;
    const y = d * f + a * g - b * h - c * e;
    const z = d * g - a * f + b * e - c * h;
    const square = w * w + x * x + y * y + z * z;
    const isRotation = square > 1e-12 && square < Infinity;
    const twice = (one, other) => (isRotation ? (2 / square) * (one * other) : 0);
    const [xx, yy, zz] = [twice(x, x), twice(y, y), twice(z, z)];
    return {
        x: twice(w, x), y: twice(w, y), z: twice(w, z),
        xx, yy, zz, xy: twice(x, y), xz: twice(x, z), yz: twice(y, z),
        tan2: isRotation ? (xx + yy + zz) / 2 / (w * w / square + 0.1) : 0,
    };
}

/** The product of two quaternions [x, y, z, w]. */
const times = ([a, b, c, d], [e, f, g, h]) => [
    d * e + a * h + b * g - c * f, d * f - a * g + b * h + c * e, d * g + a * f - b * e + c * h, d * h - a * e - b * f - c * g,
];

/**
 * The translation and the rotation [x, y, z, w] of the helper's node, relative to its parent.
 * `rotationOf(node)` gives the rotation [x, y, z, w] of a node, relative to its parent.
 */
export function evaluate(driven, rotationOf) {
    const turns = driven.drivers.map(({ node, rest_rotation }) => parts(rest_rotation, rotationOf(node)));
    const values = driven.terms.map((term) => term.reduce((value, [driver, part]) => value * turns[driver][part], 1));
    const sum = (rows) => [0, 1, 2].map((axis) => rows.reduce((all, row, term) => all + row[axis] * values[term], 0));

    const turn = sum(driven.rotation); // axis times angle
    const angle = Math.hypot(...turn);
    const half = Math.min(angle, driven.most_angle) / 2;
    const rotation = angle > 0 ? [...turn.map((x) => (x / angle) * Math.sin(half)), Math.cos(half)] : [0, 0, 0, 1];
    const slide = sum(driven.translation)
        .map((x, axis) => Math.min(Math.max(x, driven.least_translation[axis]), driven.greatest_translation[axis]));

    const [x, y, z] = times(times(driven.rest_rotation, [...slide, 0]), driven.rest_rotation.map((q, i) => (i < 3 ? -q : q)));
    return {
        translation: [x, y, z].map((s, axis) => driven.rest_translation[axis] + s),
        rotation: times(driven.rest_rotation, rotation),
    };
}
