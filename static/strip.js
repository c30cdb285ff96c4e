// The strip that says that the server does not answer, and what that means for her; and the question that may
// have to be asked afterwards.
import { isGuarded } from "./offline.js";
import { tell } from "./page.js";
import { hasNoRoom } from "./store.js";

const keptWords = (taps) => (taps ? `${taps} ${taps === 1 ? "tap" : "taps"} kept here` : "your taps are kept here");

export class Strip {
  constructor(companion) {
    this.companion = companion;
    this.isConnected = true;
    this.line = document.createElement("section");
    this.line.ariaLabel = "Connection";
    this.line.className = "net-strip";
    this.line.hidden = true;
    document.body.prepend(this.line);
  }

  // Whether the server can be asked for other pages.
  get isReached() {
    return this.isConnected || Boolean(this.sentence);
  }

  // why: what the server answered, if it did: its status, and perhaps a sentence.
  lost(why) {
    this.isUnknown = why?.status === 403;
    this.sentence = why?.sentence;
    if (this.isConnected) tell(this.sentence ?? "Not connected. Keep weaving; your taps are kept here.", true);
    this.isConnected = false;
    this.draw();
  }

  found() {
    this.isConnected = true;
    if (!this.companion.kept.taps.length) tell(this.companion.connected);
    this.draw();
  }

  draw() {
    const { kept, hold: { left } } = this.companion;
    const taps = kept.taps.length;
    Object.assign(document.documentElement.dataset, { held: left, kept: taps });
    this.line.hidden = this.isConnected;
    if (this.isConnected) return;
    const parts = [`Not connected – keep weaving, ${keptWords(taps)}.`];
    if (!left) parts[0] = `Not connected, and no further instruction is held here; ${keptWords(taps)}.`;
    if (this.isUnknown) parts[0] = `This device must join again; ${keptWords(taps)}.`;
    if (this.sentence) parts[0] = `The computer answers: ${this.sentence} Keep weaving, ${keptWords(taps)}.`;
    if (hasNoRoom(kept.name)) parts.push("This browser has no room: they are kept only while this page stays open.");
    else if (!isGuarded() || hasNoRoom(kept.holdName)) parts.push("Do not load this page again: this browser cannot do so without the net.");
    this.line.textContent = parts.join(" ");
    if (this.isUnknown) {
      const link = document.createElement("a");
      link.href = "/join";
      link.textContent = "Join";
      this.line.append(" ", link);
    }
  }
}

// Two screens went on from the same place, each its own way: she chooses.
//
// Show both stories; the answer is what a tap of kind “settle” says to go on from here, or null to go on
// from the other screen’s place. There is no third way out.
export const chooseBetween = (html) =>
  new Promise((choose) => {
    const made = document.createElement("template");
    made.innerHTML = html;
    const dialog = made.content.querySelector("dialog");
    document.body.append(dialog);
    dialog.addEventListener("cancel", (event) => event.preventDefault());
    dialog.addEventListener("click", ({ target }) => {
      const button = target.closest("button[data-goes]");
      if (!button) return;
      dialog.close();
      dialog.remove();
      const { goes, card, pick } = button.dataset;
      choose(goes === "here" ? { card: Number(card), pick: Number(pick) } : null);
    });
    dialog.showModal();
  });
