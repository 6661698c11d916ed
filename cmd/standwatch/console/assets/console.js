// The console's own script. Pages work without it; with it they stay true by
// themselves, say so when they are not, and are steered by keys. It keeps no
// state that the server does not have: every patch is HTML that the server's
// own templates made.

const body = document.body;
const page = body.dataset.page;
const byId = (id) => document.getElementById(id);
const all = (selector, root = document) => [...root.querySelectorAll(selector)];
const narrow = matchMedia("(max-width: 44rem)");

// ---- time ---------------------------------------------------------------

let ahead = Number(body.dataset.now) - Date.now(); // the master's clock against ours
const now = () => Date.now() + ahead;

// short and spoken do as words.go does.
function short(ms) {
  const s = Math.floor(Math.abs(ms) / 1000), m = Math.floor(s / 60), h = Math.floor(m / 60);
  if (s < 60) return `${s} s`;
  if (m < 60) return `${m} min`;
  if (h < 24) return `${h} h ${String(m % 60).padStart(2, "0")}`;
  return `${Math.floor(h / 24)} d ${h % 24} h`;
}

function spoken(ms) {
  const s = Math.floor(Math.max(0, ms) / 1000);
  const count = (n, one) => (n === 1 ? `1 ${one}` : `${n} ${one}s`);
  if (s < 1) return "a moment";
  if (s < 120) return count(s, "second");
  if (s < 7200) return count(Math.floor(s / 60), "minute");
  if (s < 172800) return count(Math.floor(s / 3600), "hour");
  return count(Math.floor(s / 86400), "day");
}

function setText(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

function keepTime() {
  for (const node of all("time[data-age]")) setText(node, short(now() - Number(node.dataset.age)));
  for (const node of all("[data-spoken]")) setText(node, spoken(now() - Number(node.dataset.spoken)));
  for (const row of all(".row[data-origin]")) shift(row, row.dataset);
  const first = document.querySelector(".row[data-origin]");
  if (first && byId("axis")) shift(byId("axis"), first.dataset);
}

// shift moves the drawings of both panes as time goes on; strip.go reckons alike.
function shift(root, { origin, far, near }) {
  const at = now() - Number(origin);
  const places = { far: -100 * (at - near) / far, near: -100 * at / near };
  for (const pane of ["far", "near"]) {
    const x = `${places[pane].toFixed(2)}%`;
    for (const g of all(`svg.shift.${pane}`, root)) if (g.getAttribute("x") !== x) g.setAttribute("x", x);
  }
}

// ---- the stream -----------------------------------------------------------

const staleAfter = 15000; // three signs of life missed
let source = null, heard = Date.now(), cursor = body.dataset.seq, retry = 0, asleep = false;

function query() {
  const q = new URLSearchParams(page === "watch" ? location.search : "");
  q.delete("alarm");
  q.set("page", page);
  q.set("seq", cursor);
  return q;
}

function connect() {
  clearTimeout(retry);
  if (source) source.close();
  source = new EventSource(`/live?${query()}`);
  source.addEventListener("frame", (event) => {
    heard = Date.now();
    const frame = JSON.parse(event.data);
    cursor = String(frame.seq);
    ahead = frame.now - Date.now();
    trueAgain(frame);
    apply(frame);
  });
  source.onerror = () => {
    // The browser asks again by itself unless the answer was an error.
    if (source.readyState === EventSource.CLOSED) {
      retry = setTimeout(connect, 3000);
      stillIn();
    }
    judge();
  };
}

// stillIn leads to the login when the session is over, unless something is
// being written that would be lost.
async function stillIn() {
  try {
    const answer = await fetch("/keys", { method: "HEAD", headers: { Accept: "application/problem+json" } });
    if (answer.status !== 401) return;
  } catch {
    return; // the master cannot be reached, which judge says
  }
  const place = `/login?${new URLSearchParams({ next: location.pathname + location.search })}`;
  if (all("input[type=text], textarea").some((i) => i.closest("[data-act]") && i.value)) refuse("You are logged out. What you wrote is still here; log in again in another window.");
  else location.assign(place);
}

function clockText(ms) {
  const shown = byId("truth-time");
  const iso = shown.getAttribute("datetime"); // carries the centre's offset
  const sign = iso.endsWith("Z") ? 0 : (iso.at(-6) === "-" ? -1 : 1);
  const offset = sign * (Number(iso.slice(-5, -3)) * 60 + Number(iso.slice(-2))) * 60000;
  return new Date(ms + offset).toISOString().slice(11, 19);
}

function trueAgain(frame) {
  byId("stale").hidden = true;
  body.classList.remove("stale");
  setText(byId("truth-time"), clockText(frame.now));
  setText(byId("truth-word"), "live");
  delete body.dataset.old;
  loud("trouble", frame.trouble);
  loud("quiet", frame.quiet);
}

function loud(id, text) {
  const node = byId(id);
  node.hidden = !text;
  setText(node, text || "");
}

function judge() {
  if (asleep) return;
  const silent = Date.now() - heard;
  const gone = !source || source.readyState !== EventSource.OPEN;
  if (silent < staleAfter && !(gone && silent > 6000)) return;
  body.classList.add("stale");
  setText(byId("truth-word"), "not live");
  const when = byId("truth-time"), old = now() - ahead - heard > 43200000 || "old" in body.dataset;
  const text = `This page has lost the master. What it shows was true at ${old ? when.title : when.textContent} and may be false now.`;
  loud("stale", text);
  document.title = `NOT LIVE · ${document.title.replace(/^NOT LIVE · /, "")}`;
}

// Only the watch keeps its stream while it is hidden: a browser opens few
// connections to one host at a time.
document.addEventListener("visibilitychange", () => {
  if (page === "watch") return;
  asleep = document.hidden;
  if (asleep) source?.close();
  else { heard = Date.now(); connect(); refresh(); }
});

// ---- patches --------------------------------------------------------------

function node(html) {
  const t = document.createElement("template");
  t.innerHTML = html;
  return t.content.firstElementChild;
}

function apply(frame) {
  if (frame.news?.length) setText(byId("news"), frame.news.join(". "));
  if (page === "watch" && frame.order !== undefined) patchWatch(frame);
  else if (frame.changed?.length || page === "intake") refreshSoon();
  keepTime();
}

function patchWatch(frame) {
  document.title = document.title.replace(/^.* · (?=[^·]*$)/, `${frame.title} · `);
  if (frame.said !== undefined) patchHTML(byId("said"), frame.said);
  patchHTML(byId("aside"), frame.aside ?? "");
  patchHTML(byId("axis"), frame.axis ?? "");
  const unfolded = new Set(all("details.under[open]").map((d) => d.previousElementSibling?.dataset.alarm));
  for (const [id, html] of Object.entries(frame.rows ?? {})) {
    const fresh = node(html), old = byId(fresh.id);
    const chosen = new Set(old ? all(".pick:checked", old).map((box) => box.value) : []);
    for (const box of all(".pick", fresh)) box.checked = chosen.has(box.value);
    if (old) old.replaceWith(fresh);
    else byId("rows").append(fresh);
    for (const d of all("details.under", fresh)) d.open = unfolded.has(d.previousElementSibling?.dataset.alarm);
  }
  countMarked();
  arrange([[byId("rows"), frame.order ?? []], [byId("right"), frame.right ?? []]]);
  sayNothing((frame.order ?? []).length > 0);
  byId("cameright").hidden = (frame.right ?? []).length === 0;
  mark();
  const id = inHand();
  if (id && frame.changed?.includes(id)) fetchHand(id);
  else if (!id) holdFirst();
}

function holdFirst() {
  const first = document.querySelector("#rows .lane.untaken, #rows .lane");
  if (first && !narrow.matches) hold(first.dataset.alarm);
}

// arrange puts the rows of the lists into their places, moving only those that
// are elsewhere, and removes the rest.
function arrange(lists) {
  const want = new Set(lists.flatMap(([, ids]) => ids.map((id) => `row-${id}`)));
  for (const [list] of lists) for (const row of [...list.children]) if (!want.has(row.id)) row.remove();
  for (const [list, ids] of lists) {
    let at = list.firstElementChild;
    for (const id of ids) {
      const row = byId(`row-${id}`);
      if (!row) continue;
      if (row === at) at = at.nextElementSibling;
      else list.insertBefore(row, at);
    }
  }
}

function patchHTML(node, html) {
  if (node && node.dataset.was !== html) {
    node.dataset.was = html;
    node.innerHTML = html;
  }
}

// Other pages read themselves again and swap what differs.
let pending = 0;
function refreshSoon() {
  if (!pending) pending = setTimeout(refresh, 300);
}

async function refresh() {
  pending = 0;
  const places = all("[data-live]");
  if (!places.length) return;
  let text;
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (!answer.ok) return;
    text = await answer.text();
  } catch {
    return; // judge says so if it lasts
  }
  const fresh = new DOMParser().parseFromString(text, "text/html");
  for (const old of places) {
    const next = fresh.getElementById(old.id);
    if (!next || next.innerHTML === old.innerHTML) continue;
    const opened = all("details[open] > summary", old).map((s) => s.textContent);
    old.innerHTML = next.innerHTML;
    for (const s of all("details > summary", old)) if (opened.includes(s.textContent)) s.parentElement.open = true;
  }
  swapActions(fresh.getElementById("do"));
}

// swapActions changes the forms only while nobody is writing in them.
function swapActions(next) {
  const old = byId("do");
  if (!old || !next || old.innerHTML === next.innerHTML) return;
  const writing = old.contains(document.activeElement) && document.activeElement.matches("input, select, button");
  if (writing || all("input[type=text]", old).some((i) => i.value)) return;
  old.replaceWith(next);
}

// ---- the alarm in hand ----------------------------------------------------

const lanes = () => all("#rows .lane, #right .lane, #aside tr[data-alarm]").filter((l) => l.offsetParent !== null);
const inHand = () => byId("hand")?.querySelector(".inhand")?.dataset.alarm ?? document.querySelector(".one")?.dataset.alarm;

function mark() {
  const id = inHand();
  for (const l of all(".lane, #aside tr[data-alarm]")) {
    const held = l.dataset.alarm === id && page === "watch";
    l.classList.toggle("held", held);
    if (held) l.setAttribute("aria-current", "true");
    else l.removeAttribute("aria-current");
  }
}

let asked = "";
async function fetchHand(id) {
  asked = id;
  try {
    const answer = await fetch(`/hand?alarm=${encodeURIComponent(id)}`);
    if (!answer.ok || asked !== id) return;
    const fresh = node(await answer.text());
    const place = byId("hand"), old = place.querySelector(".inhand");
    if (!old || old.dataset.alarm !== id) {
      place.replaceChildren(fresh);
    } else {
      for (const part of ["hand-facts", "hand-life"]) byId(part).innerHTML = fresh.querySelector(`#${part}`).innerHTML;
      swapActions(fresh.querySelector("#do"));
    }
    mark();
  } catch {
    judge();
  }
}

async function hold(id) {
  if (!id || id === inHand()) return;
  const q = new URLSearchParams(location.search);
  q.set("alarm", id);
  history.replaceState(null, "", `?${q}`);
  await fetchHand(id);
}

function move(step) {
  const list = lanes();
  if (!list.length) return;
  const at = list.findIndex((l) => l.dataset.alarm === inHand());
  const next = list[Math.min(list.length - 1, Math.max(0, at < 0 ? 0 : at + step))];
  next.scrollIntoView({ block: "nearest" });
  next.querySelector("a.what")?.focus({ preventScroll: true });
  hold(next.dataset.alarm);
}

document.addEventListener("click", (event) => {
  if (page !== "watch" || narrow.matches || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
  const lane = event.target.closest(".lane, #aside tr[data-alarm]");
  const other = event.target.closest("a:not(.what), button, input, summary");
  if (!lane || other) return;
  event.preventDefault();
  lane.querySelector("a.what")?.focus({ preventScroll: true });
  hold(lane.dataset.alarm);
});

// ---- many alarms at once ---------------------------------------------------

const markedBoxes = () => all(".pick:checked");

function countMarked() {
  const n = markedBoxes().length, word = byId("marked");
  if (word) setText(word, n === 1 ? "With the alarm chosen:" : `With the ${n} chosen:`);
}

function markAll(on) {
  for (const b of all(".pick")) if (!on || b.offsetParent !== null) b.checked = on;
  countMarked();
}

document.addEventListener("change", (event) => { if (event.target.matches(".pick")) countMarked(); });
if (byId("unmark")) {
  byId("unmark").hidden = false;
  byId("unmark").addEventListener("click", () => markAll(false));
}

// ---- actions --------------------------------------------------------------

function refuse(text) {
  loud("refused", text);
  setTimeout(() => loud("refused", ""), 8000);
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (form.id === "filter" && page === "watch") {
    event.preventDefault();
    show(new URLSearchParams(new FormData(form)));
    return;
  }
  const many = form.id === "many";
  if (!form.dataset.act && !many) return;
  event.preventDefault();
  const button = event.submitter ?? form.querySelector("button");
  const data = new URLSearchParams(new FormData(form, event.submitter));
  button.disabled = true;
  try {
    const answer = await fetch(form.action, { method: "POST", body: data, headers: { Accept: "application/problem+json" } });
    if (answer.ok) {
      const writing = form.contains(document.activeElement);
      form.reset();
      if (many) markAll(false);
      const fold = form.closest("details");
      if (fold) fold.open = false;
      if (writing) document.activeElement.blur();
      if (page === "watch") await fetchHand(inHand());
      else await refresh();
    } else {
      refuse(`${many ? "Not all was done" : "Not done"}: ${(await answer.json()).detail}.`);
    }
  } catch {
    refuse("Not done: the master cannot be reached.");
  } finally {
    button.disabled = false;
  }
});

// sayNothing says why there are no strips: only where nothing is left out may it
// say that all is well.
function sayNothing(something) {
  byId("nothing").hidden = something;
  const narrows = [...new URLSearchParams(location.search).keys()].some((name) => name !== "span");
  const aside = byId("aside").childElementCount > 0;
  byId("nothing-passes").hidden = !narrows;
  byId("nothing-else").hidden = narrows || !aside;
  byId("nothing-at-all").hidden = narrows || aside;
}

// ---- the filter -----------------------------------------------------------

function show(q) {
  for (const [name, value] of [...q]) if (value === "" || (name === "span" && value === "8h")) q.delete(name, value);
  const text = q.toString();
  history.replaceState(null, "", text ? `/?${text}` : "/");
  connect();
}

const filter = byId("filter");
if (filter && page === "watch") {
  let soon = 0;
  const changed = () => show(new URLSearchParams(new FormData(filter)));
  filter.addEventListener("input", (event) => {
    clearTimeout(soon);
    soon = setTimeout(changed, event.target.type === "search" ? 180 : 0);
  });
  filter.querySelector("button").hidden = true;
}

// ---- keys -----------------------------------------------------------------

let single = localStorage.getItem("single-keys") !== "off";
for (const box of all("[data-keys]")) {
  box.checked = single;
  box.addEventListener("change", () => {
    single = box.checked;
    localStorage.setItem("single-keys", single ? "on" : "off");
    for (const other of all("[data-keys]")) other.checked = single;
  });
}

const click = (selector) => document.querySelector(selector)?.click();

function go(n) {
  const link = all(".top nav a")[n - 1];
  if (link) location.assign(link.href);
}

function openShelf() {
  const fold = document.querySelector(".shelve");
  if (!fold) return;
  fold.open = true;
  byId("shelf-text").focus();
}

function nextWidth() {
  const select = filter?.elements.span;
  if (!select) return;
  select.selectedIndex = (select.selectedIndex + 1) % select.options.length;
  select.dispatchEvent(new Event("input", { bubbles: true }));
}

function unfold() {
  const fold = document.querySelector(".lane.held")?.nextElementSibling;
  if (fold?.matches("details")) fold.open = !fold.open;
}

const keys = {
  j: () => move(1), ArrowDown: () => move(1), k: () => move(-1), ArrowUp: () => move(-1),
  a: () => (markedBoxes().length ? click('#many [value="take"]') : document.querySelector("form[data-act=take]")?.requestSubmit()),
  n: () => byId(markedBoxes().length ? "many-text" : "note-text")?.focus(), s: () => (markedBoxes().length ? byId("many-text").focus() : openShelf()),
  m: () => click(".lane.held .pick"), M: () => markAll(true), Escape: () => markAll(false), e: unfold, w: nextWidth,
  u: () => click("#filter [name=untaken]"), "/": () => { byId("find")?.focus(); byId("find")?.select(); },
  "?": () => byId("keys").showModal(),
  1: () => go(1), 2: () => go(2), 3: () => go(3), 4: () => go(4), 5: () => go(5), 6: () => go(6),
};

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing || byId("keys").open) return;
  if (event.target.matches("input:not([type=checkbox]), select, textarea")) {
    if (event.key === "Escape") event.target.blur();
    return;
  }
  const arrow = event.key.startsWith("Arrow");
  if (arrow && page !== "watch") return;
  if (event.key === "Enter" && page === "watch" && event.target.matches("a.what, body") && inHand()) {
    event.preventDefault();
    location.assign(`/alarms/${encodeURIComponent(inHand())}`);
    return;
  }
  const act = keys[event.key];
  if (!act || (!single && !arrow)) return;
  event.preventDefault();
  act();
});

// ---- what was last seen -----------------------------------------------------

// A browser lets a page keep copies only where nobody between can change it.
const keeps = "serviceWorker" in navigator && window.isSecureContext;
if (keeps && page !== "login") navigator.serviceWorker.register("/offline.js").catch(() => {});
if (keeps && page === "login") caches.delete("seen-1");

// The watch changes without being read again, so its copy is made of what is
// shown; on a phone, since that is what loses its network.
async function keepSeen() {
  if (!keeps || page !== "watch" || body.classList.contains("stale") || "old" in body.dataset) return;
  const shown = byId("truth-time"), stamp = now();
  shown.title = `${new Date(stamp).toISOString().slice(0, 10)}, ${shown.textContent}`;
  body.dataset.now = String(Math.round(stamp));
  body.dataset.seq = cursor;
  const copy = new Response(`<!DOCTYPE html>${document.documentElement.outerHTML}`, { headers: { "Content-Type": "text/html; charset=utf-8" } });
  await (await caches.open("seen-1")).put(location.href, copy);
}
document.addEventListener("visibilitychange", () => { if (document.hidden) keepSeen(); });
if (narrow.matches) setInterval(() => { if (!document.hidden) keepSeen(); }, 30000);

// ---- sound ------------------------------------------------------------------

const severityOf = (root) => root.querySelector(".sev")?.className.match(/s-(\w+)/)?.[1] ?? "minor";
if (byId("sound")) {
  const { sound } = await import(body.dataset.sound);
  sound({
    box: byId("sound"), live: () => !body.classList.contains("stale"),
    untaken: () => all("#rows .lane.untaken, .wall li.untaken").map((l) => ({ id: l.dataset.alarm, severity: severityOf(l) })),
  });
}

// ---- begin ----------------------------------------------------------------

mark();
keepTime();
if ("old" in body.dataset) { heard = 0; judge(); }
connect();
setInterval(keepTime, 1000);
setInterval(judge, 1000);
