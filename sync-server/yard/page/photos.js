// The files of pictures on this phone, and their way to the hub and from it. Core says which are kept,
// sent and let go; this reads and writes files and carries pieces, which never hold an entry up.

const FOLDER = "photos";
// An empty file beside a picture that the hub has: an end at any moment leaves one that is asked again.
const ARRIVED = ".there";
// A file that gives its room back when a picture finds none: what a browser says is left is not to be
// relied on, and the entry that tells of the picture must be kept all the same.
const RESERVE = "reserve";
const RESERVE_BYTES = 4 * 1024 * 1024;
const MOST = 64 * 1024;
const LEAST = 4 * 1024;
const ANSWER_MS = 60000;
const STUCK = 5;

const folder = async () => (await navigator.storage.getDirectory()).getDirectoryHandle(FOLDER, { create: true });

/** Returns how many bytes the browser has left for this page. */
export async function room() {
  const { usage, quota } = await navigator.storage.estimate();
  return Math.max(0, quota - usage);
}

async function put(into, name, bytes) {
  let handle;
  try {
    handle = await (await into.getFileHandle(name, { create: true })).createSyncAccessHandle();
    handle.truncate(0);
    for (let at = 0; at < bytes.length;) {
      const written = handle.write(bytes.subarray(at), { at });
      if (written === 0) throw new DOMException("no room", "QuotaExceededError");
      at += written;
    }
    handle.flush();
    handle.close();
  } catch (why) {
    handle?.close();
    await into.removeEntry(name).catch(() => {});
    throw why;
  }
}

/** Keeps room for entries, where there is room to keep. */
export async function keepReserve() {
  const root = await navigator.storage.getDirectory();
  const held = await root.getFileHandle(RESERVE).then((file) => file.getFile(), () => null);
  if (held?.size === RESERVE_BYTES) return;
  // Not of zeros: a disk might keep those without giving room to them.
  const bytes = new Uint8Array(RESERVE_BYTES).map((_, at) => (at * 2654435761) >>> 13);
  await put(root, RESERVE, bytes).catch(() => {});
}

/** Returns the pictures' files. */
export async function list() {
  const found = [];
  const arrived = new Set();
  for await (const [name, handle] of (await folder()).entries()) {
    if (name.endsWith(ARRIVED)) {
      arrived.add(name.slice(0, -ARRIVED.length));
      continue;
    }
    const file = await handle.getFile();
    found.push({ name, bytes: file.size, since: Math.floor(file.lastModified) });
  }
  return found.map((file) => ({ ...file, arrived: arrived.has(file.name) }));
}

/** Writes a picture's file; it is on disk when this returns, or is not there at all. */
export async function write(name, bytes) {
  try {
    await put(await folder(), name, bytes);
  } catch (why) {
    const root = await navigator.storage.getDirectory();
    if (why.name === "QuotaExceededError") await root.removeEntry(RESERVE).catch(() => {});
    throw why;
  }
}

/** Reads a picture's file; nothing where it is not there. */
export async function read(name) {
  try {
    const file = await (await (await folder()).getFileHandle(name)).getFile();
    return new Uint8Array(await file.arrayBuffer());
  } catch (why) {
    if (why.name === "NotFoundError") return null;
    throw why;
  }
}

const mark = async (name) => (await folder()).getFileHandle(name + ARRIVED, { create: true });

async function letGo(name) {
  const from = await folder();
  await from.removeEntry(name).catch(() => {});
  await from.removeEntry(name + ARRIVED).catch(() => {});
}

/** What goes wrong between here and the hub: `told` is the hub's own word, else it is away. */
class Trouble extends Error {
  constructor(told) {
    super(told?.error ?? "away");
    this.told = told;
  }
}

/** Carries pictures; `quiet` waits while entries are on the way, `changed` shows what has changed,
 * `failed` is told where the hub could not be reached. */
export class Carrier {
  constructor({ hub, phone, now, quiet, changed, failed }) {
    Object.assign(this, { hub, phone, now, quiet, changed, failed, sending: false, piece: MOST });
  }

  /** Sends what the hub lacks and lets go what may go. */
  async round() {
    if (this.sending) return;
    this.sending = true;
    try {
      // As long as one round brings pictures there, another may.
      while (await this.once()) this.changed();
    } catch (why) {
      if (why instanceof WebAssembly.RuntimeError) throw why;
      this.failed();
    } finally {
      this.sending = false;
      this.changed();
    }
  }

  async once() {
    if (!this.phone.token()) return false;
    const questions = JSON.parse(this.phone.photo_questions(this.now(), await room()));
    if (questions.length === 0) return false;
    const headers = { "content-type": "application/json" };
    const answer = await this.ask("/photos/held", { method: "POST", headers, body: JSON.stringify({ photos: questions }) });
    const { photos: answers } = await answer.json();
    const tasks = JSON.parse(this.phone.photo_answers(JSON.stringify({ questions, answers })));
    for (const name of tasks.arrived) await mark(name);
    for (const name of tasks.let_go) await letGo(name);
    let sent = 0;
    for (const one of tasks.send) {
      if (await this.send(one)) sent += 1;
      this.changed();
    }
    return sent > 0;
  }

  /** Sends a picture from where the hub has it to; whoever is cut off goes on from there. */
  async send({ name, logbook, digest, bytes: size, held }) {
    const bytes = await read(name);
    if (bytes === null || !this.phone.photo_is(bytes, digest)) return false;
    let at = held;
    for (let stuck = 0; stuck < STUCK;) {
      await this.quiet();
      const piece = bytes.subarray(at, at + this.piece);
      const began = at;
      const path = `/photos/${logbook}/${digest}/${at}/${size}`;
      const headers = { "content-type": "application/octet-stream" };
      let answer;
      try {
        answer = await (await this.ask(path, { method: "POST", headers, body: piece })).json();
      } catch (why) {
        // Over a line that carries no more than this a piece must be smaller to get through.
        if (!why.told) this.piece = Math.max(LEAST, this.piece / 2);
        throw why;
      }
      if (answer.whole) {
        await mark(name);
        this.phone.photo_arrived(digest);
        return true;
      }
      at = answer.held;
      stuck = at > began ? 0 : stuck + 1;
      if (at > began) this.piece = Math.min(MOST, this.piece * 2);
    }
    throw new Trouble();
  }

  /** Brings a picture here; returns what went wrong, if anything did. */
  async bring({ logbook, digest }) {
    try {
      const pieces = [];
      let size = 0;
      for (;;) {
        await this.quiet();
        const answer = await this.ask(`/photos/${logbook}/${digest}/${size}`, {});
        const piece = new Uint8Array(await answer.arrayBuffer());
        if (piece.length === 0) break;
        pieces.push(piece);
        size += piece.length;
      }
      const bytes = new Uint8Array(await new Blob(pieces).arrayBuffer());
      if (!this.phone.photo_is(bytes, digest)) return "away";
      const name = `${digest}.${logbook}.jpg`;
      await write(name, bytes);
      await mark(name);
      this.phone.photo_brought(digest, logbook, size, this.now());
      return null;
    } catch (why) {
      if (why instanceof WebAssembly.RuntimeError) throw why;
      if (why.name === "QuotaExceededError") return "full";
      return why.told ? (why.told.kind === "photo-not-here" ? why.told.kind : why.told.error) : "away";
    }
  }

  async ask(path, options) {
    for (;;) {
      const headers = { ...options.headers, authorization: `Bearer ${this.phone.token()}` };
      let answer;
      try {
        answer = await fetch(this.hub + path, {
          ...options, headers, cache: "no-store", signal: AbortSignal.timeout(ANSWER_MS),
        });
      } catch {
        throw new Trouble();
      }
      if (answer.status === 429 || answer.status === 503) {
        const wait = Number(answer.headers.get("retry-after")) || 2;
        await new Promise((resolve) => setTimeout(resolve, Math.min(wait, 30) * 1000));
        continue;
      }
      if (!answer.ok) throw new Trouble(await answer.json().catch(() => undefined));
      return answer;
    }
  }
}
