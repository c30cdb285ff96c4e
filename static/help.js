// The help card: learning keys by pressing them, and what this browser can do.
import { wayToStayAwake } from "./awake.js";
import { nameOf } from "./keys.js";
import { setting } from "./page.js";
import { canSpeak } from "./voice.js";

const VOICES_MS = 1500;
const MODIFIERS = ["Shift", "Control", "Alt", "AltGraph", "Meta", "CapsLock", "NumLock", "Dead", "Process", "Unidentified"];
// Keys without which the page could not be used or left by keyboard.
const RESERVED = ["Tab", "Escape", "?", "r", "R"];

const learnt = document.getElementById("learnt");
const keysOf = (name) => setting(name === "keys_next" ? "keysNext" : "keysBack").split(" ").filter(Boolean);

const keep = async (keys) => {
  const answer = await fetch("/preferences/device", { method: "POST", body: new URLSearchParams(keys) });
  if (answer.ok) location.reload();
  else learnt.textContent = "This key could not be kept; nothing was changed. At most twelve can be set for one thing.";
};

const learn = (name) => {
  const words = name === "keys_next" ? "next" : "back";
  learnt.textContent = `Press the key that is to mean “${words}”. Escape leaves all as it is.`;
  const listen = (event) => {
    event.preventDefault();
    event.stopPropagation();
    const key = nameOf(event);
    if (MODIFIERS.includes(key) || event.repeat) return;
    removeEventListener("keydown", listen, true);
    if (key === "Escape") {
      learnt.textContent = "Nothing was changed.";
    } else if (RESERVED.includes(key)) {
      learnt.textContent = `${key} has another use here; choose another key. Nothing was changed.`;
    } else {
      const other = name === "keys_next" ? "keys_back" : "keys_next";
      keep({
        [name]: [...new Set([...keysOf(name), key])].join(" "),
        [other]: keysOf(other).filter((one) => one !== key).join(" "),
      });
    }
  };
  addEventListener("keydown", listen, true);
};

document.querySelector(".learn").hidden = false;
document.addEventListener("click", ({ target }) => {
  const { learn: name, forget, key } = target.closest("button")?.dataset ?? {};
  if (name) learn(name);
  if (forget) keep({ [forget]: keysOf(forget).filter((one) => one !== key).join(" ") });
});

// --- what this browser can do ------------------------------------------------------------------------

const say = (what, text) => { document.querySelector(`[data-can=${what}]`).textContent = text; };

const AWAKE = {
  lock: "Yes, while the page is seen.",
  video: "Yes, by a video that nobody sees, from your first tap on.",
  none: "Not from here. Set the tablet’s own display to stay on, or to go off late.",
};

const sayVoices = () => {
  const number = canSpeak() ? speechSynthesis.getVoices().length : 0;
  say("speak", number ? "Yes. Set it in the preferences of this device." : "No: this browser has no voice.");
};

document.querySelector(".can").hidden = false;
sayVoices();
if (canSpeak()) {
  speechSynthesis.addEventListener("voiceschanged", sayVoices); // voices come in late
  setTimeout(sayVoices, VOICES_MS);
}
say("awake", AWAKE[wayToStayAwake()]);
say("offline", "serviceWorker" in navigator
  ? "Weaving goes on, and the page can be loaded again."
  : "Weaving goes on as long as the page stays open. To load it again takes the net.");
