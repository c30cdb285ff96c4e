// The weaver's hand on the paper: finger, pen, mouse and keys become strokes.
//
// One finger draws, two move the paper and bring it closer. Once a pen was seen, fingers only move it: then a palm
// may rest on it. The right button of a mouse and the other end of a pen rub out.
import { Stroke, areaAround, boxOf, stretch } from "./squared_sheet.js";

const TURN_WHEEL = 0.0025;
const ERASER = 32; // of a pen's buttons
const DRAWS = [0, 2, 5]; // the first button or the tip, the second, and the other end of a pen

export class Hand {
  // `wishes` tells what is chosen (way, filled, through, coversAll); `heard` is told of a stroke that is done (drawn), of
  // the block that is chosen (block), of where the hand is (place), of how much of the figure is beyond the edges (held), and of what is to be spoken (spoken).
  constructor(paper, element, wishes, heard) {
    Object.assign(this, { paper, element, wishes, heard });
    this.place = { row: 0, unit: 0 };
    this.isPlaceSeen = false;
    this.fingers = new Map();
    this.figure = null; // what is in the hand: a name and rows
    this.figureAt = null;
    this.isFigureSeen = false; // not once it was put down, until it is moved on
    this.block = null;
    this.shape = null; // what is being drawn from a corner, and not yet on the paper
    this.stroke = null;
    this.isPenSeen = false;
    this.isPenDown = false;
    this.hasCard = false;
    paper.above = () => this.above();
    paper.ringed = () => this.ringed();
    for (const kind of ["down", "move", "up", "cancel"]) {
      element.addEventListener(`pointer${kind}`, (event) => this.sheet && this[kind](event));
    }
    element.addEventListener("pointerleave", () => this.heard.place(null));
    element.addEventListener("contextmenu", (event) => event.preventDefault());
    element.addEventListener("wheel", (event) => this.sheet && this.wheel(event), { passive: false });
    for (const kind of ["touchstart", "touchmove"]) { // or the page moves under the finger
      element.addEventListener(kind, (event) => event.preventDefault(), { passive: false });
    }
    // where the paper lies is asked anew once the page was moved
    addEventListener("scroll", () => { paper.rect = null; }, { passive: true, capture: true });
    addEventListener("resize", () => { paper.rect = null; });
    element.addEventListener("keydown", (event) => this.sheet && this.key(event));
    element.addEventListener("keyup", (event) => event.key === "Shift" && this.endKeyStroke());
    element.addEventListener("focus", () => this.showPlace(element.matches(":focus-visible")));
    element.addEventListener("blur", () => {
      this.endKeyStroke();
      this.showPlace(false);
    });
  }

  get sheet() {
    return this.paper.sheet;
  }

  get isDrawing() {
    return Boolean(this.stroke || this.keyStroke || this.drawing !== undefined);
  }

  // Another sheet is on the desk, or the same as it is now.
  begin() {
    this.giveUp();
    this.place = this.onPaper(this.place);
    if (this.block && !this.fits(this.block)) this.choose(null);
    this.paper.ask();
  }

  fits({ row, unit, rows, units }) {
    return row + rows <= this.sheet.rows && unit + units <= this.sheet.units;
  }

  onPaper({ row, unit }) {
    return {
      row: Math.max(0, Math.min(this.sheet.rows - 1, row)),
      unit: Math.max(0, Math.min(this.sheet.units - 1, unit)),
    };
  }

  // --- pointers -------------------------------------------------------------------------------------------

  down(event) {
    this.paper.look();
    const { pointerId, pointerType, button, buttons } = event;
    if (pointerType === "touch" && this.isPenDown) return; // the palm
    if (pointerType === "pen") {
      this.isPenSeen = true;
      this.isPenDown = true;
      this.fingers.clear(); // a palm that was there first
      this.moves = null;
      this.pinched = null;
      this.giveUp();
    }
    if (pointerType === "touch") this.fingers.set(pointerId, event);
    try {
      this.element.setPointerCapture(pointerId);
    } catch { /* it is gone already */ }
    if (this.fingers.size > 1) {
      this.giveUp();
      this.moves = null;
      this.pinched = this.pinch();
      return;
    }
    if (button === 1 || (pointerType === "touch" && this.isPenSeen)) {
      this.giveUp();
      this.moves = { x: event.clientX, y: event.clientY, id: pointerId };
      event.preventDefault();
      return;
    }
    if (this.drawing !== undefined || !DRAWS.includes(button)) return;
    this.endKeyStroke();
    this.drawing = pointerId;
    const rubs = button === 2 || (pointerType === "pen" && (buttons & ERASER));
    this.filled = rubs ? 0 : this.wishes.filled;
    this.showPlace(false);
    this.start(this.paper.squareAt(event.clientX, event.clientY));
  }

  start(square) {
    this.last = square;
    this.hovered = square;
    this.heard.place(square);
    if (this.figure) {
      this.holdFigure(square);
      return;
    }
    if (this.wishes.way === "squares") {
      this.stroke = new Stroke(this.sheet, this.wishes.through);
      this.stroke.put(square.row, square.unit, this.filled);
      return;
    }
    const corner = this.onPaper(square);
    this.shape = { from: corner, to: corner, isTap: this.sheet.isIn(square.row, square.unit) };
    this.paper.ask();
  }

  move(event) {
    if (this.pinched && this.fingers.has(event.pointerId)) {
      this.fingers.set(event.pointerId, event);
      this.follow();
      return;
    }
    if (this.moves?.id === event.pointerId) {
      const { ratio } = this.paper;
      this.paper.move(Math.round((event.clientX - this.moves.x) * ratio), Math.round((event.clientY - this.moves.y) * ratio));
      Object.assign(this.moves, { x: event.clientX, y: event.clientY });
      return;
    }
    if (this.drawing !== event.pointerId) {
      if (event.pointerType !== "touch") this.hover(event);
      return;
    }
    if (!this.paper.rect) this.paper.look();
    const points = this.stroke && event.getCoalescedEvents ? event.getCoalescedEvents() : [];
    for (const point of points.length ? points : [event]) {
      this.on(this.paper.squareAt(point.clientX, point.clientY));
    }
  }

  on(square) {
    if (square.row === this.last.row && square.unit === this.last.unit) return;
    if (this.figure) this.holdFigure(square);
    else if (this.stroke) {
      for (const [row, unit] of stretch(this.last, square).slice(1)) this.stroke.put(row, unit, this.filled);
    } else if (this.shape) {
      this.shape.to = this.onPaper(square);
      this.shape.isTap = false;
      this.paper.ask();
    }
    this.last = square;
    this.hovered = square;
    this.heard.place(square);
    this.paper.ask();
  }

  hover(event) {
    if (!this.paper.rect) this.paper.look();
    const square = this.paper.squareAt(event.clientX, event.clientY);
    if (this.hovered && square.row === this.hovered.row && square.unit === this.hovered.unit) return;
    this.hovered = square;
    if (this.figure) this.holdFigure(square);
    this.heard.place(square);
    this.paper.ask();
  }

  up(event) {
    this.lift(event.pointerId, event.pointerType);
    if (this.moves?.id === event.pointerId) this.moves = null;
    if (this.drawing !== event.pointerId) return;
    this.drawing = undefined;
    this.place = this.onPaper(this.last);
    if (this.figure) {
      if (event.pointerType !== "mouse" || event.button === 0) this.putDown();
    } else if (this.shape) this.finishShape();
    else this.finish();
  }

  cancel(event) {
    this.lift(event.pointerId, event.pointerType);
    if (this.moves?.id === event.pointerId) this.moves = null;
    if (this.drawing === event.pointerId) this.giveUp();
  }

  lift(id, pointerType) {
    if (pointerType === "pen") this.isPenDown = false;
    this.fingers.delete(id);
    this.pinched = this.fingers.size < 2 ? null : this.pinch();
  }

  // A stroke that was begun with the first of two fingers was none.
  giveUp() {
    this.stroke?.giveUp();
    this.stroke = null;
    this.shape = null;
    this.drawing = undefined;
    this.paper.ask();
  }

  pinch() {
    if (!this.paper.rect) this.paper.look();
    const [a, b] = [...this.fingers.values()];
    const { rect, ratio, size } = this.paper;
    return {
      x: ((a.clientX + b.clientX) / 2 - rect.left) * ratio,
      y: ((a.clientY + b.clientY) / 2 - rect.top) * ratio,
      apart: Math.max(20, Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY)),
      size,
    };
  }

  follow() {
    const now = this.pinch();
    const { pinched, paper } = this;
    paper.move(Math.round(now.x - pinched.x), Math.round(now.y - pinched.y));
    const size = paper.allowed((pinched.size * now.apart) / pinched.apart);
    if (size !== paper.size) paper.zoomTo(size, now.x, now.y);
    Object.assign(pinched, { x: now.x, y: now.y });
  }

  wheel(event) {
    event.preventDefault();
    this.paper.look();
    const { ratio, rect } = this.paper;
    if (event.ctrlKey) {
      const x = (event.clientX - rect.left) * ratio;
      const y = (event.clientY - rect.top) * ratio;
      this.wheeled = (this.wheeled ?? 1) * Math.exp(-event.deltaY * TURN_WHEEL);
      if (this.wheeled > 1.15 || this.wheeled < 1 / 1.15) {
        this.paper.zoom(this.wheeled, x, y);
        this.wheeled = 1;
      }
    } else {
      const by = event.deltaMode === 1 ? 24 : 1;
      const [dx, dy] = event.shiftKey ? [event.deltaY, event.deltaX] : [event.deltaX, event.deltaY];
      this.paper.move(Math.round(-dx * by * ratio), Math.round(-dy * by * ratio));
    }
  }

  // --- what is drawn --------------------------------------------------------------------------------------

  // Do something to the paper as one stroke.
  draw(how) {
    this.stroke = new Stroke(this.sheet, this.wishes.through);
    how((row, unit, filled) => this.stroke.put(row, unit, filled), this.stroke);
    this.finish();
  }

  finish() {
    const { stroke } = this;
    this.stroke = null;
    const places = stroke?.places ?? [];
    if (places.length) this.heard.drawn(places);
  }

  finishShape() {
    const { shape, filled } = this;
    this.shape = null;
    const box = boxOf(shape.from, shape.to);
    switch (this.wishes.way) {
      case "block":
        this.choose(shape.isTap ? null : box);
        break;
      case "run":
        this.draw((put) => stretch(shape.from, shape.to).forEach(([row, unit]) => put(row, unit, filled)));
        break;
      case "outline":
        this.draw((put) => {
          for (const part of outline(box)) each(part, (row, unit) => put(row, unit, filled));
        });
        break;
      case "area":
        if (shape.isTap && this.sheet.get(shape.from.row, shape.from.unit) !== filled) {
          const found = areaAround(this.sheet, shape.from.row, shape.from.unit);
          this.draw((put) => found.forEach(([row, unit]) => put(row, unit, filled)));
        } else if (!shape.isTap) this.draw((put) => each(box, (row, unit) => put(row, unit, filled)));
        break;
    }
    this.paper.ask();
  }

  choose(block) {
    this.block = block;
    this.heard.block(block);
    this.paper.ask();
  }

  // --- a figure in the hand -------------------------------------------------------------------------------

  take(figure) {
    this.figure = figure;
    this.giveUp();
    if (figure) {
      const { firstRow, lastRow, firstUnit, lastUnit } = this.paper.inSight;
      this.holdFigure(this.block ? { row: this.block.row + (this.block.rows >> 1), unit: this.block.unit + (this.block.units >> 1) }
        : { row: (firstRow + lastRow) >> 1, unit: (firstUnit + lastUnit) >> 1 });
    } else this.figureAt = null;
    this.paper.ask();
  }

  // The middle of the figure is at a square.
  holdFigure({ row, unit }) {
    const { rows } = this.figure;
    this.hold({ row: row - (rows.length >> 1), unit: unit - (rows[0].length >> 1) });
  }

  hold(place) {
    this.figureAt = place;
    this.isFigureSeen = true;
    this.heard.held(this.beyond, false);
    this.paper.ask();
  }

  putDown() {
    const { row, unit } = this.figureAt;
    this.draw((_, stroke) => stroke.lay(row, unit, this.figure.rows, this.wishes.coversAll));
    this.isFigureSeen = false;
    this.heard.held(this.beyond, true);
    this.paper.ask();
  }

  // How much of the figure lies beyond the edges.
  get beyond() {
    const { figure: { rows }, figureAt, sheet } = this;
    const off = (at, length, room) => Math.min(length, Math.max(0, -at) + Math.max(0, at + length - room));
    return { rows: off(figureAt.row, rows.length, sheet.rows), units: off(figureAt.unit, rows[0].length, sheet.units) };
  }

  // Look at a square.
  goTo(square) {
    this.place = this.onPaper(square);
    this.showPlace(true);
    this.paper.reveal(this.place);
    this.heard.place(this.place);
  }

  // --- keys -----------------------------------------------------------------------------------------------

  showPlace(isSeen) {
    this.isPlaceSeen = isSeen;
    this.paper.ask();
  }

  key(event) {
    if (event.altKey || event.metaKey || event.ctrlKey) return;
    const { key, shiftKey } = event;
    if (key !== "Shift" && !(shiftKey && key.startsWith("Arrow"))) this.endKeyStroke();
    const step = {
      ArrowUp: [1, 0], ArrowDown: [-1, 0], ArrowLeft: [0, -1], ArrowRight: [0, 1],
      PageUp: [10, 0], PageDown: [-10, 0], Home: [0, -this.sheet.units], End: [0, this.sheet.units],
    }[key];
    if (step) this.go(step, shiftKey && key.startsWith("Arrow"));
    else if (key === " " || key === "Enter") this.press();
    else if (key === "Delete" || key === "Backspace") this.rubOut();
    else if (key === "Escape") this.escape();
    else if (key === "+" || key === "=") this.paper.zoom(1.3);
    else if (key === "-") this.paper.zoom(1 / 1.3);
    else if (key === "0") this.paper.fit();
    else return;
    event.preventDefault();
  }

  go([rows, units], draws) {
    this.showPlace(true);
    if (this.figure) {
      this.hold({ row: this.figureAt.row + rows, unit: this.figureAt.unit + units });
      this.heard.spoken(this.onPaper(this.figureAt), "lower left square");
      return;
    }
    const before = this.place;
    this.place = this.onPaper({ row: before.row + rows, unit: before.unit + units });
    if (draws) {
      this.keyStroke ??= new Stroke(this.sheet, this.wishes.through);
      this.keyStroke.put(before.row, before.unit, this.wishes.filled);
      this.keyStroke.put(this.place.row, this.place.unit, this.wishes.filled);
    }
    if (this.shape) Object.assign(this.shape, { to: this.place, isTap: false });
    this.paper.reveal(this.place);
    this.heard.place(this.place);
    this.heard.spoken(this.place);
  }

  press() {
    this.showPlace(true);
    this.filled = this.wishes.filled;
    if (this.figure) this.putDown();
    else if (this.wishes.way === "squares") this.draw((put) => put(this.place.row, this.place.unit, this.filled));
    else if (this.shape) this.finishShape();
    else {
      this.shape = { from: this.place, to: this.place, isTap: true };
      this.paper.ask();
      this.heard.spoken(this.place, "first corner");
      return;
    }
    this.heard.spoken(this.place);
  }

  rubOut() {
    if (this.block) this.draw((put) => each(this.block, (row, unit) => put(row, unit, 0)));
    else this.draw((put) => put(this.place.row, this.place.unit, 0));
    this.heard.spoken(this.place);
  }

  escape() {
    if (this.figure) this.heard.letGo();
    else if (this.shape) this.giveUp();
    else this.choose(null);
  }

  endKeyStroke() {
    if (!this.keyStroke) return;
    this.stroke = this.keyStroke;
    this.keyStroke = null;
    this.finish();
  }

  // --- what lies over the paper ---------------------------------------------------------------------------

  // The square that is looked at: the keys' place, or where the pencil is.
  get lookedAt() {
    return this.isPlaceSeen && !this.figure ? this.place : this.hovered;
  }

  ringed() {
    const at = this.lookedAt;
    return at && this.sheet.isIn(at.row, at.unit) ? at.unit : -1;
  }

  above() {
    const { paper } = this;
    const parts = [];
    if (this.hasCard && this.lookedAt) parts.push((pen) => paper.card(pen, this.onPaper(this.lookedAt).row));
    if (this.shape) parts.push((pen) => this.drawShape(pen));
    else if (this.block) parts.push((pen) => paper.corners(pen, this.block));
    if (this.figure && this.isFigureSeen) parts.push((pen) => paper.figure(pen, this.figureAt, this.figure.rows, this.wishes.coversAll));
    else if (this.isPlaceSeen && !this.figure) parts.push((pen) => paper.frame(pen, { ...this.place, rows: 1, units: 1 }));
    return parts.length ? (pen) => parts.forEach((draw) => draw(pen)) : null;
  }

  drawShape(pen) {
    const { paper, shape, wishes } = this;
    const box = boxOf(shape.from, shape.to);
    const parts = {
      run: () => stretch(shape.from, shape.to).map(([row, unit]) => ({ row, unit, rows: 1, units: 1 })),
      outline: () => outline(box),
      area: () => (shape.isTap ? [] : [box]),
      block: () => [],
    }[wishes.way]();
    for (const part of wishes.through ? parts.flatMap((part) => this.together(part)) : parts) {
      paper.ghost(pen, part, this.filled);
    }
    if (wishes.way === "block") paper.corners(pen, box);
    else if (wishes.way !== "run") paper.frame(pen, box);
  }

  // The same rows in every unit that rises with those of a part.
  together({ row, unit, rows, units }) {
    const all = new Set();
    for (let u = unit; u < unit + units; u += 1) for (const other of this.sheet.hanging.with(u)) all.add(other);
    const found = [];
    for (const u of [...all].sort((a, b) => a - b)) {
      const last = found.at(-1);
      if (last && last.unit + last.units === u) last.units += 1;
      else found.push({ row, unit: u, rows, units: 1 });
    }
    return found;
  }
}

const outline = ({ row, unit, rows, units }) => [
  { row, unit, rows: 1, units },
  { row: row + rows - 1, unit, rows: 1, units },
  { row, unit, rows, units: 1 },
  { row, unit: unit + units - 1, rows, units: 1 },
];

export const each = ({ row, unit, rows, units }, visit) => {
  for (let r = row; r < row + rows; r += 1) for (let u = unit; u < unit + units; u += 1) visit(r, u);
};
