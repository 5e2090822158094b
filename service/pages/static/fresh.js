// Keeps a page fresh: swaps its live part for a newer one, which it fetches every 5 s, or which
// the service sends when the page names a stream of events. Freeze stops it (WCAG 2.2.2); without
// an answer the page says that it is stale.
const EVERY_MS = 5000;
const PRESS_MS = 3000;

const stale = document.getElementById("stale");
const frozen = document.getElementById("frozen");
const freeze = document.getElementById("freeze");
const root = document.documentElement;
const live = () => document.getElementById("live");
const stream = live().dataset.events;
const STALE_MS = stream ? 5000 : 12000;
let events;
let answered = Date.now();
let answeredAt = performance.now();
let held = false;
let timer = 0;
let pressedAt = -PRESS_MS;
let waiting = "";

function answeredNow() {
  answered = Date.now();
  answeredAt = performance.now();
}

/** How long ago that was. Setting the clock must not hide it, nor may the device's sleep, which
 * the other clock may leave out. */
const ageMs = () => Math.max(Date.now() - answered, performance.now() - answeredAt);

const clock = (date) => date.toLocaleTimeString(root.lang, { hour12: false });

/** Show every time of the page in the reader's own zone. */
function localise(within) {
  for (const time of within.querySelectorAll("time[datetime]")) {
    const date = new Date(time.dateTime);
    if (Number.isNaN(date.getTime())) continue;
    const today = date.toDateString() === new Date().toDateString();
    time.textContent = today ? clock(date) : `${date.toLocaleDateString(root.lang)} ${clock(date)}`;
  }
}

function mark(banner, on, at) {
  if (on && banner.hidden) banner.querySelector("time").textContent = clock(new Date(at));
  banner.hidden = !on;
}

function show() {
  const seconds = Math.round(ageMs() / 1000);
  for (const age of document.querySelectorAll(".age")) {
    age.textContent = `(${age.dataset.word.replace("{s}", seconds)})`;
  }
  const late = !held && ageMs() > STALE_MS;
  mark(stale, late, answered);
  mark(frozen, held, answered);
  root.classList.toggle("is-stale", late);
}

/** Swap the live part; keep focus where it was, and leave a reader's selection alone. While a
 * finger is down it waits: what is being pressed must not change under it. */
function swap(text) {
  const pressed = performance.now() - pressedAt < PRESS_MS;
  waiting = pressed ? text : "";
  if (pressed || !getSelection().isCollapsed) return;
  const page = new DOMParser().parseFromString(text, "text/html");
  count(page.getElementById("calling"));
  const fresh = page.getElementById("live");
  const old = live();
  if (!fresh || !old) return;
  const focused = old.contains(document.activeElement) ? document.activeElement.id : "";
  const moved = places(old) !== places(fresh);
  localise(fresh);
  old.replaceWith(document.adoptNode(fresh));
  if (moved) settle(live());
  if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
}

const places = (within) => [...within.querySelectorAll("button")].map((b) => b.id).join(" ");

/** Buttons that have just moved take no press for a moment: it was meant for another. */
function settle(within) {
  within.classList.add("settling");
  setTimeout(() => within.classList.remove("settling"), 700);
}

/** The alarms that wait, in the header; said aloud only when they change. */
function count(fresh) {
  const old = document.getElementById("calling");
  if (fresh && old.textContent !== fresh.textContent) old.replaceChildren(...fresh.childNodes);
}

async function refresh() {
  try {
    const answer = await fetch(location.href, {
      headers: { Accept: "text/html" }, cache: "no-store", signal: AbortSignal.timeout(EVERY_MS),
    });
    if (answer.ok && !held) {
      const text = await answer.text();
      answeredNow();
      if (!held) swap(text);
    }
  } catch {
    // No answer: the age goes on growing and says so.
  }
  if (!held) timer = setTimeout(refresh, EVERY_MS);
  show();
}

/** Take what the service sends; the browser itself connects again after a break. */
function listen() {
  events = new EventSource(stream);
  events.addEventListener("picture", (event) => {
    answeredNow();
    if (!held) swap(event.data);
    show();
  });
}

function start() {
  if (stream) listen();
  else refresh();
}

function lifted() {
  pressedAt = -PRESS_MS;
  if (waiting && !held) setTimeout(() => swap(waiting));  // after the press has done its work
}

document.addEventListener("pointerdown", () => { pressedAt = performance.now(); });
for (const kind of ["pointerup", "pointercancel"]) document.addEventListener(kind, lifted);
freeze.hidden = false;
freeze.addEventListener("click", () => {
  held = !held;
  freeze.textContent = held ? freeze.dataset.thaw : freeze.dataset.freeze;
  freeze.setAttribute("aria-pressed", String(held));
  clearTimeout(timer);
  events?.close();
  if (!held) start();
  show();
});
localise(document);
show();
setInterval(show, 1000);
if (stream) listen();
else timer = setTimeout(refresh, EVERY_MS);
