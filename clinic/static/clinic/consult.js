// The assessment page: keys, and what stands below the area in hand. saving.js sends the answers.

const page = document.getElementById("consult");
const help = document.getElementById("help");
const narrow = window.matchMedia("(max-width: 62.49rem)");

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
