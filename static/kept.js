// The taps that this screen keeps until the server has counted them, through a reload and a closed tab.
//
// Each has a key of its own. One that is handed in again, because its answer was lost or because another tab
// has taken it up too, counts no second time.
import { setting } from "./page.js";
import { names, randomName, read, remove, tidy, write } from "./store.js";

const AT_ONCE = 50;
const MOST = 1000; // the server takes no more at once
const HAND_IN_MS = 6000;

// A tab's name outlives a reload. While the page is open it is not in the tab's storage: a tab that is
// doubled must not take the name along.
const nameOfTab = (piece) => {
  let name = null;
  try {
    name = sessionStorage.getItem("tab");
    sessionStorage.removeItem("tab");
    addEventListener("pagehide", () => sessionStorage.setItem("tab", name));
    sessionStorage.setItem("loom", `${piece}/loom`); // the way back from other pages
    addEventListener("pageshow", () => sessionStorage.removeItem("tab"));
  } catch { /* no storage: a new name each time */ }
  return (name ??= randomName());
};

export class Kept {
  constructor(piece) {
    this.piece = piece;
    // another database on this computer has a piece of the same number
    this.names = `${setting("database")} ${piece} `;
    this.tab = nameOfTab(piece);
    this.taps = [];
    this.turn = -1; // how many taps will have counted when all these have
    this.hold = ""; // the name of the hold that what is up is in
    this.at = -1; // where it stands there
    this.ahead = []; // things of this walk that are done out of their turn
    this.isLate = false; // whether they could not be handed in at once
    tidy();
  }

  get name() {
    return `taps ${this.names}${this.tab}`;
  }

  get holdName() {
    return `held ${this.names}${this.tab}`;
  }

  // What this tab kept through a reload, or what a tab kept that was closed. Without taps it is worth taking
  // up only where the page itself may be old. True if there was something.
  takeUp(evenWithoutTaps) {
    const others = names(`taps ${this.names}`).filter((name) => name !== this.name);
    const found = [this.name, ...others]
      .map((name) => ({ name, ...read(name) }))
      .filter(({ taps }) => Array.isArray(taps) && (taps.length || evenWithoutTaps));
    if (!found.length) return false;
    const own = found.find(({ name }) => name === this.name);
    const newest = found.reduce((a, b) => (b.written > a.written ? b : a));
    const { name, taps, turn, hold, at, ahead } = own?.taps.length ? own : newest;
    Object.assign(this, { taps, turn, hold, at, ahead, isLate: taps.length > 0 });
    if (name !== this.name) {
      const held = read(name.replace("taps ", "held "));
      if (held) write(this.holdName, held);
      this.save();
      remove(name);
      remove(name.replace("taps ", "held "));
    }
    return true;
  }

  // No taps are kept, and what is up is at this turn. Whether it is held is not known yet.
  stand(turn) {
    Object.assign(this, { taps: [], turn, hold: "", at: -1, ahead: [] });
    this.save();
  }

  get isFull() {
    return this.taps.length >= MOST;
  }

  // A tap at the turn that is up.
  made(kind, card, detail) {
    return { key: randomName(), kind, card, turn: this.turn, made: Date.now(), detail };
  }

  // Keep a tap that led to where the hold is now.
  add(kind, card, hold, detail = {}) {
    this.taps.push(this.made(kind, card, detail));
    this.turn += 1;
    this.place(hold);
  }

  place({ name, at, ahead }) {
    Object.assign(this, { hold: name, at, ahead: [...ahead] });
    this.save();
  }

  save() {
    const { taps, turn, hold, at, ahead } = this;
    write(this.name, { taps, turn, hold, at, ahead });
  }

  // Hand the oldest in. Those that counted are kept no longer. Where another screen was first, all are needed
  // for the two stories.
  async handIn(most = AT_ONCE) {
    const sent = this.taps.slice(0, most);
    const said = await this.send("taps", sent);
    this.taps = this.taps.slice(said.counted);
    this.save();
    const isAll = this.taps.length <= sent.length - said.counted;
    if (said.status !== 409 || isAll || most === MOST) return said;
    const whole = await this.handIn(MOST);
    return { ...whole, counted: said.counted + whole.counted };
  }

  // Let the server note down what these taps say; they do not count.
  noteDown() {
    return this.send("dropped", this.taps);
  }

  async send(where, taps) {
    const now = Date.now();
    const body = taps.map(({ made, ...tap }) => ({ ...tap, age: Math.max(0, now - made) }));
    this.sending = new AbortController();
    const timer = setTimeout(() => this.giveUp(), HAND_IN_MS);
    try {
      const answer = await fetch(`${this.piece}/${where}`, {
        method: "POST",
        headers: { "Content-Type": "application/json", "Database": setting("database") },
        body: JSON.stringify(body),
        signal: this.sending.signal,
      });
      const said = await answer.json().catch(() => ({}));
      // who does not say how many counted has not looked at them: they stay
      if (said.counted === undefined) throw { status: answer.status, sentence: said.sentence };
      return { turn: this.turn, ...said, status: answer.status };
    } finally {
      clearTimeout(timer);
    }
  }

  // No longer wait for an answer.
  giveUp() {
    this.sending?.abort();
  }
}
