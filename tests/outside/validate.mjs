// Checks that a bake leaves a valid file, by the standard's own validator (npm gltf-validator).
//
// Source:    Khronos glTF 2.0 specification; for skins its sections 3.7.3.1 to 3.7.3.3 (joints in range, no joint twice
//            with weight, weights that sum to one).
// Tolerance: none of ours. baked.glb may have no error and no warning that input.glb does not have already: a bake
//            is not asked to mend what it did not touch, but what it writes has no excuse. An issue is the same when
//            severity, code and place agree, and for errors the message too.

import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import validator from 'gltf-validator';

import { runCases } from './cases.mjs';

const ERROR = 0;
const WARNING = 1;
const UNLIMITED = 0;
const SHOWN = 10;

async function issuesOf(folder, file) {
    const bytes = new Uint8Array(readFileSync(join(folder, file)));
    const report = await validator.validateBytes(bytes, { uri: file, maxIssues: UNLIMITED, writeTimestamp: false });
    if (report.issues.truncated) throw new Error(`the validator cut its list of issues in ${file} short`);
    return report.issues.messages.filter((issue) => issue.severity <= WARNING);
}

function key(issue) {
    const place = issue.pointer ?? `byte ${issue.offset}`;
    const detail = issue.severity === ERROR ? issue.message : '';
    return [issue.severity, issue.code, place, detail].join(' ');
}

function line(issue) {
    const severity = issue.severity === ERROR ? 'error' : 'warning';
    return `\n    ${severity} ${issue.code} at ${issue.pointer ?? `byte ${issue.offset}`}: ${issue.message}`;
}

await runCases(async (folder) => {
    const before = await issuesOf(folder, 'input.glb');
    const after = await issuesOf(folder, 'baked.glb');
    const known = new Set(before.map(key));
    const added = after.filter((issue) => !known.has(key(issue)));
    if (added.length > 0) {
        const more = added.length > SHOWN ? `\n    and ${added.length - SHOWN} more` : '';
        throw new Error(`baked.glb has ${added.length} new issues${added.slice(0, SHOWN).map(line).join('')}${more}`);
    }
    return `no new issue; ${before.length} in input.glb, ${after.length} of them still in baked.glb`;
});
