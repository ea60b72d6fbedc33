// Draws what core's worker says is to be seen, and tells it what was tapped. It decides nothing.

import { photoBlock } from "./photo.js";

const [page, head, main, nav, saidBox] = ["page", "head", "main", "dock", "said"]
  .map((id) => document.getElementById(id));
const SVG = "http://www.w3.org/2000/svg";

// A shape for each way a thing can stand; the word is always beside it.
const MARKS = {
  open: "M12 3a9 9 0 1 0 .01 0",
  good: "M12 3a9 9 0 1 0 .01 0M7.5 12.5l3 3 6-7",
  flag: "M6 21V4h12l-4 4.5 4 4.5H6",
  found: "M12 3.5 21.5 20h-19zM12 9.5v5M12 17v.5",
  fixed: "M4 4h16v16H4zM7.5 12.5l3 3 6-7",
  accepted: "M4 4h16v16H4z",
  skipped: "M4 12h16",
  two: "M3 8h12v12H3zM9 8V4h12v12h-6",
};
// Which of them are filled, so that they differ from afar.
const FILLED = new Set(["flag"]);

let worker = null;
let asked = 0;
let busy = false;
let shown = null;
let restarts = 0;
const waiting = new Map();

function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

function mark(name) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 24 24");
  svg.setAttribute("class", FILLED.has(name) ? "mark filled" : "mark");
  svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS(SVG, "path");
  path.setAttribute("d", MARKS[name]);
  svg.append(path);
  return svg;
}

/** Tells the worker what was done, and draws what it says then. One at a time: a wet glove taps twice. */
const tap = (act) => send({ act });

async function send(what, before = () => {}) {
  if (busy) return;
  busy = true;
  try {
    const view = await ask(what);
    before();
    draw(view);
    window.answered = (window.answered ?? 0) + 1;
  } finally {
    busy = false;
  }
}

function ask(what) {
  asked += 1;
  const id = asked;
  worker.postMessage({ id, ...what });
  return new Promise((resolve) => waiting.set(id, resolve));
}

function button(of, kind = "") {
  const label = make("span", { class: "label" }, of.label);
  const words = make("span", { class: "words" }, label,
    of.note ? make("span", { class: "note" }, of.note) : null);
  const made = make("button", {
    type: "button",
    class: `${kind} ${of.weight}`.trim(),
    "aria-pressed": of.chosen === null ? null : String(of.chosen),
    "data-do": of.act.do,
  }, of.mark ? mark(of.mark) : null, words);
  made.addEventListener("click", () => tap(of.act));
  return made;
}

const BLOCKS = {
  heading: ({ text }) => make("h2", {}, text),
  text: ({ text, tone }) => make("p", { class: `text ${tone}`, role: tone === "caution" ? "note" : null }, text),
  list: ({ items, filter }) => {
    const list = make("ul", { class: "list" }, ...items.map((item) => make("li", {}, button(item))));
    if (!filter) return list;
    const input = make("input", { type: "search", id: "filter", autocomplete: "off" });
    input.addEventListener("input", () => {
      const wanted = input.value.trim().toLowerCase();
      for (const row of list.children) {
        row.hidden = !row.textContent.toLowerCase().includes(wanted);
      }
    });
    return make("div", {}, make("label", { for: "filter" }, filter), input, list);
  },
  choices: ({ label, options }) => make("fieldset", { class: "choices" }, make("legend", {}, label),
    make("div", { class: "row" }, ...options.map((option) => button(option)))),
  heads: ({ heads }) => make("ol", { class: "heads" }, ...heads.map((head) => {
    const open = make("button", { type: "button", class: "head", "data-do": "go" },
      mark(head.mark), make("span", { class: "number" }, head.number), make("span", { class: "word" }, head.word));
    open.addEventListener("click", () => tap(head.open));
    return make("li", {}, open, head.flag ? button(head.flag, "flag") : null);
  })),
  facts: ({ rows }) => make("dl", { class: "facts" }, ...rows.map((row) => make("div", {},
    make("dt", {}, row.label),
    make("dd", {}, row.value, row.versions.length
      ? make("div", { class: "row" }, ...row.versions.map((version) => button(version))) : null)))),
  stepper: ({ label, value, note, less, more, to }) => make("div", { class: "stepper", role: "group", "aria-label": label },
    make("div", { class: "what" }, make("span", { class: "label" }, label), make("span", { class: "note" }, note)),
    make("div", { class: "row" }, button(less, "step"), make("output", {}, value), button(more, "step"),
      to ? button(to, "to") : null)),
  form: ({ inputs, button: send }) => {
    const form = make("form", { autocomplete: "off" });
    for (const input of inputs) {
      const code = input.keys === "code";
      form.append(make("label", { for: `in-${input.name}` }, input.label), make("input", {
        id: `in-${input.name}`, name: input.name, value: input.value, autocomplete: "off",
        autocapitalize: code ? "characters" : "sentences", spellcheck: code ? "false" : null,
        inputmode: input.keys === "number" ? "decimal" : null,
      }));
    }
    form.append(make("button", { type: "submit", class: send.weight, "data-do": send.act.do },
      make("span", { class: "label" }, send.label)));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      tap({ ...send.act, ...Object.fromEntries(new FormData(form)) });
    });
    return form;
  },
  timer: ({ since, label }) => {
    const time = make("output", { class: "time", "data-began": since, "aria-live": "off" });
    const box = make("p", { class: "timer" }, make("span", {}, label), time);
    count(time);
    return box;
  },
  storage: ({ words }) => storage(words),
  photos: (block) => photoBlock(block, { make, button, send, ask, again: () => draw(shown) }),
  paper,
};

// What a paper needs on a screen that is narrower than a sheet.
const ON_A_PHONE = `
  body, body.half { font-size: 18px; margin: 0; padding: 0; max-width: none }
  .small, footer, table { font-size: 18px }
  header { flex-direction: column; gap: .5em }
  .to { text-align: start }
  table { display: block; overflow-x: auto }
  th, td { overflow-wrap: normal; min-width: 5.5em }
  .figure { white-space: normal }
`;

/** A paper with its own style, which neither takes from the page nor gives to it. */
function paper({ html, label, save, file }) {
  const parsed = new DOMParser().parseFromString(html, "text/html");
  const style = new CSSStyleSheet();
  style.replaceSync([...parsed.querySelectorAll("style")].map((one) => one.textContent).join("\n"));
  const larger = new CSSStyleSheet();
  larger.replaceSync(ON_A_PHONE);
  const host = make("div", { class: "paper", role: "document", "aria-label": label, lang: parsed.documentElement.lang, tabindex: "0" });
  const shadow = host.attachShadow({ mode: "open" });
  shadow.adoptedStyleSheets = [style, larger];
  // A wide table is moved by itself, by finger or by keys.
  for (const table of parsed.querySelectorAll("table")) table.tabIndex = 0;
  shadow.append(document.adoptNode(parsed.body));
  const out = make("button", { type: "button", class: "plain", id: "save-paper" }, save);
  out.addEventListener("click", async () => {
    const made = new File([html], file, { type: "text/html" });
    if (navigator.canShare?.({ files: [made] })) {
      // Who changes their mind has lost nothing.
      await navigator.share({ files: [made], title: label }).catch(() => {});
      return;
    }
    download(made, file);
  });
  return make("div", {}, out, host);
}

/** Hands something to the browser to keep as a file. */
function download(blob, name) {
  const link = make("a", { href: URL.createObjectURL(blob), download: name });
  link.click();
  URL.revokeObjectURL(link.href);
}

function count(time) {
  const seconds = Math.floor((Date.now() - Number(time.dataset.began)) / 1000);
  time.textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
}

setInterval(() => {
  if (!document.hidden) document.querySelectorAll("[data-began]").forEach(count);
}, 1000);

/** What the browser alone can tell: whether it keeps the store, how full it is; and the way out. */
function storage(words) {
  const kept = make("p", { class: "text plain" });
  const keep = make("button", { type: "button", class: "plain", id: "keep" }, words.keep);
  const tell = async () => {
    const persisted = await navigator.storage.persisted();
    const { usage, quota } = await navigator.storage.estimate();
    const used = words.used.replace("{}", (usage / 1e6).toFixed(1)).replace("{}", (quota / 1e6).toFixed(0));
    kept.textContent = `${persisted ? words.persisted : words.refused} ${used}`;
    kept.className = `text ${persisted ? "plain" : "ask"}`;
    keep.hidden = persisted;
  };
  keep.addEventListener("click", async () => {
    await navigator.storage.persist();
    await tell();
  });
  tell();
  const out = make("button", { type: "button", class: "plain", id: "export" }, words.export);
  out.addEventListener("click", async () => {
    const { bytes } = await ask({ bytes: true });
    download(new Blob([bytes]), `headwalk-${new Date().toISOString().slice(0, 10)}.redb`);
  });
  return make("div", { class: "storage" }, kept, keep, out, make("p", { class: "text plain" }, words.exportnote));
}

function draw(view) {
  if (!view) return;
  const same = shown && shown.key === view.key;
  const scroll = same ? document.scrollingElement.scrollTop : 0;
  // What the person is typing stays when something else changes on the same screen.
  const typing = same && document.activeElement?.tagName === "INPUT" ? document.activeElement : null;
  const typed = same ? new Map([...page.querySelectorAll("input")].map((input) => [input.id, input.value])) : new Map();
  document.documentElement.lang = view.language;
  document.title = view.above ? `${view.title} · ${view.above}` : view.title;
  document.body.className = `hand-${view.hand}`;
  const title = make("h1", { id: "title", tabindex: "-1" }, view.title);
  const status = make("p", { class: "status", id: "status" },
    make("span", { class: "saved" }, mark("good"), view.status.saved),
    make("span", { class: "office", "data-waiting": view.status.waiting },
      mark(view.status.all_there ? "good" : "open"), view.status.office),
    view.status.photos && make("span", { class: "pictures-here", "data-waiting": view.status.photos_waiting },
      mark("open"), view.status.photos));
  const parts = [view.back && button(view.back, "back"),
    make("div", { class: "where" }, view.above ? make("p", { class: "above" }, view.above) : null, title),
    view.settings && button(view.settings, "settings")];
  head.replaceChildren(make("header", {}, ...parts), status);
  main.replaceChildren(...view.blocks.map((block) => BLOCKS[block.is](block)));
  nav.replaceChildren(...[view.undo && button(view.undo, "undo"), ...view.dock.map((one) => button(one))].filter(Boolean));
  for (const [id, value] of typed) {
    const input = id && document.getElementById(id);
    if (input) input.value = value;
  }
  if (typing) document.getElementById(typing.id)?.focus();
  if (view.said) say(view.said.text, view.said.trouble);
  else if (!same) say("", false);
  document.scrollingElement.scrollTop = scroll;
  if (shown && !same) title.focus({ preventScroll: true });
  shown = view;
  page.dataset.key = view.key;
  // For whoever measures: how long the last act took until it was on disk.
  window.took = view.took;
}

function say(text, trouble) {
  saidBox.className = trouble ? "trouble" : "";
  saidBox.textContent = text;
}

function start(core) {
  worker = core.worker;
  worker.addEventListener("message", ({ data }) => {
    if (data.exchanged) window.exchanges = (window.exchanges ?? 0) + 1;
    if (data.elsewhere) elsewhere();
    if (data.broken !== undefined) return broken(data);
    const answer = waiting.get(data.id);
    if (answer) {
      waiting.delete(data.id);
      answer(data.bytes ? data : data.view);
    } else if (data.view) {
      draw(data.view);
    }
    if (data.ready) {
      performance.mark("ready");
      keepStorage();
    }
  });
  worker.addEventListener("error", (event) => broken({ broken: event.message }));
  // From here on nothing that the worker says is missed.
  core.program.then(
    (program) => core.worker.postMessage({ program }),
    (why) => broken({ broken: String(why.message || why) }),
  );
}

/** The worker cannot go on: what was confirmed is on disk, so another takes over. */
function broken({ broken: why }) {
  worker.terminate();
  waiting.clear();
  busy = false;
  restarts += 1;
  if (restarts <= 3) {
    start(window.beginCore());
    say(why, true);
    return;
  }
  only(make("p", { class: "text ask" }, why));
}

/** Shows nothing but these. */
function only(...sentences) {
  head.replaceChildren(make("header", {}, make("h1", { id: "title" }, "Headwalk")));
  main.replaceChildren(...sentences);
  nav.replaceChildren();
}

function elsewhere() {
  only(
    make("p", { class: "text ask" }, "Headwalk is open in another tab. Go on there, or close it and this one takes over."),
    make("p", { class: "text ask", lang: "es" }, "Headwalk está abierto en otra pestaña. Siga allí, o ciérrela y ésta continúa."));
}

/** Asks the browser once to keep the store whatever happens; the settings say what it answered. */
async function keepStorage() {
  if (!(await navigator.storage.persisted())) await navigator.storage.persist();
}

window.addEventListener("online", () => worker.postMessage({ online: true }));
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && navigator.onLine) worker.postMessage({ online: true });
});

if (window.keepsRecords) {
  start(window.early);
} else {
  only(
    make("p", { class: "text ask" }, "This browser gives the page no place to keep records here. Open it over https://, in a current browser."),
    make("p", { class: "text ask", lang: "es" }, "Este navegador no deja guardar registros aquí. Ábralo por https://, en un navegador actual."));
}

/** A newer page waits until it is taken; nothing that was confirmed depends on it. */
async function watchForNewer() {
  const registration = await navigator.serviceWorker.register("sw.js");
  const offer = () => {
    // The first one of all is not newer than anything.
    const first = navigator.serviceWorker.controller === null;
    if (!registration.waiting || first || document.getElementById("newer")) return;
    const spanish = document.documentElement.lang === "es";
    const take = make("button", { type: "button", id: "newer", class: "plain" },
      spanish ? "Hay una página más nueva: tomarla ahora" : "A newer page is here: take it now");
    take.addEventListener("click", () => registration.waiting.postMessage("take over"));
    main.before(take);
  };
  registration.addEventListener("updatefound", () => {
    registration.installing.addEventListener("statechange", offer);
  });
  offer();
  const controlled = navigator.serviceWorker.controller !== null;
  navigator.serviceWorker.addEventListener("controllerchange", () => {
    if (controlled) window.location.reload();
  });
}
navigator.serviceWorker?.register && watchForNewer();
