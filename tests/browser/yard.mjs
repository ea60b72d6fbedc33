// What every test of the yard page needs: an office with sites, its hub, and a phone.

import assert from "node:assert/strict";
import { execFileSync, spawn } from "node:child_process";
import { once } from "node:events";
import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import net from "node:net";
import { tmpdir } from "node:os";
import path from "node:path";
import { createInterface } from "node:readline";
import { after, before } from "node:test";

import { binary, chromium, headwalk, scratch, seriousFaults } from "./browser.mjs";

const BROWSER_ARGS = [
  "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
  "--disable-background-networking", "--disable-component-update", "--disable-sync",
];

/** Returns a port that nobody listens on. */
async function freePort() {
  const server = net.createServer().listen(0, "127.0.0.1");
  await once(server, "listening");
  const { port } = server.address();
  server.close();
  await once(server, "close");
  return port;
}

/** The screen of a phone. */
export const PHONE = { width: 390, height: 844, deviceScaleFactor: 2, mobile: true };

/** A line between phones and the hub that can be slow and can be cut; it counts what it carries. */
export class Line {
  static async to(port) {
    const line = new Line();
    Object.assign(line, { bytes: 0, bytesPerSecond: Infinity, cutAfter: Infinity, cuts: 0, sockets: new Set() });
    line.server = net.createServer((near) => {
      if (line.down) {
        near.destroy();
        return;
      }
      const far = net.connect(port, "127.0.0.1");
      for (const [from, to] of [[near, far], [far, near]]) {
        line.sockets.add(from);
        from.on("error", () => {});
        from.on("close", () => { line.sockets.delete(from); to.destroy(); });
        line.carry(from, to);
      }
    }).listen(0, "127.0.0.1");
    await once(line.server, "listening");
    line.url = `http://127.0.0.1:${line.server.address().port}`;
    return line;
  }

  /** Hands bytes on at the line's pace, in pieces small enough to be cut between. */
  async carry(from, to) {
    try {
      for await (const chunk of from) {
        const piece = this.bytesPerSecond === Infinity ? chunk.length : 256;
        for (let at = 0; at < chunk.length; at += piece) {
          const part = chunk.subarray(at, at + piece);
          if (this.bytesPerSecond !== Infinity) {
            await new Promise((resolve) => setTimeout(resolve, (part.length / this.bytesPerSecond) * 1000));
          }
          this.bytes += part.length;
          this.cutAfter -= part.length;
          if (this.cutAfter <= 0) {
            this.cuts += 1;
            this.cutAfter = Infinity;
            // A browser tries again by itself where only the one connection went.
            this.down = this.staysDown ?? false;
            for (const socket of this.sockets) socket.destroy();
            return;
          }
          if (!to.write(part)) await once(to, "drain");
        }
      }
      to.end();
    } catch {
      to.destroy();
    }
  }

  close() {
    for (const socket of this.sockets) socket.destroy();
    this.server.close();
  }
}

/** An office after the invented season: a hub that can be stopped and started, and its desk. */
export class Office {
  static async open() {
    const office = new Office();
    office.scratch = scratch();
    office.season = path.join(office.scratch.folder, "season");
    headwalk(["demo", "--folder", office.season]);
    // The season's own hub has gone; its desk gives way to a new one.
    const code = office.codeAtTheHub("Ines", "dispatcher");
    office.port = await freePort();
    await office.start();
    office.store = path.join(office.scratch.folder, "office.redb");
    office.run(["init", "--person", "Ines"]);
    office.run(["enrol", office.url, code]);
    office.run(["exchange"]);
    return office;
  }

  get url() {
    return `${this.tls ? "https" : "http"}://127.0.0.1:${this.port}`;
  }

  get folder() {
    return path.join(this.season, "hub");
  }

  /** Runs a command on the desk's store. */
  run(args) {
    return headwalk(args, { HEADWALK_STORE: this.store, ...this.clock });
  }

  json(args) {
    return JSON.parse(this.run([...args, "--json"]));
  }

  async start() {
    const args = ["--folder", this.folder, "--listen", `127.0.0.1:${this.port}`];
    if (this.yard) args.push("--yard", this.yard);
    if (this.tls) args.push("--certificate", this.tls.certificate, "--key", this.tls.key);
    this.hub = spawn(binary("headwalk-server"), args, { stdio: ["ignore", "pipe", "ignore"] });
    const lines = createInterface({ input: this.hub.stdout });
    for await (const line of lines) {
      if (line === this.url) break;
    }
  }

  async stop() {
    if (!this.hub) return;
    const ended = once(this.hub, "exit");
    this.hub.kill("SIGTERM");
    await ended;
    this.hub = null;
  }

  /** Makes a one-time code at the hub's own folder, while it is stopped. */
  codeAtTheHub(person, role = "crew") {
    return execFileSync(binary("headwalk-server"),
      ["code", "--folder", this.folder, "--role", role, "--for", person],
      { encoding: "utf8", stdio: ["ignore", "pipe", "ignore"] }).trim();
  }

  /** Makes a one-time code. */
  code(person, role = "crew") {
    return this.json(["enrol", "--for", person, "--role", role]).code;
  }

  async close() {
    await this.stop();
    this.scratch.remove();
  }
}

/** A phone: a browser with a profile of its own, which can be killed and opened again. */
export class Phone {
  constructor(url, { browserArgs = [] } = {}) {
    this.browserArgs = browserArgs;
    this.url = `${url}/yard/`;
    this.profile = mkdtempSync(path.join(tmpdir(), "headwalk-phone-"));
  }

  /** Starts the browser and opens the page; `slowed` makes the processor as many times slower. */
  async open({ slowed = 1 } = {}) {
    const args = [...BROWSER_ARGS, ...this.browserArgs, `--user-data-dir=${this.profile}`, "--remote-debugging-port=0"];
    const program = process.env.HEADWALK_CHROMIUM ?? "/usr/bin/chromium";
    // In a group of its own, so that a kill ends every process of it at once.
    this.process = spawn(program, [...args, "about:blank"], {
      detached: true,
      stdio: ["ignore", "ignore", "pipe"],
    });
    this.ended = once(this.process, "exit");
    this.browser = await chromium.connectOverCDP(await debugAddress(this.process));
    const [context] = this.browser.contexts();
    this.page = context.pages()[0] ?? (await context.newPage());
    this.cdp = await context.newCDPSession(this.page);
    await this.cdp.send("Emulation.setDeviceMetricsOverride", PHONE);
    await this.cdp.send("Emulation.setTouchEmulationEnabled", { enabled: true });
    this.taps = 0;
    const atFullSpeed = slowed > 1 ? this.slow(slowed) : () => {};
    try {
      await this.load();
    } finally {
      atFullSpeed();
    }
    return this.page;
  }

  /** Lets every process of the browser run for one part of the time in `rate` and stand for the rest. */
  slow(rate) {
    const RUN_MS = 5;
    const { pid } = this.process;
    let running = true;
    const turn = () => {
      running = !running;
      process.kill(-pid, running ? "SIGCONT" : "SIGSTOP");
      timer = setTimeout(turn, running ? RUN_MS : RUN_MS * (rate - 1));
    };
    let timer = setTimeout(turn, RUN_MS);
    return () => {
      clearTimeout(timer);
      process.kill(-pid, "SIGCONT");
    };
  }

  /** Opens the page, and waits until the store is open. */
  async load() {
    await this.page.goto(this.url);
    await this.ready();
  }

  async ready() {
    await this.page.waitForFunction(() => performance.getEntriesByName("ready").length > 0);
  }

  /** Taps what is called so, and waits until the page has drawn what came of it. */
  async tap(name) {
    await this.tapOn(this.page.getByRole("button", { name }).first());
  }

  async tapOn(target) {
    const before = await this.page.evaluate(() => window.answered ?? 0);
    await target.click();
    this.taps += 1;
    await this.page.waitForFunction((count) => (window.answered ?? 0) > count, before);
  }

  /** Returns how many entries are not yet at the office. */
  async waiting() {
    return Number(await this.page.locator("#status .office").getAttribute("data-waiting"));
  }

  /** Exchanges, and waits until both hold the same. */
  async exchange() {
    const ended = () => this.page.evaluate(() => window.exchanges ?? 0);
    const before = await ended();
    await this.tap(/^(Exchange with|Intercambiar)/);
    await this.page.waitForFunction((count) => (window.exchanges ?? 0) > count, before, { timeout: 90_000 });
    await this.atOffice();
  }

  async title() {
    return this.page.locator("#title").innerText();
  }

  /** Lets the phone join an office with a code. */
  async join(office, person, code = office.code(person)) {
    await this.page.locator("#in-person").fill(person);
    await this.page.locator("#in-code").fill(code);
    await this.page.locator("#main form button").click();
    await this.atOffice();
  }

  /** Waits until everything of this phone is at the office. */
  async atOffice() {
    await this.page.waitForFunction(
      () => document.querySelector("#status .office")?.dataset.waiting === "0"
        && document.querySelectorAll("#main button").length > 0
        && /At the office since|En la oficina desde/.test(document.querySelector("#status").textContent),
      null, { timeout: 60_000 },
    );
  }

  /** Writes all records of the phone to a file, as its settings do, and returns the file's path. */
  async exported() {
    const settings = this.page.locator("button.settings");
    if ((await settings.count()) > 0) await this.tapOn(settings);
    const file = path.join(this.profile, `export-${Date.now()}.redb`);
    const bytes = await this.page.evaluate(() => new Promise((resolve, reject) => {
      // The file that is offered is read where it is offered: a download asks the browser's window.
      const make = URL.createObjectURL;
      URL.createObjectURL = (blob) => {
        const reader = new FileReader();
        reader.onload = () => resolve(reader.result.split(",")[1]);
        reader.onerror = () => reject(reader.error);
        reader.readAsDataURL(blob);
        URL.createObjectURL = make;
        return make.call(URL, blob);
      };
      document.getElementById("export").click();
    }));
    writeFileSync(file, Buffer.from(bytes, "base64"));
    return file;
  }

  /** Ends the browser as a battery that is pulled does. */
  async kill() {
    process.kill(-this.process.pid, "SIGKILL");
    await this.ended;
  }

  async close() {
    if (this.process.exitCode === null && this.process.signalCode === null) await this.kill();
    rmSync(this.profile, { recursive: true, force: true, maxRetries: 5 });
  }
}

/** For the tests of one file: an office, and a phone that has not joined yet. */
export function officeAndPhone(begun) {
  let office;
  let phone;
  before(async () => {
    office = await Office.open();
    phone = new Phone(office.url);
    begun(office, phone);
  });
  after(async () => {
    await phone?.close();
    await office?.close();
  });
}

/** Where pictures of the screens go, if somebody wants to look. */
const PICTURES = process.env.HEADWALK_PICTURES;

/** Says that nobody stumbles over what is on the screen, nor at twice its size; and keeps a picture. */
export async function look(phone, name) {
  if (PICTURES) {
    mkdirSync(PICTURES, { recursive: true });
    // The whole of it at once, as on a phone that is long enough.
    const height = await phone.page.evaluate(() => document.documentElement.scrollHeight);
    await phone.cdp.send("Emulation.setDeviceMetricsOverride", { ...PHONE, height });
    await phone.page.screenshot({ path: path.join(PICTURES, `${name}.png`) });
    await phone.cdp.send("Emulation.setDeviceMetricsOverride", PHONE);
  }
  assert.deepEqual(await seriousFaults(phone.page), [], name);
  assert.deepEqual(await phone.page.evaluate(stumbles), [], name);
  // Twice as large: half as wide.
  const half = { width: 195, height: 422, deviceScaleFactor: 4, mobile: true };
  await phone.cdp.send("Emulation.setDeviceMetricsOverride", half);
  assert.deepEqual(await phone.page.evaluate(tooWide), [], `${name} at 200%`);
  await phone.cdp.send("Emulation.setDeviceMetricsOverride", PHONE);
}

/** What a glove, the sun or a narrow phone would stumble over on this screen. */
export function stumbles() {
  const luminance = (color) => {
    const [r, g, b] = color.match(/[\d.]+/g).slice(0, 3).map((part) => {
      const share = Number(part) / 255;
      return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const ground = (element) => {
    for (let at = element; at; at = at.parentElement) {
      const color = getComputedStyle(at).backgroundColor;
      if (!/, 0\)$|transparent/.test(color)) return color;
    }
    return "rgb(255, 255, 255)";
  };
  const seen = (element) => element.getClientRects().length > 0;
  const found = [];
  for (const target of [...document.querySelectorAll("button, input")].filter(seen)) {
    const { width, height } = target.getBoundingClientRect();
    if (width < 60 || height < 60) found.push(`${width} x ${height}: ${target.textContent || target.id}`);
  }
  for (const element of [...document.body.querySelectorAll("*")].filter(seen)) {
    const own = [...element.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
    if (!own) continue;
    const style = getComputedStyle(element);
    const [light, dark] = [luminance(style.color), luminance(ground(element))].sort((a, b) => b - a);
    const contrast = (light + 0.05) / (dark + 0.05);
    if (contrast < 7) found.push(`contrast ${contrast.toFixed(1)}: ${element.textContent}`);
    if (parseFloat(style.fontSize) < 18) found.push(`${style.fontSize}: ${element.textContent}`);
  }
  if (document.documentElement.scrollWidth > window.innerWidth) {
    found.push(`${document.documentElement.scrollWidth} px wide`);
  }
  return found;
}

/** What reaches beyond the edge of the screen. */
export function tooWide() {
  const edge = document.documentElement.clientWidth + 1;
  const over = [...document.querySelectorAll("button, input, p, dd, h1, h2, output")];
  const beyond = over.filter((element) => element.getBoundingClientRect().right > edge);
  return beyond.map((element) => element.outerHTML.slice(0, 90));
}

/** Reads where a browser listens for its driver. */
async function debugAddress(browser) {
  for await (const line of createInterface({ input: browser.stderr })) {
    const found = line.match(/DevTools listening on (ws:\S+)/);
    if (found) {
      browser.stderr.resume();
      return found[1];
    }
  }
  throw new Error("the browser did not start");
}
