// Sign in again without leaving the page: the clinic's own sign-in form, shown in a dialog.

const LOGIN = "/accounts/login/";

const isSignIn = (address) => new URL(address).pathname.startsWith("/accounts/");

async function asked(address, options = {}) {
  const answer = await fetch(address, options);
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  return {
    address: answer.url,
    form: page.querySelector("main form"),
    reasons: page.getElementById("error-summary"),
    token: JSON.parse(page.body.getAttribute("hx-headers") ?? "{}")["X-CSRFToken"],
  };
}

// the token against forged requests changes with every sign-in; each page carries the present one
export async function freshToken() {
  return (await asked("/")).token;
}

const ASKED_EVERY_MS = 4000;

// a security key speaks to a whole page only
function keyElsewhere(form) {
  const button = form.querySelector("#use-key");
  if (!button) return;
  const there = document.createElement("a");
  there.href = LOGIN;
  there.target = "_blank";
  there.textContent = "Use a security key in another tab";
  button.replaceWith(there);
}

// the token of a sign-in that somebody made in another tab
async function elsewhere() {
  const answer = await fetch("/sign-in/left/", { headers: { "X-Act": "again" }, redirect: "manual" });
  return answer.ok ? (await answer.json()).token : "";
}

function drawn(dialog, { form, reasons, address }) {
  keyElsewhere(form);
  form.action = new URL(form.getAttribute("action") || address, address).href;
  dialog.querySelector(".sign-in").replaceChildren(...[reasons, form].filter(Boolean));
  form.querySelector(".is-invalid, input:not([type=hidden])")?.focus();
}

function frame() {
  const dialog = document.createElement("dialog");
  dialog.className = "again";
  dialog.setAttribute("aria-labelledby", "again-h");
  const heading = document.createElement("h2");
  heading.id = "again-h";
  heading.textContent = "Sign in again";
  const lead = document.createElement("p");
  lead.textContent = "Your sign-in has ended. What you typed waits here; once you are signed in you go on where you were.";
  const place = document.createElement("div");
  place.className = "sign-in";
  dialog.append(heading, lead, place);
  document.body.append(dialog);
  return dialog;
}

let asking = null; // two parts of a page may notice the end; one dialog is enough

// resolves, once somebody is signed in, with their token against forged requests
export function signedInAgain() {
  asking ??= renewed().finally(() => (asking = null));
  return asking;
}

async function renewed() {
  const dialog = frame();
  let first;
  try {
    first = await asked(LOGIN);
  } catch (lost) {
    dialog.remove();
    throw lost;
  }
  if (!first.form || !isSignIn(first.address)) {
    dialog.remove();
    return first.token; // signed in meanwhile, in another tab
  }
  dialog.showModal();
  drawn(dialog, first);
  let looking = 0;
  const token = await new Promise((resolve) => {
    looking = setInterval(async () => {
      const found = await elsewhere().catch(() => "");
      if (found) resolve(found);
    }, ASKED_EVERY_MS);
    dialog.addEventListener("cancel", (event) => event.preventDefault());
    dialog.addEventListener("submit", async (event) => {
      event.preventDefault();
      const form = event.target;
      const body = new FormData(form, event.submitter);
      const next = await asked(form.action, { method: "POST", body });
      if (next.form && isSignIn(next.address)) drawn(dialog, next);
      else resolve(next.token);
    });
  });
  clearInterval(looking);
  dialog.close();
  dialog.remove();
  return token;
}
