// What waits to be sent, kept on the device as ciphertext only (AES-GCM).
//
// The key comes from the server, for this person and this page, and stays in memory.

const STORE = "waiting";
const encoder = new TextEncoder();
const decoder = new TextDecoder();

let lock = null; // { key, slot, ticket }

function database() {
  return new Promise((resolve, reject) => {
    const opening = indexedDB.open("unsent", 1);
    opening.onupgradeneeded = () => opening.result.createObjectStore(STORE, { keyPath: "act" });
    opening.onsuccess = () => resolve(opening.result);
    opening.onerror = () => reject(opening.error);
  });
}

async function within(mode, work) {
  const opened = await database();
  try {
    return await new Promise((resolve, reject) => {
      // strict: written to the disk before it counts as kept
      const transaction = opened.transaction(STORE, mode, { durability: "strict" });
      const request = work(transaction.objectStore(STORE));
      transaction.oncomplete = () => resolve(request.result);
      transaction.onabort = transaction.onerror = () => reject(transaction.error);
    });
  } finally {
    opened.close();
  }
}

export const possible = Boolean(globalThis.crypto?.subtle && globalThis.indexedDB);

export async function unlock({ key, slot, ticket }) {
  if (!possible || lock?.slot === slot) return;
  const bytes = Uint8Array.from(atob(key), (sign) => sign.charCodeAt(0));
  lock = { slot, ticket, key: await crypto.subtle.importKey("raw", bytes, "AES-GCM", false, ["encrypt", "decrypt"]) };
}

export async function keep(entry) {
  if (!lock) return false;
  const iv = crypto.getRandomValues(new Uint8Array(12));
  const plain = encoder.encode(JSON.stringify(entry));
  const data = await crypto.subtle.encrypt({ name: "AES-GCM", iv }, lock.key, plain);
  await within("readwrite", (store) => store.put({ act: entry.act, slot: lock.slot, ticket: lock.ticket, iv, data }));
  return true;
}

export async function drop(act) {
  if (possible) await within("readwrite", (store) => store.delete(act));
}

// what this person left unsent on this page, oldest first
export async function left() {
  if (!lock) return [];
  const found = [];
  for (const { act, slot, iv, data } of await within("readonly", (store) => store.getAll())) {
    if (slot !== lock.slot) continue;
    try {
      const plain = await crypto.subtle.decrypt({ name: "AES-GCM", iv }, lock.key, data);
      found.push(JSON.parse(decoder.decode(plain)));
    } catch {
      await drop(act); // sealed under a secret that the clinic has changed: nobody can open it
    }
  }
  return found.sort((one, other) => one.at - other.at);
}

export async function tickets() {
  if (!possible) return [];
  const all = await within("readonly", (store) => store.getAll());
  return [...new Set(all.map((it) => it.ticket))];
}
