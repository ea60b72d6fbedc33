// The day's end in a real browser: worked to nothing by keyboard alone, by several at once, and
// looked at by an auditor.

import assert from "node:assert/strict";
import { cpSync, mkdirSync } from "node:fs";
import path from "node:path";
import { after, before, test } from "node:test";

import { scratch, seriousFaults, startBrowser } from "./browser.mjs";
import { playSeason, signIn, startHub } from "./hub.mjs";

let browser;
let season;

before(async () => {
  season = playSeason();
  browser = await startBrowser();
});

after(async () => {
  await browser?.close();
  season?.remove();
});

/** Presses keys, one after the other, as a person does who reads what happens. */
async function press(page, ...keys) {
  for (const key of keys) {
    await page.keyboard.press(key);
  }
}

const left = (page) => page.locator(".line").count();
const here = (page) => page.evaluate(() => document.activeElement.dataset?.line ?? "");

/** Decides the line at which the reader stands: its key, and what is typed with it. */
async function decide(page, key, words) {
  const before = await left(page);
  await press(page, key);
  if (words !== undefined) {
    if (words) await page.keyboard.type(words);
    await press(page, "Enter");
  }
  await page.waitForFunction(
    (count) => document.querySelectorAll(".line").length === count,
    before - 1,
  );
}

test("the demo's day end is worked to empty by keyboard alone", async () => {
  const hub = await startHub(season);
  try {
    const page = await signIn(browser, hub, hub.codes.ines);
    assert.match(await page.locator("h1").innerText(), /Day's end, Tuesday 14 July 2026/);
    assert.equal(await left(page), 10);
    assert.deepEqual(await seriousFaults(page), []);

    // The reader stands at the first line: the urgent leak.
    assert.match(await here(page), /^water\./);
    await decide(page, "s", ""); // a crew does it, tomorrow as offered
    await decide(page, "l"); // the wet patch: not today
    await decide(page, "q", "145.50"); // valve 8: the client was told
    assert.match(await here(page), /^versions\./);
    assert.equal(await page.locator(".sides thead th").count(), 3);
    await decide(page, "b");
    await decide(page, "x", "the school is back in August");
    await decide(page, "e", "zones 7 and 8 tomorrow at 9");
    await decide(page, "x", "the court is locked until Friday");
    await decide(page, "q", "90");
    await decide(page, "x", "the owner likes it so");
    await decide(page, "q", "60");
    assert.match(await page.locator(".summary").innerText(), /Nothing is left\. Go home\./);

    // The last decision is taken back, and taken again.
    await press(page, "u");
    await page.waitForSelector(".line");
    assert.equal(await left(page), 1);
    assert.match(await here(page), /^quote\./);
    await decide(page, "l");

    await press(page, "g");
    await page.waitForFunction(() => /closed/.test(document.querySelector(".summary").innerText));
    const summary = await page.locator(".summary").innerText();
    assert.match(summary, /^Ines at 17:\d\d: the day is closed with 2 known holes\. Go home\.$/);
    assert.deepEqual(page.faults, []);
    assert.deepEqual(await seriousFaults(page), []);
    await page.context().close();

    // Every decision is in the log, in the name of the person whose code it was.
    const tomorrow = await startHubAgain(hub);
    const next = await signIn(browser, tomorrow, tomorrow.codes.noor);
    assert.match(await next.locator("h2").first().innerText(), /Left open before/);
    assert.match(await next.locator(".left").first().innerText(), /Left open on 2026-07-14 by Ines/);
    await next.context().close();
    await tomorrow.stop();
  } finally {
    await hub.stop();
  }
});

/** Another hub on a copy of this one's folder, on the next evening. */
async function startHubAgain(hub) {
  const copy = scratch();
  mkdirSync(path.join(copy.folder, "season"));
  cpSync(hub.folder, path.join(copy.folder, "season", "hub"), { recursive: true });
  const again = await startHub(copy, "2026-07-15T17:45:00-05:00");
  const stop = again.stop;
  return { ...again, stop: () => stop().then(copy.remove) };
}

test("of two who decide one line the second is told who was first, and nothing is lost", async () => {
  const hub = await startHub(season);
  try {
    const ines = await signIn(browser, hub, hub.codes.ines);
    const noor = await signIn(browser, hub, hub.codes.noor);
    const versions = ".line[data-line^='versions.']";

    // Noor's page hears of nothing for now, as if her line were slow: she sends what she read.
    await noor.route("**/office/news*", () => {});
    await noor.reload();
    await noor.locator(versions).focus();
    await ines.locator(versions).focus();
    await press(ines, "a");
    await ines.waitForSelector(versions, { state: "detached" });
    await press(noor, "b");
    await noor.waitForFunction(() => document.getElementById("told").textContent);
    assert.match(
      await noor.locator("#told").innerText(),
      /^Ines decided this at 17:\d\d: head-3-04 nozzle, arc, flow: A counts\./,
    );
    assert.equal(await noor.locator(versions).count(), 0);
    const decided = await noor.locator(".decided li span").allInnerTexts();
    assert.equal(decided.length, 1);
    assert.match(decided[0], /A counts/);

    // She takes it back with the words before her eyes, and both versions stand again for both.
    await noor.unroute("**/office/news*");
    await noor.reload();
    await noor.locator(".undo button").focus();
    await press(noor, "Enter");
    await noor.waitForSelector(versions);
    await ines.waitForSelector(versions); // without a reload
    assert.equal(await ines.locator(`${versions} tbody tr`).count(), 3);
    await ines.context().close();
    await noor.context().close();
  } finally {
    await hub.stop();
  }
});

test("what one decides the other sees without reloading, and keeps what she was typing", async () => {
  const hub = await startHub(season);
  try {
    const ines = await signIn(browser, hub, hub.codes.ines);
    const noor = await signIn(browser, hub, hub.codes.noor);
    const last = noor.locator(".line").last();
    await last.focus();
    await press(noor, "q");
    await noor.keyboard.type("77");
    await decide(ines, "s", "");
    await noor.waitForFunction(() => document.querySelectorAll(".line").length === 9);
    const typed = await noor.evaluate(() => [
      document.activeElement.value,
      document.activeElement.form.elements.act.value,
    ]);
    assert.deepEqual(typed, ["77", "quoted"]);

    // And where her line itself goes, she is told who decided it, and what she had typed.
    await ines.locator(".line").last().focus();
    await press(ines, "l");
    await noor.waitForFunction(() => document.getElementById("told").textContent);
    const told = await noor.locator("#told").innerText();
    assert.match(told, /^Ines at 17:\d\d: head-10-05 .*You had typed: 77$/);
    assert.deepEqual([...ines.faults, ...noor.faults], []);
    await ines.context().close();
    await noor.context().close();
  } finally {
    await hub.stop();
  }
});

test("an auditor reads, and no form of another's decides", async () => {
  const hub = await startHub(season);
  try {
    const auditor = await signIn(browser, hub, hub.codes.auditor);
    assert.equal(await left(auditor), 10);
    assert.equal(await auditor.locator(".offers").count(), 0);
    // A form that is written by hand is refused, with the session's own token in it.
    const status = await auditor.evaluate(async () => {
      const form = document.querySelector(".top input[name=form]").value;
      const key = document.querySelector(".line").dataset.line;
      const body = new URLSearchParams({ form, key, act: "later", basis: "", words: "" });
      return (await fetch("/office/decide", { method: "POST", body })).status;
    });
    assert.equal(status, 403);
    const cookies = await auditor.context().cookies();
    assert.equal(cookies.length, 1);
    assert.equal(cookies[0].httpOnly, true);
    assert.equal(cookies[0].sameSite, "Strict");
    // The code worked once.
    const again = await browser.newPage();
    await again.goto(`${hub.url}/office`);
    await again.waitForFunction(() => document.activeElement.id === "code");
    await again.keyboard.type(hub.codes.auditor);
    await press(again, "Enter");
    await again.waitForSelector("[role=alert]");
    assert.match(await again.locator("[role=alert]").innerText(), /used already/);
    assert.deepEqual(await seriousFaults(again), []);
    await again.close();
    // Signed out is out.
    await auditor.getByRole("button", { name: "Sign out" }).press("Enter");
    await auditor.waitForSelector("#code");
    await auditor.goto(`${hub.url}/office`);
    assert.match(auditor.url(), /sign-in$/);
    await auditor.context().close();
  } finally {
    await hub.stop();
  }
});

test("without its script the page decides by its forms", async () => {
  const hub = await startHub(season);
  try {
    const context = await browser.newContext({ javaScriptEnabled: false });
    const page = await context.newPage();
    await page.goto(`${hub.url}/office`);
    await page.fill("#code", hub.codes.ines);
    await page.getByRole("button", { name: "Sign in" }).click();
    await page.getByRole("button", { name: "A counts" }).click();
    assert.equal(await left(page), 9);
    assert.match(await page.locator(".decided li span").innerText(), /A counts/);
    await context.close();
  } finally {
    await hub.stop();
  }
});

test("the day's end prints on both sizes of paper with nothing beyond the edge", async () => {
  const hub = await startHub(season);
  try {
    const page = await signIn(browser, hub, hub.codes.noor);
    await page.emulateMedia({ media: "print" });
    for (const [format, width, points] of [["Letter", 816, [612, 792]], ["A4", 794, [595, 842]]]) {
      // The sheet without the usual margins of half an inch.
      await page.setViewportSize({ width: width - 96, height: 900 });
      const beyond = await page.evaluate(() => {
        const wide = document.documentElement.clientWidth;
        const shown = [...document.querySelectorAll("body *")].filter((one) => one.checkVisibility());
        const out = shown.filter((one) => one.getBoundingClientRect().right > wide + 1);
        return out.map((one) => `${one.tagName} ${one.textContent.slice(0, 40)}`);
      });
      assert.deepEqual(beyond, [], format);
      const pdf = (await page.pdf({ format, margin: { top: "0.5in", bottom: "0.5in", left: "0.5in", right: "0.5in" } })).toString("latin1");
      const box = pdf.match(/\/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]/).slice(1);
      points.forEach((wanted, at) => assert.ok(Math.abs(wanted - box[at]) < 2, `${box}`));
      const sheets = pdf.match(/\/Type \/Page\b(?!s)/g)?.length ?? 0;
      assert.ok(sheets >= 1 && sheets <= 4, `${sheets} sheets`);
    }
    await page.context().close();
  } finally {
    await hub.stop();
  }
});
