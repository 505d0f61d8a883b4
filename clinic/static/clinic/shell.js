// What every page does beyond plain HTML; each part works without it as well.

const summary = document.getElementById("error-summary");
summary?.focus();

// the strip's real height, so that nothing focused or jumped to hides under it
const strip = document.querySelector(".client-strip");
if (strip) {
  new ResizeObserver(() => {
    document.documentElement.style.setProperty("--strip-height", `${strip.offsetHeight}px`);
  }).observe(strip);
}

// htmx swaps nothing when an answer is an error: say so, what was typed stays
const said = document.getElementById("said");

function say(sentence) {
  const line = document.createElement("p");
  line.className = "said error";
  line.textContent = sentence;
  said.replaceChildren(line);
  said.scrollIntoView({ block: "nearest" });
}

document.body.addEventListener("htmx:sendError", () => {
  say("Not saved: the clinic's server did not answer. What you typed is still here; try again.");
});

document.body.addEventListener("htmx:responseError", (event) => {
  const { xhr } = event.detail;
  const reference = xhr.getResponseHeader("X-Reference");
  say(`Not saved (answer ${xhr.status}${reference ? `, reference ${reference}` : ""}). What you typed is still here; reload the page if it happens again.`);
});

document.body.addEventListener("htmx:beforeSwap", (event) => {
  const address = event.detail.xhr.responseURL;
  if (address && new URL(address).pathname.startsWith("/accounts/login/")) {
    event.detail.shouldSwap = false;
    say("Not saved: you are signed out. Sign in again in another tab, then try again here.");
  }
});

// htmx notes the address of the page; a record's address stays out of the browser's storage
window.addEventListener("load", () => sessionStorage.removeItem("htmx-current-path-for-history"));

// a button that prints is there only where it can
for (const button of document.querySelectorAll("[data-print]")) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}

// a key that is not there, or a person who pressed no button on it
document.addEventListener("allauth.error", (event) => {
  event.preventDefault();
  say("The key did not answer. Plug it in or hold it against this machine, and try again.");
});
