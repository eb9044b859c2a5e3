// Answers told without a signal: kept in order, sent in order, each with the event number that it was based on.

import { drop, keep, kept } from "./keeping.js";
import { OutOfReach, ask, freshKey, onceBack } from "./reaching.js";
import { put, say, tellWaiting } from "./strip.js";

const QUEUE = "queue";
const AFTER = "after"; // by job and event number: what our own last telling based on it made of that number
let busy = false;
let asking = false;
let afterwards = () => {};

export function whenSent(action) {
  afterwards = action;
}

export function queued() {
  return kept(QUEUE, []);
}

export function enqueue(path, entries, words) {
  const last = Number(entries.get("last"));
  keep(QUEUE, [...queued(), { path, body: entries.toString(), words, last }]);
  shown();
}

export async function flush() {
  if (busy || asking) return;
  busy = true;
  let sent = 0;
  try {
    for (let item = queued()[0]; item; item = queued()[0]) {
      if (!(await send(item))) break;
      sent += 1;
    }
  } catch (error) {
    if (!(error instanceof OutOfReach)) throw error;
  } finally {
    busy = false;
    shown();
  }
  if (sent && !queued().length) {
    drop(AFTER);
    say(sent === 1 ? "One answer was sent." : `${sent} answers were sent, in order.`);
    afterwards();
  }
}

async function send(item, again = true) {
  const after = kept(AFTER, {});
  const mark = `${item.path.split("/").slice(0, 3).join("/")} ${item.last}`;
  const entries = new URLSearchParams(item.body);
  entries.set("last", String(after[mark] ?? item.last));
  entries.set("form", document.body.dataset.form);
  const answer = await ask(item.path, { method: "POST", body: entries, headers: { Accept: "application/json" } });
  if (answer.status === 403 && again) {
    await freshKey();
    return send(item, false);
  }
  const told = parsed(answer.text);
  if (answer.ok && told) {
    keep(AFTER, { ...after, [mark]: told.last });
    take();
    return true;
  }
  if (answer.status === 409 && told) conflict(item, told, mark);
  else refused(item, told?.error ?? `it was not taken (${answer.status})`);
  return false;
}

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}

function take() {
  keep(QUEUE, queued().slice(1));
}

function conflict(item, told, mark) {
  asking = true;
  const meanwhile = told.since.join("; ") || "something was taken back";
  put(`Meanwhile: ${meanwhile}. Yours, not sent yet: ${item.words}.`, [
    ["Keep mine too", () => answered(() => keep(AFTER, { ...kept(AFTER, {}), [mark]: told.last }))],
    ["Drop mine", () => answered(take)],
  ]);
}

function refused(item, why) {
  asking = true;
  put(`Not taken: ${item.words}: ${why}.`, [
    ["Drop it", () => answered(take)],
    ["Try again", () => answered(() => {})],
  ]);
}

function answered(action) {
  asking = false;
  action();
  put(null);
  if (!queued().length) afterwards();
  flush();
}

function shown() {
  tellWaiting(queued().map((item) => item.words));
}

onceBack(flush);
