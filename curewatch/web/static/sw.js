// Shows the pages that were last seen while the studio does not answer. Nothing but pages that were asked for by
// whoever is in, and what draws them; never who gets in, what is set up, or a word that lets somebody in. Leaving
// empties it (keep.js).
"use strict";

const base = self.location.pathname.replace(/\/sw\.js$/, "");
const PAGES = `pages${base}`;
const FILES = `files${base}`;
const NEVER = ["/login", "/logout", "/setup", "/ways-in", "/class/", "/token", "/api/", "/events", "/healthz", "/metrics", "/calendar", "/photo/", "/sw.js", "/manifest"];
const MOST = 60; // pages
const LASTS = 7 * 86400000;
const PATIENCE = 8000; // with a studio that was left behind at home, for which a phone would wait minutes

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin || !url.pathname.startsWith(`${base}/`)) return;
  const path = url.pathname.slice(base.length);
  if (path.startsWith("/static/")) event.respondWith(file(request, url));
  else if (NEVER.some((one) => path.startsWith(one))) return;
  else if (request.mode === "navigate" && request.destination === "document") event.respondWith(page(event, url));
  else if (request.headers.get("accept") === "text/html") event.respondWith(renewed(event, url)); // of an open page
});

async function file(request, url) {
  const cache = await caches.open(FILES);
  const had = await cache.match(request);
  if (had) return had;
  const answer = await fetch(request).catch(() => cache.match(request, { ignoreSearch: true })); // of another version
  if (answer?.ok && answer.type === "basic" && answer.url === url.href) {
    for (const old of await cache.keys()) if (new URL(old.url).pathname === url.pathname) await cache.delete(old);
    await cache.put(request, answer.clone());
  }
  return answer ?? Response.error();
}

async function page(event, url) {
  // in our own name: a link on another site may be followed, and what leads here through a worker no longer tells of it
  const asked = fetch(url.href, { redirect: "manual", headers: { accept: event.request.headers.get("accept") } });
  asked.catch(() => {}); // told below, once
  const late = new Promise((_, fail) => setTimeout(fail, PATIENCE));
  try {
    const answer = await Promise.race([asked, late]);
    event.waitUntil(keep(url, answer.clone()));
    return answer;
  } catch {
    const cache = await caches.open(PAGES);
    return (await cache.match(named(url))) ?? (await cache.match(`${base}/offline`)) ?? asked;
  }
}

async function renewed(event, url) {
  const answer = await fetch(event.request);
  event.waitUntil(keep(url, answer.clone()));
  return answer;
}

// A page is one, whatever was just logged on it.
function named(url) {
  const name = new URL(url);
  name.hash = "";
  name.searchParams.delete("done");
  name.searchParams.delete("of");
  return name.href;
}

async function keep(url, answer) {
  if (!answer.ok || answer.redirected || !answer.headers.get("content-type")?.startsWith("text/html")) return;
  const text = await answer.text();
  const at = Number(text.match(/data-now="([\d.]+)"/)?.[1]) * 1000;
  if (!at || !text.includes('data-in="yes"')) return; // nobody is in
  const kept = text
    .replace("<html", `<html data-kept="${at - Date.now()}"`)
    .replace(/(name="token" value=")[^"]*/g, "$1");
  const headers = new Headers(answer.headers);
  for (const one of ["content-encoding", "content-length", "set-cookie"]) headers.delete(one);
  headers.set("x-kept-at", Date.now());
  const cache = await caches.open(PAGES);
  await cache.put(named(url), new Response(kept, { headers }));
  const all = await cache.keys();
  for (const [k, one] of all.entries()) {
    const age = Date.now() - Number((await cache.match(one)).headers.get("x-kept-at"));
    if (k < all.length - MOST || age > LASTS) await cache.delete(one);
  }
}
