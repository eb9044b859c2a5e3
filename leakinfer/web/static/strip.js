// The strip at the top: whether there is a signal, what waits to be sent, and questions.

let signal = "";
let said = "";
let question = null; // {words, buttons: [[label, action], ...]}
let waiting = [];
let clear;

export function tellSignal(lost) {
  signal = lost ? "No signal. Pages and answers are kept on this phone." : "";
  draw();
}

export function say(words, seconds = 8) {
  said = words;
  clearTimeout(clear);
  if (seconds) clear = setTimeout(() => say("", 0), seconds * 1000);
  draw();
}

export function tellWaiting(words) {
  waiting = words;
  draw();
}

export function put(words, buttons) {
  question = words ? { words, buttons } : null;
  draw();
}

export function draw() {
  const strip = document.getElementById("strip");
  if (!strip) return;
  strip.replaceChildren();
  for (const words of [said, signal]) if (words) strip.append(line(words));
  if (waiting.length) {
    const fold = document.createElement("details");
    fold.append(document.createElement("summary"), document.createElement("ul"));
    fold.firstChild.textContent = `Waiting to be sent: ${waiting.length}`;
    for (const words of waiting) fold.lastChild.append(item(words));
    strip.append(fold);
  }
  if (question) {
    strip.append(line(question.words));
    for (const [label, action] of question.buttons) strip.append(button(label, action));
  }
  strip.hidden = !strip.childNodes.length;
}

function line(words) {
  const made = document.createElement("p");
  made.textContent = words;
  return made;
}

function item(words) {
  const made = document.createElement("li");
  made.textContent = words;
  return made;
}

export function button(label, action) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = label;
  made.addEventListener("click", action);
  return made;
}
