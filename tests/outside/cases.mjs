// Runs one check over every case folder under CASES and tallies the outcomes; shared by the Node checks.

import { readdirSync } from 'node:fs';
import { basename, join } from 'node:path';

/** Thrown by a check that cannot speak about a case; the message says why. */
export class Skip extends Error {}

/**
 * Calls `check(folder)` for every folder under the command's only argument. A check returns what it found, throws
 * an Error when the case is wrong, and a Skip when the case is out of its scope. Nothing checked is a failure too.
 */
export async function runCases(check) {
    const cases = process.argv[2];
    if (process.argv.length !== 3) {
        console.error(`usage: node ${basename(process.argv[1])} CASES`);
        process.exit(2);
    }
    let passed = 0;
    let failed = 0;
    for (const folder of caseFolders(cases)) {
        const name = basename(folder);
        try {
            const finding = await check(folder);
            console.log(`ok ${name}: ${finding}`);
            passed += 1;
        } catch (error) {
            if (error instanceof Skip) {
                console.log(`skip ${name}: ${error.message}`);
            } else {
                console.log(`FAILED ${name}: ${error.message}`);
                failed += 1;
            }
        }
    }
    if (passed + failed === 0) console.log(`nothing was checked: no case in ${cases} is in scope`);
    console.log(`${passed} passed, ${failed} failed`);
    process.exitCode = passed > 0 && failed === 0 ? 0 : 1;
}

function caseFolders(cases) {
    try {
        return readdirSync(cases, { withFileTypes: true })
            .filter((entry) => entry.isDirectory())
            .map((entry) => join(cases, entry.name))
            .sort();
    } catch (error) {
        console.error(`cannot list the cases: ${error.message}`);
        process.exit(2);
    }
}
