// The screening page: y and n answer the question that has the focus.

const KEYS = { y: "yes", n: "no" };
const form = document.querySelector("[data-screening]");

document.documentElement.classList.add("scripted");

form.addEventListener("keydown", (event) => {
  const value = KEYS[event.key.toLowerCase()];
  const row = event.target.closest("[data-flag]");
  if (!value || !row || !event.target.matches("input[type=radio]")) return;
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  event.preventDefault();
  const radio = row.querySelector(`input[value="${value}"]`);
  radio.focus();
  if (!radio.checked) radio.click();
});
