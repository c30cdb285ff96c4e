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

// Let htmx send a form, once it is there; without it the form is sent as without scripts.
const sendByHtmx = (form, button) => {
  const script = document.createElement("script");
  script.src = document.querySelector("meta[name=htmx-address]").content;
  button.disabled = true;
  const send = () => {
    button.disabled = false;
    if (!form.isConnected) return;
    window.htmx.process(form);
    form.requestSubmit(button);
  };
  script.addEventListener("load", send);
  script.addEventListener("error", () => form.submit());
  document.head.append(script);
};

const atTheLoom = (companion) => {
  // before htmx, which listens at the form itself
  document.addEventListener("submit", (event) => {
    const form = event.target;
    const button = event.submitter ?? form.querySelector("button");
    if (!form.closest("main[data-here]")) return;
    const isEarly = isResting(button);
    if (isEarly) refuse(button);
    const kind = new URL(form.action).pathname.split("/").pop();
    if (!isEarly && !companion.take(kind, button.matches("[data-next]"), form, button)) {
      if (window.htmx || !form.hasAttribute("hx-post")) return; // it goes its own way
      sendByHtmx(form, button);
    }
    event.preventDefault();
    event.stopImmediatePropagation();
  }, true);

  document.addEventListener("htmx:beforeRequest", () => { companion.isAway = true; });
  document.addEventListener("htmx:afterSwap", () => companion.wasSwapped());
  document.addEventListener("htmx:afterRequest", ({ detail }) => {
    companion.isAway = false;
    if (!detail.xhr.status) {
      companion.lost();
      return;
    }
    companion.catchUp();
    companion.fill();
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
