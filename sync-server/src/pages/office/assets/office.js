// Saves steps on the day's end: keys, and what others decide. Every form works without it.
"use strict";

(() => {
  document.documentElement.classList.add("by-script");
  const list = document.getElementById("list");
  const told = document.getElementById("told");
  if (!list) return;

  const lines = () => [...list.querySelectorAll(".line")];
  const current = () => document.activeElement?.closest?.(".line") ?? null;
  const mine = document.querySelector(".top form span")?.textContent.split(", ")[0] ?? "";

  function tell(words) {
    told.textContent = words;
  }

  function go(line) {
    if (!line) return;
    line.focus();
    line.scrollIntoView({ block: "nearest" });
  }

  function step(by) {
    const all = lines();
    const at = all.indexOf(current());
    go(all[at < 0 ? (by > 0 ? 0 : all.length - 1) : at + by]);
  }

  // What is being typed, so that a list that changes under it loses nothing.
  function typed() {
    const input = document.activeElement;
    if (!(input instanceof HTMLInputElement) || !list.contains(input)) return null;
    const form = input.form;
    const act = form.elements.act?.value ?? "close";
    return { line: current()?.dataset.line ?? "", act, key: form.dataset.key, value: input.value };
  }

  function retype(was) {
    for (const form of list.querySelectorAll("form")) {
      const line = form.closest(".line")?.dataset.line ?? "";
      const act = form.elements.act?.value ?? "close";
      const input = form.querySelector("input:not([type=hidden])");
      if (line === was.line && act === was.act && form.dataset.key === was.key && input) {
        form.closest(".line")?.focus(); // fields open where the reader stands
        input.value = was.value;
        input.focus();
        return true;
      }
    }
    return false;
  }

  /** Puts a new list in the place of the old one, and the reader where they were. */
  function show(html, next) {
    const was = typed();
    const all = lines();
    const here = current();
    const at = all.indexOf(here);
    const keys = all.map((line) => line.dataset.line);
    list.innerHTML = html;
    // Whoever stood at a line that is gone stands at the next one that is left.
    const wanted = at < 0 ? [] : [...keys.slice(at), ...keys.slice(0, at).reverse()];
    const left = new Map(lines().map((line) => [line.dataset.line, line]));
    const gone = at >= 0 && !left.has(keys[at]);
    if (gone && !next) {
      const decided = list.querySelector(`[data-decided="${CSS.escape(keys[at])}"]`);
      const by = decided?.dataset.by;
      if (by && by !== mine) {
        const lost = was && was.value ? ` You had typed: ${was.value}` : "";
        tell(`${decided.querySelector("span").textContent}.${lost}`);
      }
    }
    if (was && !gone && retype(was)) return;
    const line = wanted.map((key) => left.get(key)).find(Boolean);
    if (at >= 0 || next) go(line ?? lines()[0] ?? list.querySelector(".whole"));
  }

  async function refresh() {
    const answer = await fetch("/office/list");
    if (answer.status === 401) return location.reload();
    if (answer.ok) show(await answer.text(), false);
  }

  async function send(form) {
    const body = new URLSearchParams(new FormData(form));
    tell("");
    const answer = await fetch(form.action, {
      method: "POST",
      body,
      headers: { "x-headwalk-script": "1" },
    });
    if (answer.status === 401) return location.reload();
    if (answer.ok) {
      form.querySelector("input:not([type=hidden])")?.blur();
      form.closest(".line")?.focus();
      show(await answer.text(), true);
      const latest = list.querySelector(".decided li span");
      tell(form.classList.contains("undo") ? "Taken back." : `${latest?.textContent ?? "Done"}.`);
      return;
    }
    const why = await answer.json();
    await refresh();
    tell(`${why.error[0].toUpperCase()}${why.error.slice(1)}. ${why.hint}`);
  }

  list.addEventListener("submit", (event) => {
    event.preventDefault();
    send(event.target).catch(() => tell("The hub did not answer; nothing was decided."));
  });

  function act(form) {
    const input = form.querySelector("input:not([type=hidden])");
    if (input) {
      input.focus();
      input.select?.();
      return;
    }
    form.requestSubmit();
  }

  function undo() {
    const undos = [...list.querySelectorAll(".decided li")];
    const form = undos.find((item) => item.dataset.by === mine)?.querySelector("form.undo");
    if (form) form.requestSubmit();
    else tell("You decided nothing today that could be taken back.");
  }

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const input = event.target instanceof HTMLInputElement ? event.target : null;
    if (event.key === "Escape" && input) {
      event.preventDefault();
      return go(input.closest(".line") ?? lines()[0]);
    }
    if (input) return;
    const key = event.key.toLowerCase();
    const moves = { arrowdown: 1, n: 1, arrowup: -1, p: -1 };
    if (key in moves) {
      event.preventDefault();
      return step(moves[key]);
    }
    if (key === "u") {
      event.preventDefault();
      return undo();
    }
    const line = current();
    if (key === "h" && line) {
      event.preventDefault();
      return line.querySelector("h3 a")?.click();
    }
    const own = line && [...line.querySelectorAll("form")].find((form) => form.dataset.key === key);
    const form = own ?? (key === "g" ? list.querySelector("form.close") : null);
    if (form) {
      event.preventDefault();
      act(form);
    }
  });

  async function listen() {
    let pause = 1_000;
    for (;;) {
      const after = list.querySelector(".whole")?.dataset.revision ?? "0";
      try {
        const answer = await fetch(`/office/news?after=${after}`);
        if (answer.status === 401) return location.reload();
        const news = await answer.json();
        const now = list.querySelector(".whole")?.dataset.revision ?? "0";
        if (news.revision > Number(now)) await refresh();
        pause = 1_000;
      } catch {
        await new Promise((again) => setTimeout(again, pause));
        pause = Math.min(pause * 2, 30_000);
      }
    }
  }

  step(1);
  listen();
})();
