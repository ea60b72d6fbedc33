// The yard page's store: it outlives the network, the hub and the browser.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";

import { headwalk } from "./browser.mjs";
import { Office, Phone } from "./yard.mjs";

let office;
let phone;

before(async () => {
  office = await Office.open();
  phone = new Phone(office.url);
});

after(async () => {
  await phone?.close();
  await office?.close();
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
