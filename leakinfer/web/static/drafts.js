// Long forms: what was typed is kept until it was taken, so that a phone that dies in the middle of a hold loses nothing.

import { drop, keep, kept } from "./keeping.js";

const OLD = 7 * 24 * 3600 * 1000; // ms

function nameOf(form) {
  return `draft ${document.body.dataset.job ?? ""} ${form.dataset.draft}`;
}

function fields(form) {
  return [...form.elements].filter((field) => field.name && field.type !== "hidden" && field.type !== "submit");
}

export function restore() {
  for (const form of document.querySelectorAll("form[data-draft]")) {
    const draft = kept(nameOf(form), null);
    if (draft && Date.now() - draft.when < OLD) fill(form, draft.entries);
  }
}

function fill(form, entries) {
  for (const field of fields(form)) {
    const texts = entries.filter(([name]) => name === field.name).map(([, text]) => text);
    if (field.type === "checkbox" || field.type === "radio") field.checked = texts.includes(field.value);
    else if (texts.length && (field.tagName === "SELECT" || !field.value)) field.value = texts[0];
    const fold = field.closest("details");
    if (fold && texts.length && field.type === "text" && texts[0]) fold.open = true;
  }
}

export function forget(form) {
  if (form.dataset.draft) drop(nameOf(form));
}

document.addEventListener("input", (event) => {
  const form = event.target.closest?.("form[data-draft]");
  if (!form) return;
  const told = fields(form).filter((field) => !["checkbox", "radio"].includes(field.type) || field.checked);
  keep(nameOf(form), { when: Date.now(), entries: told.map((field) => [field.name, field.value]) });
});
