// The page with the sheet of squared paper: what is chosen there, and what is said.
import { Box } from "./squared_box.js";
import { Hand, each } from "./squared_hand.js";
import { Strokes } from "./squared_kept.js";
import { Paper } from "./squared_paper.js";
import { Hanging, Sheet, partsOf } from "./squared_sheet.js";
import { Takes } from "./squared_takes.js";
import { read, write } from "./store.js";

const TOLD_MS = 7000;
const AGAIN_MS = 2000;
const PLACE_MS = 120;
const KNOWN = "paper is known"; // kept once something was drawn on this tablet

const HINTS = {
  squares: "Every square that you pass.",
  run: "From here to there: along a row, up, or on a slant.",
  outline: "Round a box, from corner to corner.",
  area: "From corner to corner. Or touch the inside of a closed line.",
  block: "From corner to corner; then copy it, turn it over, repeat it.",
};

const byId = (id) => document.getElementById(id);
const chosen = (name) => document.querySelector(`[name=${name}]:checked`).value;

class Desk {
  constructor(design) {
    this.wishes = {
      get way() { return chosen("way"); },
      get filled() { return chosen("pencil") === "fill" ? 1 : 0; },
      get through() { return byId("through").checked; },
      get coversAll() { return byId("whole").checked; },
    };
    this.paper = new Paper(byId("paper"), byId("drawn"), byId("rings"), byId("sheet"));
    this.hand = new Hand(this.paper, byId("sheet"), this.wishes, {
      drawn: (places) => this.drawn(places),
      block: (block) => this.showBlock(block),
      place: (square) => this.showPlace(square),
      spoken: (square, more) => this.speak(square, more),
      held: (beyond, isDown) => this.showHeld(beyond, isDown),
      letGo: () => this.letGo(),
    });
    this.isKnown = read(KNOWN) !== null;
    this.takes = new Takes(design, (band, row) => this.goTo(band, row));
    this.strokes = new Strokes(design, {
      stands: () => this.showStands(),
      anew: (isOthers) => this.lookAnew({ isOthers }),
      refused: (sentence) => this.tell(sentence),
      turned: (parts) => this.turned(parts),
    });
    this.box = new Box((figure) => this.takeInHand(figure), (sentence) => this.tell(sentence));
    this.done = []; // what can be taken back; null: only the server knows what it was
    this.undone = [];
    this.held = ""; // of the figure in the hand: what does not fit, and that it was put down
    this.seen = null; // the square that the words beside the paper are about
    this.band = Number(document.querySelector("main").dataset.band);
    this.wire();
    this.showPlace(null);
    this.watchForOthers();
    this.strokes.takeUp();
    this.lookAnew();
  }

  // --- the sheets -----------------------------------------------------------------------------------------

  // The design as the server has it, and on it what is still kept here.
  async lookAnew({ isOthers = false } = {}) {
    const { answered } = this.strokes;
    let state;
    try {
      state = await this.strokes.state();
    } catch (why) {
      if (why === 404) this.tell("This design is not here any more.");
      else {
        if (!this.sheets) this.tell("No answer came. What was drawn is kept; this page tries again.");
        setTimeout(() => this.lookAnew({ isOthers }), AGAIN_MS);
      }
      return;
    }
    // not while the pencil is on the paper, and not what is older than a stroke that was kept meanwhile
    if (this.hand.isDrawing || this.strokes.isBusy || answered !== this.strokes.answered) {
      setTimeout(() => this.lookAnew({ isOthers }), 300);
      return;
    }
    const before = this.sheets;
    this.hanging = new Hanging(state);
    this.sheets = new Map(state.bands.map((band) => [band.number, new Sheet(this.hanging, band)]));
    this.strokes.standAnew(state);
    for (const { band, runs, parts } of this.strokes.list) {
      const sheet = this.sheets.get(band);
      if (sheet) for (const part of parts ?? [runs]) lay(sheet, part);
    }
    this.done = [];
    this.undone = [];
    if (!this.sheets.size) {
      location.reload();
      return;
    }
    this.listBands();
    if (isOthers && !sameSquares(before, this.sheets)) {
      this.tell("Something was changed on another device. The paper shows it as it is now.");
    }
    this.show(this.sheets.has(this.band) ? this.band : this.sheets.keys().next().value);
    this.strokes.handIn();
    this.showStands();
  }

  listBands() {
    const options = [...this.sheets.values()].map(({ number, name }) =>
      Object.assign(document.createElement("option"), { value: number, textContent: name.trim() || "Band without a name" }));
    byId("band").replaceChildren(...options);
  }

  show(number) {
    this.band = number;
    byId("band").value = number;
    this.paper.show(this.sheet);
    this.takes.showPlaces(number);
    this.hand.begin();
    byId("sheet").setAttribute("aria-label", `Squared paper, ${this.sheet.units} units across, ${this.sheet.rows} rows`);
    const address = new URL(location.href);
    address.searchParams.set("band", number);
    history.replaceState(null, "", address);
  }

  get sheet() {
    return this.sheets.get(this.band);
  }

  // To a row that was told of; it may be gone by now.
  goTo(band, row) {
    if (!this.sheets.has(band) || this.hand.isDrawing) return;
    if (band !== this.band) this.show(band);
    if (row >= this.sheet.rows) return;
    byId("paper").scrollIntoView({ block: "nearest" });
    this.hand.goTo(this.sheet.nearest(row, this.hanging.middle));
  }

  // --- strokes, and taking them back ----------------------------------------------------------------------

  drawn(places) {
    this.undone = [];
    if (!this.isKnown) write(KNOWN, {});
    this.isKnown = true;
    for (const part of partsOf(this.sheet, places)) {
      this.done.push({ band: this.band, places: part.places });
      this.strokes.add(this.band, part.runs);
    }
  }

  step(kind) {
    if (this.hand.isDrawing) return;
    const [from, to] = kind === "back" ? [this.done, this.undone] : [this.undone, this.done];
    const canServer = kind === "back" ? this.strokes.at > 0 : this.strokes.made > this.strokes.at;
    if (!from.length && !canServer) return;
    const one = from.pop() ?? null;
    to.push(one);
    if (!one) {
      this.strokes.step(kind);
      return;
    }
    if (one.band !== this.band) this.show(one.band);
    this.sheet.turn(one.places);
    this.strokes.step(kind, one.band, partsOf(this.sheet, one.places).map(({ runs }) => runs));
  }

  turned(parts) {
    if (this.hand.isDrawing) {
      this.lookAnew();
      return;
    }
    for (const { band, runs } of parts) {
      if (!this.sheets.has(band)) continue;
      if (band !== this.band) this.show(band);
      turnRuns(this.sheets.get(band), runs);
    }
  }

  // --- what is said ---------------------------------------------------------------------------------------

  tell(sentence) {
    const told = byId("told");
    told.textContent = sentence;
    told.hidden = !sentence;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => { told.hidden = true; }, TOLD_MS);
  }

  showStands() {
    const { list, isLate, isGone, hasNoRoom, at, made, mark } = this.strokes;
    const number = list.length === 1 ? "1 stroke is" : `${list.length} strokes are`;
    const words = hasNoRoom ? "This tablet has no room to keep strokes; leave this page open until the computer answers."
      : isGone ? `This design was thrown away. ${number} kept on this tablet until it is brought back.`
        : isLate ? `Not connected. ${number} kept on this tablet and handed in when the computer answers.`
          : list.length ? "Keeping …" : "All is kept.";
    const line = byId("kept");
    if (line.textContent !== words) line.textContent = words;
    line.classList.toggle("waits", isLate || hasNoRoom);
    document.documentElement.dataset.kept = list.length;
    document.querySelector("[data-do=back]").disabled = !this.done?.length && at === 0;
    document.querySelector("[data-do=again]").disabled = !this.undone?.length && (made <= at || list.length > 0);
    if (mark && !list.length) this.takes.ask(mark);
  }

  words({ row, unit }) {
    const { hanging, sheet } = this;
    const shaft = hanging.shaftName(unit);
    const hangs = shaft ? `shaft ${shaft}${hanging.corded[unit] ? " and a single cord" : ""}` : "on its single cord";
    const is = sheet.isMarked(row, unit) ? "filled, needs a temporary" : sheet.get(row, unit) ? "filled" : "empty";
    return [`Row ${row + 1}`, `unit ${hanging.unitName(unit)}`, hangs, is];
  }

  // A few times a second is enough: the words must not hold up the pencil.
  showPlace(square) {
    this.seen = square;
    this.placeTimer ??= setTimeout(() => {
      this.placeTimer = null;
      const at = this.seen;
      const isOn = at && this.sheet?.isIn(at.row, at.unit);
      byId("place").textContent = (this.hand.figure && this.held) || (isOn ? this.words(at).join(" · ") : this.idle);
    }, PLACE_MS);
  }

  // What stands there while no square is looked at.
  get idle() {
    if (this.hand.figure) return "Touch where it shall lie.";
    return this.isKnown ? "Touch a square." : "One finger draws. Two move the paper and bring it closer.";
  }

  showHeld({ rows, units }, isDown) {
    const off = [[rows, "row"], [units, "unit"]].filter(([number]) => number)
      .map(([number, one]) => `${number} ${one}${number === 1 ? "" : "s"}`).join(" and ");
    const does = rows + units === 1 ? "does" : "do";
    this.held = [isDown && "Put down.", off && `${off} ${isDown ? "did" : does} not fit.`].filter(Boolean).join(" ");
    const line = byId("beyond");
    if (line.textContent !== this.held) line.textContent = this.held;
    this.showPlace(this.seen);
  }

  speak(square, more = "") {
    byId("spoken").textContent = [...this.words(square), more].filter(Boolean).join(", ");
  }

  // --- a block, and a figure in the hand ------------------------------------------------------------------

  showBlock(block) {
    byId("with-block").hidden = !block;
    if (!block) return;
    const { rows, units } = block;
    byId("block-size").textContent = `Block: ${units} ${units === 1 ? "unit" : "units"} × ${rows} ${rows === 1 ? "row" : "rows"}`;
    byId("with-block").scrollIntoView({ block: "nearest" });
  }

  withBlock(what) {
    const { block } = this.hand;
    const { sheet } = this;
    const was = sheet.block(block);
    const { row, unit, rows, units } = block;
    const lay = (letters) => this.hand.draw((_, stroke) => stroke.lay(row, unit, letters, true));
    switch (what) {
      case "copy":
        this.takeInHand({ name: "a copy", rows: was });
        break;
      case "rub-block":
        this.hand.draw((put) => each(block, (r, u) => put(r, u, 0)));
        break;
      case "mirror-across":
        lay(was.map(mirrored));
        break;
      case "mirror-up":
        lay([...was].reverse());
        break;
      case "repeat-across": {
        const wide = sheet.units - unit;
        lay(was.map((line) => line.repeat(Math.ceil(wide / units)).slice(0, wide)));
        break;
      }
      case "repeat-up":
        lay(Array.from({ length: sheet.rows - row }, (_, r) => was[r % rows]));
        break;
    }
  }

  takeInHand(figure) {
    this.hand.take(figure);
    byId("in-hand").textContent = figure.name;
    byId("with-figure").hidden = false;
    byId("with-block").hidden = true;
    byId("with-figure").scrollIntoView({ block: "nearest" });
  }

  letGo() {
    this.hand.take(null);
    byId("with-figure").hidden = true;
    this.showPlace(this.seen);
    this.showBlock(this.hand.block);
  }

  // --- the words beside the paper -------------------------------------------------------------------------

  wire() {
    const does = {
      "back": () => this.step("back"),
      "again": () => this.step("again"),
      "closer": () => this.paper.zoom(1.5),
      "further": () => this.paper.zoom(1 / 1.5),
      "fit": () => this.paper.fit(),
      "put": () => this.hand.putDown(),
      "turn-figure": () => this.hand.take({ ...this.hand.figure, rows: this.hand.figure.rows.map(mirrored) }),
      "let-go": () => this.letGo(),
    };
    document.addEventListener("click", (event) => {
      const button = event.target.closest("[data-do]");
      if (!button || !this.sheets) return;
      const what = button.dataset.do;
      if (does[what]) does[what](button);
      else if (this.hand.block) this.withBlock(what);
    });
    document.addEventListener("keydown", (event) => {
      if (!(event.ctrlKey || event.metaKey) || event.target.matches("input:not([type=radio], [type=checkbox])")) return;
      const kind = { z: event.shiftKey ? "again" : "back", y: "again" }[event.key.toLowerCase()];
      if (!kind || !this.sheets) return;
      event.preventDefault();
      this.hand.endKeyStroke();
      this.step(kind);
    });
    byId("band").addEventListener("change", ({ target }) => this.sheets && this.show(Number(target.value)));
    for (const radio of document.querySelectorAll("[name=way]")) {
      radio.addEventListener("change", () => {
        byId("hint").textContent = HINTS[this.wishes.way];
        this.hand.giveUp();
        if (this.hand.figure) this.letGo();
        if (this.wishes.way !== "block") this.hand.choose(null);
      });
    }
    byId("card").addEventListener("change", ({ target }) => {
      this.hand.hasCard = target.checked;
      this.paper.ask();
    });
    for (const id of ["whole", "through"]) byId(id).addEventListener("change", () => this.paper.ask());
    byId("keep-form").addEventListener("submit", async (event) => {
      event.preventDefault();
      if (!this.hand.block) return;
      const name = byId("figure-name");
      if (await this.box.keep(name.value, this.sheet.block(this.hand.block))) name.value = "";
    });
    byId("plan-form").addEventListener("submit", (event) => {
      if (!this.strokes.list.length) {
        this.tell("Working out the plan.");
        return;
      }
      event.preventDefault(); // not all that is on the paper would be planned
      this.tell("Not all strokes are kept yet. Wait a moment, then plan it.");
    });
  }

  // Who comes back to the page sees what was drawn elsewhere meanwhile.
  watchForOthers() {
    const look = () => this.sheets && !this.strokes.list.length && this.lookAnew({ isOthers: true });
    document.addEventListener("visibilitychange", () => !document.hidden && look());
    addEventListener("pageshow", ({ persisted }) => persisted && look());
  }
}

const mirrored = (line) => [...line].reverse().join("");

const lay = (sheet, runs) => {
  for (const [row, first, last, what] of runs) {
    for (let unit = first; unit <= last; unit += 1) {
      const filled = typeof what === "number" ? what : what[unit - first] === "#" ? 1 : 0;
      if (sheet.isIn(row - 1, unit - 1)) sheet.set(row - 1, unit - 1, filled);
    }
  }
};

const turnRuns = (sheet, runs) => {
  for (const [row, first, last] of runs) {
    for (let unit = first; unit <= last; unit += 1) {
      if (sheet.isIn(row - 1, unit - 1)) sheet.set(row - 1, unit - 1, sheet.get(row - 1, unit - 1) ? 0 : 1);
    }
  }
};

const sameSquares = (some, others) => some.size === others.size && [...others].every(([number, { cells }]) => {
  const before = some.get(number)?.cells;
  return before?.length === cells.length && cells.every((cell, at) => cell === before[at]);
});

const main = document.querySelector("main[data-design]");
if (main) {
  for (const part of document.querySelectorAll(".sq > [hidden]")) part.hidden = false;
  // On a phone the paper has all the room that these leave.
  const others = [...document.querySelectorAll(".sq-head, .sq-foot, .sq-reach")];
  const leave = () => {
    const high = others.reduce((sum, part) => sum + part.offsetHeight, 0);
    main.style.setProperty("--others", `${high}px`);
  };
  leave();
  const watch = new ResizeObserver(leave);
  for (const part of others) watch.observe(part);
  new Desk(main.dataset.design);
}
