// Sends every answer as it is given, in order, again until it is acknowledged.
//
// A page says data-saves on its <main>'s part; every [data-unit] in it has an id and data-to, the address
// that takes its fields. Answers: 200 saved, 409 overtaken by somebody else, 422 refused, each with the
// unit drawn anew; 401 the sign-in has ended; anything else is tried again.

import { freshToken, signedInAgain } from "./again.js";
import * as sealed from "./sealed.js";

const PAUSE_MS = 400;
const WAITS_MS = [1000, 2000, 4000, 8000, 15000, 30000];
const TIMEOUT_MS = 15000;
const OPEN_EVERY_MS = 25000;
const LEAVE_MS = 3000; // so long a press waits for what is being sent
const LOST = "no connection to the clinic";

const page = document.querySelector("[data-saves]");
const address = location.pathname;
const status = document.getElementById("saved");

let token = JSON.parse(document.body.getAttribute("hx-headers") ?? "{}")["X-CSRFToken"];
let person = "";
let sending = false;
let stopped = false;
let leaving = null; // the form that was sent last
let failures = 0;
let retry = 0;
const queue = [];
const timers = new Map(); // unit -> timer of a text being typed
const redraws = new Map(); // unit -> answer to draw once the hand has left it

document.documentElement.classList.add("scripted");

const unitOf = (node) => node.closest?.("[data-unit]");
const isText = (node) => node.matches?.("textarea, input:not([type=radio]):not([type=checkbox]):not([type=hidden])");
const isMemory = (name) => name.endsWith(".seen") || name.startsWith("was.");
const clock = (at) => new Date(at).toLocaleTimeString("en-GB");

// words

function line(text, kind) {
  const made = document.createElement("p");
  made.className = kind ? `said ${kind}` : "said";
  made.textContent = text;
  return made;
}

function say(unit, text, mark) {
  if (!unit) return;
  let place = unit.querySelector(".saying");
  if (!place) {
    place = document.createElement("p");
    unit.append(place);
    unit.querySelectorAll(".saved").forEach((it) => it.remove());
  }
  place.className = `saying soft ${mark}`;
  place.textContent = text;
}

function tell(reason = "") {
  if (!status) return;
  const waiting = queue.length;
  page.dataset.waiting = waiting;
  if (waiting && reason) {
    const many = waiting === 1 ? "1 answer waits" : `${waiting} answers wait`;
    const kept = sealed.possible ? "It is kept sealed on this device" : "It stays on this page";
    status.replaceChildren(line(`Not saved yet: ${reason}. ${many} to be sent. ${kept} and is sent again.`, "error waits"));
  } else if (!waiting && status.querySelector(".waits")) {
    status.replaceChildren(line("Everything is sent.", ""));
  }
}

// from the page into the queue

function fieldsOf(unit) {
  const fields = Object.entries(JSON.parse(unit.closest("[data-with]")?.dataset.with ?? "{}"));
  for (const it of unit.querySelectorAll("input[name], select[name], textarea[name]")) {
    if (it.name === "csrfmiddlewaretoken" || it.disabled) continue;
    if (it.matches("[type=radio], [type=checkbox]") && !it.checked) continue;
    fields.push([it.name, it.value]);
  }
  return fields;
}

function typedWords(unit) {
  const shown = [...unit.querySelectorAll("input, select, textarea")].filter((it) => it.type !== "hidden" && !it.hidden);
  return shown
    .filter((it) => (it.matches("[type=radio], [type=checkbox]") ? it.checked : it.value))
    .map((it) => (it.matches("[type=radio], [type=checkbox]") ? it.labels[0]?.textContent ?? "" : it.value).trim())
    .join(", ");
}

function labelOf(unit) {
  return unit.dataset.label ?? unit.querySelector("legend, label")?.textContent.trim().replace(/\s+/g, " ") ?? "";
}

// what the log is searched by
function numbered(answer) {
  const reference = answer.headers.get("X-Reference");
  return reference ? `${answer.status}, reference ${reference}` : answer.status;
}

export function enqueue(unit, chosen = "") {
  clearTimeout(timers.get(unit));
  timers.delete(unit);
  redraws.delete(unit);
  const fields = fieldsOf(unit);
  if (chosen) fields.push([chosen, "yes"]);
  const entry = {
    act: crypto.randomUUID?.() ?? randomId(),
    unit: unit.id,
    to: unit.dataset.to,
    fields,
    label: labelOf(unit),
    typed: typedWords(unit),
    at: Date.now(),
  };
  // what was never sent is overtaken by the newer answer, in its place in the order; what was sent once
  // may be stored already, so its acknowledgement has to come first
  const earlier = queue.findIndex((it) => it.unit === unit.id && !it.tried);
  if (earlier >= 0) {
    sealed.drop(queue[earlier].act);
    queue.splice(earlier, 1, entry);
  } else {
    queue.push(entry);
  }
  sealed.keep(entry);
  say(unit, failures ? `not saved yet: ${LOST}` : "saving…", failures ? "unsaved" : "under-way");
  tell(failures ? LOST : "");
  send();
}

// randomUUID exists on secure pages only
function randomId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((it) => it.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

// from the queue to the clinic

async function send() {
  if (sending || stopped || !queue.length) return;
  clearTimeout(retry);
  sending = true;
  const entry = queue[0];
  let answer;
  let html;
  try {
    [answer, html] = await posted(entry);
  } catch {
    return wait(LOST);
  }
  if (answer.status === 401) return signInThenSend();
  if (answer.status === 403 && answer.headers.get("X-Why") === "person") return stop();
  if (answer.status === 403 && !entry.renewed) {
    entry.renewed = true; // signed in again elsewhere
    token = (await freshToken()) ?? token;
    await opened();
    return wait("the page asks for a new permission");
  }
  if (answer.status >= 500 || answer.status === 429 || answer.status === 408) {
    return wait(`the clinic's server failed (${numbered(answer)})`);
  }
  queue.shift();
  failures = 0;
  sending = false;
  settle(entry, answer, html);
  tell();
  send();
}

async function posted(entry) {
  entry.tried = true;
  const answer = await fetch(entry.to, {
    method: "POST",
    body: new URLSearchParams(entry.fields),
    headers: { "X-Act": entry.act, "X-CSRFToken": token, ...(person && { "X-Person": person }) },
    signal: AbortSignal.timeout(TIMEOUT_MS),
    redirect: "manual",
  });
  return [answer, await answer.text()];
}

function wait(reason) {
  sending = false;
  const pause = WAITS_MS[Math.min(failures, WAITS_MS.length - 1)];
  failures += 1;
  for (const entry of queue) say(document.getElementById(entry.unit), `not saved yet: ${reason}`, "unsaved");
  tell(reason);
  clearTimeout(retry);
  retry = setTimeout(send, pause);
}

async function signInThenSend() {
  tell("your sign-in has ended");
  try {
    token = await signedInAgain();
  } catch {
    return wait(LOST);
  }
  if (!(await opened())) return stopped || wait(LOST);
  sending = false;
  failures = 0;
  send();
}

// nothing that was typed is sent under another person's name
function stop() {
  stopped = true;
  const where = sealed.possible
    ? "stays sealed on this device and is offered to its author"
    : "stays on this page and is not sent";
  status.replaceChildren(line(`Somebody else is signed in here now. What was typed before ${where}.`, "error"));
}

const REFUSED = { 409: "somebody else saved this meanwhile", 422: "look at the reason" };

function settle(entry, answer, html) {
  const unit = document.getElementById(entry.unit);
  const saved = answer.ok;
  if (saved) sealed.drop(entry.act);
  if (!unit) return;
  if (!saved && !REFUSED[answer.status]) {
    unit.dataset.refused = "yes";
    const reason = answer.status === 400 && html.length < 200 ? html : `the clinic's server refuses it (${numbered(answer)})`;
    say(unit, `not saved: ${reason} It stays here.`, "unsaved");
    return;
  }
  if (saved) delete unit.dataset.refused;
  else unit.dataset.refused = "yes";
  const drawn = new DOMParser().parseFromString(html, "text/html");
  drawElsewhere(drawn);
  remember(unit, drawn);
  const newer = timers.has(unit) || queue.some((it) => it.unit === entry.unit);
  if (newer) return;
  const errors = [...drawn.querySelectorAll(".invalid-feedback")].map((it) => it.textContent.trim());
  if (isText(document.activeElement) && unit.contains(document.activeElement)) {
    // never change a text under the hand; it is drawn anew when the hand has left it
    redraws.set(unit, drawn);
    if (saved) say(unit, drawn.querySelector(".saved")?.textContent ?? `saved at ${clock(Date.now())}`, "kept");
    else say(unit, `not saved yet: ${errors.join(" ") || REFUSED[answer.status]}`, "unsaved");
  } else {
    draw(unit, drawn);
  }
}

// from the answer into the page

function drawElsewhere(drawn) {
  for (const part of drawn.querySelectorAll("[hx-swap-oob]")) {
    const inner = part.getAttribute("hx-swap-oob") === "innerHTML";
    part.removeAttribute("hx-swap-oob");
    const place = document.getElementById(part.id);
    part.remove();
    if (!place) continue;
    if (inner) place.replaceChildren(...part.childNodes);
    else place.replaceWith(part);
  }
}

// what the page has seen of the stored row goes with its next save
function remember(unit, drawn) {
  for (const it of unit.querySelectorAll("[name]")) {
    if (!isMemory(it.name)) continue;
    const fresh = drawn.getElementsByName(it.name)[0];
    if (!fresh) continue;
    it.value = fresh.value;
    for (const entry of queue) {
      const field = entry.unit === unit.id && entry.fields.find(([name]) => name === it.name);
      if (field) field[1] = fresh.value;
    }
  }
}

function draw(unit, drawn) {
  const held = document.activeElement?.id;
  const inside = unit.contains(document.activeElement);
  if (unit.dataset.swap === "outer") unit.replaceWith(...drawn.body.children);
  else unit.replaceChildren(...drawn.body.childNodes);
  if (inside && held) document.getElementById(held)?.focus();
  document.dispatchEvent(new CustomEvent("drawn"));
}

// the hand

page.addEventListener("input", (event) => {
  const unit = unitOf(event.target);
  if (!unit || !isText(event.target) || event.target.dataset.free !== undefined) return;
  clearTimeout(timers.get(unit));
  timers.set(unit, setTimeout(() => enqueue(unit), PAUSE_MS));
});

page.addEventListener("change", (event) => {
  const unit = unitOf(event.target);
  if (unit && !isText(event.target)) enqueue(unit);
});

page.addEventListener("focusout", (event) => {
  const unit = unitOf(event.target);
  if (!unit) return;
  if (timers.has(unit)) enqueue(unit);
  setTimeout(() => {
    const drawn = redraws.get(unit);
    if (!drawn || (isText(document.activeElement) && unit.contains(document.activeElement))) return;
    redraws.delete(unit);
    draw(unit, drawn);
  });
});

// keep mine, or take what is saved: also the way a unit's own button saves
page.addEventListener("click", (event) => {
  const button = event.target.closest("button[type=submit]");
  const unit = button && unitOf(button);
  if (!unit || !(button.name.endsWith(".take") || button.name.endsWith(".keep"))) return;
  event.preventDefault();
  enqueue(unit, button.name.endsWith(".take") ? button.name : "");
});

// open, closed, left behind

async function opened() {
  try {
    const answer = await fetch("/pages/opened/", {
      method: "POST",
      body: new URLSearchParams({ address, shown: document.getElementById("others")?.dataset.shown ?? "" }),
      headers: { "X-CSRFToken": token, "X-Act": "open" },
      signal: AbortSignal.timeout(TIMEOUT_MS),
    });
    if (!answer.ok) return false;
    const said = await answer.json();
    token = said.token;
    if (person && said.person !== person) return stop();
    person = said.person;
    await sealed.unlock(said);
    showOthers(said.others);
    return true;
  } catch {
    return false;
  }
}

function showOthers(others) {
  const place = document.getElementById("others");
  if (!place) return;
  const text = others.map((it) => `${it.name}, since ${it.since}`).join("; ");
  const words = text && `Also open: ${text}. Different answers are merged; the same answer asks.`;
  if (place.textContent !== words) place.textContent = words;
}

async function offer() {
  const entries = (await sealed.left()).filter((it) => !queue.some((one) => one.act === it.act));
  const place = document.getElementById("unsent");
  if (!place || !entries.length) return;
  const list = document.createElement("ul");
  for (const it of entries) list.append(item(it));
  const heading = document.createElement("h2");
  heading.textContent = "Not sent the last time";
  const lead = document.createElement("p");
  const many = entries.length === 1 ? "This answer was" : `These ${entries.length} answers were`;
  lead.textContent = `${many} typed on this device and did not reach the clinic.`;
  place.replaceChildren(
    heading,
    lead,
    list,
    button("Send now", "button", () => {
      place.replaceChildren();
      queue.push(...entries);
      send();
    }),
    button("Throw away", "button quiet", async () => {
      for (const it of entries) await sealed.drop(it.act);
      place.replaceChildren(line("Thrown away; nothing of it was sent.", ""));
    })
  );
  place.hidden = false;
}

function item(entry) {
  const made = document.createElement("li");
  const day = new Date(entry.at).toLocaleDateString("en-GB", { day: "numeric", month: "short" });
  made.textContent = `${entry.label}: ${entry.typed || "emptied"} (${day}, ${clock(entry.at)})`;
  return made;
}

function button(text, kind, act) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = kind;
  made.textContent = text;
  made.addEventListener("click", act);
  return made;
}

window.addEventListener("online", () => {
  failures = 0;
  send();
});

// a press right after the last key waits for it: the page it leads to then knows what was typed

const underWay = () => queue.length > 0 || timers.size > 0;

async function sentOff() {
  for (const unit of [...timers.keys()]) enqueue(unit);
  const until = Date.now() + LEAVE_MS;
  while (underWay() && !failures && !stopped && Date.now() < until) {
    await new Promise((done) => setTimeout(done, 20));
  }
}

document.addEventListener("submit", async (event) => {
  const { target: form, submitter } = event;
  leaving = form;
  if (event.defaultPrevented || !underWay() || failures) return;
  event.preventDefault();
  await sentOff();
  if (!form.isConnected) return;
  // the button may have been drawn anew
  const { name, value } = submitter ?? {};
  const same = [...form.elements].find((it) => it.type === "submit" && it.name === name && it.value === value);
  form.requestSubmit(submitter?.isConnected ? submitter : same);
});

document.addEventListener("click", async (event) => {
  const link = event.target.closest("a[href]");
  if (!link || link.target || event.defaultPrevented || event.ctrlKey || event.metaKey || event.shiftKey) return;
  const elsewhere = new URL(link.href, location.href);
  if (elsewhere.pathname === location.pathname || !underWay() || failures) return;
  event.preventDefault();
  await sentOff();
  location.assign(elsewhere);
});

// text of a form that is sent by its own button, unless it is this form that leaves
function loose() {
  return [...page.querySelectorAll("textarea, input")].some(
    (it) => isText(it) && !unitOf(it) && it.form !== leaving && it.value !== it.defaultValue
  );
}

window.addEventListener("beforeunload", (event) => {
  if (underWay() || page.querySelector("[data-refused]") || loose()) event.preventDefault();
});
window.addEventListener("pagehide", () => {
  for (const unit of [...timers.keys()]) enqueue(unit);
  navigator.sendBeacon?.("/pages/closed/", new URLSearchParams({ address, csrfmiddlewaretoken: token }));
});
setInterval(opened, OPEN_EVERY_MS);
if (await opened()) await offer();
document.documentElement.classList.add("ready");
