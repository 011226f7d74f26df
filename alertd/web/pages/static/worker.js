// Keeps the last of each driver's page with what it needs, for where there is no network. Asks the network first.
"use strict";
const STORE = "alertd-1";
const PATIENCE_MS = 6000;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim().then(keepOpen)));

// The page that brought this worker was loaded without it: fetch it once more, with what it names.
async function keepOpen() {
  for (const client of await self.clients.matchAll({ type: "window" })) {
    const page = await fetch(client.url.split("?")[0]);
    await keep(new Request(client.url.split("?")[0]), page.clone());
    const named = [...(await page.text()).matchAll(/(?:src|href)="(\/[^"]+)"/g)].map((m) => m[1]);
    for (const path of named) await keep(new Request(path), await fetch(path));
  }
}
async function keep(request, answer) {
  const store = await caches.open(STORE);
  const key = request.url.includes("/pages/") ? request.url : request.url.split("?")[0];
  if (answer.ok) await store.put(key, answer);
  else if (answer.status === 404 || answer.status === 410) await store.delete(key);
}
async function fromStore(request) {
  const key = request.url.includes("/pages/") ? request.url : request.url.split("?")[0];
  const kept = await (await caches.open(STORE)).match(key);
  if (!kept) return undefined;
  const headers = new Headers(kept.headers);
  headers.set("x-from-store", "1");
  return new Response(request.method === "HEAD" ? null : kept.body, { status: kept.status, headers });
}
self.addEventListener("fetch", (event) => {
  const request = event.request;
  if (request.method !== "GET" && request.method !== "HEAD") return;
  event.respondWith((async () => {
    const asked = fetch(request).then((answer) => {
      if (request.method === "GET") event.waitUntil(keep(request, answer.clone()));
      return answer;
    });
    asked.catch(() => {});
    const late = new Promise((done) => setTimeout(done, PATIENCE_MS));
    try {
      const first = await Promise.race([asked, late]);
      if (first) return first;
    } catch {
      return (await fromStore(request)) || Response.error();
    }
    return (await fromStore(request)) || asked;
  })());
});
