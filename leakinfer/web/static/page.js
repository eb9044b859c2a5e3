// Turning pages and sending forms without losing the page that is open. Without this script all of it are plain
// links and forms.

import { restore, forget } from "./drafts.js";
import { keep, keepPage, kept, keptPage } from "./keeping.js";
import { OutOfReach, ask, freshKey, outOfReach } from "./reaching.js";
import { enqueue, flush, queued, whenSent } from "./sending.js";
import { draw, say } from "./strip.js";
import { tick } from "./timers.js";

const AHEAD = ["/places", "/drawing", "/tests", "/findings", "/now", "/stop"]; // pages kept beside the one that is open
const TESTS = 8; // of those that the first screen names
const parser = new DOMParser();
let keptFor = "";

async function turn(path, { push = true } = {}) {
  const url = new URL(path, location.href);
  let page;
  try {
    page = await ask(url.href, { headers: { Accept: "text/html" } });
  } catch (error) {
    if (!(error instanceof OutOfReach)) throw error;
    const held = (await keptPage(url.pathname + url.search)) ?? (await keptPage(url.pathname));
    if (!held) return say("No signal, and this page is not kept on this phone.");
    show(held.text, url.href, push);
    filter();
    return say(`As it was at ${new Date(held.when).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" })}.`);
  }
  show(page.text, page.path, push);
  if (page.ok) remember(page.path, page.text);
}

function remember(path, text) {
  const url = new URL(path, location.href);
  if (!url.pathname.startsWith("/job/")) return;
  keepPage(url.pathname, text);
  if (url.search) keepPage(url.pathname + url.search, text);
}

function show(text, path, push) {
  const next = parser.parseFromString(text, "text/html");
  if (!next.getElementById("main")) return location.assign(path);
  document.title = next.title;
  document.body.className = next.body.className;
  for (const name of ["job", "last", "form"]) {
    if (next.body.dataset[name] === undefined) delete document.body.dataset[name];
    else document.body.dataset[name] = next.body.dataset[name];
  }
  for (const part of [".head", "main", ".dock", ".foot"]) swap(part, next.querySelector(`body > ${part}`));
  if (push && path !== location.href) history.pushState({}, "", path);
  scrollTo(0, 0);
  document.getElementById("main").focus({ preventScroll: true });
  ready();
}

function swap(part, fresh) {
  const old = document.querySelector(`body > ${part}`);
  if (old && fresh) old.replaceWith(fresh);
  else if (old) old.remove();
  else if (fresh) (part === ".head" ? document.getElementById("strip") : null)?.before(fresh) ?? document.body.append(fresh);
}

function ready() {
  draw();
  tick();
  restore();
  markKept();
  const { job, last } = document.body.dataset;
  if (job && keptFor !== `${job} ${last}` && kept(`ahead ${job}`, "") !== last && !outOfReach()) {
    keptFor = `${job} ${last}`;
    setTimeout(() => ahead(job, last), 400);
  }
}

// What was answered already and only waits to be sent is not asked again.
function markKept() {
  for (const { path, body } of queued()) {
    const entries = new URLSearchParams(body);
    if (!entries.has("method") || !path.startsWith(`/job/${document.body.dataset.job}/`)) continue;
    const dock = document.querySelector("body > form.dock");
    const asks = dock && new FormData(dock);
    if (asks && ["method", "target"].every((name) => asks.get(name) === entries.get(name))) {
      dock.remove();
      document.body.classList.remove("with-dock");
      document.querySelector("main h1")?.after(waits());
    }
    const test = `/test/${entries.get("method")}/${entries.get("target")}`;
    for (const link of document.querySelectorAll("main .list a")) {
      if (link.dataset.kept || !new URL(link.href, location.href).pathname.endsWith(test)) continue;
      link.querySelector("small")?.append(" (told, not sent yet)");
      link.dataset.kept = "yes";
    }
  }
}

function waits() {
  const made = document.createElement("p");
  made.className = "noted";
  made.textContent = "Told; it waits to be sent. Take the next test from the list below.";
  return made;
}

async function keepAhead(path) {
  const page = await ask(path, { headers: { Accept: "text/html" } });
  if (page.ok) remember(path, page.text);
  return page.text;
}

async function ahead(job, last) {
  try {
    const first = await keepAhead(`/job/${job}`);
    const links = [...parser.parseFromString(first, "text/html").querySelectorAll("main a[href*='/test/']")];
    const tests = new Set(links.map((link) => link.getAttribute("href")).slice(0, TESTS));
    for (const path of [...AHEAD.map((end) => `/job/${job}${end}`), ...tests]) await keepAhead(path);
    keep(`ahead ${job}`, last);
  } catch (error) {
    if (!(error instanceof OutOfReach)) throw error;
  }
}

function entriesOf(form, button) {
  const entries = new URLSearchParams(new FormData(form));
  if (button?.name) entries.append(button.name, button.value);
  return entries;
}

async function submit(form, button, again = true) {
  const entries = entriesOf(form, button);
  const path = new URL(form.getAttribute("action"), location.href).pathname;
  if (form.dataset.queue && (queued().length || outOfReach())) return keepForLater(form, button, path, entries);
  try {
    const page = await ask(path, { method: "POST", body: entries, headers: { Accept: "text/html" } });
    if (page.status === 403 && again && (await freshKey())) return submit(form, button, false);
    const refusal = page.ok ? null : parser.parseFromString(page.text, "text/html").querySelector(".wrong[role=alert]");
    if (refusal && !parser.parseFromString(page.text, "text/html").querySelector("main form")) {
      return say(refusal.textContent.trim(), 30);
    }
    if (page.ok) forget(form);
    show(page.text, page.path, true);
    if (page.ok) remember(page.path, page.text);
  } catch (error) {
    if (!(error instanceof OutOfReach)) throw error;
    if (form.dataset.queue) keepForLater(form, button, path, entries);
    else say("No signal: this needs the server. What you typed stays here.", 20);
  }
}

function keepForLater(form, button, path, entries) {
  const answer = button?.name === "outcome" || button?.name === "reason" ? `: ${button.value.replaceAll("_", " ")}` : "";
  enqueue(path, entries, `${form.dataset.queue}${answer}`);
  forget(form);
  if (form.classList.contains("dock")) {
    form.remove();
    document.body.classList.remove("with-dock");
  } else {
    for (const press of form.querySelectorAll("button")) press.disabled = true;
  }
  say("Kept on this phone. Take the next test from the list.", 6);
  if (!form.classList.contains("dock")) turn(`/job/${document.body.dataset.job}`);
  else ready();
  flush();
}

async function fill(fold) {
  if (!fold.open || fold.dataset.filled) return;
  const room = fold.querySelector("p") ?? fold;
  room.textContent = "Working it out ...";
  try {
    const page = await ask(fold.dataset.fill, { headers: { Accept: "text/html" } });
    const part = parser.parseFromString(page.text, "text/html").querySelector("[data-part]");
    if (part) room.replaceWith(part);
    else room.textContent = "Cannot be worked out now.";
    fold.dataset.filled = "yes";
  } catch (error) {
    if (!(error instanceof OutOfReach)) throw error;
    room.textContent = "Needs the server.";
  }
}

function filter() {
  const form = document.querySelector("form[data-filter]");
  const list = form && document.getElementById(form.dataset.filter);
  if (!list) return;
  const wanted = [...form.elements]
    .map((field) => (field.tagName === "SELECT" ? (field.value ? field.selectedOptions[0].text : "") : field.value))
    .map((text) => text.trim().toLowerCase())
    .filter(Boolean);
  for (const row of list.children) {
    const text = row.textContent.toLowerCase();
    row.hidden = !wanted.every((word) => text.includes(word));
  }
}

document.addEventListener("click", (event) => {
  const link = event.target.closest?.("a[href]");
  if (!link || event.button || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  const url = new URL(link.href.baseVal ?? link.href, location.href);
  const plain = link.hasAttribute("data-plain") || link.target || link.hasAttribute("download");
  if (plain || url.origin !== location.origin || (url.hash && url.pathname === location.pathname)) return;
  event.preventDefault();
  turn(url.href);
});

document.addEventListener("submit", (event) => {
  const form = event.target;
  const url = new URL(form.getAttribute("action"), location.href);
  if (url.origin !== location.origin || url.pathname === "/enter" || form.enctype === "multipart/form-data") return;
  event.preventDefault();
  if (form.method === "get") turn(`${url.pathname}?${entriesOf(form, event.submitter)}`);
  else submit(form, event.submitter);
});

document.addEventListener("toggle", (event) => event.target.dataset?.fill && fill(event.target), true);
document.addEventListener("input", (event) => event.target.closest?.("form[data-filter]") && filter());
addEventListener("popstate", () => turn(location.href, { push: false }));

whenSent(() => document.body.dataset.job && turn(`/job/${document.body.dataset.job}`));
if (document.body.dataset.job) remember(location.href, document.documentElement.outerHTML);
ready();
flush();
if (isSecureContext && navigator.serviceWorker) navigator.serviceWorker.register("/worker.js").catch(() => {});
