// Core's worker: holds the store, does what the page asks, and carries parcels to the hub.

import init, { YardPhone } from "./core.js";
import { Carrier, keepReserve, list, read, room, write } from "./photos.js";
import { bytes, hold, open } from "./store.js";

const CHANCE_BYTES = 1024;
const SOON_MS = 2000;
const AGAIN_MS = 60000;
const ANSWER_MS = 60000;
const HUB = self.location.origin;

let phone = null;
let handle = null;
let exchanging = false;
let somebodyAsks = false;
let timer = null;
let lastProblemAt = -AGAIN_MS;
let seen = null;
let carrier = null;

const now = () => Date.now();
const offset = () => -new Date().getTimezoneOffset();
const chance = () => crypto.getRandomValues(new Uint8Array(CHANCE_BYTES));

/** Does an act on the store; what it returns is on disk. */
function act(what) {
  const began = performance.now();
  const view = JSON.parse(phone.act(JSON.stringify(what), now(), offset(), chance()));
  view.took = performance.now() - began;
  seen = view;
  for (const errand of view.errands) {
    if (errand.errand === "enrol") enrol(errand);
    if (errand.errand === "exchange") exchange({ asked: true });
    if (errand.errand === "bring-photo") bring(errand);
  }
  const photos = view.status.photos_waiting > 0 && !carrier?.sending;
  if (view.status.joined && (view.status.waiting > 0 || photos)) soon();
  return view;
}

/** Shows what an act brings that the person did not do. */
function tell(what) {
  postMessage({ view: act(what) });
}

/** Keeps a picture: its file first, so that no entry tells of one that a pulled battery took along. */
async function keep({ bytes: file, thing, shows }) {
  let kept = false;
  try {
    const ready = phone.prepare_photo(file, await room());
    if (ready.fits) {
      await write(ready.name, ready.bytes);
      kept = true;
    }
  } catch (why) {
    if (why instanceof WebAssembly.RuntimeError) throw why;
    // The entry says that there was no room, or that it is no picture.
  }
  return act({ do: "photo", thing, shows, kept });
}

async function bring(errand) {
  tell({ do: "brought", digest: errand.digest, problem: await carrier.bring(errand) });
}

async function ask(path, headers, body) {
  return fetch(HUB + path, {
    method: "POST", headers, body, cache: "no-store", signal: AbortSignal.timeout(ANSWER_MS),
  });
}

async function enrol({ body, person }) {
  try {
    const answer = await ask("/enrol", { "content-type": "application/json" }, body);
    tell({ do: "let-in", url: HUB, person, body: await answer.text() });
    if (seen.status.joined) exchange({ asked: true });
  } catch {
    tell({ do: "exchanged", problem: "away" });
  }
}

/** Exchanges a little later, once for many entries; after a failure not again at once. */
function soon() {
  if (timer !== null || exchanging) return;
  const wait = Math.max(SOON_MS, AGAIN_MS - (performance.now() - lastProblemAt));
  timer = setTimeout(() => {
    timer = null;
    if (navigator.onLine) exchange();
  }, wait);
}

/** Exchanges; of what goes wrong nobody is told who did not ask, before or meanwhile: it is tried again. */
async function exchange({ asked = false } = {}) {
  somebodyAsks ||= asked;
  if (exchanging || phone === null) return;
  exchanging = true;
  clearTimeout(timer);
  timer = null;
  let problem = null;
  let kind = null;
  try {
    const token = phone.token();
    if (token) {
      const headers = { authorization: `Bearer ${token}`, "content-type": "application/octet-stream" };
      let parcel = phone.begin_exchange(now());
      while (parcel) {
        const answer = await ask("/exchange", headers, parcel);
        if (answer.status === 429 || answer.status === 503) {
          const wait = Number(answer.headers.get("retry-after")) || 2;
          await new Promise((resolve) => setTimeout(resolve, Math.min(wait, 30) * 1000));
          continue;
        }
        if (!answer.ok) {
          const told = await answer.json().catch(() => ({}));
          throw Object.assign(new Error(told.error || "away"), { told: told.error, kind: told.kind });
        }
        parcel = phone.receive(new Uint8Array(await answer.arrayBuffer()), now());
      }
    }
  } catch (why) {
    if (why instanceof WebAssembly.RuntimeError) throw why;
    lastProblemAt = performance.now();
    kind = why.kind ?? null;
    problem = why.told || (why instanceof TypeError || why.name === "TimeoutError" || why.name === "AbortError"
      ? "away" : String(why.message || why));
  } finally {
    exchanging = false;
  }
  const quiet = problem !== null && !somebodyAsks;
  somebodyAsks = false;
  const view = act(quiet ? { do: "show" } : { do: "exchanged", problem, kind });
  postMessage({ exchanged: problem === null, view });
  // Pictures go once the entries are there.
  if (problem === null) carrier.round();
}

/** Answers with what comes of some work, or with why nothing does. */
function answer(id, work) {
  work.then((told) => postMessage({ id, ...told }), (why) => postMessage({ id, broken: String(why.message || why) }));
}

self.addEventListener("message", ({ data }) => {
  try {
    if (data.program) {
      begin(data.program);
    } else if (data.act) {
      postMessage({ id: data.id, view: act(data.act) });
    } else if (data.photo) {
      answer(data.id, keep(data.photo).then((view) => ({ view })));
    } else if (data.picture) {
      answer(data.id, read(data.picture).then((file) => ({ bytes: file })));
    } else if (data.online) {
      lastProblemAt = -AGAIN_MS;
      if (seen && seen.status.joined) exchange();
    } else if (data.bytes) {
      const all = bytes(handle);
      postMessage({ id: data.id, bytes: all }, [all.buffer]);
    }
  } catch (why) {
    postMessage({ id: data.id, broken: String(why.message || why) });
  }
});

self.addEventListener("unhandledrejection", ({ reason }) => {
  postMessage({ broken: String(reason?.message || reason) });
});

/** Opens the store with core's program, and shows what is there. */
async function begin(program) {
  const loaded = init({ module_or_path: program });
  await hold(() => postMessage({ elsewhere: true }));
  [handle] = await Promise.all([open(), loaded]);
  phone = new YardPhone(handle, now(), offset(), chance());
  carrier = new Carrier({
    hub: HUB,
    phone,
    now,
    changed: () => tell({ do: "show" }),
    failed: () => { lastProblemAt = performance.now(); },
    quiet: async () => { while (exchanging) await new Promise((resolve) => setTimeout(resolve, 100)); },
  });
  try {
    phone.found_photos(JSON.stringify(await list()));
  } catch (why) {
    // Without its pictures the page still keeps every entry.
    if (why instanceof WebAssembly.RuntimeError) throw why;
  }
  postMessage({ ready: true, view: act({ do: "show" }) });
  await keepReserve();
}
