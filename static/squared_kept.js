// The strokes that this screen keeps until the server has them, through a reload and a closed tab.
//
// They go in order, one at a time. Each has a key of its own: handed in again, because its answer was lost, it
// counts no second time. A wish to take back says what it means by a mark of all that is drawn; where something
// else was drawn meanwhile the server leaves it alone, for the last change is another's then. What this screen has
// turned over already is then drawn as a stroke instead. Wherever an answer tells of another's stroke, the sheet is
// asked for anew, and what is still kept here is drawn on it again.
import { setting } from "./page.js";
import { hasNoRoom, names, randomName, read, remove, write } from "./store.js";

const HAND_IN_MS = 8000;
const AGAIN_MS = 1000;
const LONGEST_AGAIN_MS = 5000;

const nameOfTab = () => {
  let name = null;
  try {
    name = sessionStorage.getItem("sheet");
    sessionStorage.removeItem("sheet"); // a tab that is doubled must not take the name along
    addEventListener("pagehide", () => sessionStorage.setItem("sheet", name));
    addEventListener("pageshow", () => sessionStorage.removeItem("sheet"));
  } catch { /* no storage: a new name each time */ }
  return (name ??= randomName());
};

export class Strokes {
  // `heard` is told: how things stand (stands), what another drew (anew), what was refused (refused), and what a
  // step that only the server knew has turned over (turned).
  constructor(design, heard) {
    this.address = `/designs/${design}`;
    this.heard = heard;
    this.start = `strokes ${setting("database")} ${design} `;
    this.name = this.start + nameOfTab();
    this.list = [];
    this.at = 0;
    this.made = 0;
    this.mark = "";
    this.isLate = false;
    this.isApart = false; // whether the sheet is to be asked for anew
    this.isOthers = false; // and that because of what another may have drawn
    this.isUnsure = false; // whether the last change may be another than this screen takes it for
    this.isGone = false; // whether the design was thrown away
    this.answered = 0;
    this.isBusy = false;
    this.wait = AGAIN_MS;
    this.soon = null;
    addEventListener("online", () => this.handIn());
    addEventListener("pagehide", () => this.soon !== null && this.keepNow());
  }

  // What this tab kept through a reload, and what other tabs kept; these may still be open, and to take back twice
  // is not the same as once, so what they took back is drawn.
  takeUp() {
    for (const name of [this.name, ...names(this.start).filter((other) => other !== this.name)]) {
      const { list } = read(name) ?? {};
      if (!Array.isArray(list)) continue;
      this.list.push(...(name === this.name ? list : list.flatMap((one) => (one.step ? asStrokes(one) : [one]))));
      if (name !== this.name) {
        this.save();
        remove(name);
      }
    }
  }

  save() {
    if (this.list.length) write(this.name, { list: this.list });
    else remove(this.name);
    this.heard.stands();
  }

  get hasNoRoom() {
    return hasNoRoom(this.name);
  }

  stand({ at, made, mark }) {
    Object.assign(this, { at, made, mark });
  }

  // The sheet was asked for anew: what is still to be taken back was meant for the one before.
  standAnew(state) {
    this.stand(state);
    this.isUnsure = false;
    this.list = this.list.flatMap((one) => (one.step && one.at === undefined ? asStrokes(one) : [one]));
  }

  add(band, runs) {
    this.list.push({ key: randomName(), band, runs });
    this.keepSoon();
  }

  // Take back or make again; `parts` is what its squares are then, where this screen knows and has done it.
  step(kind, band = null, parts = null) {
    this.list.push({ step: kind, band, parts });
    this.keepSoon();
  }

  // As soon as the stroke is painted, or the page goes away.
  keepSoon() {
    document.documentElement.dataset.kept = this.list.length;
    this.soon ??= setTimeout(() => this.keepNow());
  }

  keepNow() {
    clearTimeout(this.soon);
    this.soon = null;
    this.save();
    this.handIn();
  }

  async handIn() {
    if (this.isBusy || !this.mark) return;
    this.isBusy = true;
    clearTimeout(this.timer);
    try {
      while (this.list.length) await this.handInFirst();
      this.wait = AGAIN_MS;
    } catch {
      this.isLate = true;
      this.timer = setTimeout(() => this.handIn(), this.wait);
      this.wait = Math.min(LONGEST_AGAIN_MS, this.wait * 1.5);
      this.isBusy = false;
      this.heard.stands();
      return;
    }
    this.isBusy = false;
    this.isLate = false;
    this.heard.stands();
    if (this.isApart) {
      const { isOthers } = this;
      this.isApart = false;
      this.isOthers = false;
      this.heard.anew(isOthers);
    }
  }

  async handInFirst() {
    const [first] = this.list;
    const { step, parts } = first;
    let where = "strokes";
    let body = first;
    if (step && first.at === undefined) {
      if (this.isUnsure) {
        this.list.splice(0, 1, ...asStrokes(first));
        this.save();
        return;
      }
      Object.assign(first, { at: this.at, mark: this.mark });
      write(this.name, { list: this.list });
    }
    if (step) {
      where = step === "back" ? "take-back" : "make-again";
      body = { at: first.at, mark: first.mark };
    }
    const { status, said } = await this.post(where, body);
    this.answered += 1;
    this.list.shift();
    if (status !== 200) {
      this.isUnsure = true;
      this.heard.refused(said.sentence);
    } else {
      this.isOthers ||= said.before !== this.mark;
      this.isUnsure ||= this.isOthers || said.at === this.at; // a stroke that changed nothing is none to take back
      this.stand(said);
      if (parts && !said.turned) this.list.unshift(...asStrokes(first));
      else if (step && !parts) {
        if (said.turned && !this.list.length && !this.isUnsure) this.heard.turned(said.turned);
        else this.isApart = true;
      }
    }
    this.isApart ||= this.isUnsure;
    this.isLate = false;
    this.save();
  }

  async post(where, body) {
    const answer = await fetch(`${this.address}/${where}`, {
      method: "POST",
      headers: { "Content-Type": "application/json", "Database": setting("database") },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(HAND_IN_MS),
    });
    const said = await answer.json();
    // what is only for now stays kept, and so does what was meant for another database, or may be brought back
    if (answer.status === 421) this.heard.refused(said.sentence);
    this.isGone = answer.status === 404;
    if (answer.status >= 500 || answer.status === 421 || this.isGone) throw answer.status;
    return { status: answer.status, said };
  }

  async state() {
    const answer = await fetch(`${this.address}/state`, { signal: AbortSignal.timeout(HAND_IN_MS) });
    if (!answer.ok) throw answer.status;
    return answer.json();
  }
}

// What a wish to take back or to make again has turned over here, as strokes.
const asStrokes = ({ band, parts }) => (parts ?? []).map((runs) => ({ key: randomName(), band, runs }));
