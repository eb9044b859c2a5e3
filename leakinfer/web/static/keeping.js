// What stays on the phone: small values in localStorage, whole pages in IndexedDB, both also in memory.
// Works on plain http too, where no service worker is allowed.

const memory = new Map();
const pages = new Map();
const PAGES = "pages";

export function kept(name, otherwise) {
  if (memory.has(name)) return memory.get(name);
  try {
    const text = localStorage.getItem("leakinfer " + name);
    return text === null ? otherwise : JSON.parse(text);
  } catch {
    return otherwise;
  }
}

export function keep(name, value) {
  memory.set(name, value);
  try {
    localStorage.setItem("leakinfer " + name, JSON.stringify(value));
  } catch {
    /* no room or not allowed: memory has it as long as the page is open */
  }
}

export function drop(name) {
  memory.delete(name);
  try {
    localStorage.removeItem("leakinfer " + name);
  } catch {
    /* as above */
  }
}

let opening;
function database() {
  opening ??= new Promise((done) => {
    try {
      const request = indexedDB.open("leakinfer", 1);
      request.onupgradeneeded = () => request.result.createObjectStore(PAGES);
      request.onsuccess = () => done(request.result);
      request.onerror = () => done(null);
      request.onblocked = () => done(null);
    } catch {
      done(null);
    }
  });
  return opening;
}

export async function keepPage(path, text) {
  const page = { text, when: Date.now() };
  pages.set(path, page);
  const held = await database();
  if (held) held.transaction(PAGES, "readwrite").objectStore(PAGES).put(page, path);
}

export async function keptPage(path) {
  if (pages.has(path)) return pages.get(path);
  const held = await database();
  if (!held) return undefined;
  return new Promise((done) => {
    const request = held.transaction(PAGES).objectStore(PAGES).get(path);
    request.onsuccess = () => done(request.result);
    request.onerror = () => done(undefined);
  });
}
