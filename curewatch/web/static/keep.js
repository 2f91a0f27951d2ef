// Nothing that was typed is lost. Every form keeps a draft until it is stored. A pour, a reading, what was found of a
// piece, a step, a photo, a move, a leaving or a promise is written down on this device before it is sent, under a number of its own, and sent until
// the studio has answered: the number makes it count once. Over https a service worker (sw.js) shows the last pages.
"use strict";

(() => {
  const words = document.getElementById("keep");
  const { in: isIn, who = "" } = document.documentElement.dataset;
  const PAGES = `pages${base}`;
  const DRAFT = `draft${base} `;
  const MEND = `mend${base}`;
  const DRAFTS_LAST = 86400000;
  const KEPT = /^\/(pour|pour\/again|reading|piece\/.+\/(found|done|photo|move|gone|promise))$/;
  const SECRET = /^\/(login|logout|setup|ways-in)/;
  const pathOf = (form) => new URL(form.getAttribute("action"), location.href).pathname.slice(base.length);

  // --- what is kept on this device ---

  const opened = new Promise((done) => {
    try {
      const asked = indexedDB.open(`curewatch${base}`, 1);
      asked.onupgradeneeded = () => asked.result.createObjectStore("waiting", { keyPath: "n", autoIncrement: true });
      asked.onsuccess = () => done(asked.result);
      asked.onerror = () => done(null);
    } catch {
      done(null);
    }
  });
  const memory = new Map(); // where a browser keeps nothing, for as long as the page is open
  const waiting = (mode, work) => opened.then((db) => new Promise((done, fail) => {
    const through = db.transaction("waiting", mode, { durability: "strict" });
    const asked = work(through.objectStore("waiting"));
    through.oncomplete = () => done(asked.result);
    through.onabort = through.onerror = () => fail(through.error);
  }));
  const all = async () => [...((await opened) ? await waiting("readonly", (box) => box.getAll()) : []), ...memory.values()];
  async function put(one) {
    try {
      one.n = await waiting("readwrite", (box) => box.put(one));
    } catch {
      memory.set((one.n ??= one.number), one);
    }
  }
  async function drop(n) {
    memory.delete(n);
    if (await opened) await waiting("readwrite", (box) => box.delete(n));
  }
  const stored = {
    get: (key) => { try { return JSON.parse(localStorage.getItem(key)); } catch { return null; } },
    set: (key, value) => { try { localStorage.setItem(key, JSON.stringify(value)); } catch { /* full, or forbidden */ } },
    drop: (key) => { try { localStorage.removeItem(key); } catch { /* forbidden */ } },
    keys: () => { try { return Object.keys(localStorage); } catch { return []; } },
  };

  // --- drafts ---

  const fieldsOf = (form) => [...form.elements].filter((one) => one.name && one.matches("textarea, select, input:not([type=hidden], [type=password], [type=file])"));
  const drafted = (form) => form.method === "post" && !SECRET.test(pathOf(form)) && !form.querySelector("[type=password]") && fieldsOf(form).length > 0;
  const keyOf = (form) => DRAFT + pathOf(form) + [...form.querySelectorAll("[type=hidden]:not([name=token], [name=like])")].map((one) => ` ${one.value}`).join("");
  const isChosen = (one) => one.matches("[type=radio], [type=checkbox]");
  const isOther = (one) => isChosen(one) ? one.checked !== one.defaultChecked : one.value !== (one.defaultValue ?? one.querySelector("[selected]")?.value ?? one.options[0]?.value);
  function save(form) {
    const other = fieldsOf(form).filter((one) => isOther(one) && (one.type !== "radio" || one.checked));
    if (!other.length) return stored.drop(keyOf(form));
    const had = stored.get(keyOf(form));
    stored.set(keyOf(form), { ...had, at: Date.now(), fields: other.map((one) => [one.name, isChosen(one) && !one.checked ? "" : one.value]) });
  }
  for (const happens of ["input", "change"]) {
    document.addEventListener(happens, ({ target: { form } }) => { if (form && drafted(form)) save(form); });
  }
  const written = (at) => new Intl.DateTimeFormat("sv-SE", { timeZone: zone, dateStyle: "short", timeStyle: "short" }).format(at + ahead);
  const UNITS = { min: 60000, h: 3600000 };
  // "10 min ago" was said of then: as a time of the day it stays what it was.
  function dated(fields, at, all = false) {
    const chosen = fields.find(([name]) => name === "when")?.[1] ?? (all ? "now" : "typed");
    const [, count, unit] = chosen.match(/^(\d+) (min|h) ago$/) ?? [];
    if (!count && !(all && chosen === "now")) return fields;
    const rest = fields.filter(([name]) => name !== "when" && name !== "when_typed");
    return [...rest, ["when", "typed"], ["when_typed", written(at - (count ? count * UNITS[unit] : 0))]];
  }
  function fill(form, fields) {
    for (const [name, value] of fields) {
      for (const one of fieldsOf(form).filter((field) => field.name === name)) {
        if (isChosen(one)) one.checked = one.type === "checkbox" ? value !== "" : one.value === value;
        else one.value = value;
        for (let at = one.closest("details"); at; at = at.parentElement.closest("details")) at.open = true;
      }
    }
  }
  function note(form, which, said = "") {
    form.parentElement.querySelectorAll(":scope > .restored").forEach((one) => one.remove());
    const told = words.content.querySelector(which).cloneNode(true);
    if (said) told.querySelector(".said").textContent = said;
    told.querySelector("button")?.addEventListener("click", () => {
      stored.drop(keyOf(form));
      form.reset();
      told.remove();
    });
    form.before(told);
    return told;
  }
  function restore() {
    const mend = stored.get(MEND);
    for (const form of document.forms) {
      if (!drafted(form)) continue;
      const draft = stored.get(keyOf(form));
      if (!draft || mend) continue;
      if (Date.now() - draft.at > DRAFTS_LAST) { stored.drop(keyOf(form)); continue; }
      fill(form, Date.now() - draft.at > 120000 ? dated(draft.fields, draft.at) : draft.fields);
      note(form, ".restored");
    }
    if (mend?.page !== location.pathname + location.search) return;
    stored.drop(MEND);
    const hidden = (form) => [...form.querySelectorAll("[type=hidden]")];
    const fits = (form) => mend.fields.filter(([name]) => fieldsOf(form).some((one) => one.name === name)).length
      - 100 * mend.fields.filter(([name, value]) => hidden(form).some((one) => one.name === name && one.value !== value && name !== "like")).length;
    const forms = [...document.forms].filter((form) => pathOf(form) === mend.action).sort((a, b) => fits(b) - fits(a));
    if (!forms.length) return;
    fill(forms[0], mend.fields);
    forms[0].dataset.mends = mend.n;
    save(forms[0]);
    const told = note(forms[0], ".refused", mend.said);
    for (let at = told.closest("details"); at; at = at.parentElement.closest("details")) at.open = true;
    told.scrollIntoView({ block: "center" });
    told.focus();
  }

  // --- sending ---

  let token = "";
  async function freshToken() {
    const answer = await fetch(`${base}/token`, { cache: "no-store", headers: { prefer: "return=minimal" }, signal: AbortSignal.timeout(10000) });
    if (answer.ok) token = await answer.text();
    return answer.status;
  }
  // What came of it: how, and where it is shown or in which words it was refused.
  async function send(one, again = false) {
    try {
      if (!token && (await freshToken()) === 401) return { how: "out" };
      const hasFile = one.fields.some(([, value]) => value instanceof Blob);
      const body = hasFile ? new FormData() : new URLSearchParams();
      for (const [name, value] of one.fields) body.append(name, value);
      body.set("token", token);
      if (one.number) {
        body.set("sent", one.number);
        body.set("ago_s", Math.max(0, Math.floor((Date.now() - one.typed) / 1000)));
      }
      const answer = await fetch(base + one.action, {
        method: "POST", body, redirect: "manual", headers: { prefer: "return=minimal" }, signal: AbortSignal.timeout(hasFile ? 120000 : 30000),
      });
      if (answer.status === 201) return { how: "stored", there: answer.headers.get("location") };
      if (answer.status === 401) return { how: "out" };
      if (answer.status === 403 && !again) {
        token = "";
        return send(one, true);
      }
      if (answer.status === 0 || answer.status === 429 || answer.status >= 500) return { how: "away" };
      const text = await answer.text();
      const page = new DOMParser().parseFromString(text, "text/html");
      return { how: "refused", page, said: page.querySelector(".wrong, [role=alert]:not(#late)")?.textContent ?? text.slice(0, 300) };
    } catch {
      return { how: "away" };
    }
  }

  const inHand = new Set(); // what the page that it was typed into sends itself
  let isSending = false;
  let isOut = false;
  async function flush() {
    if (!isIn || isSending) return;
    isSending = true;
    try {
      let shown = false;
      for (const one of (await all()).filter((each) => !each.said && each.who === who && !inHand.has(each.number))) {
        const { how, said } = await send(one);
        isOut = how === "out";
        if (how === "away" || how === "out") break;
        if (how === "stored") await drop(one.n);
        else await put({ ...one, said });
        shown = true;
      }
      if (shown || isOut) await show();
    } finally {
      isSending = false;
    }
  }

  function labelOf(form, pressed) {
    const typed = fieldsOf(form).filter((one) => !isChosen(one) && one.type !== "select-one" && one.value.trim() && isOther(one) || one.name === "name");
    const files = [...form.querySelectorAll("[type=file]")].map((one) => one.files[0]?.name).filter(Boolean);
    const chosen = form.querySelector("select");
    const said = [
      ...(pressed?.name || !(typed.length + files.length) ? [pressed?.firstChild?.textContent + (pressed?.querySelector(".unseen")?.textContent ?? "")] : []),
      ...(chosen ? [chosen.selectedOptions[0]?.textContent] : []),
      ...typed.map((one) => one.value.trim()),
      ...files,
    ];
    return `${document.querySelector("h1")?.firstChild.textContent.trim()}: ${said.filter(Boolean).map((one) => one.trim()).join(", ")}`;
  }

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (event.defaultPrevented || form.method !== "post" || !isIn) return;
    const action = pathOf(form);
    if (action === "/logout") return leave(event, form);
    const isKept = KEPT.test(action);
    if (!isKept && !drafted(form)) return;
    event.preventDefault();
    if (form.hasAttribute("aria-busy")) return;
    form.setAttribute("aria-busy", "true");
    const pressed = event.submitter;
    const fields = [...new FormData(form), ...(pressed?.name ? [[pressed.name, pressed.value]] : [])];
    token ||= fields.find(([name]) => name === "token")?.[1] ?? "";
    const one = { action, who, page: location.pathname + location.search, typed: Date.now(), what: labelOf(form, pressed), fields: fields.filter(([name]) => name !== "token") };
    if (isKept) {
      one.number = [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
      inHand.add(one.number);
      await put(one);
    }
    const { how, there, page, said } = await send(one);
    inHand.delete(one.number);
    isOut = how === "out";
    if (how !== "stored") form.removeAttribute("aria-busy"); // else until the next page is there
    if (how === "stored" || how === "refused" || isKept) {
      if (one.n) stored.drop(keyOf(form));
      if (form.dataset.mends) await drop(Number(form.dataset.mends) || form.dataset.mends);
    }
    if (how === "stored") {
      stored.drop(keyOf(form));
      if (one.n) await drop(one.n);
      location.assign(there);
    } else if (how === "refused") {
      save(form);
      if (one.n) await drop(one.n);
      instead(page, said);
    } else if (isKept) {
      form.reset();
      form.parentElement.querySelectorAll(":scope > .restored").forEach((each) => each.remove());
      await show();
      document.getElementById("waiting")?.scrollIntoView({ block: "center" });
    } else {
      note(form, isOut ? ".out" : ".unreached").focus();
    }
  });

  window.addEventListener("pageshow", (event) => {
    if (event.persisted) document.querySelectorAll("form[aria-busy]").forEach((form) => form.removeAttribute("aria-busy"));
  });

  // The page that says why it was refused stands here in place of this one, with what was typed.
  function instead(page, said) {
    const main = page.querySelector("main");
    const told = words.content.querySelector(".refused").cloneNode(true);
    told.firstChild.textContent = said;
    if (!main) return document.querySelector("main").prepend(told), told.focus();
    document.querySelector("main").replaceChildren(...main.childNodes);
    document.title = page.title;
    const wrong = document.querySelector("main [autofocus]") ?? document.querySelector("main .wrong");
    if (!wrong) return scrollTo(0, 0);
    if (wrong.matches(".wrong")) wrong.tabIndex = -1;
    wrong.focus();
    wrong.scrollIntoView({ block: "center" });
  }

  // --- what waits, on every page ---

  async function show() {
    const items = await all();
    document.getElementById("waiting")?.remove();
    if (!items.length || !isIn || document.querySelector("main.wall")) return;
    const box = words.content.querySelector("aside").cloneNode(true);
    const line = words.content.querySelector("li");
    box.querySelector(isOut ? ".sent" : ".out").remove();
    box.querySelector("ul").replaceChildren(...items.map((one) => {
      const made = line.cloneNode(true);
      made.querySelector(".what").textContent = one.what;
      const time = made.querySelector("time");
      time.dateTime = new Date(one.typed + ahead).toISOString();
      time.textContent = moment(one.typed + ahead);
      made.querySelector(".by").textContent = one.who;
      const said = made.querySelector(".wrong");
      if (one.said) said.textContent = one.said;
      else said.remove();
      const [mend, mine, away] = made.querySelectorAll("button");
      if (!one.said) mend.remove();
      if (one.who === who) mine.remove();
      mend.addEventListener("click", () => {
        stored.set(MEND, { ...one, fields: dated(one.fields.filter(([, value]) => typeof value === "string"), one.typed, true) });
        location.assign(one.page);
      });
      mine.addEventListener("click", async () => { await put({ ...one, who }); await flush(); await show(); });
      away.addEventListener("click", async () => {
        if (away.dataset.sure && away.textContent !== away.dataset.sure) { away.textContent = away.dataset.sure; return; }
        await drop(one.n);
        await show();
      });
      return made;
    }));
    document.querySelector("main").before(box);
  }

  // --- pages, and leaving ---

  async function forget() {
    stored.keys().filter((key) => key.startsWith(DRAFT) || key === MEND).forEach(stored.drop);
    if (await opened) await waiting("readwrite", (box) => box.clear());
    if (window.caches) await caches.delete(PAGES);
  }
  async function leave(event, form) {
    event.preventDefault();
    if ((await all()).length && !confirm(words.dataset.leave)) return;
    await forget();
    form.submit();
  }
  async function keepPages() {
    const worker = await navigator.serviceWorker.register(`${base}/sw.js`, { scope: `${base}/` }).catch(() => null);
    if (!worker) return;
    await navigator.serviceWorker.ready;
    for (const one of document.querySelectorAll("script[src], link[rel=stylesheet], link[rel=icon]")) fetch(one.src || one.href).catch(() => {});
    const pages = await caches.open(PAGES);
    for (const path of ["/", "/pour", "/reading", "/offline"]) {
      if (!(await pages.match(base + path))) await fetch(base + path, { headers: { accept: "text/html" } }).catch(() => {});
    }
  }

  // The studio answers again: the page as it is now, unless something is being typed into this one.
  function anew() {
    const before = Number(sessionStorage.getItem("anew"));
    if (Date.now() - before < 60000 || [...document.forms].some((form) => fieldsOf(form).some(isOther))) return;
    sessionStorage.setItem("anew", Date.now());
    location.reload();
  }

  if (isIn) {
    restore();
    show().then(flush);
    document.addEventListener("heard", flush);
    window.addEventListener("online", flush);
    setInterval(async () => { if ((await all()).some((one) => !one.said)) flush(); }, 5000);
    if (navigator.serviceWorker && !kept) keepPages();
    if (kept) document.addEventListener("heard", anew);
  } else if (window.caches) {
    caches.delete(PAGES); // whoever comes next on this device is asked who they are
  }
})();
