// All of the page works without this. With it, boards renew themselves, and a curve tells its value under a finger.
"use strict";

const { base, ages, now, zone } = document.documentElement.dataset;
const ahead = 1000 * now - Date.now(); // of the studio's clock, to this browser's

// How old things are goes on by itself, and a page that nobody answers any more says since when.
function tick() {
  const said = JSON.parse(ages);
  for (const one of document.querySelectorAll("time.age")) {
    const minutes = Math.max(0, Math.round((Date.now() + ahead - Date.parse(one.dateTime)) / 60000));
    const hours = Math.round(minutes / 60);
    const [how, ...numbers] =
      minutes < 100 ? [0, minutes]
      : hours < 48 ? [1, hours]
      : hours < 336 ? (hours % 24 ? [3, Math.floor(hours / 24), hours % 24] : [2, hours / 24])
      : hours < 1344 ? [2, Math.round(hours / 24)]
      : [4, Math.round(hours / 168)];
    one.textContent = numbers.reduce((text, number) => text.replace("#", number), said[how]);
  }
}
const PATIENCE = 40000;
let last = Date.now();
let lost = false; // nobody answers
let since = document.querySelector("#late:not([hidden])") ? last + ahead : 0; // somebody answers, and nothing is done
function show() {
  const late = document.getElementById("late");
  const from = lost || Date.now() - last > PATIENCE ? last + ahead : since;
  if (from) {
    const there = { timeZone: zone, hour: "2-digit", minute: "2-digit" };
    if (Date.now() + ahead - from > 43200000) there.weekday = "short";
    late.textContent = late.dataset.said.replace("#", new Date(from).toLocaleString("en-GB", there));
  }
  late.hidden = !from;
}
function heard(told = "") {
  [last, lost, since] = [Date.now(), false, 1000 * told];
  show();
}
async function ask() {
  try {
    const answer = await fetch(`${base}/healthz`, { cache: "no-store", signal: AbortSignal.timeout(8000) });
    heard(answer.ok ? "" : Date.parse((await answer.text()).split("since ")[1]) / 1000 || "");
  } catch {
    lost = true;
    show();
  }
}
setInterval(() => { tick(); show(); }, 10000);
document.addEventListener("visibilitychange", () => { tick(); if (!document.hidden) ask(); });

const live = document.querySelector("main[data-live]");
if (!live || !window.EventSource) setInterval(ask, 30000);
if (live && window.EventSource) {
  let busy = false;
  async function renew() {
    const typing = document.activeElement && document.activeElement.matches("input, select, textarea");
    if (busy || typing || document.hidden) return;
    busy = true;
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html" } });
      if (!answer.ok || answer.redirected) return;
      const there = new DOMParser().parseFromString(await answer.text(), "text/html");
      const open = [...live.querySelectorAll("details")].map((one) => one.open);
      const held = document.activeElement && live.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
      live.replaceChildren(...there.querySelector("main").childNodes);
      live.querySelectorAll("details").forEach((one, k) => { if (k < open.length) one.open = open[k]; });
      if (held) live.querySelector(`a[href="${CSS.escape(held)}"]`)?.focus();
      document.querySelector("footer time").replaceWith(there.querySelector("footer time"));
      document.getElementById("said").textContent = "Just renewed.";
    } finally {
      busy = false;
    }
  }
  const stream = new EventSource(`${base}/events?since=${encodeURIComponent(live.dataset.live)}`);
  stream.addEventListener("changed", () => { heard(); renew(); });
  stream.addEventListener("here", (event) => heard(event.data));
  stream.addEventListener("open", () => heard());
  stream.addEventListener("error", ask);
  document.addEventListener("visibilitychange", renew);
  setInterval(renew, 60000);
}

// What is folded for a phone stands open where there is room for it.
if (matchMedia("(min-width: 60rem)").matches) document.querySelectorAll("details.wide").forEach((one) => { one.open = true; });

// The wall turns by itself, most of a window at a time, and begins again at the end.
if (document.querySelector("main.wall")) {
  const behavior = matchMedia("(prefers-reduced-motion: reduce)").matches ? "instant" : "smooth";
  setInterval(() => {
    const atEnd = scrollY + innerHeight >= document.documentElement.scrollHeight - 4;
    scrollTo({ top: atEnd ? 0 : scrollY + 0.6 * innerHeight, behavior });
  }, 10000);
}

// A curve under a finger or pointer: the row of its table that lies nearest is told beneath it.
// Heard by the document, since a page that renews itself brings new curves.
function tell(event) {
  const plot = event.target instanceof Element && event.target.closest("svg.drawing")?.closest("figure.plot");
  if (!plot) return;
  const box = plot.querySelector(".frame").getBoundingClientRect();
  const x = (100 * (event.clientX - box.left)) / box.width;
  const heads = [...plot.querySelectorAll("thead th")].map((one) => one.textContent);
  const rows = [...plot.querySelectorAll("tr[data-x]")];
  const near = rows.reduce((a, b) => (Math.abs(a.dataset.x - x) <= Math.abs(b.dataset.x - x) ? a : b));
  const said = [...near.children].map((one, k) => (k ? `${heads[k]} ${one.textContent}` : one.textContent));
  plot.querySelector("output").textContent = said.join(" · ");
}
document.addEventListener("pointermove", tell);
document.addEventListener("pointerdown", tell);

// What stands on a form's page and goes on by itself, as what a broker sends; the form is left alone.
const going = document.querySelector("[data-every]");
if (going) {
  setInterval(async () => {
    if (document.hidden) return;
    const answer = await fetch(location.href, { headers: { accept: "text/html" } }).catch(() => null);
    if (!answer?.ok || answer.redirected) return;
    const there = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("[data-every]");
    if (there && !going.contains(document.activeElement)) going.replaceChildren(...there.childNodes);
  }, 1000 * going.dataset.every);
}
