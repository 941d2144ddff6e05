/**
 * Keeps the terminal's page and files on the device. What the server puts above: RELEASE, a hash of them all, SHELL, the
 * address of the page in one language, and FILES, those of its files. A release is kept as a whole: the page never runs
 * with files of another.
 */

const CACHE = `terminal-${RELEASE}`;

self.addEventListener("install", (event) => {
  const whole = async () => {
    const cache = await caches.open(CACHE);
    // Not from the browser's own cache: it may hold those of the release before.
    await cache.addAll([SHELL, ...FILES].map((path) => new Request(path, { cache: "reload" })));
    await self.skipWaiting();
  };
  event.waitUntil(whole());
});

self.addEventListener("activate", (event) => {
  const inOrder = async () => {
    const names = await caches.keys();
    const old = names.filter((name) => name.startsWith("terminal-") && name !== CACHE);
    await Promise.all(old.map((name) => caches.delete(name)));
    await self.clients.claim();
  };
  event.waitUntil(inOrder());
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (event.request.method !== "GET" || url.origin !== self.location.origin) {
    return;
  }
  if (event.request.mode === "navigate" && url.pathname === "/terminal") {
    event.respondWith(kept(SHELL, event.request));
  } else if (FILES.includes(url.pathname)) {
    event.respondWith(kept(url.pathname, event.request));
  }
});

async function kept(path, request) {
  const cache = await caches.open(CACHE);
  return (await cache.match(path)) ?? fetch(request);
}
