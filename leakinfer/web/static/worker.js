// Where the browser allows it (https, or this machine): the last pages open again without a signal after a restart.

const CACHE = "leakinfer-1";
const FIRST = ["style.css", "page.js", "keeping.js", "reaching.js", "strip.js", "sending.js", "timers.js", "drafts.js"];
const MOST = 80; // pages

self.addEventListener("install", (event) => {
  const paths = FIRST.map((name) => `/static/${name}`);
  event.waitUntil(caches.open(CACHE).then((cache) => cache.addAll(paths)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  const ours = url.pathname.startsWith("/job/") || url.pathname.startsWith("/static/") || url.pathname === "/";
  if (request.method === "GET" && url.origin === location.origin && ours) event.respondWith(answer(request));
});

async function answer(request) {
  const cache = await caches.open(CACHE);
  try {
    const fresh = await fetch(request);
    if (fresh.ok && fresh.type === "basic") {
      await cache.put(request, fresh.clone());
      await trim(cache);
    }
    return fresh;
  } catch (error) {
    // Only a page that is opened anew: the open page's own script has its copies, and must notice that we are out.
    const held = request.mode === "navigate" || request.url.includes("/static/") ? await cache.match(request, { ignoreSearch: true }) : undefined;
    if (held) return held;
    throw error;
  }
}

async function trim(cache) {
  const held = await cache.keys();
  for (const old of held.slice(0, Math.max(0, held.length - MOST))) if (!old.url.includes("/static/")) await cache.delete(old);
}
