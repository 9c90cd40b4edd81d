// What the checks with npm three share: its loader without what needs a browser, and meshes in the order of raw vertices.

import { readFileSync } from 'node:fs';
import { Box3, Vector3 } from 'three';

import { Skip } from './cases.mjs';

const GLB_MAGIC = 0x46546c67;
const JSON_CHUNK = 0x4e4f534a;

/** The document without what needs a browser (images), as a GLB again; and its JSON. */
export function withoutMaterials(path) {
    const glb = readFileSync(path);
    const jsonLength = glb.readUInt32LE(12);
    const json = JSON.parse(glb.toString('utf8', 20, 20 + jsonLength));
    for (const list of ['materials', 'textures', 'images', 'samplers']) delete json[list];
    for (const mesh of json.meshes) for (const primitive of mesh.primitives) delete primitive.material;

    const text = Buffer.from(JSON.stringify(json));
    const padding = Buffer.alloc(-text.length & 3, ' ');
    const rest = glb.subarray(20 + jsonLength);
    const head = Buffer.alloc(20);
    head.writeUInt32LE(GLB_MAGIC, 0);
    head.writeUInt32LE(2, 4);
    head.writeUInt32LE(head.length + text.length + padding.length + rest.length, 8);
    head.writeUInt32LE(text.length + padding.length, 12);
    head.writeUInt32LE(JSON_CHUNK, 16);
    const stripped = Buffer.concat([head, text, padding, rest]);
    return { json, bytes: stripped.buffer.slice(stripped.byteOffset, stripped.byteOffset + stripped.length) };
}

/** The SkinnedMeshes that hold the raw vertices, in raw order: a shared POSITION accessor counts at its first use. */
export async function loadMeshes(json, parser) {
    const meshes = [];
    const seen = new Set();
    for (const [index, node] of json.nodes.entries()) {
        if (node.skin !== 0 || node.mesh === undefined) continue;
        const object = await parser.getDependency('node', index);
        for (const [slot, primitive] of json.meshes[node.mesh].primitives.entries()) {
            if (seen.has(primitive.attributes.POSITION)) continue;
            seen.add(primitive.attributes.POSITION);
            if (primitive.attributes.JOINTS_1 !== undefined) throw new Skip('three reads only four influences');
            meshes.push([object, ...object.children].find((candidate) => {
                const origin = parser.associations.get(candidate);
                const ours = origin?.nodes === undefined || origin.nodes === index;
                return candidate.isSkinnedMesh && ours && origin?.meshes === node.mesh && origin.primitives === slot;
            }));
        }
    }
    return meshes;
}

export function readFloats(path) {
    const bytes = readFileSync(path);
    return new Float32Array(bytes.buffer.slice(bytes.byteOffset, bytes.byteOffset + bytes.length));
}

/** The diagonal of the box around the positions of all meshes, in bind pose. */
export function diagonalOf(meshes) {
    const box = new Box3();
    for (const { geometry } of meshes) box.union(new Box3().setFromBufferAttribute(geometry.attributes.position));
    return box.getSize(new Vector3()).length();
}

/** The largest distance of the meshes' vertices from `expected`, in mesh space. */
export function largestGap(meshes, unplace, expected) {
    let at = 0;
    let largest = 0;
    for (const mesh of meshes) {
        const { position } = mesh.geometry.attributes;
        for (let vertex = 0; vertex < position.count; vertex += 1, at += 3) {
            const theirs = new Vector3().fromBufferAttribute(position, vertex);
            mesh.applyBoneTransform(vertex, theirs).applyMatrix4(mesh.matrixWorld).applyMatrix4(unplace);
            const gap = theirs.distanceTo(new Vector3().fromArray(expected, at));
            largest = Math.max(largest, Number.isNaN(gap) ? Infinity : gap);
        }
    }
    return largest;
}
