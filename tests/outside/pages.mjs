// Pages of runs in headless Chromium, from disk: no error on the console, no request, sorting, filters, the view in motion by
// keyboard, light and dark, narrow and print; axe-core finds nothing serious or critical.
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { chromium } from 'playwright-core';

const [folder] = process.argv.slice(2);
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const ARGS = ['--headless', '--no-sandbox', '--use-gl=angle', '--use-angle=swiftshader', '--enable-unsafe-swiftshader',
  '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];
let faults = 0;
const hold = (is, what) => {
  if (!is) console.error(`FAULT: ${what}`);
  faults += is ? 0 : 1;
};

async function open(browser, name, options = {}) {
  const page = await browser.newPage({ viewport: { width: 1300, height: 900 }, bypassCSP: true, ...options });
  const url = `file://${join(folder, name)}`;
  page.on('console', (message) => hold(!['error', 'warning'].includes(message.type()) || /GPU stall/.test(message.text()), `${name}: ${message.text()}`));
  page.on('pageerror', (error) => hold(false, `${name}: ${error.message}`));
  page.on('request', (request) => hold(request.url() === url || request.url().startsWith('data:'), `${name} asks for ${request.url().slice(0, 80)}`));
  await page.goto(url);
  await page.waitForTimeout(300);
  return page;
}

async function clean(page, what) {
  await page.evaluate(axe);
  const { violations } = await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }));
  const grave = violations.filter(({ impact }) => ['serious', 'critical'].includes(impact));
  hold(grave.length === 0, `${what}: ${grave.map((v) => `${v.id} at ${v.nodes[0].target}`).join('; ')}`);
}

const browser = await chromium.launch({ executablePath: '/usr/bin/chromium', args: ARGS });

// Several characters: order, filter, themes, width, print.
const several = await open(browser, 'several.html');
const names = () => several.$$eval('tbody tr:not([hidden]) th a', (links) => links.map((link) => link.textContent));
const first = await names();
hold(first.length === 2, `two characters are listed: ${first}`);
const sort = several.locator('thead th button').first();
await sort.focus();
await several.keyboard.press('Enter');
const sorted = await names();
hold(sorted.join() === [...first].sort().join() || sorted.join() === [...first].sort().reverse().join(), `sorted by name: ${sorted}`);
hold(await several.$eval('thead th[aria-sort]', (th) => th.getAttribute('aria-sort') !== 'none'), 'the sorted column says so');
await several.keyboard.press('/');
await several.keyboard.type('newt');
await several.waitForTimeout(200);
hold((await names()).join() === 'mire_eel_newt.glb', `filtered: ${await names()}`);
await clean(several, 'several, light');
await several.locator('#theme').click();
await clean(several, 'several, dark');
await several.setViewportSize({ width: 360, height: 740 });
hold(await several.evaluate(() => document.documentElement.scrollWidth <= innerWidth), 'no scrolling sideways at 360 pixels');
await several.emulateMedia({ media: 'print' });
hold(await several.evaluate(() => getComputedStyle(document.querySelector('#theme')).display === 'none'), 'no controls in print');

// One character: the view in motion.
for (const colorScheme of ['light', 'dark']) {
  const one = await open(browser, 'one.html', { colorScheme, reducedMotion: 'reduce' });
  const canvas = one.locator('.motion-canvas');
  hold(await canvas.isVisible(), 'the view runs');
  const shot = async () => (await canvas.screenshot()).toString('base64');
  const bind = await shot();
  await one.locator('.motion-slider').focus();
  await one.keyboard.press('ArrowRight');
  await one.waitForTimeout(200);
  const posed = await shot();
  hold(posed !== bind, 'the slider changes the pose');
  hold(/held-out/.test(await one.locator('.motion-slider').getAttribute('aria-valuetext')), 'the slider says the pose');
  const off = await one.evaluate(() => {
    const { positions } = document.querySelector('.motion').tanyard;
    const [a, b] = [positions('reference'), positions('baked')];
    return Math.max(...a.map((x, i) => Math.abs(x - b[i])));
  });
  hold(off > 0, 'reference and baked differ');
  await one.getByText('Baked', { exact: true }).click();
  await one.waitForTimeout(200);
  hold((await shot()) !== posed, 'one way alone looks otherwise');
  await canvas.focus();
  const before = await shot();
  await one.keyboard.press('ArrowLeft');
  await one.waitForTimeout(200);
  hold((await shot()) !== before, 'arrow keys turn');
  await one.keyboard.press('Home');
  await one.waitForTimeout(200);
  hold((await shot()) === before, 'Home resets');
  await one.locator('.motion-name').selectOption({ index: 0 });
  hold(/bind/.test(await one.locator('.motion-say').textContent()), 'the list goes to a pose');
  await clean(one, `one, ${colorScheme}`);
  await one.close();
}

// Without WebGL the still stays.
const plain = await browser.newContext({ bypassCSP: true });
await plain.addInitScript(() => (HTMLCanvasElement.prototype.getContext = () => null));
const still = await plain.newPage();
await still.goto(`file://${join(folder, 'one.html')}`);
hold(await still.locator('.motion-still img').isVisible(), 'a still stands in where WebGL is missing');
hold(!(await still.locator('.motion-canvas').isVisible()), 'without an empty view');
await browser.close();
console.log(faults ? `${faults} faults` : 'pages are as they should be');
process.exit(faults ? 1 : 0);
