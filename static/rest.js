// The rest between two taps. A tap that comes too early is seen to be refused.
import { main, setting, tell } from "./page.js";

// A second tap of the same finger must not land on the instruction that has just come up.
const DEAF_MS = 300;
const TOO_SOON_MS = 900;
const SAID_AGAIN_MS = 10000;

let waiting = new Set();
let saidAt = -Infinity;

// From now on, no “next” for as long as she has set, and nothing else for a moment.
export const rest = () => {
  const now = main();
  const nextMs = Number(setting("rest") || 3) * 100;
  const these = new Set(nextMs ? ["next", "other"] : ["other"]);
  waiting = these;
  now.dataset.resting = "";
  const end = (what) => {
    these.delete(what);
    if (!these.size) delete now.dataset.resting;
  };
  setTimeout(end, nextMs, "next");
  setTimeout(end, DEAF_MS, "other");
};

export const isResting = (button) => waiting.has(button?.matches("[data-next]") ? "next" : "other");

// A still mark on the button; read out now and then, not each time.
export const refuse = (button) => {
  if (!button || button.querySelector(".too-soon")) return;
  const mark = document.createElement("span");
  mark.className = "too-soon";
  mark.textContent = "too soon";
  button.append(mark);
  setTimeout(() => mark.remove(), TOO_SOON_MS);
  if (performance.now() - saidAt > SAID_AGAIN_MS) {
    saidAt = performance.now();
    tell("Too soon after the last tap; it did not count.", true);
  }
};
