// Waits: the moment of the start is kept, never counted ticks, so that a phone that sleeps or dies loses nothing.

import { keep, kept } from "./keeping.js";
import { button } from "./strip.js";

const TIMERS = "timers";
const FORGET = 3 * 24 * 3600 * 1000; // ms after its end

function all() {
  return kept(TIMERS, []).filter((one) => Date.now() < one.start + one.minutes * 60000 + FORGET);
}

function same(one, job, name) {
  return one.job === job && one.name === name;
}

function start(job, name, minutes) {
  keep(TIMERS, [...all().filter((one) => !same(one, job, name)), { job, name, minutes, start: Date.now(), rung: false }]);
  tick();
}

function stop(job, name) {
  keep(TIMERS, all().filter((one) => !same(one, job, name)));
  tick();
}

export function left(one, now = Date.now()) {
  return Math.round((one.start + one.minutes * 60000 - now) / 1000);
}

export function clock(seconds) {
  const whole = Math.abs(seconds);
  const [h, m, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  return h ? `${h} h ${String(m).padStart(2, "0")}` : `${m}:${String(s).padStart(2, "0")}`;
}

function words(one) {
  const rest = left(one);
  return rest > 0 ? `${clock(rest)} left` : `over, since ${clock(rest)}`;
}

export function tick() {
  const job = document.body.dataset.job;
  const running = all();
  const here = new Set();
  for (const box of document.querySelectorAll(".timer")) {
    const name = box.dataset.timer;
    here.add(name);
    drawBox(box, running.find((one) => same(one, job, name)), job, name, Number(box.dataset.minutes));
  }
  drawOthers(running.filter((one) => !(one.job === job && here.has(one.name))));
  ring(running);
}

function drawBox(box, one, job, name, minutes) {
  const state = one ? "on" : "off";
  if (box.dataset.state !== state) {
    box.dataset.state = state;
    const text = document.createElement("b");
    text.textContent = one ? "" : box.dataset.words ?? (box.dataset.words = box.querySelector("b").textContent);
    const press = one ? button("Stop", () => stop(job, name)) : button("Start the wait", () => start(job, name, minutes));
    box.replaceChildren(text, press);
  }
  if (one) box.firstChild.textContent = words(one);
}

function drawOthers(others) {
  const strip = document.getElementById("timers");
  if (!strip) return;
  const lines = others.map((one) => `${one.name}: ${words(one)}`);
  const text = lines.join("; ");
  if (strip.firstChild?.textContent !== text) {
    const line = document.createElement("p");
    line.textContent = text;
    const over = others.filter((one) => left(one) <= 0);
    strip.replaceChildren(line, ...over.map((one) => button(`Clear: ${one.name}`, () => stop(one.job, one.name))));
  }
  strip.hidden = !lines.length;
}

function ring(running) {
  const due = running.filter((one) => !one.rung && left(one) <= 0);
  if (!due.length) return;
  keep(TIMERS, all().map((one) => (left(one) <= 0 ? { ...one, rung: true } : one)));
  navigator.vibrate?.([400, 200, 400]);
  document.title = `Over: ${due[0].name}`;
}

setInterval(tick, 1000);
document.addEventListener("visibilitychange", tick);
