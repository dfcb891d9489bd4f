// Keeps the hands-on check for when there is no signal. The service puts VERSION and KEPT (addresses) in front.
//
// It answers for pages of the check, for the files these need, and for the front page when there is no network.
// Everything else (event streams, parts of pages, data) goes past it untouched.

const FILES = "rimaye-check-" + VERSION;
const PAGES = "rimaye-check-pages";
const CALLS = "rimaye-check-calls"; // the walk-down of a call without anything about health or anyone's view
const PATIENCE_MS = 1500; // a signal that is this slow is none
const CALL_PATIENCE_MS = 8000; // what is kept lacks views and health, so the service is waited for
const CHECK = /^\/trips\/([^/]+)\/hands-on(?:\/|$)/;
const CALL = /^\/trips\/[^/]+\/call\/?$/;
const paths = new Set(KEPT.map((address) => address.split("?")[0]));

self.addEventListener("install", (event) => {
  const fresh = KEPT.map((address) => new Request(address, { cache: "reload" }));
  event.waitUntil(caches.open(FILES).then((cache) => cache.addAll(fresh)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil((async () => {
    const old = (await caches.keys()).filter((name) => name.startsWith("rimaye-check-") && ![FILES, PAGES, CALLS].includes(name));
    await Promise.all(old.map((name) => caches.delete(name)));
    await self.clients.claim();
  })());
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method === "POST" && url.pathname === "/sign-out") event.waitUntil(forget());
  if (request.method !== "GET") return;
  if (request.mode === "navigate" && CHECK.test(url.pathname)) event.respondWith(page(request, url));
  else if (request.mode === "navigate" && CALL.test(url.pathname)) event.respondWith(walkDown(request, url));
  else if (request.mode === "navigate" && url.pathname === "/") event.respondWith(front(request));
  else if (paths.has(url.pathname)) event.respondWith(file(request));
});

const startOf = (url) => "/trips/" + CHECK.exec(url.pathname)[1] + "/hands-on";

/** A page from the service; when that takes too long or fails, the kept start page, which shows every view itself. */
async function page(request, url) {
  const kept = await (await caches.open(PAGES)).match(startOf(url));
  const asked = fetch(request).then(async (answer) => {
    if (answer.ok && !answer.redirected && url.pathname === startOf(url)) {
      await (await caches.open(PAGES)).put(startOf(url), answer.clone());
    }
    return answer;
  });
  if (!kept) return asked;
  const tooLong = new Promise((resolve) => setTimeout(resolve, PATIENCE_MS, null));
  const answer = await Promise.race([asked.catch(() => null), tooLong]);
  return answer && answer.status < 500 ? answer : kept;
}

/** The walk-down from the service; when that takes too long or fails, the one that may be kept. */
async function walkDown(request, url) {
  const kept = await (await caches.open(CALLS)).match(url.pathname.replace(/\/$/, ""));
  if (!kept) return fetch(request);
  const tooLong = new Promise((resolve) => setTimeout(resolve, CALL_PATIENCE_MS, null));
  const answer = await Promise.race([fetch(request).catch(() => null), tooLong]);
  return answer && answer.status < 500 ? answer : kept;
}

/** The front page; without a network the check that was opened last. */
async function front(request) {
  try {
    return await fetch(request);
  } catch (gone) {
    const known = await (await caches.open(PAGES)).keys();
    if (known.length === 0) throw gone;
    return Response.redirect(known.at(-1).url, 302);
  }
}

/** A file the check needs: as kept; one asked for by another content comes from the service while there is a network. */
async function file(request) {
  const kept = await caches.open(FILES);
  const exact = await kept.match(request);
  if (exact) return exact;
  try {
    return await fetch(request);
  } catch (gone) {
    const older = await kept.match(request, { ignoreSearch: true });
    if (older) return older;
    throw gone;
  }
}

/** After signing out, this phone shows nobody's trip. Records that have not arrived stay. */
async function forget() {
  await Promise.all([PAGES, CALLS].map((name) => caches.delete(name)));
  await new Promise((resolve) => {
    const opened = indexedDB.open("rimaye");
    opened.onupgradeneeded = () => opened.transaction.abort(); // there was none: make none
    opened.onerror = resolve;
    opened.onsuccess = () => {
      const db = opened.result;
      const finish = () => { db.close(); resolve(); };
      const clearing = db.transaction(["taken", "meta"], "readwrite");
      clearing.objectStore("taken").clear();
      clearing.objectStore("meta").clear();
      clearing.oncomplete = clearing.onabort = finish;
    };
  });
}

/** A message that flags of a trip have changed: how many. Who and what is on the board. */
self.addEventListener("push", (event) => {
  let told = {};
  try {
    told = event.data ? event.data.json() : {};
  } catch (unreadable) {
    console.warn("push message could not be read", unreadable);
  }
  const title = told.title || "Flags have changed";
  event.waitUntil(self.registration.showNotification(title, {
    body: told.text || "Open the board.",
    tag: told.id,
    data: { url: told.url },
  }));
});

self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  const url = new URL(event.notification.data?.url || "/", self.location.origin);
  if (url.origin !== self.location.origin) return;
  event.waitUntil(self.clients.openWindow(url.href));
});
