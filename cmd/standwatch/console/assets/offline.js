// What was last seen stays readable without the master: a copy of each page that
// the operator or technician looked at is kept in this browser, shown when the
// master cannot be reached, and thrown away at a logout. The page says by itself,
// and at once, that it is old and of when.

const kept = "seen-1";
const most = 60; // pages
const shown = /^\/(?:$|alarms\/|sites(?:\/|$)|rosters$|silences$|shift$|wall$|keys$)/;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (event) => {
  const request = event.request, url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  if (url.pathname.startsWith("/assets/")) event.respondWith(asset(request));
  else if (request.mode === "navigate") event.respondWith(visit(request, url));
});

// asset answers from the copy: the name of an asset is a hash of its content.
async function asset(request) {
  const cache = await caches.open(kept);
  const copy = await cache.match(request);
  if (copy) return copy;
  const answer = await fetch(request);
  if (answer.ok) await cache.put(request, answer.clone());
  return answer;
}

async function visit(request, url) {
  const cache = await caches.open(kept);
  let answer;
  try {
    answer = await fetch(request);
  } catch {
    return (await old(cache, request, url)) ?? nothing(url);
  }
  const to = answer.redirected ? new URL(answer.url).pathname : url.pathname;
  if (to === "/login") await caches.delete(kept);
  else if (answer.ok && shown.test(to)) {
    await cache.put(request, answer.clone()); // takes the place of an older one, and the last of the list
    await thin(cache);
  }
  return answer;
}

// old returns the copy of a page, marked as one.
async function old(cache, request, url) {
  const copy = (await cache.match(request)) ?? (url.pathname === "/" ? await cache.match(request, { ignoreSearch: true }) : undefined);
  if (!copy) return undefined;
  const text = (await copy.text()).replace("<body ", "<body data-old ");
  return new Response(text, { headers: { "Content-Type": "text/html; charset=utf-8", "Content-Security-Policy": copy.headers.get("Content-Security-Policy") ?? "default-src 'self'" } });
}

function nothing(url) {
  const safe = url.pathname.replace(/[^\w/.:-]/g, "?");
  return new Response(`<!DOCTYPE html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width"><title>Not reached</title><h1>The master cannot be reached</h1><p>This page (${safe}) was not looked at before on this device, so there is no copy of it.</p><p><a href="/">The watch as it was last seen</a></p></html>`, { status: 503, headers: { "Content-Type": "text/html; charset=utf-8", "Content-Security-Policy": "default-src 'none'" } });
}

async function thin(cache) {
  const pages = (await cache.keys()).filter((r) => !new URL(r.url).pathname.startsWith("/assets/"));
  for (const r of pages.slice(0, Math.max(0, pages.length - most))) await cache.delete(r);
}
