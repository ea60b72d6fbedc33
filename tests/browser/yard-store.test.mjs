// The yard page's store: it outlives the network, the hub and the browser.

import assert from "node:assert/strict";
import { appendFileSync, cpSync, rmSync } from "node:fs";
import path from "node:path";
import { test } from "node:test";

import { binary, headwalk } from "./browser.mjs";
import { officeAndPhone } from "./yard.mjs";

let office;
let phone;

officeAndPhone((...begun) => {
  [office, phone] = begun;
});

/** Everything that a store says, as the command line says it. */
function stateIn(store) {
  return headwalk(["state", "--json"], { HEADWALK_STORE: store });
}

test("a phone joins, works with the hub stopped and the browser killed, and all arrives", async () => {
  await phone.open();
  await phone.join(office, "Noor");
  assert.match(await phone.page.locator("#main").innerText(), /Tannery Row/);
  await office.stop();

  await phone.tap("Tannery Row");
  await phone.tap("Inspection");
  assert.match(await phone.title(), /as found/i);
  await phone.kill();

  await phone.open();
  assert.match(await phone.title(), /as found/i);
  assert.match(await phone.page.locator("#status .office").innerText(), /1 not yet at the office/);
  assert.match(await phone.page.locator("#status .saved").innerText(), /Saved on this phone/);

  await office.start();
  await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
  await phone.atOffice();
  office.run(["exchange"]);
  const exported = await phone.exported();
  assert.equal(stateIn(exported), stateIn(office.store));
  assert.match(stateIn(exported), /Noor/);
});

test("a newer page that is taken in mid-visit loses nothing", async () => {
  const newer = path.join(office.scratch.folder, "newer");
  cpSync(path.join(binary(".."), "yard"), newer, { recursive: true });
  appendFileSync(path.join(newer, "sw.js"), "\n// newer\n");
  rmSync(path.join(newer, "sw.js.gz"));
  await phone.tap("Back");
  await phone.tap("Zone 2");
  await office.stop();
  await phone.tapOn(phone.page.locator(".heads .flag").first());
  const before = [await phone.waiting(), await phone.title()];
  assert.equal(before[0], 1);
  office.yard = newer;
  await office.start();
  await phone.page.evaluate(async () => (await navigator.serviceWorker.getRegistration()).update());
  const loaded = phone.page.waitForEvent("load");
  await phone.page.locator("#newer").click();
  await loaded;
  await phone.ready();
  assert.equal(await phone.title(), before[1]);
  assert.equal(await phone.page.locator(".heads .word").filter({ hasText: "flagged" }).count(), 1);
  await phone.atOffice();
});
