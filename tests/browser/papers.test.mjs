// Every paper, as the command writes it: printed by a real browser on both sizes of paper.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import path from "node:path";
import { after, before, test } from "node:test";
import { pathToFileURL } from "node:url";

import { headwalk, seriousFaults, startBrowser } from "./browser.mjs";
import { playSeason, signIn, startHub } from "./hub.mjs";

// Points of each size of paper, and CSS pixels of the ground that is printed on.
const SHEETS = {
  letter: { whole: [612, 792], half: [396, 612], print: 691, printHalf: 460 },
  a4: { whole: [595, 842], half: [420, 595], print: 672, printHalf: 491 },
};

// The papers of the demo's large site: how many sheets each takes, at least and at most.
const PAPERS = [
  { kind: "letter", sheets: [3, 3] },
  { kind: "card", sheets: [1, 1], half: true },
  { kind: "head-map", sheets: [2, 2] },
  { kind: "work-order", sheets: [2, 2] },
  { kind: "estimate", sheets: [2, 2] },
  { kind: "season-chart", sheets: [3, 3] },
  { kind: "pull-list", sheets: [1, 1], more: ["--on", "2026-07-16"] },
];

let browser;
let season;
let store;

function write(kind, site, more = []) {
  const name = [kind, site, ...more].join("_").replaceAll(" ", "-");
  const file = path.join(season.folder, `${name}.html`);
  headwalk(["paper", kind, site, "--out", file, ...more], store);
  return file;
}

before(async () => {
  season = playSeason();
  store = {
    HEADWALK_STORE: path.join(season.folder, "season", "desk.redb"),
    HEADWALK_NOW: "2026-07-14T17:30:00-05:00",
  };
  browser = await startBrowser();
});

after(async () => {
  await browser?.close();
  season?.remove();
});

/** What sticks out of the paper or out of its own picture. */
function overflowing() {
  const wide = document.documentElement.clientWidth;
  const out = [];
  if (document.documentElement.scrollWidth > wide) out.push("the page itself");
  for (const one of document.querySelectorAll("main *")) {
    const at = one.getBoundingClientRect();
    const picture = one.ownerSVGElement;
    if (!picture) {
      if (at.right > wide + 1 || at.left < -1) out.push(`${one.tagName} ${one.textContent.slice(0, 40)}`);
      continue;
    }
    // Wedges may reach over the edge and are cut there; words may not.
    const around = picture.getBoundingClientRect();
    const words = one.tagName === "text" && one.textContent.trim() !== "";
    if (words && (at.right > around.right + 1 || at.left < around.left - 1 || at.bottom > around.bottom + 1)) {
      out.push(`text ${one.textContent}`);
    }
  }
  return out;
}

for (const { kind, sheets, half, more = [] } of PAPERS) {
  for (const paper of ["letter", "a4"]) {
    for (const [lang, units] of [["en", "us"], ["es", "si"]]) {
      test(`${kind} prints on ${paper} in ${lang}, ${units}`, async () => {
        const file = write(kind, "Tannery Row", ["--paper", paper, "--lang", lang, "--units", units, ...more]);
        const size = SHEETS[paper];
        const page = await browser.newPage({
          viewport: { width: half ? size.printHalf : size.print, height: 900 },
        });
        const asked = [];
        page.on("request", (request) => asked.push(request.url()));
        await page.goto(pathToFileURL(file).href);
        assert.deepEqual(asked, [pathToFileURL(file).href], "it needs no other file");
        assert.equal(await page.locator("html").getAttribute("lang"), lang);
        assert.deepEqual(await seriousFaults(page), []);
        await page.emulateMedia({ media: "print" });
        assert.deepEqual(await page.evaluate(overflowing), []);
        const pdf = (await page.pdf({ preferCSSPageSize: true, printBackground: false })).toString("latin1");
        const count = pdf.match(/\/Type \/Page\b(?!s)/g)?.length ?? 0;
        assert.ok(sheets[0] <= count && count <= sheets[1], `${count} sheets`);
        const box = pdf.match(/\/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]/).slice(1).map((it) => Math.round(it));
        const wanted = half ? size.half : size.whole;
        wanted.forEach((points, at) => assert.ok(Math.abs(points - box[at]) <= 1, `${box}`));
        await page.close();
      });
    }
  }
}

test("a page that sticks out is found", async () => {
  const page = await browser.newPage({ viewport: { width: 400, height: 300 } });
  await page.setContent("<main><p style='width:900px'>wide</p></main>");
  assert.ok((await page.evaluate(overflowing)).length > 0);
  await page.close();
});

test("the hub serves the same bytes as the command writes, and to nobody who is not signed in", async () => {
  const hub = await startHub(season);
  try {
    const page = await signIn(browser, hub, hub.codes.noor);
    const sites = JSON.parse(headwalk(["sites", "--json"], store)).sites;
    const site = sites.find((one) => one.site === "Tannery Row").logbook;
    for (const [kind, more] of [["letter", []], ["estimate", ["--lang", "es", "--units", "si"]], ["work-order", ["--paper", "a4"]]]) {
      const query = more.join("=").replaceAll("=--", "&").replace("--", "");
      const url = `${hub.url}/office/papers/${kind}/${site}?${query}`;
      const served = await page.context().request.get(url);
      assert.equal(served.status(), 200);
      assert.deepEqual(await served.body(), readFileSync(write(kind, "Tannery Row", more)), kind);
    }
    await page.goto(`${hub.url}/office/papers/letter/${site}`);
    assert.match(await page.locator("h1").innerText(), /Tannery Row/);
    assert.notEqual(await page.locator("h1").evaluate((it) => getComputedStyle(it).fontSize), "32px");
    assert.deepEqual(page.faults, [], "the page's policy lets its own style through");
    await page.context().close();
    const stranger = await browser.newContext();
    const turned = await stranger.request.get(`${hub.url}/office/papers/letter/${site}`);
    assert.match(turned.url(), /sign-in$/);
    await stranger.close();
  } finally {
    await hub.stop();
  }
});

test("the estimate's lines and sums stand on the paper", async () => {
  const page = await browser.newPage();
  await page.goto(pathToFileURL(write("estimate", "Tannery Row")).href);
  const text = await page.locator("main").innerText();
  for (const words of ["$93.20", "$35.44", "$88.25", "$216.89", "Declined: caretaker", "Approved: caretaker"]) {
    assert.ok(text.includes(words), `no ${words} in ${text}`);
  }
  await page.close();
});
