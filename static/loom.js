// Keys, taps, pages left open, and lost connections at the loom. Everything works without this file.
"use strict";

const NEXT_KEYS = new Set(["Enter", " ", "ArrowRight", "PageDown"]);
// A second tap of the same finger must not land on the card that has just come up.
const DEAF_MS = 300;
// A page that nobody saw for so long is asked for again: the piece may have moved on, or a break be due.
const OLD_MS = 3 * 60 * 1000;
const TRY_AGAIN_MS = 2000;

const nextButton = () => document.querySelector("button[data-next]");

// Keys that a focused control takes for itself.
const isTaken = (target, key) =>
  target.closest("input, textarea, select") !== null
  || ((key === "Enter" || key === " ") && target.closest("a, button, summary, label") !== null);

// Whether the key belongs to something that scrolls: to look further down is not to be done.
const isScrolling = (target, key) => {
  for (let e = target; e && e !== document.body; e = e.parentElement) {
    const style = getComputedStyle(e);
    const [more, overflow] = key === "ArrowRight"
      ? [e.scrollWidth - e.clientWidth, style.overflowX]
      : [e.scrollHeight - e.clientHeight, style.overflowY];
    if (more > 1 && /auto|scroll/.test(overflow)) return key !== "Enter" || e.tabIndex === 0;
  }
  return false;
};

document.addEventListener("keydown", (event) => {
  if (!NEXT_KEYS.has(event.key) || event.ctrlKey || event.altKey || event.metaKey || event.shiftKey) return;
  const button = nextButton();
  if (!button || isTaken(event.target, event.key) || isScrolling(event.target, event.key)) return;
  event.preventDefault();
  if (!event.repeat && !button.disabled) button.click();
});

const restForAMoment = () => {
  const buttons = [...document.querySelectorAll("main.loom button:not(:disabled)")];
  for (const button of buttons) button.disabled = true;
  setTimeout(() => { for (const button of buttons) button.disabled = false; }, DEAF_MS);
};

const showTrouble = (isThere) => {
  const line = document.getElementById("trouble");
  if (line) line.hidden = !isThere;
};

document.addEventListener("htmx:afterSwap", restForAMoment);
document.addEventListener("htmx:afterRequest", (event) => {
  showTrouble(!event.detail.successful && event.detail.xhr.status !== 422);
});

// The card stays on the screen until the server is there to give a new one.
const lookAnew = async () => {
  const main = document.querySelector("main[data-here]");
  if (!main) return;
  const here = main.dataset.here;
  try {
    await fetch(here, { method: "HEAD" });
    location.replace(here);
  } catch {
    showTrouble(true);
    setTimeout(() => { if (!document.hidden) lookAnew(); }, TRY_AGAIN_MS);
  }
};

let hiddenSince = null;
document.addEventListener("visibilitychange", () => {
  if (document.hidden) {
    hiddenSince = Date.now();
  } else {
    if (hiddenSince !== null && Date.now() - hiddenSince >= OLD_MS) lookAnew();
    hiddenSince = null;
  }
});
window.addEventListener("pageshow", (event) => { if (event.persisted) lookAnew(); });
