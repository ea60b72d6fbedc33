// Every screen of the yard page in both languages: no serious fault, targets for gloves, contrast
// for sun, nothing beyond the edge of the phone; and how many taps the frequent jobs take.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";

import { Office, Phone, look as lookAt } from "./yard.mjs";

const SITE = "Tannery Row";

const WORDS = {
  en: {
    inspection: "Inspection", changed: "It was changed", found: /^Controller as found/, same: "Same",
    flag: "Flag", clogged: "Nozzle clogged", asIs: "Leave as is", plants: "plants need", wet: "Wet spot",
    yes: "Yes", zone: "Back to the zone", add: "Add heads", skip: "Skip this zone", dog: "dog in the yard",
    left: /^Controller as left/, nothing: "Nothing to note", back: "Back", next: "Next zone", all: "Everything that",
    kerb: "At a curved kerb", measure: "Measure the kerb", save: "Save", pressure: "Pressure of the zone", head: "Back to the head",
    rain: "rain", undo: /^Undo/,
  },
  es: {
    inspection: "Inspección", changed: "Lo cambiaron", found: /^Programador como se encontró/, same: "Igual",
    flag: "Marcar", clogged: "Boquilla tapada", asIs: "Dejar así", plants: "las plantas lo", wet: "Mancha mojada",
    yes: "Sí", zone: "Volver a la zona", add: "Agregar aspersores", skip: "Omitir esta zona", dog: "perro en el patio",
    left: /^Programador como se dejó/, nothing: "Nada que anotar", back: "Atrás", next: "Zona siguiente", all: "Todo lo que",
    kerb: "En un bordillo", measure: "Medir el bordillo", save: "Guardar", pressure: "Presión de la zona", head: "Volver al aspersor",
    rain: "lluvia", undo: /^Deshacer/,
  },
};

let office;

before(async () => {
  office = await Office.open();
});

after(async () => {
  await office?.close();
});

for (const language of ["en", "es"]) {
  test(`every screen can be used with gloves in the sun: ${language}`, async () => {
    const words = WORDS[language];
    const phone = new Phone(office.url);
    let nth = 0;
    const look = (name) => {
      nth += 1;
      return lookAt(phone, `${language}-${String(nth).padStart(2, "0")}-${name}`);
    };
    try {
      await phone.open();
      if (language === "es") await phone.tap("Español");
      await look("join");
      await phone.join(office, `Noor ${language}`);
      await look("today");
      phone.taps = 0;
      await phone.tap(SITE);
      await look("site");
      await phone.tap(words.inspection);
      await look("found");
      await phone.tap(words.changed);
      await look("found-changed");
      await phone.tap(words.back);
      await look("walk");
      await phone.tap(words.found);
      await phone.tap(words.same);
      await look("zone");
      await phone.tapOn(phone.page.locator(".heads .flag").first());
      await phone.tapOn(phone.page.locator(".heads .head").nth(1));
      await look("head");
      await phone.tap(words.kerb);
      await look("kerb-not-measured");
      await phone.tap(words.measure);
      await look("kerb-tape");
      await phone.tapOn(phone.page.locator("#dock .main"));
      await look("kerb");
      await phone.tap(words.head);
      await phone.tap(words.all);
      await look("what");
      await phone.tap(words.clogged);
      await look("zone-with-findings");
      await phone.tapOn(phone.page.locator(".list button").filter({ hasText: new RegExp(words.clogged, "i") }).first());
      await look("finding");
      await phone.tap(words.asIs);
      await look("accept");
      await phone.tap(words.plants);
      await phone.tap(words.wet);
      await phone.tap(words.yes);
      await look("spot");
      await phone.tap(words.zone);
      await phone.tap(words.add);
      await look("add-heads");
      await phone.tap(words.back);
      await phone.tap(words.pressure);
      await look("pressure");
      await phone.tap(words.zone);
      await phone.tap(words.skip);
      await look("skip");
      await phone.tap(words.dog);
      await phone.tap(words.back);
      await phone.tap(words.left);
      await look("left");
      await phone.tapOn(phone.page.locator("#dock .main"));
      await look("client");
      await phone.tap(words.nothing);
      await look("close");
      await phone.tap(words.rain);
      await look("letter");
      await phone.tap(words.undo);
      await look("opened-again");
      await phone.page.locator("button.settings").click();
      await phone.page.locator("#export").waitFor();
      await look("settings");
    } finally {
      await phone.close();
    }
  });
}

test("a second tab is told that the first has the store, and goes on when that is closed", async () => {
  const phone = new Phone(office.url);
  try {
    await phone.open();
    const second = await phone.page.context().newPage();
    await second.goto(phone.url);
    await second.getByText("open in another tab").waitFor();
    await phone.page.close();
    await second.waitForFunction(() => performance.getEntriesByName("ready").length > 0);
    assert.match(await second.locator("#title").innerText(), /Join your office/);
  } finally {
    await phone.close();
  }
});

test("the frequent jobs take no more taps than they may", async () => {
  const phone = new Phone(office.url);
  // A zone that nobody has mapped.
  office.run(["add", SITE, "zone-13", "name", "side strip"]);
  office.run(["exchange"]);
  try {
    await phone.open();
    await phone.join(office, "Teo");
    await office.stop();
    const counted = [];
    const job = async (name, most, taps) => {
      phone.taps = 0;
      const began = Date.now();
      await taps();
      counted.push(`${name}: ${phone.taps} of ${most} taps, ${Date.now() - began} ms`);
      assert.ok(phone.taps <= most, counted.at(-1));
    };
    const head = (nth) => phone.tapOn(phone.page.locator(".heads .head").nth(nth));
    const main = () => phone.tapOn(phone.page.locator("#dock .main"));
    await job("open the site, first zone running", 3, async () => {
      await phone.tap(SITE);
      await phone.tap("Repair");
      await phone.tap("Same");
    });
    assert.match(await phone.title(), /^Zone 1/);
    await job("flag a head", 1, () => phone.tapOn(phone.page.locator(".heads .flag").first()));
    await job("undo", 1, () => phone.tap(/^Undo/));
    await job("adjusted arc", 2, async () => {
      await head(1);
      await phone.tap("Arc off overspray");
    });
    await job("finding with remedy and part", 4, async () => {
      await head(2);
      await phone.tap("Nozzle clogged");
      await phone.tapOn(phone.page.locator(".list button").filter({ hasText: "nozzle clogged" }).first());
      await phone.tap("Fixed now");
    });
    await phone.tap("Back");
    await phone.tap("Back to the zone");
    await job("the same on another head", 2, async () => {
      await head(3);
      await phone.tap("Same as");
    });
    await job("nozzle quarter to half", 4, async () => {
      await head(4);
      await phone.tap("180°");
    });
    assert.match(await phone.page.locator("#main").innerText(), /Zone total now: [\d.]+ gpm/);
    await phone.tap("Back to the zone");
    await job("twelve heads good, next zone", 1, main);
    assert.match(await phone.title(), /^Zone 2/);
    await phone.tap("Back");
    await phone.tap(/^Controller as left/);
    await job("another run time", 3, async () => {
      await phone.tapOn(phone.page.locator(".stepper button").nth(1));
      await phone.tap("Record as left");
    });
    await phone.tap("Back");
    await phone.tap(/^Controller as left/);
    await job("left as found", 1, () => phone.tap("Same as found"));
    await phone.tap("Back");
    await job("new zone of twelve like heads", 6, async () => {
      await phone.tap("Zone 13");
      await phone.tap("Add heads");
      await phone.tap("Gear rotor");
      await phone.tap("Add 12");
    });
    assert.equal(await phone.page.locator(".heads .head").count(), 12);
    await phone.tap("Back");
    await phone.tap("Client");
    const began = Date.now();
    await job("letter at the tailgate", 2, async () => {
      await phone.tap("Nothing to note");
      await phone.tap("out of time");
    });
    await phone.page.locator(".paper main").waitFor();
    assert.ok(Date.now() - began < 60_000);
    for (const line of counted) console.log(line);
  } finally {
    await phone.close();
    await office.start();
  }
});
