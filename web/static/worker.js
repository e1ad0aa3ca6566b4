// Keeps one page for when nothing answers. Never a page of the unit: an old state must not look like the present one.
"use strict";
const STORE = "shell-1";
const KEPT = ["/offline", "/static/style.css", "/icon.svg"];

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(STORE).then((store) => store.addAll(KEPT)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  event.waitUntil(caches.keys().then((names) => Promise.all(names.filter((n) => n !== STORE).map((n) => caches.delete(n))))
    .then(() => self.clients.claim()));
});
self.addEventListener("fetch", (event) => {
  const { request } = event;
  const path = new URL(request.url).pathname;
  if (request.mode === "navigate") {
    event.respondWith(fetch(request).catch(() => caches.match("/offline")));
  } else if (request.method === "GET" && KEPT.includes(path)) {
    event.respondWith(fetch(request).catch(() => caches.match(path)));
  }
});
