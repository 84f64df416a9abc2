// Keeps the last page of a treated aircraft, so that loading it again without connection shows the clocks, and says so.
// A kept page is marked in its own markup; what a page asks for later is never answered from here.
"use strict";
const SHELF = "hoarline-protection-1";
const LONGEST_MS = 48 * 3600 * 1000;
const PATIENCE_MS = 5000;
const ONE_AIRCRAFT = /\/(p\/[\w-]+|protections\/[\w]+-P\d+)$/;
const KEPT_AT = "X-Kept-At";

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(tidy().then(() => self.clients.claim())));
self.addEventListener("message", (event) => {
  const { page, files } = event.data;
  event.waitUntil(Promise.all([...files.map(file), fetch(page).then((answer) => keep(page, answer))]).catch(() => {}));
});
self.addEventListener("fetch", (event) => {
  const address = new URL(event.request.url);
  if (event.request.method !== "GET" || address.origin !== self.location.origin) return;
  if (address.pathname.includes("/static/")) event.respondWith(file(event.request.url));
  else if (event.request.mode === "navigate" && ONE_AIRCRAFT.test(address.pathname)) event.respondWith(visit(event.request, address.pathname));
});

// Files are named with their content, so the one that is kept is the right one.
async function file(address) {
  const shelf = await caches.open(SHELF);
  const found = await shelf.match(address);
  if (found) return found;
  const answer = await fetch(address);
  if (answer.ok && address.includes("?v=")) await shelf.put(address, answer.clone());
  return answer;
}

async function visit(request, path) {
  const fresh = fetch(request).then(async (answer) => { await keep(path, answer.clone()); return answer; });
  const kept = await last(path);
  if (!kept) return fresh;
  const late = new Promise((settle) => { setTimeout(() => settle(null), PATIENCE_MS); });
  return (await Promise.race([fresh.catch(() => null), late])) ?? marked(kept);
}

async function keep(path, answer) {
  const shelf = await caches.open(SHELF);
  if (!answer.ok) {
    if ([401, 403, 404, 410].includes(answer.status)) await shelf.delete(path);
    return;
  }
  const headers = new Headers(answer.headers);
  headers.set(KEPT_AT, String(Date.now()));
  await shelf.put(path, new Response(await answer.text(), { headers }));
}

async function last(path) {
  const found = await (await caches.open(SHELF)).match(path);
  return found && Date.now() - found.headers.get(KEPT_AT) < LONGEST_MS ? found : null;
}

async function marked(kept) {
  const text = (await kept.text()).replace('data-kept="no"', 'data-kept="yes"');
  return new Response(text, { headers: kept.headers });
}

// Older shelves and pages of aircraft that left long ago.
async function tidy() {
  for (const name of await caches.keys()) if (name.startsWith("hoarline-protection-") && name !== SHELF) await caches.delete(name);
  const shelf = await caches.open(SHELF);
  for (const request of await shelf.keys()) {
    const found = await shelf.match(request);
    const at = found?.headers.get(KEPT_AT);
    if (at && Date.now() - at > LONGEST_MS) await shelf.delete(request);
  }
}
