// The day's page: answers that wait on this device since a browser was closed, and where they belong.

import { tickets } from "./sealed.js";

const place = document.getElementById("left-here");
const token = JSON.parse(document.body.getAttribute("hx-headers") ?? "{}")["X-CSRFToken"];

async function mine(held) {
  const body = new URLSearchParams(held.map((it) => ["ticket", it]));
  const answer = await fetch("/pages/unsent/", { method: "POST", body, headers: { "X-CSRFToken": token } });
  return answer.ok ? [...new Set(Object.values(await answer.json()))] : [];
}

const held = await tickets();
const addresses = held.length ? await mine(held) : [];
if (addresses.length) {
  const list = document.createElement("ul");
  for (const address of addresses) {
    const link = document.createElement("a");
    link.href = address;
    link.textContent = `Open ${address.replaceAll("/", " ").trim()} and look at them`;
    const item = document.createElement("li");
    item.append(link);
    list.append(item);
  }
  place.append(list);
  place.hidden = false;
}
