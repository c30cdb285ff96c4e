// One piece at the loom: what is up, the taps on it, and what other screens do meanwhile.
//
// A tap shows the instruction that is held, is kept, and is handed in; without a net it stays kept. There is
// no second way for when the net is there.
import { chooseBetween } from "./apart.js";
import { Follower } from "./follow.js";
import { Hold } from "./hold.js";
import { Kept } from "./kept.js";
import { cameFromStore } from "./offline.js";
import { rest } from "./rest.js";
import { Strip } from "./strip.js";
import { main, shownTurn, takeMessage, tell } from "./page.js";
import { sayAloud, speak, tick } from "./voice.js";

const TRY_AGAIN_MS = 2000;
const ASK_MS = 8000;
const LEAST_HELD = 60;
const AT_ONCE = 30;

export class Companion {
  constructor(here) {
    this.here = here;
    this.piece = here.replace(/\/loom$/, "");
    this.strip = new Strip(this);
    this.kept = new Kept(this.piece);
    this.hold = new Hold();
    this.heard = -1; // the newest turn that it has heard of
    this.isAway = false; // a form is on its way to the server
    this.follower = new Follower(`${this.piece}/follow`, {
      turn: (turn) => this.hear(turn),
      open: () => this.reached(),
      closed: () => this.lost(),
    });
  }

  async begin() {
    const isStored = cameFromStore();
    if (!this.takeUp(isStored)) {
      this.kept.stand(shownTurn());
      tell(takeMessage());
      sayAloud(main().dataset.say);
    }
    if (isStored) this.lost();
    this.follower.start();
    await this.handIn();
    // one tab after another that was closed with taps in it
    while (!this.kept.taps.length && this.takeUp(false)) await this.handIn();
    await this.fill();
  }

  // Go on from what was kept through a reload, or by a tab that was closed.
  takeUp(evenWithoutTaps) {
    if (!this.kept.takeUp(evenWithoutTaps)) return false;
    this.hold.load(this.kept);
    if (this.hold.now) this.show(this.hold.now);
    return true;
  }

  // Put a held instruction up.
  show(held, message = "") {
    const made = document.createElement("template");
    made.innerHTML = held.html;
    const fresh = made.content.querySelector("main");
    for (const field of fresh.querySelectorAll("[name=turn]")) field.setAttribute("value", this.kept.turn);
    main().replaceWith(fresh);
    window.htmx?.process(fresh);
    fresh.querySelector("[autofocus]")?.focus({ preventScroll: true });
    this.isUp(message);
  }

  isUp(message = "") {
    const now = main();
    if (now.dataset.title) document.title = now.dataset.title;
    tell(message);
    rest();
    sayAloud(now.dataset.say);
  }

  sayAgain() {
    speak(main().dataset.say);
  }

  // A form was swapped in by the server's answer: what was held leads on from elsewhere.
  wasSwapped() {
    this.hold.clear();
    this.kept.stand(shownTurn());
    this.strip.draw();
    this.isUp(takeMessage());
    this.fill();
  }

  // --- taps ---

  // Take a tap; false where the form is to go to the server as it is.
  take(kind, isForward, form, button) {
    const unticked = [...form.querySelectorAll(".ticks [type=checkbox]")].some((box) => !box.checked);
    if (unticked && isForward) {
      if (this.strip.isConnected) return false; // the server says what is missing
      tell("Look at both ends and tick each of them; then it is done.");
      return true;
    }
    const card = this.hold.now?.card;
    const isHeld = this.hold.now !== null && shownTurn() === this.kept.turn;
    const held = isHeld && (isForward ? this.hold.forward(kind) : kind === "back" && this.hold.back());
    if (!held) return this.leave(form, button);
    this.kept.add(kind, card, this.hold.at);
    if (isForward) tick();
    this.show(held);
    this.strip.draw();
    if (this.strip.isConnected) this.handIn();
    else this.kept.isLate = true;
    return true;
  }

  // What only the server can do waits until the taps before it are handed in; without a net it must be left.
  leave(form, button) {
    if (!this.kept.taps.length && this.strip.isConnected) return false;
    if (this.strip.isConnected) {
      this.handIn().then(() => {
        if (!this.kept.taps.length && form.isConnected) form.requestSubmit(button);
      });
    } else {
      tell("This can only be done when the computer answers again. Nothing was changed.");
    }
    return true;
  }

  // --- handing in ---

  handIn() {
    this.handingIn ??= this.handAllIn().finally(() => {
      this.handingIn = null;
      if (this.kept.taps.length && this.strip.isConnected) this.handIn(); // tapped meanwhile
      this.catchUp();
      this.fill();
    });
    return this.handingIn;
  }

  async handAllIn() {
    const wasLate = this.kept.isLate;
    let handedIn = 0;
    let message = "";
    let asks = false;
    while (this.kept.taps.length) {
      const answer = await this.kept.handIn().catch((why) => this.lost(why));
      if (!answer) return;
      handedIn += answer.counted;
      asks = Boolean(answer.asks);
      this.reached();
      if (answer.status === 409) message = await this.apart(answer);
      else if (answer.status === 422) message = this.drop(answer, answer.sentence);
    }
    this.kept.isLate = false;
    if (message || asks) await this.look(message);
    else if (wasLate && handedIn) tell(`Connected again. Taps handed in: ${handedIn}.`);
    this.strip.draw();
  }

  // Another screen was first. A tap on a screen that was connected simply came second, as two hands at one
  // button. Where this screen went on alone, she chooses. Returns what is to be said.
  async apart(answer) {
    const number = this.kept.taps.length;
    if (!this.kept.isLate) return this.drop(answer, "Another tap was first; this is where the piece is now.");
    const settle = await chooseBetween(answer.html);
    if (!settle) {
      return this.drop(answer, `On from the other screen’s place. Taps of this one that do not count: ${number}.`);
    }
    this.kept.stand(answer.turn);
    this.kept.add("settle", answer.card, this.hold.at, settle);
    return "On from where this screen is; the log says so.";
  }

  // These taps do not count.
  drop(answer, sentence) {
    this.kept.stand(answer.turn);
    return sentence;
  }

  // --- following ---

  hear(turn) {
    this.heard = Math.max(this.heard, turn);
    this.catchUp();
  }

  catchUp() {
    if (this.isAway || this.handingIn || this.kept.taps.length || this.heard <= this.kept.turn) return;
    this.looking ??= this.look(null).finally(() => { this.looking = null; });
  }

  // Show where the piece is by now. Without a message it is said what the other screen did.
  async look(message) {
    const { turn } = this.kept;
    const answer = await this.ask({ turn, first: 0, most: 1 });
    if (!answer || this.kept.turn !== turn || this.kept.taps.length) return; // she has gone on meanwhile
    this.heard = Math.max(this.heard, answer.turn);
    if (!answer.held.length) {
      location.assign(this.here);
      return;
    }
    const isUp = answer.turn === shownTurn();
    const isHeld = this.hold.goTo(answer);
    if (!isHeld) this.hold.startWith(answer);
    this.kept.stand(answer.turn);
    if (isHeld) this.kept.place(this.hold.at);
    else this.hold.keep(this.kept);
    const said = message ?? (answer.since && `Another screen went on: ${answer.since}.`);
    // what is up already stays as it is, with all that was ticked on it
    if (isUp && this.hold.now.tap === main().dataset.tap) tell(said);
    else this.show(this.hold.now, said);
    this.fill();
  }

  // --- holding ---

  // Hold at least sixty instructions ahead. What is asked for fits what is held, whatever is tapped meanwhile.
  async fill() {
    if (this.isFilling) return;
    this.isFilling = true;
    while (!this.kept.taps.length && !this.isAway && this.hold.needs(LEAST_HELD)) {
      const { turn } = this.kept;
      const first = this.hold.first;
      const end = this.hold.end;
      const answer = await this.ask({ turn, first, most: first ? AT_ONCE : LEAST_HELD + 1 });
      if (!answer) break;
      if (answer.turn !== turn) this.hear(answer.turn);
      // what was asked for from a place that has been left meanwhile fits no more
      if (end !== this.hold.end || (!first && turn !== this.kept.turn)) continue;
      if (answer.turn !== turn) break;
      this.hold.add(answer, first ? AT_ONCE : LEAST_HELD + 1);
      this.hold.keep(this.kept);
    }
    this.isFilling = false;
    this.strip.draw();
  }

  async ask(what) {
    try {
      const address = `${this.piece}/ahead?${new URLSearchParams(what)}`;
      const answer = await fetch(address, { signal: AbortSignal.timeout(ASK_MS) });
      if (!answer.ok) throw answer.status;
      const found = await answer.json();
      this.reached();
      return found;
    } catch (why) {
      return this.lost(why);
    }
  }

  // --- the net ---

  reached() {
    if (this.strip.isConnected) return;
    this.strip.found();
    this.follower.start();
    this.handIn();
  }

  lost(why) {
    if (this.kept.taps.length) this.kept.isLate = true;
    this.strip.lost(why);
    this.again ??= setTimeout(() => {
      this.again = null;
      if (this.strip.isConnected || document.hidden) return;
      if (this.kept.taps.length) this.handIn();
      else this.look("Connected again.");
    }, TRY_AGAIN_MS);
    return null;
  }
}
