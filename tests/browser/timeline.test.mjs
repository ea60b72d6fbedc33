// The auditor's pages: who knew what of one valve on three given days, and the sealed export.

import assert from "node:assert/strict";
import { spawnSync } from "node:child_process";
import { readFileSync, writeFileSync } from "node:fs";
import path from "node:path";
import { after, before, test } from "node:test";

import { headwalk, scratch, seriousFaults, startBrowser } from "./browser.mjs";
import { playSeason, signIn, startHub } from "./hub.mjs";

let browser;
let season;
let hub;
let page;

before(async () => {
  season = playSeason();
  browser = await startBrowser();
  hub = await startHub(season);
  page = await signIn(browser, hub, hub.codes.auditor);
});

after(async () => {
  await page?.context().close();
  await hub?.stop();
  await browser?.close();
  season?.remove();
});

/** Opens the timeline of a thing at Tannery Row, from the list of sites on. */
async function openThing(name) {
  await page.getByRole("link", { name: "Sites" }).press("Enter");
  await page.getByRole("link", { name: "Tannery Row" }).press("Enter");
  await page.getByRole("link", { name, exact: true }).press("Enter");
  await page.waitForSelector(".moments");
}

/** Asks for what was true, or known at the office, at the end of a day; returns what is told. */
async function asked(moments) {
  for (const name of ["as-of", "as-known"]) {
    await page.fill(`input[name=${name}]`, moments[name] ?? "");
  }
  await page.getByRole("button", { name: "Show" }).press("Enter");
  await page.waitForLoadState();
  const rows = await page.locator(".timeline tbody tr").evaluateAll((rows) => {
    // What one entry said stands under one who and when.
    let entry = "";
    return rows.map((row) => {
      const [when, who, what] = [...row.cells].map((cell) => cell.innerText);
      if (when) entry = `${when} ${who}`;
      return `${entry} ${what}`;
    });
  });
  return rows.map((row) => row.replace(/\s+/g, " "));
}

const has = (rows, pattern) => rows.some((row) => pattern.test(row));

test("the timeline answers who knew what of valve-6 on three days", async () => {
  await openThing("valve-6");
  assert.deepEqual(await seriousFaults(page), []);

  // 14 April: Teo measured it at start-up. The office did not know for two days.
  const april = await asked({ "as-known": "2026-04-15" });
  assert.ok(!has(april, /solenoid ohms 34/), april.join("\n"));
  assert.ok(has(await asked({ "as-of": "2026-04-14" }), /solenoid ohms 34/));
  const late = await asked({ "as-known": "2026-04-16" });
  assert.ok(has(late, /at the office 2026-04-16 17:30 Teo .*solenoid ohms 34 Ω/));

  // 8 June: suspected, and no more. 9 June: the office knew that it weeps.
  const june = await asked({ "as-known": "2026-06-08" });
  assert.ok(has(june, /weeping seen suspected/), june.join("\n"));
  assert.ok(!has(june, /weeping yes/));
  const known = await asked({ "as-known": "2026-06-09" });
  assert.ok(has(known, /at the office 2026-06-09 17:30 Rosa .*weeping yes, measured/));
  assert.ok(has(known, /valve weeping/), "the finding on it is told with it");

  // 16 June: mended; the writer had seen what he replaced.
  const mended = await asked({ "as-known": "2026-06-16" });
  assert.ok(
    has(mended, /weeping no.*in place of yes \(Rosa, 2026-06-09 09:50\), which the writer had seen/),
  );
  assert.match(await page.locator("main > p").last().innerText(), /Only what the office held at the end of/);
});

test("what nobody said is said plainly", async () => {
  await openThing("valve-6");
  const gaps = await page.locator(".gaps li").allInnerTexts();
  assert.ok(gaps.some((gap) => /^Never recorded of it: .*station volts/.test(gap)), gaps);
});

test("two values, neither seen by the other, stand beside each other", async () => {
  await openThing("head-3-04");
  const rows = await asked({});
  assert.ok(has(rows, /arc 180°.*beside 90° \(Dana, 2026-07-14 08:12\), neither seen by the other/));
  assert.ok(has(rows, /the device's clock said/));
});

/** Runs the checker that shares no code with ours; run.sh brings what it needs. */
function checker(args) {
  return spawnSync(process.env.HEADWALK_PYTHON ?? "python3", args, { encoding: "utf8" });
}
const noChecker =
  checker(["-c", "import blake3, cryptography"]).status !== 0
  && "tests/reference/check_export.py needs blake3 and cryptography";

/** Fetches the sealed export of Tannery Row from its page, and one with a changed byte beside it. */
async function exports(folder) {
  await page.goto(`${hub.url}/office/sites`);
  await page.getByRole("link", { name: "Tannery Row" }).press("Enter");
  const waiting = page.waitForEvent("download");
  await page.getByRole("link", { name: "Sealed export" }).press("Enter");
  const [whole, changed] = ["whole", "changed"].map((name) => path.join(folder, `${name}.jsonl`));
  await (await waiting).saveAs(whole);
  const text = readFileSync(whole, "utf8");
  const flip = (_, digit) => `"bytes":"${digit === "0" ? 1 : 0}`;
  writeFileSync(changed, text.replace(/"bytes":"(.)/, flip));
  return { whole, changed };
}

test("the sealed export is checked, and one changed byte is found", async () => {
  const folder = scratch();
  try {
    const { whole, changed } = await exports(folder.folder);
    assert.match(headwalk(["verify", "--export", whole]), /entries/);
    assert.throws(() => headwalk(["verify", "--export", changed]), /line|entry/);
  } finally {
    folder.remove();
  }
});

test("a program that shares no code with ours says the same", { skip: noChecker }, async () => {
  const folder = scratch();
  try {
    const { whole, changed } = await exports(folder.folder);
    const check = (file) => checker(["tests/reference/check_export.py", file]);
    assert.match(check(whole).stdout, /entries in \d+ chains: all as written/);
    assert.equal(check(changed).status, 1);
  } finally {
    folder.remove();
  }
});

test("the failed valve, the wet patch and a zone each end in a page that a client can be shown", async () => {
  for (const [thing, says] of [
    ["valve-6", "Do the others follow?"],
    ["spot-wet-patch", "What it points to"],
    ["zone-1", "Where the water falls"],
  ]) {
    await page.goto(`${hub.url}/office`);
    await openThing(thing);
    await page.getByRole("link", { name: "Why it is so" }).press("Enter");
    await page.waitForSelector("footer");
    assert.ok((await page.innerText("body")).includes(says), thing);
    assert.deepEqual(await seriousFaults(page), [], thing);
  }
  await page.goto(`${hub.url}/office`);
  await page.getByRole("link", { name: "What wears out" }).press("Enter");
  await page.waitForSelector("footer");
  assert.match(await page.innerText("body"), /Which boxes to open first/);
  assert.deepEqual(await seriousFaults(page), []);
});

test("the sites and what is at one can be used by anybody, and lead to its papers", async () => {
  await page.goto(`${hub.url}/office/sites`);
  assert.deepEqual(await seriousFaults(page), []);
  await page.getByRole("link", { name: "Tannery Row" }).press("Enter");
  await page.getByRole("heading", { name: "Papers" }).waitFor();
  assert.deepEqual(await seriousFaults(page), []);
  await page.getByRole("link", { name: "letter (es)" }).press("Enter");
  await page.waitForLoadState();
  assert.equal(await page.locator("html").getAttribute("lang"), "es");
});
