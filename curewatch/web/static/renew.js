// An open board renews itself: what has changed is patched where it stands, found by its id. What somebody types into,
// has chosen, marked or opened is left as it is, and only what is new is said aloud. It can be paused.
"use strict";

const live = document.querySelector("main[data-live]");
if (live && window.EventSource && !kept) {
  const said = document.getElementById("said");
  const pause = document.getElementById("pause");
  const PAUSED = "paused";
  const morph = document.createElement("script");
  morph.src = document.currentScript.src.replace("renew.js", "idiomorph.min.js");
  const loaded = new Promise((done) => { morph.onload = done; });
  document.head.append(morph);

  const paused = () => pause && sessionStorage.getItem(PAUSED) !== null;
  const news = () => new Map([...live.querySelectorAll("[data-news]")].map((one) => [one.id, one.dataset.news]));
  const touched = (form) => [...form.elements].some((one) =>
    one.matches("input, textarea") ? one.value !== one.defaultValue || one.checked !== one.defaultChecked
    : one.matches("select") && [...one.options].some((option) => option.selected !== option.defaultSelected && one.value));
  function nameFolds(page) {
    for (const one of page.querySelectorAll("details:not([id])")) {
      const id = `fold-${one.querySelector("summary").textContent.trim()}`;
      if (!page.querySelector(`[id="${CSS.escape(id)}"]`)) one.id = id;
    }
  }
  function isHeld(node) {
    const marked = getSelection();
    if (!marked.isCollapsed && marked.containsNode(node, true) && !node.firstElementChild) return true;
    return node === document.activeElement || (node.matches?.("form") && touched(node));
  }
  const callbacks = {
    beforeNodeMorphed: (old) => !isHeld(old),
    beforeNodeRemoved: (old) => !isHeld(old) && !old.contains(document.activeElement) && ![...old.querySelectorAll?.("form") ?? []].some(touched),
    beforeAttributeUpdated: (name, node) => name !== "open" || !node.matches("details"),
  };

  let busy = false;
  async function renew() {
    if (busy || document.hidden || paused()) return;
    busy = true;
    try {
      await loaded;
      const answer = await fetch(location.href, { headers: { accept: "text/html" } }).catch(() => null); // the stream says so
      if (!answer?.ok || answer.redirected || paused()) return;
      const there = new DOMParser().parseFromString(await answer.text(), "text/html");
      const before = news();
      [live, there].forEach(nameFolds);
      Idiomorph.morph(live, there.querySelector("main"), { callbacks });
      document.querySelector("footer time").replaceWith(there.querySelector("footer time"));
      const told = [...news()].filter(([id, what]) => before.get(id) !== what).map(([, what]) => what);
      said.textContent = told.slice(0, 3).join("; ") + (told.length > 3 ? said.dataset.more.replace("#", told.length - 3) : "");
    } finally {
      busy = false;
    }
  }
  function shown() {
    if (!pause) return; // nothing on a wall is pressed
    pause.hidden = false;
    pause.textContent = paused() ? pause.dataset.goOn : pause.dataset.pause;
  }
  pause?.addEventListener("click", () => {
    if (paused()) sessionStorage.removeItem(PAUSED);
    else sessionStorage.setItem(PAUSED, "");
    shown();
    renew();
  });
  shown();

  const stream = new EventSource(`${base}/events?since=${encodeURIComponent(live.dataset.live)}`);
  stream.addEventListener("changed", () => { heard(); renew(); });
  stream.addEventListener("here", (event) => heard(event.data));
  stream.addEventListener("open", () => heard());
  stream.addEventListener("error", ask);
  document.addEventListener("visibilitychange", renew);
  setInterval(renew, 60000);
} else {
  setInterval(ask, 30000);
}
