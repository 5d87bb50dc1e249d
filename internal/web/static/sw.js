// The service worker keeps the shell: styles, scripts, icons and the page that
// says there is no connection. It never keeps a value: pages and the stream come
// from the box or not at all.
"use strict";
var SHELL = "boxd-shell-VERSION";
var FILES = ["/offline", "/static/box.css", "/static/plan.css", "/static/live.js", "/static/run.js", "/static/listen.js", "/static/valve.js",
  "/static/uPlot.iife.min.js", "/static/uPlot.min.css", "/static/icon.svg"];

self.addEventListener("install", function (e) {
  e.waitUntil(caches.open(SHELL).then(function (c) { return c.addAll(FILES); }).then(function () { return self.skipWaiting(); }));
});

self.addEventListener("activate", function (e) {
  e.waitUntil(caches.keys().then(function (names) {
    return Promise.all(names.filter(function (n) { return n !== SHELL; }).map(function (n) { return caches.delete(n); }));
  }).then(function () { return self.clients.claim(); }));
});

self.addEventListener("fetch", function (e) {
  var url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== location.origin) return;
  if (url.pathname.indexOf("/static/") === 0) {
    e.respondWith(caches.match(e.request).then(function (kept) { return kept || fetch(e.request); }));
  } else if (e.request.mode === "navigate") {
    e.respondWith(fetch(e.request).catch(function () { return caches.match("/offline"); }));
  }
});
