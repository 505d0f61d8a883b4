// Warns before a sign-in ends, extends it by one key, and renews an ended one on the page.
//
// The server keeps the limits (clinic/time_limits.py). A hand on the page counts as use: it is told to the
// server every few minutes, so that a long text in one field does not end the sign-in of who types it.

import { signedInAgain } from "./again.js";

const WARNED_BEFORE_MS = 200_000; // as in clinic/time_limits.py
const TOLD_EVERY_MS = 120_000;
const ASKED_EVERY_MS = 10_000;
const SAID_AT_S = new Set([180, 120, 60, 30, 10]);
const { body } = document;
const title = document.title;
const { person } = body.dataset;

let ends = { idle: 0, whole: 0 };
let touched = false;
let told = Date.now();
let asked = 0;
let busy = false;
let known = false; // that the twelve hours end soon was read
let warning = null;

const token = () => JSON.parse(body.getAttribute("hx-headers"))["X-CSRFToken"];
const first = () => Math.min(ends.idle, ends.whole);

function note({ idle, whole }) {
  ends = { idle: Date.now() + idle * 1000, whole: Date.now() + whole * 1000 };
}

// ask the server without using the sign-in, or use it; false when it has ended
async function clinic(address, method) {
  const answer = await fetch(address, {
    method,
    headers: { "X-Act": "clock", "X-CSRFToken": token() },
    redirect: "manual",
    signal: AbortSignal.timeout(15_000),
  });
  if (answer.status === 401) return false;
  if (!answer.ok) throw new Error(answer.status);
  const now = await answer.json();
  note(now);
  return now;
}

const ask = () => clinic("/sign-in/left/", "GET");
const extend = () => clinic("/sign-in/extend/", "POST");

// words

function made(name, text, className = "") {
  const node = document.createElement(name);
  node.textContent = text;
  if (className) node.className = className;
  return node;
}

function inWords(seconds) {
  const minutes = Math.floor(seconds / 60);
  const rest = seconds % 60;
  const parts = [minutes && `${minutes} minute${minutes === 1 ? "" : "s"}`, rest && `${rest} seconds`];
  return parts.filter(Boolean).join(" ") || "now";
}

function warn() {
  const whole = ends.whole <= ends.idle;
  const dialog = document.createElement("dialog");
  dialog.className = "again clock";
  dialog.setAttribute("role", "alertdialog");
  dialog.setAttribute("aria-labelledby", "clock-h");
  dialog.setAttribute("aria-describedby", "clock-d clock-left");
  const heading = made("h2", whole ? "Your sign-in ends soon" : "Are you still there?");
  heading.id = "clock-h";
  const lead = made(
    "p",
    whole
      ? "It is twelve hours old and cannot be made longer. You then sign in again on this page; what you typed stays."
      : "Nothing was done here for a while, so your sign-in ends soon. What you typed stays."
  );
  lead.id = "clock-d";
  const left = made("p", "", "left");
  left.id = "clock-left";
  const said = made("p", "", "visually-hidden");
  said.setAttribute("role", "status");
  const go = made("button", whole ? "Go on until then" : "Stay signed in", "button");
  go.type = "button";
  const actions = made("div", "", "actions");
  actions.append(go);
  dialog.append(heading, lead, left, said, actions);
  const stay = () => (whole ? read() : useIt());
  go.addEventListener("click", stay);
  dialog.addEventListener("cancel", (event) => {
    event.preventDefault(); // Escape keeps the sign-in as well
    stay();
  });
  body.append(dialog);
  warning = { dialog, left, said };
  count();
  dialog.showModal();
  go.focus();
}

function count() {
  const seconds = Math.max(0, Math.round((first() - Date.now()) / 1000));
  warning.left.textContent = `It ends in ${inWords(seconds)}.`;
  document.title = `Sign-in ends in ${inWords(seconds)} – ${title}`;
  if (SAID_AT_S.has(seconds)) warning.said.textContent = warning.left.textContent;
}

function closeWarning() {
  warning?.dialog.close();
  warning?.dialog.remove();
  warning = null;
  document.title = title;
}

function read() {
  known = true;
  closeWarning();
}

async function useIt() {
  if (await extend()) closeWarning();
  else await over();
}

// the record is covered until its reader is back; nothing typed goes away
async function over() {
  closeWarning();
  document.documentElement.classList.add("ended");
  await signedInAgain();
  const now = await ask();
  if (now.person !== person) {
    location.replace("/");
    return;
  }
  known = false;
  told = Date.now();
  body.setAttribute("hx-headers", JSON.stringify({ "X-CSRFToken": now.token }));
  for (const field of document.getElementsByName("csrfmiddlewaretoken")) field.value = now.token;
  document.documentElement.classList.remove("ended");
}

// every second

async function look() {
  const now = Date.now();
  const near = now > first() - WARNED_BEFORE_MS;
  const silent = known && ends.whole <= ends.idle && now < ends.whole;
  if (warning) count();
  if (now >= first() || (near && !warning && !silent) || (warning && now - asked > ASKED_EVERY_MS)) {
    asked = now;
    if (!(await ask())) return over();
    const still = Date.now() > first() - WARNED_BEFORE_MS;
    if (!still) closeWarning();
    else if (!warning && !(known && ends.whole <= ends.idle)) warn();
  } else if (touched && !warning && now - told > TOLD_EVERY_MS) {
    touched = false;
    told = now;
    if (!(await extend())) return over();
  }
}

async function tick() {
  if (busy) return;
  busy = true;
  try {
    await look();
  } catch {
    // no connection: the clock is looked at again
  } finally {
    busy = false;
  }
}

for (const kind of ["keydown", "pointerdown"]) {
  window.addEventListener(kind, () => (touched = true), { capture: true, passive: true });
}

// a machine that slept: the form waits until its sender is signed in
document.addEventListener(
  "submit",
  async (event) => {
    const { target: form, submitter } = event;
    if (Date.now() < first() || form.closest("dialog") || form.dataset.asked) return;
    event.preventDefault();
    event.stopPropagation();
    if (!(await ask())) await over();
    form.dataset.asked = "yes";
    form.requestSubmit(submitter);
    delete form.dataset.asked;
  },
  { capture: true }
);

note({ idle: Number(body.dataset.idle), whole: Number(body.dataset.whole) });
setInterval(tick, 1000);
document.addEventListener("visibilitychange", tick);
window.addEventListener("pageshow", tick);
