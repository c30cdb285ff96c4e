// Wires up the page. Everything works without scripts too; this makes a tap quick, and lets it outlive the net.
import { keepAwake } from "./awake.js";
import { Companion, NEEDS } from "./companion.js";
import { listenForKeys } from "./keys.js";
import { guardReload, keepPage } from "./offline.js";
import { main, tell } from "./page.js";
import { isResting, refuse } from "./rest.js";

// A page that nobody saw for so long is asked for again: the piece may have moved on, or a break be due.
const OLD_MS = 3 * 60 * 1000;
const LOOK_MS = 8000;

// Where an answer came that is no page to be shown here, what it says is said; else that none came.
const saidBy = (xhr) => xhr.status
  && new DOMParser().parseFromString(xhr.responseText, "text/html").querySelector("main p")?.textContent;

const trouble = document.getElementById("trouble");
const NO_ANSWER = trouble?.firstChild.textContent;

document.addEventListener("htmx:afterRequest", ({ detail }) => {
  if (!trouble) return;
  trouble.hidden = detail.successful || detail.xhr.status === 422;
  if (!trouble.hidden) trouble.firstChild.textContent = `${saidBy(detail.xhr) || NO_ANSWER.trim()} `;
});

const atTheLoom = (companion) => {
  document.addEventListener("submit", (event) => {
    const form = event.target;
    const button = event.submitter ?? form.querySelector("button");
    if (!form.closest("main[data-here]")) return;
    event.preventDefault();
    const kind = new URL(form.action).pathname.split("/").pop();
    if (isResting(button)) refuse(button);
    else companion.take(kind, button.matches("[data-next]"), form);
  });

  let hiddenSince = null;
  const lookAnew = async () => {
    if (companion.kept.taps.length) return;
    try {
      await fetch(companion.here, { method: "HEAD", signal: AbortSignal.timeout(LOOK_MS) });
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

  document.addEventListener("click", (event) => {
    if (event.target.closest("main a") && !companion.strip.isReached) {
      event.preventDefault();
      tell(NEEDS);
    }
  });
  listenForKeys({ again: () => companion.sayAgain() });
  guardReload(() => companion.kept.taps.length > 0);
  keepAwake();
  keepPage(companion.here);
  companion.begin();
};

if (main()) atTheLoom(new Companion(main().dataset.here));
else import("./around.js");
