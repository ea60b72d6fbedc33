// Two phones and the command line edit one head apart: both values stand on all three, and a person
// chooses.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";

import { headwalk } from "./browser.mjs";
import { Line, Office, Phone } from "./yard.mjs";

const SITE = "Tannery Row";
/** 50 kbit a second. */
const SLOW = 6_250;

let office;
let phones = [];
let line;

before(async () => {
  office = await Office.open();
});

after(async () => {
  for (const phone of phones) await phone.close();
  line?.close();
  await office?.close();
});

async function toHead(phone, label) {
  await phone.tap(SITE);
  await phone.tap("Inspection");
  await phone.tap("Same");
  const head = phone.page.locator(".heads .head").filter({ hasText: label });
  await phone.tapOn(head);
}

test("three who edited one head apart all see two versions, until one of them chooses", async () => {
  for (const person of ["Noor", "Teo"]) {
    const phone = new Phone(office.url);
    phones.push(phone);
    await phone.open();
    await phone.join(office, person);
  }
  await office.stop();
  for (const [phone, arc] of [[phones[0], "270°"], [phones[1], "360°"]]) {
    await toHead(phone, "1-01");
    await phone.tap(arc);
  }
  office.run(["note", SITE, "1-01", "arc", "120deg"]);
  await office.start();
  // Twice each, so that the first has what the last brought.
  for (let round = 0; round < 2; round += 1) {
    for (const phone of phones) {
      await phone.tap("Back");
      await phone.tapOn(phone.page.locator("button.settings"));
      await phone.exchange();
      await phone.tap("Back");
      await phone.tap("Zone 1");
      await phone.tapOn(phone.page.locator(".heads .head").filter({ hasText: "1-01" }));
    }
    office.run(["exchange"]);
  }
  for (const phone of phones) {
    const facts = await phone.page.locator(".facts").innerText();
    assert.match(facts, /Arc: two versions/);
    for (const value of ["270°", "360°", "120°"]) assert.ok(facts.includes(value), facts);
  }
  const { fields } = office.json(["versions", SITE]);
  const arc = fields.find((one) => one.name === "head-1-01" && one.field === "arc");
  assert.equal(arc?.versions.length, 3, JSON.stringify(fields));

  await phones[0].tapOn(phones[0].page.locator(".facts button").filter({ hasText: "360°" }));
  assert.doesNotMatch(await phones[0].page.locator(".facts").innerText(), /Arc: two versions/);
});

test("over a slow line that is cut, what was acknowledged is not sent again", async () => {
  line = await Line.to(office.port);
  const phone = new Phone(line.url);
  phones.push(phone);
  await phone.open();
  await phone.join(office, "Wes");
  console.log(`page and three sites over the line: ${line.bytes} bytes`);
  await office.stop();
  await phone.tap(SITE);
  await phone.tap("Repair");
  await phone.tap("Same");
  for (let zone = 0; zone < 12; zone += 1) {
    const flags = phone.page.locator(".heads .flag");
    if ((await flags.count()) > 0) await phone.tapOn(flags.first());
    await phone.tapOn(phone.page.locator("#dock .main"));
  }
  const entries = await phone.waiting();
  await office.start();
  Object.assign(line, { bytes: 0, bytesPerSecond: SLOW, cutAfter: 900, staysDown: true });
  await phone.tapOn(phone.page.locator("button.settings"));
  const began = Date.now();
  // One that nobody asked for is under way: who asks then is told how that one ends.
  await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
  await phone.tap("Exchange");
  await phone.page.waitForFunction(() => /cannot be reached/.test(document.getElementById("said").textContent), null, { timeout: 60_000 });
  const cut = line.bytes;
  assert.equal(line.cuts, 1);
  line.down = false;
  assert.equal(await phone.waiting(), entries, "nothing was acknowledged, so nothing is called sent");
  await phone.exchange();
  console.log(`${entries} entries of a visit over 50 kbit/s with a cut: ${cut} + ${line.bytes - cut} bytes, ${((Date.now() - began) / 1000).toFixed(1)} s`);
  const all = line.bytes;
  await phone.exchange();
  console.log(`with nothing new: ${line.bytes - all} bytes`);
  assert.ok(line.bytes - all < 2_000);
  office.run(["exchange"]);
  const states = [await phone.exported(), office.store]
    .map((store) => headwalk(["state", SITE, "--json"], { HEADWALK_STORE: store }));
  assert.equal(states[0], states[1]);
});
