// A zone that will not start, taken to its cause at the valve with the hub stopped, in both languages:
// one tap a test, a wrong tap taken back, and the command line reads the same at the office.

import assert from "node:assert/strict";
import { after, before, test } from "node:test";

import { Office, Phone, look } from "./yard.mjs";

const SITE = "Tannery Row";

const WORDS = {
  en: {
    zone: "Zone 1", address: "zone-1", inspection: "Inspection", same: "Same", back: "Back", board: "Will not start", yes: "Yes", no: "No",
    cause: /The evidence points to: coil open/, means: /burnt out\. Usual remedy: new solenoid/, points: /Points to: .*coil open/,
    away: /Points away from: .*settings/, neither: /Not tested: counts neither way/, next: "Next test", voltage: /Mains voltage inside/,
    undo: /^Undo/, record: /^Record: valve will not open/, open: /valve will not open/i, weak: "Low pressure", stuck: "Will not stop", toZone: "Back to the zone",
    shown: ["display shows off", "resistance is very low", "isolation valve is shut"],
  },
  es: {
    zone: "Zona 2", address: "zone-2", inspection: "Inspección", same: "Igual", back: "Atrás", board: "No arranca", yes: "Sí", no: "No",
    cause: /La evidencia apunta a: bobina quemada/, means: /está quemada\. Remedio usual: solenoide nuevo/, points: /Apunta a: .*bobina quemada/,
    away: /Habla en contra de: .*ajustes del programador/, neither: /Sin probar: no cuenta/, next: "Prueba siguiente", voltage: /Voltaje de red adentro/,
    undo: /^Deshacer/, record: /^Registrar: válvula no abre/, open: /válvula no abre/i, weak: "Poca presión", stuck: "No para", toZone: "Volver a la zona",
    shown: ["la pantalla muestra apagado", "resistencia muy baja", "la llave de paso está cerrada"],
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
  test(`a zone that will not start is taken to its cause: ${language}`, async () => {
    const words = WORDS[language];
    const phone = new Phone(office.url);
    const text = () => phone.page.locator("#main").innerText();
    const legends = () => phone.page.locator("#main legend").allInnerTexts();
    try {
      await phone.open();
      if (language === "es") await phone.tap("Español");
      await phone.join(office, `Noor ${language}`);
      await office.stop();
      await phone.tap(SITE);
      await phone.tap(words.inspection);
      await phone.tap(words.same);
      if (!(await phone.title()).startsWith(words.zone)) {
        await phone.tap(words.back);
        await phone.tap(words.zone);
      }
      await look(phone, `${language}-board-0-zone`);
      for (const other of [words.weak, words.stuck]) {
        await phone.tap(other);
        await look(phone, `${language}-board-0-${other.replaceAll(" ", "-")}`);
        await phone.tap(words.toZone);
      }
      phone.taps = 0;
      await phone.tap(words.board);
      assert.equal(phone.taps, 1);
      await look(phone, `${language}-board-1-nothing-tested`);

      // The coil is burnt out: what shows then, and what does not.
      const asked = [];
      while (!words.cause.test(await text())) {
        const [next] = await legends();
        assert.ok(!asked.includes(next) && asked.length < 8, `${next} after ${asked.join("; ")}`);
        asked.push(next);
        const absent = words.shown.some((sign) => next.startsWith(sign));
        await phone.tap(absent ? words.no : words.yes);
        if (asked.length === 1) {
          // A battery is pulled; and a wrong tap is taken back with one tap.
          await phone.kill();
          await phone.open();
          const stood = await text();
          await phone.tap(words.yes);
          assert.notEqual(await text(), stood);
          await phone.tap(words.undo);
          assert.equal(await text(), stood);
          await look(phone, `${language}-board-2-one-tested`);
        }
      }
      const told = await text();
      for (const part of ["means", "points", "away", "neither", "voltage"]) assert.match(told, words[part], part);
      await look(phone, `${language}-board-3-cause`);
      console.log(`${language}: ${asked.length} tests, one tap each: ${asked.join("; ")}`);
      await phone.tap(words.record);
      assert.match(await text(), words.open);

      await office.start();
      await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
      await phone.atOffice();
      office.run(["exchange"]);
      const why = office.json(["why", SITE, words.address]);
      assert.equal(why.trouble, "will-not-start");
      assert.match(why.says, /^the evidence points to coil open/);
      assert.equal(why.tested.length, asked.length, JSON.stringify(why.tested));
      if (language === "en") {
        const minutesOff = asked.map((label) => label.replace(/ \(\d+ min\)$/, ""));
        assert.deepEqual(why.tested.map((test) => test.sign).sort(), minutesOff.sort());
        for (const { sign, seen } of why.tested) assert.equal(seen, !words.shown.some((it) => sign.startsWith(it)), sign);
      }
    } finally {
      await phone.close();
      if (!office.hub) await office.start();
    }
  });
}
