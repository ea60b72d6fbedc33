// What outlives a restart in the middle of a visit and at its end: the zone's timer, the way back from
// an end, and the client's letter without any network.

import assert from "node:assert/strict";
import { test } from "node:test";

import { officeAndPhone } from "./yard.mjs";

const SITE = "Tannery Row";

let office;
let phone;

officeAndPhone((...begun) => {
  [office, phone] = begun;
});

const began = () => phone.page.locator(".time").getAttribute("data-began");

test("the timer of a zone goes on where it was after the browser is killed", async () => {
  await phone.open();
  await phone.join(office, "Noor");
  await office.stop();
  await phone.tap(SITE);
  await phone.tap("Inspection");
  await phone.tap("Same");
  const before = await began();
  await phone.page.waitForFunction(() => document.querySelector(".time").textContent >= "0:02");
  await phone.kill();
  await phone.open();
  assert.equal(await began(), before);
  assert.match(await phone.page.locator(".time").innerText(), /^0:(0[2-9]|[1-5]\d)$/);
});

test("an ended visit shows its letter offline, and is opened again by one undo after a restart", async () => {
  await phone.tap("Back");
  await phone.tap("Client");
  await phone.tap("Nothing to note");
  await phone.tap("rain");
  const letter = () => phone.page.locator(".paper main");
  assert.match(await letter().getByRole("heading", { level: 1 }).innerText(), /\w/);
  assert.match(await letter().innerText(), new RegExp(SITE));
  // Its style is its own: the policy of the page lets none in that it does not know.
  const weight = await letter().locator(".firm").evaluate((firm) => getComputedStyle(firm).fontWeight);
  assert.equal(weight, "700");
  await phone.kill();
  await phone.open();
  assert.match(await letter().innerText(), new RegExp(SITE));
  phone.taps = 0;
  await phone.tap(/^Undo/);
  assert.equal(phone.taps, 1);
  assert.equal(await phone.title(), "End the visit");
  await phone.tap("rain");
  await office.start();
  await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
  await phone.atOffice();
  office.run(["exchange"]);
  assert.match(office.run(["state", SITE]), /rain/);
});
