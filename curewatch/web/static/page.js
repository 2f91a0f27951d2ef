// All of the page works without this. With it, a page tells how old it is, and a curve tells its value under a finger.
"use strict";

const { base, ages, now, zone } = document.documentElement.dataset;
const { kept } = document.documentElement.dataset; // by sw.js, from an earlier look, for nobody answers
const ahead = kept ? Number(kept) : 1000 * now - Date.now(); // of the studio's clock, to this browser's

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
// A moment on the studio's clock.
function moment(at) {
  const there = { timeZone: zone, hour: "2-digit", minute: "2-digit" };
  if (Date.now() + ahead - at > 43200000) there.weekday = "short";
  return new Date(at).toLocaleString("en-GB", there);
}
const PATIENCE = 40000;
let last = kept ? 1000 * now - ahead : Date.now();
let lost = Boolean(kept); // nobody answers
let since = document.querySelector("#late:not([hidden])") ? last + ahead : 0; // somebody answers, and nothing is done
function show() {
  const late = document.getElementById("late");
  const from = lost || Date.now() - last > PATIENCE ? last + ahead : since;
  if (from) late.textContent = late.dataset.said.replace("#", moment(from));
  late.hidden = !from;
}
function heard(told = "") {
  if (!kept) [last, lost, since] = [Date.now(), false, 1000 * told];
  show();
  document.dispatchEvent(new CustomEvent("heard"));
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

if (kept) {
  tick();
  ask();
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
