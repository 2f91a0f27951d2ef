// All of the page works without this. With it, boards renew themselves, and a curve tells its value under a finger.
"use strict";

const live = document.querySelector("main[data-live]");
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
  new EventSource(`${document.documentElement.dataset.base}/events?since=${encodeURIComponent(live.dataset.live)}`).addEventListener("changed", renew);
  document.addEventListener("visibilitychange", renew);
  setInterval(renew, 60000);
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
