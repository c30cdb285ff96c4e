// Wires up the page. Everything works without scripts too; this makes a tap quick, and lets it outlive the net.
import { keepAwake } from "./awake.js";
import { Companion } from "./companion.js";
import { listenForKeys } from "./keys.js";
import { guardReload, keepPage } from "./offline.js";
import { main, tell } from "./page.js";
import { isResting, refuse } from "./rest.js";

// A page that nobody saw for so long is asked for again: the piece may have moved on, or a break be due.
const OLD_MS = 3 * 60 * 1000;

const showTrouble = (isThere) => {
  const line = document.getElementById("trouble");
  if (line) line.hidden = !isThere;
};

document.addEventListener("htmx:afterRequest", ({ detail }) => {
  showTrouble(!detail.successful && detail.xhr.status !== 422);
});

const atTheLoom = (companion) => {
  // before htmx, which listens at the form itself
  document.addEventListener("submit", (event) => {
    const form = event.target;
    const button = event.submitter ?? form.querySelector("button");
    if (!form.closest("main[data-here]")) return;
    const isEarly = isResting(button);
    if (isEarly) refuse(button);
    const kind = new URL(form.action).pathname.split("/").pop();
    if (!isEarly && !companion.take(kind, button.matches("[data-next]"), form, button)) return;
    event.preventDefault();
    event.stopImmediatePropagation();
  }, true);

  document.addEventListener("htmx:beforeRequest", () => { companion.isAway = true; });
  document.addEventListener("htmx:afterSwap", () => companion.wasSwapped());
  document.addEventListener("htmx:afterRequest", ({ detail }) => {
    companion.isAway = false;
    if (detail.xhr.status) companion.catchUp();
    else companion.lost();
  });

  let hiddenSince = null;
  const lookAnew = async () => {
    if (companion.kept.taps.length) return;
    try {
      await fetch(companion.here, { method: "HEAD" });
      location.replace(companion.here);
    } catch {
      companion.lost();
    }
  };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) {
      hiddenSince = Date.now();
      return;
    }
    if (hiddenSince !== null && Date.now() - hiddenSince >= OLD_MS) lookAnew();
    else if (!companion.strip.isConnected) companion.lost();
    hiddenSince = null;
  });
  addEventListener("pageshow", ({ persisted }) => persisted && lookAnew());

  document.addEventListener("click", ({ target }) => {
    if (target.closest("[data-say-again]")) companion.sayAgain();
  });
  listenForKeys({ again: () => companion.sayAgain(), tell });
  guardReload(() => companion.kept.taps.length > 0);
  keepAwake();
  keepPage(companion.here);
  companion.begin();
};

if (main()) atTheLoom(new Companion(main().dataset.here));
