// A page for a client, as the command writes it, in a real browser.

import assert from "node:assert/strict";
import path from "node:path";
import { after, before, test } from "node:test";
import { pathToFileURL } from "node:url";

import { headwalk, scratch, seriousFaults, startBrowser } from "./browser.mjs";

let browser;
let season;

before(async () => {
  season = scratch();
  headwalk(["demo", "--folder", path.join(season.folder, "season")]);
  browser = await startBrowser();
});

after(async () => {
  await browser?.close();
  season?.remove();
});

test("the page about a valve needs no other file and has no serious fault", async () => {
  const file = path.join(season.folder, "valve.html");
  headwalk(["page", "Tannery Row", "valve-8", "--out", file], {
    HEADWALK_STORE: path.join(season.folder, "season", "desk.redb"),
    HEADWALK_NOW: "2026-07-14T17:30:00-05:00",
  });
  const page = await browser.newPage();
  const asked = [];
  page.on("request", (request) => asked.push(request.url()));
  await page.goto(pathToFileURL(file).href);
  assert.match(await page.locator("h1").first().innerText(), /^valve 8$/i);
  assert.deepEqual(asked, [pathToFileURL(file).href]);
  assert.deepEqual(await seriousFaults(page), []);
  await page.close();
});

test("the checker tells a page that has a serious fault", async () => {
  const page = await browser.newPage();
  await page.setContent("<html lang=en><title>x</title><button></button></html>");
  const faults = await seriousFaults(page);
  assert.deepEqual(faults.map((fault) => fault.id), ["button-name"]);
  await page.close();
});
