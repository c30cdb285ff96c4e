// One piece at the loom: what is up, the taps on it, and what other screens do meanwhile.
//
// A tap shows the instruction that is held, is kept, and is handed in; without a net it stays kept. There is
// no second way for when the net is there. What is not held is asked of the server, which takes the net.
import { Follower } from "./follow.js";
import { Hold } from "./hold.js";
import { Kept } from "./kept.js";
import { cameFromStore } from "./offline.js";
import { rest } from "./rest.js";
import { chooseBetween, Strip } from "./strip.js";
import { main, shownCard, shownTurn, takeMessage, tell, tellInPassing } from "./page.js";
import { backToSpot, detailOf, markDone, spotInList, walkOf } from "./ticks.js";
import { hasVoice, sayAloud, speak, tick } from "./voice.js";

const TRY_AGAIN_MS = 2000;
const ASK_MS = 8000;
const LEAST_HELD = 60;
const AT_ONCE = 30;
const CONNECTED = "Connected again.";
const WAS_FIRST = "Another tap was first; this is where the piece is now.";
const CHANGED = "What is set or noted was changed on another screen; this instruction goes by it.";
export const NEEDS = "That needs Spareshaft’s computer; your place is kept.";

export class Companion {
  constructor(here) {
    this.here = here;
    this.piece = here.replace(/\/loom$/, "");
    this.strip = new Strip(this);
    this.kept = new Kept(this.piece);
    this.hold = new Hold();
    this.heard = -1; // the newest turn that it has heard of
    this.mark = ""; // a mark of all that was chosen, as it was last heard; what is up has its own
    this.connected = CONNECTED; // what is said when the net is back; what was handed in, until the next tap
    this.isBusy = false; // it asks what comes next; till then no tap is taken
    this.follower = new Follower(`${this.piece}/follow`, {
      turn: (turn) => this.hear(turn),
      mark: (mark) => {
        this.mark = mark;
        this.catchUp();
      },
      open: () => this.reached(),
      closed: () => this.lost(),
      online: () => this.tryAgain(),
    });
  }

  async begin() {
    const isStored = cameFromStore();
    if (!this.takeUp(isStored)) {
      this.kept.stand(shownTurn());
      tell(takeMessage());
      sayAloud(main().dataset.say);
      backToSpot(main());
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
    else if (this.kept.turn !== shownTurn()) this.showNone();
    return true;
  }

  // What is up was not kept: rather none than a wrong instruction.
  showNone() {
    const title = document.createElement("h1");
    title.textContent = "The instruction is not held here. It comes when the computer answers.";
    main().querySelector(".say").replaceChildren(title);
    for (const part of main().querySelectorAll(".band-facts, .band-in, .tape, .taken, .reminders, .foot")) part.remove();
    Object.assign(main().dataset, { mark: "", say: title.textContent });
  }

  // Put a held instruction up.
  show(held, message = "", say = tell) {
    const made = document.createElement("template");
    made.innerHTML = held.html;
    const fresh = made.content.querySelector("main");
    for (const field of fresh.querySelectorAll("[name=turn]")) field.setAttribute("value", this.kept.turn);
    markDone(fresh, held.card, held.ahead);
    const spot = spotInList(main());
    main().replaceWith(fresh);
    fresh.querySelector("[autofocus]")?.focus({ preventScroll: true });
    backToSpot(fresh, spot);
    say(message);
    rest();
    sayAloud(fresh.dataset.say);
  }

  sayAgain() {
    if (hasVoice()) speak(main().dataset.say);
    else tell("This browser has no voice, so it cannot read aloud.");
  }

  // --- taps ---

  take(kind, isForward, form) {
    if (this.isBusy || this.kept.isFull) {
      tell("One moment: this tap did not count, the computer has not answered yet.");
      return;
    }
    if (isForward && [...form.querySelectorAll(".ticks [type=checkbox]")].some((box) => !box.checked)) {
      tell("Look at both ends and tick each of them; then it is done.");
      return;
    }
    const card = Number(form.elements.card.value);
    const detail = detailOf(form);
    const held = this.next(kind, isForward, detail);
    if (!held) {
      this.askFor(kind, card, detail);
      return;
    }
    this.kept.add(kind, card, this.hold, detail);
    this.connected = CONNECTED;
    if (isForward) tick();
    this.show(held);
    this.strip.draw();
    if (this.strip.isConnected) this.handIn();
    else this.kept.isLate = true;
  }

  // The held instruction that a tap leads to; null where none is held.
  next(kind, isForward, detail) {
    if (!this.hold.now || shownTurn() !== this.kept.turn) return null;
    if (isForward) return this.hold.forward(kind);
    if (kind === "back") return this.hold.back();
    return kind === "tick" ? this.hold.tick(walkOf(main()), detail.card) : null;
  }

  // What is not held is the server's to answer, after the taps before it.
  async askFor(kind, card, detail) {
    if (!this.strip.isConnected) {
      tell(NEEDS);
      return;
    }
    this.isBusy = true;
    try {
      await this.askNow(kind, card, detail);
    } finally {
      this.isBusy = false;
      this.catchUp();
      this.fill();
    }
  }

  async askNow(kind, card, detail) {
    const { turn } = this.kept;
    const isOld = shownTurn() !== turn;
    await this.handIn();
    if (isOld) {
      await this.look(WAS_FIRST);
      return;
    }
    const ledElsewhere = this.kept.taps.length || this.kept.turn !== turn;
    if (ledElsewhere || !this.strip.isConnected) return;
    const tap = this.kept.made(kind, card, detail);
    const answer = await this.kept.send("taps", [tap]).catch((why) => this.lost(why));
    if (!answer) return;
    this.kept.stand(answer.turn);
    await this.look({ 200: "", 409: WAS_FIRST, 422: answer.sentence }[answer.status]);
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
      if (answer.status === 200) continue;
      this.isBusy = true;
      const said = answer.status === 409 ? await this.apart(answer) : await this.drop(answer, answer.sentence);
      this.isBusy = false;
      if (said === null) return;
      message = said;
    }
    this.kept.isLate = false;
    if (!message && wasLate && handedIn) message = this.connected = `${CONNECTED} Taps handed in: ${handedIn}.`;
    if (message) tell(message);
    if (message || asks || shownTurn() !== this.kept.turn) await this.look(message);
    this.strip.draw();
  }

  // Another screen was first. A tap on a screen that was connected simply came second, as two hands at one
  // button. Where this screen went on alone, she chooses. Returns what is to be said; null: the net is gone.
  async apart(answer) {
    if (!this.kept.isLate) return this.drop(answer, WAS_FIRST);
    const settle = await chooseBetween(answer.html);
    if (!settle) return this.drop(answer, "On from the other screen’s place.");
    this.kept.stand(answer.turn);
    this.kept.add("settle", answer.card, this.hold, settle);
    // what was done out of its turn on this walk is still done
    for (const card of [...this.hold.ahead].sort((a, b) => a - b)) {
      this.kept.add("tick", settle.card, this.hold, { card });
    }
    return "On from where this screen is; the log says so.";
  }

  // These taps do not count. What was tapped without the net is noted down first.
  async drop(answer, sentence) {
    let said = sentence;
    if (this.kept.isLate) {
      const noted = await this.kept.noteDown().catch((why) => this.lost(why));
      if (!noted) return null;
      if (noted.sentence) said += ` ${noted.sentence}`;
    }
    this.kept.stand(answer.turn);
    return said;
  }

  // --- following ---

  hear(turn) {
    this.heard = Math.max(this.heard, turn);
    this.catchUp();
  }

  catchUp() {
    if (this.isBusy || this.handingIn || this.kept.taps.length) return;
    const isBehind = this.heard > this.kept.turn;
    if (!isBehind && (!this.mark || this.mark === main().dataset.mark)) return;
    this.lookOnce(isBehind ? null : "");
  }

  // Of two that are in need of it at once, the second would wipe out what the first has said.
  lookOnce(message) {
    this.looking ??= this.look(message).finally(() => { this.looking = null; });
    return this.looking;
  }

  // Show where the piece is by now. Without a message it is said what the other screen did.
  async look(message) {
    const { turn } = this.kept;
    const answer = await this.ask({ turn, first: 0, most: 1 });
    if (!answer || this.kept.turn !== turn || this.kept.taps.length) return; // she has gone on meanwhile
    this.heard = Math.max(this.heard, answer.turn);
    this.mark = answer.mark;
    if (!answer.held.length) {
      location.assign(this.here);
      return;
    }
    const { mark } = main().dataset;
    const isUp = answer.turn === shownTurn() && answer.held[0].card === shownCard() && answer.mark === mark;
    const isHeld = this.hold.goTo(answer);
    if (!isHeld) this.hold.startWith(answer);
    this.kept.stand(answer.turn);
    if (isHeld) this.kept.place(this.hold);
    else this.hold.keep(this.kept);
    const since = message ?? (answer.since && `Another screen went on: ${answer.since}.`);
    const isChanged = mark && answer.mark !== mark; // where nothing was up, there was none
    const said = isChanged ? `${since} ${CHANGED}`.trim() : since;
    const say = message === null && !isChanged ? tellInPassing : tell;
    // what is up already stays as it is, with all that was ticked on it
    if (isUp && this.hold.now.tap === main().dataset.tap) say(said);
    else this.show(this.hold.now, said, say);
    this.fill();
  }

  // --- holding ---

  // Hold at least sixty instructions ahead. What is asked for fits what is held, whatever is tapped meanwhile.
  async fill() {
    if (this.isFilling) return;
    this.isFilling = true;
    while (!this.kept.taps.length && !this.isBusy && this.hold.needs(LEAST_HELD)) {
      const { turn } = this.kept;
      const first = this.hold.first;
      const end = this.hold.end;
      const answer = await this.ask({ turn, first, most: first ? AT_ONCE : LEAST_HELD + 1 });
      if (!answer) break;
      if (answer.mark !== main().dataset.mark) {
        await this.lookOnce("");
        continue;
      }
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
      if (!answer.ok) throw answer;
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
    this.kept.giveUp();
    this.strip.lost(why);
    this.again ??= setTimeout(() => this.tryAgain(), TRY_AGAIN_MS);
    return null;
  }

  tryAgain() {
    clearTimeout(this.again);
    this.again = null;
    if (this.strip.isConnected || document.hidden) return;
    if (this.kept.taps.length) this.handIn();
    else this.look(this.connected);
  }
}
