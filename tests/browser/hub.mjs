// A real hub on a copy of the demo's season, for tests of the pages that it serves.

import { spawn, spawnSync } from "node:child_process";
import { cpSync } from "node:fs";
import path from "node:path";
import { createInterface } from "node:readline";

import { binary, headwalk, scratch } from "./browser.mjs";

/** The evening of the demo's last day, where its crews are. */
export const EVENING = "2026-07-14T17:45:00-05:00";

/** Plays the demo's season once, for hubs that each take a copy. */
export function playSeason() {
  const season = scratch();
  headwalk(["demo", "--folder", path.join(season.folder, "season")]);
  return season;
}

/** Starts a hub on a copy of the season's, at that moment; with one-time codes as they are wanted. */
export async function startHub(season, now = EVENING) {
  const own = scratch();
  const folder = path.join(own.folder, "hub");
  cpSync(path.join(season.folder, "season", "hub"), folder, { recursive: true });
  const env = { ...process.env, HEADWALK_NOW: now };
  const code = (role, name) => {
    const args = ["code", "--folder", folder, "--role", role, "--for", name];
    const made = spawnSync(binary("headwalk-server"), args, { encoding: "utf8", env });
    if (made.status !== 0) throw new Error(`no code was made: ${made.stderr}`);
    return made.stdout.match(/[0-9A-Z]{5}-[0-9A-Z]{5}/)[0];
  };
  const codes = { ines: code("dispatcher", "Ines"), noor: code("dispatcher", "Noor") };
  codes.auditor = code("auditor", "Mr Hale");
  const args = ["--folder", folder, "--until-input-ends"];
  const hub = spawn(binary("headwalk-server"), args, { env, stdio: ["pipe", "pipe", "pipe"] });
  hub.stderr.resume();
  const lines = createInterface({ input: hub.stdout });
  const url = await new Promise((found, failed) => {
    lines.on("line", (line) => line.startsWith("http://") && found(line));
    hub.on("exit", () => failed(new Error("the hub ended before it listened")));
  });
  const stop = async () => {
    const ended = new Promise((done) => hub.on("exit", done));
    hub.stdin.end();
    await ended;
    own.remove();
  };
  return { url, codes, folder, stop };
}

/** Opens the office in a browser of its own and signs in, by keyboard alone. */
export async function signIn(browser, hub, code) {
  const context = await browser.newContext({ viewport: { width: 1200, height: 900 } });
  const page = await context.newPage();
  page.faults = [];
  page.on("pageerror", (fault) => page.faults.push(String(fault)));
  page.on("console", (line) => line.type() === "error" && page.faults.push(line.text()));
  await page.goto(`${hub.url}/office`);
  await page.waitForFunction(() => document.activeElement.id === "code");
  await page.keyboard.type(code.toLowerCase());
  await page.keyboard.press("Enter");
  await page.waitForSelector("#list");
  return page;
}
