// The strip that says that the server does not answer, and what that means for her.
import { isGuarded } from "./offline.js";
import { tell } from "./page.js";
import { isFull } from "./store.js";

const keptWords = (taps) => (taps ? `${taps} ${taps === 1 ? "tap" : "taps"} kept here` : "your taps are kept here");

export class Strip {
  constructor(companion) {
    this.companion = companion;
    this.isConnected = true;
    this.line = document.createElement("div");
    this.line.className = "net-strip";
    this.line.hidden = true;
    document.body.prepend(this.line);
  }

  lost(status) {
    this.isUnknown = status === 403;
    if (this.isConnected) tell("Not connected. Keep weaving; your taps are kept here.");
    this.isConnected = false;
    this.draw();
  }

  found() {
    this.isConnected = true;
    if (!this.companion.kept.taps.length) tell("Connected again.");
    this.draw();
  }

  draw() {
    const taps = this.companion.kept.taps.length;
    const { left } = this.companion.hold;
    Object.assign(document.documentElement.dataset, { held: left, kept: taps });
    this.line.hidden = this.isConnected;
    if (this.isConnected) return;
    const parts = [`Not connected – keep weaving, ${keptWords(taps)}.`];
    if (!left) parts[0] = `Not connected, and no further instruction is held here; ${keptWords(taps)}.`;
    if (this.isUnknown) parts[0] = `This device must join again; ${keptWords(taps)}.`;
    if (isFull) parts.push("This browser has no room: they are kept only while this page stays open.");
    else if (!isGuarded()) parts.push("Do not load this page again: this browser cannot do so without the net.");
    this.line.textContent = parts.join(" ");
    if (this.isUnknown) {
      const link = document.createElement("a");
      link.href = "/join";
      link.textContent = "Join";
      this.line.append(" ", link);
    }
  }
}
