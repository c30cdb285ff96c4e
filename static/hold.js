// The instructions that are held: those ahead, the one that is up, and those shown before it.
//
// They follow one another as “next” leads from each to the one after it. Where things of a walk are done out of
// their turn, those that are done already are passed over.
import { hasNoRoom, randomName, read, remove, write } from "./store.js";
import { afterTick } from "./ticks.js";

const BEHIND = 60;

export class Hold {
  constructor() {
    this.clear();
  }

  clear() {
    this.times = (this.times ?? 0) + 1; // how often it was begun anew
    this.name = randomName(); // what is kept of it goes only with places in it
    this.lines = [];
    this.numbers = new Map();
    this.held = []; // {card, tap, back, ahead, html: numbers of lines}
    this.at = -1;
    this.ahead = new Set(); // things beyond what is up that are done
    this.isAll = false;
    this.dropped = 0; // how many were thrown away at the front
  }

  // The instruction that is up, or null.
  get now() {
    const one = this.held[this.at];
    return one ? { ...one, html: this.textAt(this.at), ahead: this.ahead } : null;
  }

  get left() {
    return this.held.slice(this.at + 1).filter(({ card }) => !this.ahead.has(card)).length;
  }

  // How many taps ahead of what is up the first is that is not held.
  get first() {
    return this.at < 0 ? 0 : this.left + 1;
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
    if (!this.ahead.size) return this.goBy(1);
    const ahead = new Set(this.ahead);
    let card = this.held[this.at].card + 1;
    while (ahead.delete(card)) card += 1;
    return this.goToCard(card, ahead);
  }

  back() {
    if (!this.ahead.size) return this.held[this.at].back && this.at > 0 ? this.goBy(-1) : null;
    const last = Math.max(...this.ahead); // it is not done after all
    const ahead = new Set(this.ahead);
    ahead.delete(last);
    return this.has(last) ? this.goToCard(this.held[this.at].card, ahead) : null;
  }

  // A thing on this walk is done, or is not after all.
  tick(walk, number) {
    const after = this.has(number) && afterTick(walk, this.held[this.at].card, this.ahead, number);
    return after ? this.goToCard(after.card, after.ahead) : null;
  }

  // Where a card's own instruction stands; −1 where it is not held.
  placeOf(number) {
    return this.held.findIndex(({ card, ahead }) => card === number && ahead);
  }

  has(number) {
    return this.placeOf(number) >= 0;
  }

  goBy(steps) {
    this.at += steps;
    this.ahead = new Set(this.held[this.at].ahead);
    return this.now;
  }

  goToCard(number, ahead) {
    const there = this.placeOf(number);
    if (there < 0) return null;
    this.at = there;
    this.ahead = ahead;
    return this.now;
  }

  // Go to a held instruction that is just this one; false if none is.
  goTo({ lines, held: [one] }) {
    const text = one.html.map((number) => lines[number]).join("\n");
    const there = this.held.findIndex((other, place) => other.card === one.card && this.textAt(place) === text);
    if (there < 0) return false;
    this.at = there;
    this.ahead = new Set(one.ahead);
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
    const places = lines.map((line) => this.numberOf(line));
    for (const one of held) this.held.push({ ...one, html: one.html.map((number) => places[number]) });
    if (this.at < 0 && this.held.length) this.goBy(1);
    this.isAll = held.length < asked;
    const old = this.at - BEHIND;
    if (old > 0) this.forget(old);
  }

  numberOf(line) {
    if (!this.numbers.has(line)) this.numbers.set(line, this.lines.push(line) - 1);
    return this.numbers.get(line);
  }

  // Throw the oldest away, and the lines that only they were made of.
  forget(old) {
    const { lines } = this;
    Object.assign(this, { lines: [], numbers: new Map(), held: this.held.slice(old), name: randomName() });
    for (const one of this.held) one.html = one.html.map((number) => this.numberOf(lines[number]));
    this.at -= old;
    this.dropped += old;
  }

  // Keep it through a reload, together with where she is in it. What was kept before fits no more.
  keep(kept) {
    const { name, lines, held } = this;
    write(kept.holdName, { name, lines, held });
    if (hasNoRoom(kept.holdName)) remove(kept.holdName);
    kept.place(this);
  }

  // Take up what was kept, where it is what she was in.
  load({ holdName, hold, at, ahead }) {
    this.clear();
    const { name, lines, held } = read(holdName) ?? {};
    if (!name || name !== hold || !held[at]) return;
    this.add({ lines, held }, 0);
    Object.assign(this, { name, at, ahead: new Set(ahead) });
  }
}
