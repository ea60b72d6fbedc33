// What every browser test needs: a real Chromium, the checker of accessibility, and our binaries.

import { spawnSync } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { createRequire } from "node:module";
import { tmpdir } from "node:os";
import path from "node:path";

const modules = process.env.HEADWALK_BROWSER_MODULES;
const binaries = process.env.HEADWALK_BIN;
if (!modules || !binaries) {
  throw new Error("start these tests with tests/browser/run.sh: it brings what they need");
}
const require = createRequire(path.join(modules, "here.js"));
/** The driver of the browser. */
export const { chromium } = require("playwright-core");
const axeScript = require.resolve("axe-core/axe.min.js");

/** Starts a browser that asks nobody on the network for anything. */
export function startBrowser() {
  return chromium.launch({
    executablePath: process.env.HEADWALK_CHROMIUM ?? "/usr/bin/chromium",
    args: [
      "--headless",
      "--no-sandbox",
      "--disable-gpu",
      "--disable-quic",
      "--no-first-run",
      "--disable-background-networking",
      "--disable-component-update",
      "--disable-sync",
    ],
  });
}

/** Returns the path of one of our binaries. */
export function binary(name) {
  return path.join(binaries, name);
}

/** Runs the command to its end and returns what it printed; fails with what it said otherwise. */
export function headwalk(args, env = {}) {
  const done = spawnSync(binary("headwalk"), args, {
    encoding: "utf8",
    env: { ...process.env, ...env },
    maxBuffer: 64 * 1024 * 1024,
  });
  if (done.status !== 0) {
    throw new Error(`headwalk ${args.join(" ")} ended with ${done.status}: ${done.stderr}`);
  }
  return done.stdout;
}

/** Makes a scratch folder, with what removes it. */
export function scratch() {
  const folder = mkdtempSync(path.join(tmpdir(), "headwalk-browser-"));
  return { folder, remove: () => rmSync(folder, { recursive: true, force: true }) };
}

/**
 * Returns the faults that the checker finds in a page and that keep people from using it, each
 * with the element at which it is. The checker runs in a world of its own, past the page's policy.
 */
export async function seriousFaults(page) {
  const session = await page.context().newCDPSession(page);
  const { frameTree } = await session.send("Page.getFrameTree");
  const { executionContextId } = await session.send("Page.createIsolatedWorld", {
    frameId: frameTree.frame.id,
  });
  const evaluate = async (expression, awaitPromise) => {
    const answer = await session.send("Runtime.evaluate", {
      expression,
      awaitPromise,
      contextId: executionContextId,
      returnByValue: true,
    });
    if (answer.exceptionDetails) {
      throw new Error(`the checker failed: ${JSON.stringify(answer.exceptionDetails)}`);
    }
    return answer.result.value;
  };
  await evaluate(`${readFileSync(axeScript, "utf8")}; true`, false);
  const found = await evaluate(
    `axe.run(document).then((found) => ({
       looked: found.passes.length,
       faults: found.violations.map((one) => ({
         impact: one.impact,
         id: one.id,
         at: one.nodes.map((node) => node.target.join(" ")),
       })),
     }))`,
    true,
  );
  await session.detach();
  if (found.looked === 0) {
    throw new Error("the checker looked at nothing");
  }
  return found.faults.filter((one) => one.impact === "serious" || one.impact === "critical");
}
