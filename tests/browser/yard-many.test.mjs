// How the page opens on a phone that carries two hundred sites with a season's history, without
// network, with the processor slowed down four times.

import assert from "node:assert/strict";
import { spawnSync } from "node:child_process";
import { readFileSync } from "node:fs";
import path from "node:path";
import { test } from "node:test";

import { binary } from "./browser.mjs";
import { officeAndPhone, Phone } from "./yard.mjs";

const SITES = 200;
const PIECE = 1_000_000;
const STARTS = 8;
const LIMIT_MS = 2_000;

let office;
let phone;

officeAndPhone((...begun) => {
  [office, phone] = begun;
});

/** Puts a store into the phone's own file system, in the place of the one that is there. */
async function putStore(phone, file) {
  const bytes = readFileSync(file);
  // The page's own worker holds the store; a page without one lies beside it.
  await phone.page.goto(`${office.url}/yard/icon.svg`);
  for (let at = 0; at < bytes.length; at += PIECE) {
    const piece = bytes.subarray(at, at + PIECE).toString("base64");
    await phone.page.evaluate(async ([piece, at]) => {
      const folder = await navigator.storage.getDirectory();
      const file = await folder.getFileHandle("headwalk.redb", { create: true });
      const out = await file.createWritable({ keepExistingData: at > 0 });
      const bytes = Uint8Array.from(atob(piece), (letter) => letter.charCodeAt(0));
      await out.write({ type: "write", position: at, data: bytes });
      await out.close();
    }, [piece, at]);
  }
}

/** Gives a phone a store with so many sites. */
async function carry(phone, sites) {
  const file = path.join(office.scratch.folder, `${sites}.redb`);
  const made = spawnSync(binary("examples/many_sites"), [file, String(sites)], { encoding: "utf8" });
  assert.equal(made.status, 0, made.stderr);
  await phone.open();
  await phone.page.evaluate(() => navigator.serviceWorker.ready);
  await putStore(phone, file);
  await phone.kill();
  return { phone, sites, said: made.stdout.trim(), times: [] };
}

/** Opens the page of a phone that so much was given, and notes when it was ready. */
async function coldStart({ phone, sites, times }) {
  await phone.open({ slowed: 4 });
  times.push(await phone.page.evaluate(() => performance.getEntriesByName("ready")[0].startTime));
  assert.equal(await phone.page.locator("#main .list li").count(), sites);
  await phone.kill();
}

test("two hundred sites open in two seconds without network on a slow processor", async (t) => {
  const bare = new Phone(office.url);
  t.after(() => bare.close());
  const [none, many] = [await carry(bare, 0), await carry(phone, SITES)];
  await office.stop();

  // Other work on the machine only ever adds, so the least counts. Where the browser alone takes its
  // time, a phone without any site says how much of it is the browser's.
  const least = ({ times }) => Math.min(...times);
  const within = () => least(many) < Math.max(LIMIT_MS, 1.5 * least(none));
  do {
    await coldStart(none);
    await coldStart(many);
  } while (many.times.length < STARTS && !within());
  for (const { said, times } of [none, many]) {
    console.log(`${said}: cold start ${times.map((ms) => ms.toFixed(0)).join(", ")} ms, slowed 4 times`);
  }
  assert.ok(within(), `${least(many)} ms; without any site ${least(none)} ms`);
});
