// The service worker: gives out the page at the loom and what it is made of while the server is away.
"use strict";

const CACHE = "spareshaft";

addEventListener("install", () => skipWaiting());
addEventListener("activate", (event) => event.waitUntil(clients.claim()));

const isStatic = ({ pathname }) => pathname.startsWith("/static/");
const isAtLoom = ({ pathname }) => /^\/pieces\/[0-9]+\/loom$/.test(pathname);

// The server's own page if it answers; else the stored one, marked, so that nobody takes it for the truth.
const pageAtLoom = async (request) => {
  const store = await caches.open(CACHE);
  const address = new URL(request.url).pathname;
  try {
    const answer = await fetch(request);
    if (answer.ok && !answer.redirected) await store.put(address, answer.clone());
    return answer;
  } catch (why) {
    const kept = await store.match(address);
    if (!kept) throw why;
    const html = (await kept.text()).replace("<html ", "<html data-stored ");
    return new Response(html, { headers: kept.headers });
  }
};

addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== location.origin) return;
  if (request.mode === "navigate" && isAtLoom(address)) event.respondWith(pageAtLoom(request));
  // an address under /static/ changes with its content
  else if (isStatic(address)) event.respondWith(caches.match(request).then((kept) => kept ?? fetch(request)));
});
