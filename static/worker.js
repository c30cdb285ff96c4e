// The service worker: gives out the page at the loom and what it is made of while the server is away.
"use strict";

const CACHE = "spareshaft";

addEventListener("install", () => skipWaiting());
addEventListener("activate", (event) => event.waitUntil(clients.claim()));

const isStatic = ({ pathname }) => pathname.startsWith("/static/");
const isAtLoom = ({ pathname }) => /^\/pieces\/[0-9]+\/loom$/.test(pathname);

// What cannot be kept or read, for want of room as a rule, must not stand in the way of a server that answers.
const keep = async (address, answer) => {
  try {
    await (await caches.open(CACHE)).put(address, answer);
  } catch { /* then a reload takes the net */ }
};
const stored = (what) => caches.match(what).catch(() => undefined);

// The server's own page if it answers; else the stored one, marked, so that nobody takes it for the truth.
const pageAtLoom = async (event) => {
  const address = new URL(event.request.url).pathname;
  try {
    const answer = await fetch(event.request);
    if (answer.ok && !answer.redirected) event.waitUntil(keep(address, answer.clone()));
    return answer;
  } catch (why) {
    const kept = await stored(address);
    if (!kept) throw why;
    const html = (await kept.text()).replace("<html ", "<html data-stored ");
    return new Response(html, { headers: kept.headers });
  }
};

addEventListener("fetch", (event) => {
  const { request } = event;
  const address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== location.origin) return;
  if (request.mode === "navigate" && isAtLoom(address)) event.respondWith(pageAtLoom(event));
  // an address under /static/ changes with its content
  else if (isStatic(address)) event.respondWith(stored(request).then((kept) => kept ?? fetch(request)));
});
