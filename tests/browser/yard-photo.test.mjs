// A picture from the camera to the office: two taps, nothing of its position, a pulled battery, a cut.

import assert from "node:assert/strict";
import { mkdirSync, readFileSync, readdirSync, statSync } from "node:fs";
import path from "node:path";
import { after, before, test } from "node:test";

import { seriousFaults, startBrowser } from "./browser.mjs";
import { signIn } from "./hub.mjs";
import { Line, Office, Phone, look as lookAt } from "./yard.mjs";

const SITE = "Tannery Row";
const FIXTURE = new URL("../../fixtures/photos/with-position.jpg", import.meta.url);
/** What a camera writes and nobody else is to read. */
const TELLTALES = ["GPS", "PhoneCam", "ns.adobe.com/xap", "gate code", "2026:07:14"];
const PIECE = 64 * 1024;
/** Where pictures of the screens go, if somebody wants to look. */
const PICTURES = process.env.HEADWALK_PICTURES;

const WORDS = {
  en: {
    clogged: "Nozzle clogged", take: "Take a picture", keep: "Keep as evidence", before: "Keep as before",
    away: "Throw away", here: "on this phone, not yet at the office", full: /The entry is saved; the picture could not be kept/,
    lost: "could not be kept: the phone was full", unreadable: /cannot be shown as a picture/, inspection: "Inspection",
    same: "Same", waiting: "1 picture still on this phone",
  },
  es: {
    clogged: "Boquilla tapada", take: "Tomar una foto", keep: "Guardar como evidencia", before: "Guardar como antes",
    away: "Descartar", here: "en este teléfono, aún no en la oficina", full: /El registro está guardado; la foto no se pudo/,
    lost: "no se pudo guardar: el teléfono estaba lleno", unreadable: /no se puede mostrar como foto/, inspection: "Inspección",
    same: "Igual", waiting: "1 foto aún en este teléfono",
  },
};

let office;
const phones = [];
let line;
let browser;

before(async () => {
  office = await Office.open();
});

after(async () => {
  for (const phone of phones) await phone.close();
  await browser?.close();
  line?.close();
  await office?.close();
});

/** What a phone's camera gives: 3,000 x 2,000 lying on its side, with its position and all else. */
async function fromCamera(phone, seed = 1) {
  const drawn = await phone.page.evaluate(async (seeded) => {
    const canvas = new OffscreenCanvas(3000, 2000);
    const pen = canvas.getContext("2d");
    let state = seeded;
    const next = () => { state = (state * 1103515245 + 12345) % 2147483648; return state / 2147483648; };
    for (let y = 0; y < 2000; y += 10) {
      for (let x = 0; x < 3000; x += 10) {
        pen.fillStyle = `rgb(${60 + next() * 90}, ${90 + next() * 90}, ${40 + next() * 60})`;
        pen.fillRect(x, y, 10, 10);
      }
    }
    pen.fillStyle = "#111";
    pen.fillRect(1350, 700, 300, 900);
    const blob = await canvas.convertToBlob({ type: "image/jpeg", quality: 0.9 });
    const reader = new FileReader();
    const read = new Promise((resolve) => { reader.onload = () => resolve(reader.result); });
    reader.readAsDataURL(blob);
    return (await read).split(",")[1];
  }, seed);
  const camera = Buffer.from(drawn, "base64");
  const fixture = readFileSync(FIXTURE);
  const segments = [];
  for (let at = 2; fixture[at] === 0xff && (fixture[at + 1] & 0xf0) === 0xe0;) {
    const end = at + 2 + fixture.readUInt16BE(at + 2);
    // The picture has a header of its own.
    if (fixture[at + 1] !== 0xe0) segments.push(fixture.subarray(at, end));
    at = end;
  }
  const file = Buffer.concat([camera.subarray(0, 2), ...segments, camera.subarray(2), fixture]);
  for (const mark of TELLTALES) assert.ok(file.includes(mark), `the camera's picture lacks ${mark}`);
  return file;
}

/** Takes a picture as far as the question what it shows. */
async function shoot(phone, words, file) {
  const choosing = phone.page.waitForEvent("filechooser");
  await phone.page.getByRole("button", { name: words.take }).first().click();
  phone.taps += 1;
  await (await choosing).setFiles({ name: "IMG.jpg", mimeType: "image/jpeg", buffer: file });
  await phone.page.locator("#photo-pending").waitFor();
}

/** The pictures' files on the phone. */
async function filesOn(phone) {
  const files = await phone.page.evaluate(async () => {
    const folder = await (await navigator.storage.getDirectory()).getDirectoryHandle("photos", { create: true });
    const found = [];
    for await (const [name, handle] of folder.entries()) {
      const bytes = new Uint8Array(await (await handle.getFile()).arrayBuffer());
      let text = "";
      for (let at = 0; at < bytes.length; at += 8192) text += String.fromCharCode(...bytes.subarray(at, at + 8192));
      found.push({ name, bytes: btoa(text) });
    }
    return found;
  });
  return files.map(({ name, bytes }) => ({ name, bytes: Buffer.from(bytes, "base64") }));
}

/** The pictures' files at the hub. */
function filesAtHub() {
  const root = path.join(office.folder, "photos");
  let shelves = [];
  try {
    shelves = readdirSync(root);
  } catch {
    return [];
  }
  return shelves.flatMap((shelf) => readdirSync(path.join(root, shelf)).map((name) => path.join(root, shelf, name)));
}

async function toFinding(phone, words) {
  await phone.tap(SITE);
  await phone.tap(words.inspection);
  await phone.tap(words.same);
  await phone.tapOn(phone.page.locator(".heads .head").first());
  await phone.tap(words.clogged);
  await findingAgain(phone, words);
}

async function findingAgain(phone, words) {
  const rows = phone.page.locator(".list button").filter({ hasText: new RegExp(words.clogged, "i") });
  await phone.tapOn(rows.first());
}

/** How large a picture on the page shows, once it does. */
async function shows(phone) {
  await phone.page.waitForFunction(() => document.querySelector(".pictures img")?.naturalWidth > 0);
  return phone.page.locator(".pictures img").first().evaluate((image) => [image.naturalWidth, image.naturalHeight]);
}

const waiting = (phone) => phone.page.locator("#status .pictures-here");

async function sent(phone) {
  await phone.page.waitForFunction(() => !document.querySelector("#status .pictures-here"), null, { timeout: 90_000 });
}

test("two taps keep a picture without its position, and it reaches the office once through kill and cut", async () => {
  const words = WORDS.en;
  line = await Line.to(office.port);
  const phone = new Phone(line.url);
  phones.push(phone);
  await phone.open();
  await phone.join(office, "Noor");
  await office.stop();
  await toFinding(phone, words);
  const camera = await fromCamera(phone);
  phone.taps = 0;
  await shoot(phone, words, camera);
  await phone.tap(words.keep);
  assert.equal(phone.taps, 2);
  assert.match(await waiting(phone).innerText(), new RegExp(words.waiting));
  const [kept, ...others] = await filesOn(phone);
  assert.deepEqual(others, []);
  for (const mark of [...TELLTALES, "Exif", "ICC_PROFILE"]) {
    assert.ok(!kept.bytes.includes(mark), `${mark} is still on the phone`);
  }
  // Upright, and no longer than it may be.
  assert.deepEqual(await shows(phone), [1067, 1600]);
  console.log(`a picture of ${camera.length} bytes is kept as ${kept.bytes.length}`);
  assert.ok(kept.bytes.length > 3 * PIECE, "enough for several pieces");

  await phone.kill();
  await phone.open();
  assert.match(await waiting(phone).innerText(), new RegExp(words.waiting));
  assert.deepEqual(await shows(phone), [1067, 1600]);
  assert.match(await phone.page.locator(".pictures").innerText(), new RegExp(words.here));

  // The hub is back, and the line is cut in the middle of the picture: the entries are there.
  Object.assign(line, { bytes: 0, bytesPerSecond: 120_000, cutAfter: 2.5 * PIECE, staysDown: true });
  await office.start();
  await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
  while (line.cuts === 0) await new Promise((resolve) => setTimeout(resolve, 50));
  await phone.atOffice();
  assert.match(await waiting(phone).innerText(), new RegExp(words.waiting));
  const [part, ...more] = filesAtHub();
  assert.deepEqual(more, []);
  assert.match(part, /\.part$/);
  const held = statSync(part).size;
  assert.ok(held > 0 && held < kept.bytes.length, `${held}`);

  office.run(["exchange"]);
  const { findings } = office.json(["finding", SITE, "--all"]);
  const finding = findings.find((one) => one.what === "nozzle-clogged" && one.photos === 1);
  browser = await startBrowser();
  const desk = await signIn(browser, { url: office.url }, office.code("Mr Hale", "auditor"));
  assert.match(await desk.locator("#photos-on-phones").innerText(), /1 picture on Noor's phone: Tannery Row 1/);
  const history = `${office.url}/office/history?logbook=${finding.logbook}&thing=${finding.finding}`;
  await desk.goto(history);
  assert.match(await desk.locator(".photo").innerText(), /on Noor's phone, not yet at the office/);

  // Killed once more in that state; what goes then is what was lacking.
  await phone.kill();
  Object.assign(line, { bytes: 0, bytesPerSecond: Infinity, down: false });
  await phone.open();
  await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
  await sent(phone);
  const lacking = kept.bytes.length - held;
  console.log(`cut after ${held} of ${kept.bytes.length} bytes; then ${line.bytes} bytes on the line for the ${lacking} that lacked`);
  assert.ok(line.bytes >= lacking && line.bytes < lacking + 12_000, `${line.bytes}`);
  const [whole, ...rest] = filesAtHub();
  assert.deepEqual(rest, []);
  assert.equal(path.basename(whole), `${kept.name.split(".")[0]}.jpg`);
  assert.ok(readFileSync(whole).equals(kept.bytes));
  await desk.reload();
  await desk.waitForFunction(() => document.querySelector(".photo img")?.naturalWidth === 1067);
  assert.deepEqual(await seriousFaults(desk), []);
  if (PICTURES) {
    mkdirSync(PICTURES, { recursive: true });
    await desk.screenshot({ path: path.join(PICTURES, "office-photo.png"), fullPage: true });
  }
  await desk.goto(`${office.url}/office`);
  assert.equal(await desk.locator("#photos-on-phones").count(), 0);
  assert.deepEqual(desk.faults, []);

  // Nothing is sent again.
  line.bytes = 0;
  await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
  await phone.page.waitForFunction(() => (window.exchanges ?? 0) > 1);
  assert.ok(line.bytes < 3_000, `${line.bytes}`);

  // A colleague sees whose it is, and brings it with a tap.
  const colleague = new Phone(office.url);
  phones.push(colleague);
  await colleague.open();
  await colleague.join(office, "Teo");
  await colleague.tap(SITE);
  await colleague.tap("Take up the open visit");
  await colleague.tap("Zone 1");
  await findingAgain(colleague, words);
  assert.match(await colleague.page.locator(".pictures").innerText(), /taken by Noor, not on this phone/);
  await colleague.tap("Bring it from the office");
  assert.deepEqual(await shows(colleague), [1067, 1600]);
});

for (const language of ["en", "es"]) {
  test(`taking a picture can be done with gloves in the sun, and on a full phone: ${language}`, async (t) => {
    const words = WORDS[language];
    const phone = new Phone(office.url);
    phones.push(phone);
    let nth = 0;
    const look = (name) => lookAt(phone, `${language}-photo-${(nth += 1)}-${name}`);
    await phone.open();
    if (language === "es") await phone.tap("Español");
    await phone.join(office, `Noor ${language}`);
    await office.stop();
    t.after(() => office.hub ?? office.start());
    await toFinding(phone, words);
    await look("finding");
    await shoot(phone, words, await fromCamera(phone, 7));
    await look("taken");
    // What comes in from elsewhere takes nothing off the screen.
    await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
    await phone.page.waitForFunction(() => (window.exchanges ?? 0) > 0);
    await phone.page.getByRole("button", { name: words.away }).click();
    assert.equal(await phone.page.locator("#photo-pending").count(), 0);
    assert.deepEqual(await filesOn(phone), []);
    await shoot(phone, words, await fromCamera(phone, 8));
    await phone.tap(words.before);
    await shows(phone);
    await look("kept");

    await shoot(phone, words, Buffer.from("no picture"));
    assert.match(await phone.page.locator("#photo-pending").innerText(), words.unreadable);
    await look("unreadable");

    const entries = await phone.waiting();
    const { usage } = await phone.cdp.send("Storage.getUsageAndQuota", { origin: office.url });
    await phone.cdp.send("Storage.overrideQuotaForOrigin", { origin: office.url, quotaSize: usage + 100_000 });
    await shoot(phone, words, await fromCamera(phone, 9));
    await phone.tap(words.keep);
    assert.match(await phone.page.locator("#said").innerText(), words.full);
    assert.equal(await phone.waiting(), entries + 1, "the entry is kept");
    assert.equal((await filesOn(phone)).length, 1, "and no file of the picture");
    assert.match(await phone.page.locator(".pictures").innerText(), new RegExp(words.lost));
    await look("full");
    await phone.cdp.send("Storage.overrideQuotaForOrigin", { origin: office.url });
    await office.start();
    await phone.page.evaluate(() => window.dispatchEvent(new Event("online")));
    await sent(phone);
  });
}
