// Asking the server, and noticing when it is out of reach.

import { tellSignal } from "./strip.js";

const PATIENCE = 25000; // ms; the largest plans take some seconds on a small machine
const AGAIN = 5000; // ms between looks whether it is back

export class OutOfReach extends Error {}

let out = false;
let looking;
const whenBack = [];

export function outOfReach() {
  return out;
}

export function onceBack(action) {
  whenBack.push(action);
}

export async function ask(path, options = {}) {
  const patience = new AbortController();
  const clock = setTimeout(() => patience.abort(), PATIENCE);
  try {
    const answer = await fetch(path, { credentials: "same-origin", ...options, signal: patience.signal });
    const text = await answer.text();
    reached();
    return { ok: answer.ok, status: answer.status, path: answer.url, text };
  } catch {
    lost();
    throw new OutOfReach();
  } finally {
    clearTimeout(clock);
  }
}

export async function freshKey() {
  const answer = await ask("/alive", { headers: { Accept: "application/json" } });
  const key = answer.ok ? JSON.parse(answer.text).form : "";
  if (key) {
    document.body.dataset.form = key;
    for (const field of document.querySelectorAll("input[name=form]")) field.value = key;
  }
  return key;
}

function lost() {
  if (!out) {
    out = true;
    tellSignal(true);
  }
  looking ??= setInterval(look, AGAIN);
}

function reached() {
  if (!out) return;
  out = false;
  clearInterval(looking);
  looking = undefined;
  tellSignal(false);
  for (const action of whenBack) action();
}

async function look() {
  try {
    await freshKey();
  } catch {
    /* still out of reach */
  }
}

addEventListener("online", look);
document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && out && look());
