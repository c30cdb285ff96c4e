// The taps that this screen keeps until the server has counted them, through a reload and a closed tab.
//
// Each has a key of its own. One that is handed in again, because its answer was lost or because another tab
// has taken it up too, counts no second time.
import { names, read, remove, tidy, write } from "./store.js";

const AT_ONCE = 50;
const HAND_IN_MS = 6000;

const randomName = () =>
  Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");

// A tab's name outlives a reload. While the page is open it is not in the tab's storage: a tab that is
// doubled must not take the name along.
const nameOfTab = () => {
  let name = null;
  try {
    name = sessionStorage.getItem("tab");
    sessionStorage.removeItem("tab");
    addEventListener("pagehide", () => sessionStorage.setItem("tab", name));
    addEventListener("pageshow", () => sessionStorage.removeItem("tab"));
  } catch { /* no storage: a new name each time */ }
  return (name ??= randomName());
};

export class Kept {
  constructor(piece) {
    this.piece = piece;
    this.tab = nameOfTab();
    this.taps = [];
    this.turn = -1; // how many taps will have counted when all these have
    this.at = -1; // where what is up stands among the held instructions
    this.isLate = false; // whether they could not be handed in at once
    tidy();
  }

  get name() {
    return `taps ${this.piece} ${this.tab}`;
  }

  get holdName() {
    return `held ${this.piece} ${this.tab}`;
  }

  // What this tab kept through a reload, or what a tab kept that was closed. Without taps it is worth taking
  // up only where the page itself may be old. True if there was something.
  takeUp(evenWithoutTaps) {
    const others = names(`taps ${this.piece} `).filter((name) => name !== this.name);
    const found = [this.name, ...others]
      .map((name) => ({ name, ...read(name) }))
      .filter(({ taps }) => Array.isArray(taps) && (taps.length || evenWithoutTaps));
    if (!found.length) return false;
    const own = found.find(({ name }) => name === this.name);
    const newest = found.reduce((a, b) => (b.written > a.written ? b : a));
    const { name, taps, turn, at } = own?.taps.length ? own : newest;
    Object.assign(this, { taps, turn, at, isLate: taps.length > 0 });
    if (name !== this.name) {
      const held = read(name.replace("taps ", "held "));
      if (held) write(this.holdName, held);
      this.save();
      remove(name);
      remove(name.replace("taps ", "held "));
    }
    return true;
  }

  // No taps are kept, and what is up is at this turn.
  stand(turn) {
    this.taps = [];
    this.turn = turn;
    this.save();
  }

  add(kind, card, at, detail = {}) {
    this.taps.push({ key: randomName(), kind, card, turn: this.turn, made: Date.now(), detail });
    this.turn += 1;
    this.at = at;
    this.save();
  }

  place(at) {
    this.at = at;
    this.save();
  }

  save() {
    write(this.name, { taps: this.taps, turn: this.turn, at: this.at });
  }

  // Hand the oldest in. Those that counted are kept no longer.
  async handIn() {
    const now = Date.now();
    const taps = this.taps.slice(0, AT_ONCE).map(({ made, ...tap }) => ({ ...tap, age: Math.max(0, now - made) }));
    const answer = await fetch(`${this.piece}/taps`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(taps),
      signal: AbortSignal.timeout(HAND_IN_MS),
    });
    if (![200, 409, 422].includes(answer.status)) throw answer.status;
    const said = { counted: 0, turn: this.turn, ...(await answer.json()), status: answer.status };
    this.taps = this.taps.slice(said.counted);
    this.save();
    return said;
  }
}
