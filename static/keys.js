// Keys, and pedals and buttons that act as keys: next, back, read again, help.
import { backButton, main, nextButton, setting, tell } from "./page.js";

const HOLD_MS = 800;

// The name of a key as it is set and shown.
export const nameOf = (event) => (event.key === " " ? "Space" : event.key);

const means = (name, event) => setting(name).split(" ").includes(nameOf(event));

// Keys that a focused control takes for itself.
const isTaken = (target, key) =>
  target.closest("input:not([type=checkbox]), textarea, select, dialog") !== null
  || (["Enter", "Space"].includes(key) && target.closest("a, button, summary, label, input") !== null);

// Which way a key scrolls. In a drawing that she has gone into, to look further down is not to be done; the
// page around it, in which the heading gets the focus by itself, leaves the keys to the pedal.
const SCROLLS = { ArrowRight: "x", ArrowLeft: "x", ArrowDown: "y", ArrowUp: "y", PageDown: "y", PageUp: "y", Space: "y" };

const isScrolling = (target, key) => {
  let isEntered = false;
  for (let e = target; e && e !== document.body; e = e.parentElement) {
    const style = getComputedStyle(e);
    const [more, overflow] = SCROLLS[key] === "x"
      ? [e.scrollWidth - e.clientWidth, style.overflowX]
      : [e.scrollHeight - e.clientHeight, style.overflowY];
    isEntered ||= e.tabIndex === 0;
    if ((isEntered || e === target) && more > 1 && /auto|scroll/.test(overflow)) return true;
  }
  return false;
};

// A foot on its way off the bench must not end a break: unless something is ticked, a key is asked for twice.
const pressNext = () => {
  const page = main();
  if (page.dataset.tap === "stands" && !page.isMeant && !page.querySelector(".stands :checked")) {
    page.isMeant = true;
    tell("The break goes on. Press once more if it all stands like this.");
    return;
  }
  nextButton()?.click();
};

export const listenForKeys = ({ again }) => {
  const down = new Map(); // keys that were not let go since: what happens if they stay down

  const release = () => {
    for (const timer of down.values()) clearTimeout(timer);
    down.clear();
  };

  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const key = nameOf(event);
    const isRepeated = event.repeat || down.has(key);
    const isNext = means("keysNext", event);
    const isBack = means("keysBack", event);
    // a foot that rests on the pedal must not run on through a button that has the focus, either
    if (isRepeated && (isNext || isBack) && event.target.closest("main button")) event.preventDefault();
    if (isTaken(event.target, key)) return;
    if (!isNext && !isBack) {
      if (isRepeated) return;
      if (key === "?") document.querySelector("main a[href='/help']").click();
      if (key === "r" || key === "R") again();
      return;
    }
    if (event.shiftKey && key.length > 1) return;
    const button = isNext ? nextButton() : backButton();
    if (!button || isScrolling(event.target, key)) return;
    event.preventDefault();
    if (isRepeated) return;
    if (isNext && setting("holdBack") === "on") {
      down.set(key, setTimeout(() => {
        down.set(key, null);
        backButton()?.click();
      }, HOLD_MS));
      return;
    }
    down.set(key, null);
    if (isNext) pressNext();
    else button.click();
  });

  document.addEventListener("keyup", (event) => {
    const key = nameOf(event);
    const timer = down.get(key);
    down.delete(key);
    if (!timer) return;
    clearTimeout(timer);
    pressNext(); // let go before it counted as held
  });

  addEventListener("blur", release);
  document.addEventListener("visibilitychange", release);
};
