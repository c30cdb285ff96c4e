// Keys, taps and lost connections at the loom. Everything works without this file.
"use strict";

const NEXT_KEYS = new Set(["Enter", " ", "ArrowRight", "ArrowDown", "PageDown"]);
// A second tap of the same finger must not land on the card that has just come up.
const DEAF_MS = 300;

const nextButton = () => document.querySelector("button[data-next]");

// Keys that a focused control takes for itself.
const isTaken = (target, key) =>
  target.closest("input, textarea, select") !== null
  || ((key === "Enter" || key === " ") && target.closest("a, button, summary, label") !== null);

document.addEventListener("keydown", (event) => {
  if (!NEXT_KEYS.has(event.key) || event.ctrlKey || event.altKey || event.metaKey) return;
  const button = nextButton();
  if (!button || isTaken(event.target, event.key)) return;
  event.preventDefault();
  if (!event.repeat && !button.disabled) button.click();
});

document.addEventListener("click", (event) => {
  const button = event.target.closest("button[data-next], button.back");
  if (button && event.detail > 1) event.preventDefault();
}, true);

const restForAMoment = () => {
  const button = nextButton();
  if (!button) return;
  button.disabled = true;
  setTimeout(() => { button.disabled = false; }, DEAF_MS);
};

const showTrouble = (isThere) => {
  const line = document.getElementById("trouble");
  if (line) line.hidden = !isThere;
};

document.addEventListener("htmx:afterSwap", restForAMoment);
document.addEventListener("htmx:afterRequest", (event) => {
  showTrouble(!event.detail.successful && event.detail.xhr.status !== 422);
});
