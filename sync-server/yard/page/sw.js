// Keeps the page itself on the phone, so that it opens without any network. The records are not its
// business. A newer making waits until the person takes it, or until the page is closed.
const CACHE = "yard-MAKING";
const FILES = ["./", "yard.css", "early.js", "yard.js", "worker.js", "store.js", "photo.js", "photos.js", "core.js", "core_bg.wasm", "icon.svg",
  "manifest.webmanifest"];

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(CACHE)
    .then((cache) => cache.addAll(FILES.map((file) => new Request(file, { cache: "no-cache" })))));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(caches.keys()
    .then((names) => Promise.all(names
      .filter((name) => name.startsWith("yard-") && name !== CACHE)
      .map((name) => caches.delete(name))))
    .then(() => self.clients.claim()));
});

self.addEventListener("message", (event) => {
  if (event.data === "take over") self.skipWaiting();
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  const ours = event.request.method === "GET" && url.href.startsWith(self.registration.scope);
  if (!ours) return;
  event.respondWith(caches.open(CACHE)
    .then((cache) => cache.match(event.request, { ignoreSearch: true }))
    .then((kept) => kept || fetch(event.request)));
});
