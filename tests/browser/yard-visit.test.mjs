// A whole visit of twelve zones without network, while the browser is killed again and again.

import assert from "node:assert/strict";
import { test } from "node:test";

import { headwalk } from "./browser.mjs";
import { officeAndPhone } from "./yard.mjs";

const KILLS = 20;
const SITE = "Tannery Row";
const SEED = Number(process.env.HEADWALK_SEED ?? 20_260_715);

let office;
let phone;

officeAndPhone((...begun) => {
  [office, phone] = begun;
});

/** The same sequence for the same seed. */
function dice(seed) {
  let state = seed >>> 0;
  return () => {
    state = (Math.imul(state, 1_664_525) + 1_013_904_223) >>> 0;
    return state / 2 ** 32;
  };
}

/** Does the next step of a visit, whichever screen is there; says when the visit has ended. */
async function step(chance) {
  const { at } = JSON.parse(await phone.page.locator("#page").getAttribute("data-key")).screen;
  const main = () => phone.tapOn(phone.page.locator("#dock .main"));
  if (at === "today") {
    if (phone.began) return true;
    await phone.tap(SITE);
  } else if (at === "site") {
    await main();
    phone.began = true;
  } else if (at === "zone") {
    phone.began = true;
    const flag = phone.page.locator(".heads .flag");
    if (chance() < 0.3 && (await flag.count()) > 3) await phone.tapOn(flag.nth(2));
    await main();
  } else if (at === "client") {
    await phone.tap("nobody home");
  } else if (at === "close") {
    const last = phone.page.locator("#dock .main");
    await ((await last.count()) > 0 ? main() : phone.tap("out of time"));
  } else {
    await main();
  }
  return false;
}

test("every confirmed entry outlives a kill at any moment, and all of it arrives", async () => {
  const chance = dice(SEED);
  console.log(`seed ${SEED}`);
  await phone.open();
  await phone.join(office, "Noor");
  await office.stop();
  let confirmed = 0;
  let kills = 0;
  let ended = false;
  let usual = 500;
  const took = [];
  for (;;) {
    // A life of a step or none; in the midst of the next the battery is pulled.
    const lives = kills < KILLS ? Math.floor(chance() * 2) : Infinity;
    for (let nth = 0; nth < lives && !ended; nth += 1) {
      const began = Date.now();
      ended = await step(chance);
      usual = Date.now() - began;
      confirmed = await phone.waiting();
      took.push(await phone.page.evaluate(() => window.took));
    }
    if (ended && kills === KILLS) break;
    if (ended) {
      // The visit is over and the kills are not: on with another.
      phone.began = false;
      ended = false;
    }
    const doomed = step(chance).catch(() => {});
    await new Promise((resolve) => setTimeout(resolve, chance() * usual));
    await phone.kill();
    await doomed;
    kills += 1;
    await phone.open();
    const there = await phone.waiting();
    if (process.env.HEADWALK_TOLD) console.log(`kill ${kills}: ${confirmed} confirmed, ${there} there, ${await phone.title()}`);
    assert.ok(there >= confirmed, `${there} entries are there, and ${confirmed} were confirmed`);
    confirmed = there;
  }
  assert.equal(kills, KILLS);
  const visit = confirmed;
  assert.ok(visit >= 12 + 4, `${visit} entries`);
  took.sort((a, b) => a - b);
  const median = took[Math.floor(took.length / 2)];
  console.log(`${visit} entries, ${kills} kills; an entry is on disk and the next screen drawn up in ${median.toFixed(1)} ms (median), ${took.at(-1).toFixed(1)} ms (most)`);
  assert.ok(median < 100, `${median} ms`);

  await office.start();
  await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
  await phone.atOffice();
  office.run(["exchange"]);
  const exported = await phone.exported();
  const states = [exported, office.store].map((store) => headwalk(["state", "--json"], { HEADWALK_STORE: store }));
  assert.equal(states[0], states[1]);
  const told = headwalk(["state", SITE], { HEADWALK_STORE: office.store });
  assert.match(told, /Noor/);
});
