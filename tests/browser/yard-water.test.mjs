// Why is it dry, asked on the phone: a kerb and the pressure of a zone, measured and weighed with the
// hub stopped, outlive the browser and are at the office afterwards.

import assert from "node:assert/strict";
import { test } from "node:test";

import { officeAndPhone } from "./yard.mjs";

const SITE = "Tannery Row";

let office;
let phone;

officeAndPhone((...begun) => {
  [office, phone] = begun;
});

const text = () => phone.page.locator("#main").innerText();
const dock = () => phone.tapOn(phone.page.locator("#dock .main"));

test("a setting at a kerb is one tap, with its reason, and the command line weighs it the same", async () => {
  await phone.open();
  await phone.join(office, "Noor");
  await office.stop();
  await phone.tap(SITE);
  await phone.tap("Inspection");
  await phone.tap("Same");
  await phone.tapOn(phone.page.locator(".heads .head").filter({ hasText: "1-02" }));
  await phone.tap("At a curved kerb");
  assert.match(await text(), /not measured yet/);
  await phone.tap("Measure the kerb");
  for (let nth = 0; nth < 6; nth += 1) await phone.tapOn(phone.page.locator(".stepper button").nth(1));
  for (let nth = 0; nth < 8; nth += 1) await phone.tapOn(phone.page.locator(".stepper button").nth(3));
  assert.match(await text(), /radius of 12\.12 ft/);
  await dock();
  const offered = await text();
  for (const end of ["No overspray", "No dry ground"]) assert.ok(offered.includes(end), offered);
  phone.taps = 0;
  await phone.tap("No overspray");
  assert.equal(phone.taps, 1);
  assert.match(await text(), /On purpose: curved kerb, no overspray/);
  await phone.kill();
  await phone.open();
  assert.match(await text(), /On purpose: curved kerb, no overspray/);
});

test("a zone's pressure says what to measure, then what is left, and what mending a leak brings", async () => {
  await phone.tap("Back to the zone");
  await phone.tap("Pressure of the zone");
  const amounts = { "main length": "100 ft", "lateral length": "20 ft", "mainline size": "1 in", spacing: "15 ft", "static pressure": "60 psi" };
  for (;;) {
    const lacking = phone.page.locator("#main .list button").filter({ hasText: "not recorded" });
    if ((await lacking.count()) === 0) break;
    const asked = await lacking.first().innerText();
    await phone.tapOn(lacking.first());
    const [, amount] = Object.entries(amounts).find(([name]) => asked.includes(name)) ?? [];
    if (amount === undefined) {
      assert.match(asked, /lateral size/);
      await phone.tap("1 in");
    } else {
      await phone.tap(amount);
      await dock();
    }
  }
  assert.match(await text(), /Worst is Head 1-\d+: [\d.]+ psi left/);
  assert.match(await text(), /worst head [\d.]+ psi → [\d.]+ psi \(\+[\d.]+ psi\)/);
  await phone.tap("Gauge at the last head");
  await phone.tap("20 psi");
  await dock();
  assert.match(await text(), /The gauge shows less than pipe and losses explain/);

  await office.start();
  await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
  await phone.atOffice();
  office.run(["exchange"]);
  const told = office.json(["pressure", SITE, "zone-1"]);
  assert.equal(told.gauge_psi, 20);
  const kerb = office.json(["kerb", SITE, "1-02"]);
  assert.match(kerb.reason, /^curved kerb, no overspray/);
  const [now, ...offers] = kerb.choices;
  const none = offers.find((one) => one.name === "no overspray");
  // The throw is set to a tenth of a foot.
  assert.ok(Math.abs(now.radius_ft - none.radius_ft) < 0.06 && now.arc_deg === none.arc_deg, JSON.stringify(kerb));
});
