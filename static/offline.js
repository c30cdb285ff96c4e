// Loading the page again without the net: the service worker where there is one, else a warning.

const CACHE = "spareshaft";

// The page as it was sent, before any script has changed it.
const asSent = `<!doctype html>\n${document.documentElement.outerHTML}`;

// Whether this page came from the worker's store, the server being away: it may be old.
export const cameFromStore = () => document.documentElement.dataset.stored !== undefined;

// Whether the page can be loaded again without the net.
export const isGuarded = () => Boolean(navigator.serviceWorker?.controller);

// Keep this page and what it is made of, so that the worker can give it out.
export const keepPage = async (here) => {
  if (!("serviceWorker" in navigator)) return; // plain http on a home network
  try {
    await navigator.serviceWorker.register("/worker.js");
    await navigator.serviceWorker.ready;
    if (cameFromStore()) return;
    const store = await caches.open(CACHE);
    const files = performance.getEntriesByType("resource").map(({ name }) => new URL(name).pathname)
      .filter((path) => path.startsWith("/static/"));
    await store.addAll([...new Set(files)]);
    const { headers } = await fetch(here, { method: "HEAD" });
    await store.put(here, new Response(asSent, { headers }));
    document.documentElement.dataset.stores = "";
    for (const { url } of await store.keys()) {
      const { pathname } = new URL(url);
      if (pathname.startsWith("/static/") && !files.includes(pathname)) await store.delete(url); // older ones
    }
  } catch { /* no room, or the server is away: then a reload needs the net, and the strip says so */ }
};

// Ask before a page is left that cannot be loaded again.
export const guardReload = (hasTaps) => {
  addEventListener("beforeunload", (event) => {
    if (hasTaps() && !isGuarded()) event.preventDefault();
  });
};
