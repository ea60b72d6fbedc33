// Begins what a cold start waits for longest before the rest of the page is read: core's worker, and the
// program that it runs, which is made ready here while the worker reads its own files.

"use strict";

/** Whether this browser gives the page a place to keep records. */
window.keepsRecords = Boolean(window.isSecureContext && navigator.storage?.getDirectory && navigator.locks);

/** Returns a new worker, which waits for its program, and the program to come. */
window.beginCore = () => ({
  worker: new Worker("worker.js", { type: "module" }),
  program: WebAssembly.compileStreaming(fetch("core_bg.wasm")),
});

window.early = window.keepsRecords ? window.beginCore() : null;
