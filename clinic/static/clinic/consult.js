// The assessment page: keys, and that nothing typed is lost between two answers.

const page = document.getElementById("consult");
const help = document.getElementById("help");
const status = document.getElementById("saved");
const narrow = window.matchMedia("(max-width: 62.49rem)");
const RETRY_MS = 5000;

document.documentElement.classList.add("scripted");

const cellOf = (node) => node.closest?.(".cell, .narrative");
const controls = (cell) =>
  [...cell.querySelectorAll("input, select, textarea")].filter((it) => it.type !== "hidden" && !it.hidden);
const save = (cell) => cell.dispatchEvent(new Event(cell.matches(".cell") ? "save" : "change", { bubbles: true }));

// keys

function choose(group, value) {
  const radio = [...group.querySelectorAll("input[type=radio]")].find((it) => it.value === value);
  if (!radio || radio.checked) return Boolean(radio);
  radio.focus();
  radio.click();
  return true;
}

function nextValue(input) {
  const side = [...page.querySelectorAll("input[data-side]")].filter((it) => it.dataset.side === input.dataset.side);
  const next = side[side.indexOf(input) + 1];
  next?.focus();
  next?.select();
}

function isText(node) {
  return node.matches("textarea, select, input:not([type=radio]):not([type=checkbox])");
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
  const at = event.target;
  if (event.key === "Enter" && at.matches("input[data-side]")) {
    event.preventDefault();
    nextValue(at);
    return;
  }
  if (page.dataset.keys === "off" || isText(at) || help?.open) return;
  if (event.key === "?" && help) {
    event.preventDefault();
    help.showModal();
    return;
  }
  const group = at.closest(".grades");
  if (group && /^[0-3n]$/.test(event.key) && choose(group, event.key)) event.preventDefault();
});

const opener = document.getElementById("help-open");
if (opener) {
  opener.hidden = false;
  opener.addEventListener("click", () => help.showModal());
}

// the choice lives in the session, so that it holds on every device of this sign-in
document.getElementById("keys-form")?.addEventListener("change", async (event) => {
  const form = event.currentTarget;
  const answer = await fetch(form.action, { method: "POST", body: new FormData(form) });
  if (answer.ok) page.dataset.keys = event.target.checked ? "on" : "off";
  else event.target.checked = !event.target.checked;
});

// an answer comes back while the next is being typed in the same cell: the newer one stays

function taken(cell) {
  return new Map(
    controls(cell)
      .filter((it) => it.id)
      .map((it) => [it.id, it.type === "radio" ? it.checked : it.value])
  );
}

const sent = new WeakMap();
const newer = new WeakMap();

document.addEventListener("htmx:beforeRequest", (event) => {
  const cell = cellOf(event.detail.elt);
  if (cell) sent.set(cell, taken(cell));
});

document.addEventListener("htmx:beforeSwap", (event) => {
  const cell = cellOf(event.detail.target);
  if (!cell || !sent.has(cell)) return;
  const before = sent.get(cell);
  newer.set(cell, new Map([...taken(cell)].filter(([id, value]) => before.get(id) !== value)));
  delete cell.dataset.unsaved;
});

document.addEventListener("htmx:afterSwap", (event) => {
  const cell = cellOf(event.detail.target);
  for (const [id, value] of newer.get(cell) ?? []) {
    const control = document.getElementById(id);
    if (!control) continue;
    if (control.type === "radio") control.checked = value;
    else control.value = value;
  }
  newer.delete(cell);
});

// a value put back by the script fires no change of its own
document.addEventListener("focusout", (event) => {
  const input = event.target;
  if (!input.matches?.("input[data-side], .narrative textarea")) return;
  setTimeout(() => {
    const cell = cellOf(input);
    if (cell && input.isConnected && input.value !== input.defaultValue && !input.matches(".is-invalid")) {
      if (!cell.classList.contains("htmx-request")) save(cell);
    }
  }, 50);
});

// no connection: it stays on the page, is said, and is sent again

function lost(event) {
  const cell = cellOf(event.detail.elt);
  if (!cell) return;
  cell.dataset.unsaved = "yes";
  const line = document.createElement("p");
  line.className = "said error";
  line.textContent = "Not saved: no connection to the clinic. It stays here and is sent again.";
  status.replaceChildren(line);
}

document.addEventListener("htmx:sendError", lost);
document.addEventListener("htmx:responseError", lost);

const again = () => page.querySelectorAll("[data-unsaved]").forEach(save);
window.addEventListener("online", again);
setInterval(again, RETRY_MS);
window.addEventListener("beforeunload", (event) => {
  if (page.querySelector("[data-unsaved]")) event.preventDefault();
});

// on a narrow page what it adds up to stands below the area in hand

const judgement = document.getElementById("judgement");
const home = judgement.parentElement;
let inHand = page.querySelector(".area");

function place() {
  if (!narrow.matches) home.append(judgement);
  else if (inHand.nextElementSibling !== judgement) inHand.after(judgement);
}

function take(area) {
  if (!area || area === inHand) return;
  inHand = area;
  place();
}

page.addEventListener("focusin", (event) => take(event.target.closest(".area")));
window.addEventListener("hashchange", () => take(page.querySelector(`.area[id="${CSS.escape(location.hash.slice(1))}"]`)));
narrow.addEventListener("change", place);
take(location.hash.length > 1 ? page.querySelector(`.area[id="${CSS.escape(location.hash.slice(1))}"]`) : null);
place();
