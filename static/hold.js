// The instructions that are held: those ahead, the one that is up, and those shown before it.
import { read, write } from "./store.js";

const BEHIND = 60;

export class Hold {
  constructor() {
    this.clear();
  }

  clear() {
    this.times = (this.times ?? 0) + 1; // how often it was begun anew
    this.lines = [];
    this.numbers = new Map();
    this.held = []; // {card, tap, back, html: numbers of lines}
    this.at = -1;
    this.isAll = false;
    this.dropped = 0; // how many were thrown away at the front
  }

  // The instruction that is up, or null.
  get now() {
    const one = this.held[this.at];
    return one ? { ...one, html: this.textAt(this.at) } : null;
  }

  get left() {
    return Math.max(0, this.held.length - 1 - this.at);
  }

  // How many taps ahead of what is up the first is that is not held.
  get first() {
    return this.held.length - Math.max(0, this.at);
  }

  // Where what is held ends, whatever was thrown away at its front.
  get end() {
    return `${this.times}: ${this.dropped + this.held.length}`;
  }

  needs(least) {
    return !this.isAll && this.left < least;
  }

  forward(kind) {
    if (this.held[this.at].tap !== kind || !this.left) return null;
    this.at += 1;
    return this.now;
  }

  back() {
    if (!this.held[this.at].back || this.at < 1) return null;
    this.at -= 1;
    return this.now;
  }

  // Go to a held instruction that is just this one; false if none is.
  goTo({ lines, held: [one] }) {
    const text = one.html.map((number) => lines[number]).join("\n");
    const there = this.held.findIndex((other, place) => other.card === one.card && this.textAt(place) === text);
    if (there < 0) return false;
    this.at = there;
    return true;
  }

  textAt(place) {
    return this.held[place].html.map((number) => this.lines[number]).join("\n");
  }

  startWith(answer) {
    this.clear();
    this.add(answer, answer.held.length);
  }

  add({ lines, held }, asked) {
    const places = lines.map((line) => {
      if (!this.numbers.has(line)) {
        this.numbers.set(line, this.lines.length);
        this.lines.push(line);
      }
      return this.numbers.get(line);
    });
    for (const one of held) this.held.push({ ...one, html: one.html.map((number) => places[number]) });
    if (this.at < 0 && this.held.length) this.at = 0;
    this.isAll = held.length < asked;
    const old = this.at - BEHIND;
    if (old > 0) {
      this.held.splice(0, old);
      this.at -= old;
      this.dropped += old;
    }
  }

  // Keep it through a reload, together with where she is in it.
  keep(kept) {
    write(kept.holdName, { lines: this.lines, held: this.held });
    kept.place(this.at);
  }

  load(kept) {
    const { lines = [], held = [] } = read(kept.holdName) ?? {};
    this.clear();
    this.add({ lines, held }, 0);
    this.at = held.length ? Math.min(Math.max(kept.at, 0), held.length - 1) : -1;
  }
}
