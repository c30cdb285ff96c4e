// Draws the sheet: squared paper, row numbers at its side, the leash order under it; and what lies over it.
//
// Everything is drawn in the device's own pixels, and a square is a whole number of them, so that one square can
// be drawn anew without its neighbours. What is far away shows several squares in one pixel.

const HEAVY = 10; // every so many squares a heavier line
const LARGEST = 40; // pixels of the page to a square
const TO_HIT = 24; // of a square that a finger can hit; the sheet begins so, if not all of it fits
const TICK = 12; // of the ticks at the corners of a block
const SMALLEST_GRID = 4; // device pixels to a square from which on thin lines are drawn
const SMALLEST_STROKE = 4;

const COLOURS = ["ground", "paper", "ink", "ink-soft", "thread", "lifted", "act", "act-ink"];

const colours = () => {
  const probe = document.createElement("i");
  document.body.append(probe);
  const pen = new OffscreenCanvas(1, 1).getContext("2d", { willReadFrequently: true });
  const found = {};
  for (const name of COLOURS) {
    probe.style.color = `var(--${name})`;
    const text = getComputedStyle(probe).color;
    pen.fillStyle = text;
    pen.fillRect(0, 0, 1, 1);
    const word = new Uint32Array(pen.getImageData(0, 0, 1, 1).data.buffer)[0];
    found[name] = { text, word };
  }
  probe.remove();
  return found;
};

export class Paper {
  constructor(place, drawn, rings, over) {
    this.place = place;
    this.canvases = { drawn, rings, over };
    this.pen = drawn.getContext("2d", { alpha: false });
    this.ringPen = rings.getContext("2d");
    this.overPen = over.getContext("2d");
    this.window = document.createElement("canvas");
    this.windowPen = this.window.getContext("2d");
    this.dirty = [];
    this.isAllDirty = true;
    this.isAsked = false;
    this.fits = true; // stays whole when the room changes
    this.above = () => null; // what draws what lies over the paper; null: nothing does
    this.ringed = () => -1; // the unit whose fellows are ringed; -1: none
    this.isAboveShown = false;
    this.ringsShown = -1;
    this.size = 1;
    this.left = 0;
    this.top = 0;
    this.measure();
    new ResizeObserver(() => this.measure()).observe(place);
    const look = () => {
      this.colours = null;
      this.all();
    };
    new MutationObserver(look).observe(document.documentElement, { attributeFilter: ["data-look", "data-size"] });
    for (const query of ["(prefers-color-scheme: dark)", "(prefers-contrast: more)", "(forced-colors: active)"]) {
      matchMedia(query).addEventListener("change", look);
    }
  }

  measure() {
    const { clientWidth, clientHeight } = this.place;
    const [wideBefore, highBefore] = [this.roomWide, this.roomHigh];
    const ratio = devicePixelRatio || 1;
    this.ratio = ratio;
    this.wide = Math.max(1, Math.round(clientWidth * ratio));
    this.high = Math.max(1, Math.round(clientHeight * ratio));
    const { drawn, rings, over } = this.canvases;
    for (const canvas of [drawn, over]) Object.assign(canvas, { width: this.wide, height: this.high });
    const rem = parseFloat(getComputedStyle(document.documentElement).fontSize);
    this.letter = Math.round(Math.min(20, 0.8 * rem) * ratio);
    this.side = Math.round(3.1 * this.letter); // room for row numbers
    this.under = Math.round((Math.min(88, Math.max(46, clientHeight * 0.14))) * ratio + this.letter);
    Object.assign(rings, { width: this.wide, height: this.under });
    rings.style.height = `${this.under / ratio}px`;
    this.roomWide = Math.max(1, this.wide - this.side);
    this.roomHigh = Math.max(1, this.high - this.under);
    if (this.sheet) {
      if (this.fits) this.fit();
      else this.move(Math.round((this.roomWide - wideBefore) / 2), this.roomHigh - highBefore); // the lowest row stays
    }
    this.all();
  }

  show(sheet) {
    const isSame = this.sheet && this.sheet.number === sheet.number && this.sheet.rows === sheet.rows;
    this.sheet = sheet;
    sheet.changed = (row, unit) => {
      this.dirty.push(row * sheet.units + unit);
      this.ask();
    };
    if (!isSame) this.begin();
    this.all();
  }

  // --- where things are -----------------------------------------------------------------------------------

  x(unit) {
    return this.left + unit * this.size;
  }

  y(row) {
    return this.top + (this.sheet.rows - 1 - row) * this.size;
  }

  // The square at a point of the page, which may be off the paper.
  squareAt(clientX, clientY) {
    const x = (clientX - this.rect.left) * this.ratio;
    const y = (clientY - this.rect.top) * this.ratio;
    return {
      unit: Math.floor((x - this.left) / this.size),
      row: this.sheet.rows - 1 - Math.floor((y - this.top) / this.size),
    };
  }

  // Where the paper lies on the page; asked when a finger comes down, never while it moves.
  look() {
    this.rect = this.place.getBoundingClientRect();
  }

  get largest() {
    return Math.round(LARGEST * this.ratio);
  }

  // All of the band; but what is far higher than wide would be a thread, and is not shown whole.
  get whole() {
    const across = (this.roomWide - 2) / this.sheet.units;
    const size = Math.max(Math.min(across, (this.roomHigh - 2) / this.sheet.rows), Math.min(across, this.ratio));
    return Math.min(this.allowed(size), this.largest);
  }

  allowed(size) {
    return size >= 1 ? Math.floor(size) : 1 / Math.ceil(1 / size);
  }

  // As large as a finger needs, where there is something to see or the leash order turns.
  begin() {
    const size = Math.round(TO_HIT * this.ratio);
    if (this.whole >= 0.9 * size) {
      this.fit();
      return;
    }
    const { row, unit } = this.sheet.beginning;
    this.size = size;
    this.fits = false;
    this.left = Math.round(this.side + this.roomWide / 2 - (unit + 0.5) * size);
    this.top = this.roomHigh - 1 - (this.sheet.rows - Math.max(0, row - 1)) * size;
    this.settle();
  }

  fit() {
    this.size = this.whole;
    this.fits = true;
    this.top = -Infinity; // the first row woven is in sight
    this.settle();
  }

  // Go closer or further by a factor, a point staying where it is.
  zoom(factor, x = this.side + this.roomWide / 2, y = this.roomHigh / 2) {
    const before = this.size;
    let size = this.allowed(before * factor);
    if (size === before && factor > 1) size = before >= 1 ? before + 1 : this.allowed(1 / (1 / before - 1));
    this.zoomTo(Math.max(Math.min(this.whole, before), Math.min(size, this.largest)), x, y);
  }

  zoomTo(size, x, y) {
    const before = this.size;
    this.size = Math.max(Math.min(this.whole, this.largest), Math.min(size, this.largest));
    this.left = Math.round(x - ((x - this.left) / before) * this.size);
    this.top = Math.round(y - ((y - this.top) / before) * this.size);
    this.fits = this.size === this.whole;
    this.settle();
  }

  move(dx, dy) {
    this.left += dx;
    this.top += dy;
    this.settle();
  }

  // The paper never leaves the desk.
  settle() {
    const wide = this.sheet.units * this.size;
    const high = this.sheet.rows * this.size;
    const slack = Math.round(1.5 * this.letter);
    this.left = wide + 2 <= this.roomWide
      ? this.side + Math.floor((this.roomWide - wide) / 2)
      : Math.round(Math.min(this.side + slack, Math.max(this.wide - slack - wide, this.left)));
    this.top = high + 2 <= this.roomHigh
      ? Math.max(0, this.roomHigh - high - 1)
      : Math.round(Math.min(slack, Math.max(this.roomHigh - 1 - high, this.top)));
    this.all();
  }

  // Move so that a square is in sight.
  reveal({ row, unit }) {
    const edge = Math.min(2 * this.size, this.roomWide / 4, this.roomHigh / 4);
    const x = this.x(unit);
    const y = this.y(row);
    let dx = 0;
    let dy = 0;
    if (x - edge < this.side) dx = this.side - x + edge;
    else if (x + this.size + edge > this.wide) dx = this.wide - x - this.size - edge;
    if (y - edge < 0) dy = edge - y;
    else if (y + this.size + edge > this.roomHigh) dy = this.roomHigh - y - this.size - edge;
    if (dx || dy) this.move(Math.round(dx), Math.round(dy));
  }

  // --- drawing --------------------------------------------------------------------------------------------

  all() {
    this.isAllDirty = true;
    this.ask();
  }

  ask() {
    if (this.isAsked) return;
    this.isAsked = true;
    requestAnimationFrame(() => this.draw());
  }

  draw() {
    this.isAsked = false;
    if (!this.sheet) return;
    this.colours ??= colours();
    const isMany = this.dirty.length > 20_000 || (this.dirty.length && this.size < 1);
    if (this.isAllDirty || isMany) this.drawAll();
    else if (this.dirty.length) this.drawDirty();
    this.drawAbove();
    this.drawRings();
    this.dirty.length = 0;
    this.isAllDirty = false;
  }

  // To wipe what lies over the paper takes as long as all else together; as a rule there is nothing.
  drawAbove() {
    const draw = this.above();
    if (this.isAboveShown) this.overPen.clearRect(0, 0, this.wide, this.high);
    this.isAboveShown = draw !== null;
    if (!draw) return;
    const pen = this.overPen;
    pen.save();
    pen.beginPath();
    pen.rect(this.side, 0, this.roomWide, this.roomHigh);
    pen.clip();
    draw(pen);
    pen.restore();
  }

  // First and last row and unit in sight.
  get inSight() {
    const { rows, units } = this.sheet;
    return {
      firstUnit: Math.max(0, Math.floor((this.side - this.left) / this.size)),
      lastUnit: Math.min(units - 1, Math.floor((this.wide - this.left) / this.size)),
      firstRow: Math.max(0, rows - 1 - Math.floor((this.roomHigh - this.top) / this.size)),
      lastRow: Math.min(rows - 1, rows - 1 - Math.floor(-this.top / this.size)),
    };
  }

  drawAll() {
    const { pen, colours } = this;
    // for who looks for a square from outside, as tests do
    this.place.dataset.squares = [this.left, this.top, this.size, this.ratio].join(" ");
    pen.fillStyle = colours.ground.text;
    pen.fillRect(0, 0, this.wide, this.high);
    const sight = this.inSight;
    if (sight.lastUnit >= sight.firstUnit && sight.lastRow >= sight.firstRow) {
      pen.save();
      pen.beginPath();
      pen.rect(this.side, 0, this.roomWide, this.roomHigh);
      pen.clip();
      this.drawSquares(sight);
      this.drawStrokes(sight);
      this.drawGrid(sight);
      pen.restore();
      this.drawUnder(sight);
      this.drawSide(sight);
    }
  }

  // All squares in sight, one pixel each, laid down enlarged.
  drawSquares({ firstUnit, lastUnit, firstRow, lastRow }) {
    const { sheet, size, colours } = this;
    const by = size < 1 ? Math.round(1 / size) : 1; // squares to a pixel
    const wide = Math.ceil((lastUnit - firstUnit + 1) / by);
    const high = Math.ceil((lastRow - firstRow + 1) / by);
    const image = new ImageData(wide, high);
    const words = new Uint32Array(image.data.buffer).fill(colours.paper.word);
    const { lifted, act } = colours;
    for (let row = firstRow; row <= lastRow; row += 1) {
      const line = Math.floor((lastRow - row) / by) * wide;
      for (let unit = firstUnit, at = row * sheet.units + unit; unit <= lastUnit; unit += 1, at += 1) {
        if (!sheet.cells[at]) continue;
        const pixel = line + (by === 1 ? unit - firstUnit : Math.floor((unit - firstUnit) / by));
        words[pixel] = sheet.troubles[row] && sheet.isMarked(row, unit) ? act.word : lifted.word;
      }
    }
    Object.assign(this.window, { width: wide, height: high });
    this.windowPen.putImageData(image, 0, 0);
    this.pen.imageSmoothingEnabled = false;
    this.pen.drawImage(this.window, this.x(firstUnit), this.y(lastRow), wide * size * by, high * size * by);
  }

  // The second mark of squares that need a temporary: a stroke through them.
  drawStrokes({ firstUnit, lastUnit, firstRow, lastRow }) {
    if (this.size < SMALLEST_STROKE) return;
    this.beginStrokes();
    for (let row = firstRow; row <= lastRow; row += 1) {
      if (!this.sheet.troubles[row]) continue;
      for (let unit = firstUnit; unit <= lastUnit; unit += 1) {
        if (this.sheet.isMarked(row, unit)) this.stroke(row, unit);
      }
    }
    this.pen.stroke();
  }

  beginStrokes() {
    this.pen.strokeStyle = this.colours["act-ink"].text;
    this.pen.lineWidth = Math.max(1, this.size * 0.15);
    this.pen.beginPath();
  }

  stroke(row, unit) {
    const [x, y, size] = [this.x(unit), this.y(row), this.size];
    this.pen.moveTo(x + 0.18 * size, y + 0.88 * size);
    this.pen.lineTo(x + 0.88 * size, y + 0.18 * size);
  }

  // Whether a heavier line is to the left of a unit, or above a row.
  isHeavyUnit(unit) {
    return (this.sheet.hanging.unitsFrom === "right" ? this.sheet.units - unit : unit) % HEAVY === 0;
  }

  get hasThin() {
    return this.size >= SMALLEST_GRID;
  }

  get hasHeavy() {
    return this.size >= 2;
  }

  drawGrid({ firstUnit, lastUnit, firstRow, lastRow }) {
    const { pen, sheet } = this;
    const [x, y] = [this.x(firstUnit), this.y(lastRow)];
    const [wide, high] = [(lastUnit - firstUnit + 1) * this.size, (lastRow - firstRow + 1) * this.size];
    const lines = (isHeavy) => {
      pen.fillStyle = this.colours[isHeavy ? "ink-soft" : "thread"].text;
      for (let unit = firstUnit; unit <= lastUnit + 1; unit += 1) {
        const isEdge = unit === 0 || unit === sheet.units;
        if ((isEdge || this.isHeavyUnit(unit)) === isHeavy) pen.fillRect(this.x(unit), y, 1, high + 1);
      }
      for (let row = firstRow - 1; row <= lastRow; row += 1) {
        const isEdge = row === -1 || row === sheet.rows - 1;
        if ((isEdge || (row + 1) % HEAVY === 0) === isHeavy) pen.fillRect(x, this.y(row), wide + 1, 1);
      }
    };
    if (this.hasThin) lines(false);
    if (this.hasHeavy) lines(true);
    else {
      pen.strokeStyle = this.colours["ink-soft"].text;
      pen.lineWidth = 1;
      pen.strokeRect(x + 0.5, y + 0.5, wide, high);
    }
  }

  // The squares that look otherwise now; the lines between them stay.
  drawDirty() {
    const { pen, sheet, size, colours } = this;
    pen.save();
    pen.beginPath();
    pen.rect(this.side, 0, this.roomWide, this.roomHigh);
    pen.clip();
    const marked = [];
    const rows = new Set();
    for (const at of this.dirty) {
      const row = Math.floor(at / sheet.units);
      const unit = at % sheet.units;
      rows.add(row);
      const x = this.x(unit);
      const y = this.y(row);
      if (x > this.wide || x + size < this.side || y > this.roomHigh || y + size < 0) continue;
      const isMarked = sheet.isMarked(row, unit);
      if (isMarked) marked.push(row, unit);
      pen.fillStyle = colours[isMarked ? "act" : sheet.cells[at] ? "lifted" : "paper"].text;
      const dx = this.hasThin || (this.hasHeavy && (unit === 0 || this.isHeavyUnit(unit))) ? 1 : 0;
      const isUnderLine = row === sheet.rows - 1 || (row + 1) % HEAVY === 0;
      const dy = this.hasThin || (this.hasHeavy && isUnderLine) ? 1 : 0;
      pen.fillRect(x + dx, y + dy, size - dx, size - dy);
    }
    if (size >= SMALLEST_STROKE && marked.length) {
      this.beginStrokes();
      for (let at = 0; at < marked.length; at += 2) this.stroke(marked[at], marked[at + 1]);
      pen.stroke();
    }
    pen.restore();
    for (const row of rows) this.markRow(row);
  }

  // At the side: a bar beside every row that needs a temporary, whatever size its squares have.
  markRow(row) {
    const y = this.y(row);
    if (y + this.size < 0 || y > this.roomHigh) return;
    const high = Math.max(1, Math.min(this.size, this.roomHigh - y) - (this.size > 3 ? 1 : 0));
    this.pen.fillStyle = this.colours[this.sheet.troubles[row] ? "ink" : "ground"].text;
    this.pen.fillRect(this.edge - Math.round(5 * this.ratio), y, Math.round(3 * this.ratio), high);
  }

  // The left edge of what is in sight of the sheet; row numbers stand beside it.
  get edge() {
    return Math.max(this.side, this.left);
  }

  font(weight = 600) {
    return `${weight} ${this.letter}px ${getComputedStyle(document.body).fontFamily}`;
  }

  drawSide({ firstRow, lastRow }) {
    const { pen } = this;
    pen.fillStyle = this.colours.ground.text;
    pen.fillRect(0, 0, this.side, this.high);
    pen.fillStyle = this.colours.ink.text;
    pen.font = this.font();
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    const step = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 5000].find((n) => n * this.size >= 1.6 * this.letter);
    let highest = Infinity;
    for (let row = firstRow; row <= lastRow; row += 1) {
      if (row && (row + 1) % (step ?? 10_000)) continue;
      const middle = this.y(row) + this.size / 2;
      const y = Math.min(middle, this.roomHigh - this.letter / 2);
      if (row && y < middle) continue; // its number would stand beside the row above
      if (y < this.letter / 2 || y > highest - this.letter) continue;
      highest = y;
      pen.fillText(row + 1, this.edge - Math.round(9 * this.ratio), y);
    }
    for (let row = firstRow; row <= lastRow; row += 1) if (this.sheet.troubles[row]) this.markRow(row);
  }

  // --- the leash order ------------------------------------------------------------------------------------

  // Where the line of a shaft is: shaft 1 is nearest to the weaver, at the bottom.
  lineOf(shaft) {
    const lines = this.sheet.shafts + (this.hasLoose ? 1 : 0);
    const from = this.roomHigh + this.letter * 0.5;
    const to = this.high - 1.5 * this.letter;
    return to - ((shaft + (this.hasLoose ? 1 : 0) + 0.5) * (to - from)) / Math.max(1, lines);
  }

  get hasLoose() {
    return this.sheet.hanging.shaftOf.includes(-1);
  }

  get dot() {
    const lines = this.sheet.shafts + 1;
    return Math.max(1, Math.min(this.size * 0.36, (this.under - 2 * this.letter) / lines / 1.7, 5 * this.ratio));
  }

  drawUnder({ firstUnit, lastUnit }) {
    const { pen, sheet, size, colours } = this;
    pen.fillStyle = colours.ground.text;
    pen.fillRect(0, this.roomHigh, this.wide, this.under);
    const from = Math.max(this.side, this.x(firstUnit));
    const to = Math.min(this.wide, this.x(lastUnit + 1));
    pen.fillStyle = colours.thread.text;
    if ((this.under - 2 * this.letter) / (sheet.shafts + 1) >= 3 * this.ratio) {
      for (let shaft = 0; shaft < sheet.shafts; shaft += 1) {
        pen.fillRect(from, Math.round(this.lineOf(shaft)), to - from, 1);
      }
    }
    pen.fillStyle = colours.ink.text;
    pen.strokeStyle = colours.ink.text;
    pen.lineWidth = Math.max(1, this.ratio);
    const { dot } = this;
    const isRound = dot >= 2;
    pen.beginPath();
    for (let unit = firstUnit; unit <= lastUnit; unit += 1) this.dotOf(pen, unit, dot, isRound);
    pen.fill();
    pen.font = this.font();
    pen.textAlign = "center";
    pen.textBaseline = "alphabetic";
    const step = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000].find((n) => n * size >= 3.2 * this.letter) ?? 5000;
    for (let unit = firstUnit; unit <= lastUnit; unit += 1) {
      const name = sheet.hanging.unitName(unit);
      const x = this.x(unit) + size / 2;
      if ((name === 1 || name % step === 0) && x > this.side && x < this.wide - this.letter) {
        pen.fillText(name, x, this.high - Math.round(0.35 * this.letter));
      }
    }
  }

  dotOf(pen, unit, dot, isRound) {
    const x = this.x(unit) + this.size / 2;
    if (x < this.side) return;
    const shaft = this.sheet.hanging.shaftOf[unit];
    const y = this.lineOf(shaft);
    if (shaft < 0) { // on its single cord only: a small upright
      pen.rect(x - dot / 3, y - dot, Math.max(1, (2 * dot) / 3), 2 * dot);
    } else if (isRound) {
      pen.moveTo(x + dot, y);
      pen.arc(x, y, dot, 0, 7);
    } else {
      pen.rect(x - dot, y - dot, 2 * dot, 2 * dot);
    }
  }

  // The units that rise with one, ringed in the leash order.
  drawRings() {
    const unit = this.ringed();
    if (unit === this.ringsShown && !this.isAllDirty) return;
    this.ringsShown = unit;
    const pen = this.ringPen;
    pen.clearRect(0, 0, this.wide, this.under);
    if (unit < 0) return;
    pen.strokeStyle = this.colours.ink.text;
    pen.lineWidth = 2 * this.ratio;
    pen.beginPath();
    const ring = this.dot + 3 * this.ratio;
    for (const other of this.sheet.hanging.with(unit)) {
      const x = this.x(other) + this.size / 2;
      if (x < this.side || x > this.wide) continue;
      const y = this.lineOf(this.sheet.hanging.shaftOf[other]) - this.roomHigh;
      pen.moveTo(x + ring, y);
      pen.arc(x, y, ring, 0, 7);
    }
    pen.stroke();
  }

  // --- what lies over the paper ---------------------------------------------------------------------------

  frame(pen, { row, unit, rows, units }) {
    const [x, y] = [this.x(unit), this.y(row + rows - 1)];
    this.twice(pen, () => pen.rect(x, y, units * this.size + 1, rows * this.size + 1));
  }

  // Ticks at its corners, as one marks a block on paper.
  corners(pen, { row, unit, rows, units }) {
    const [left, top] = [this.x(unit), this.y(row + rows - 1)];
    const [right, bottom] = [left + units * this.size + 1, top + rows * this.size + 1];
    const long = Math.min(TICK * this.ratio, (right - left) / 2, (bottom - top) / 2);
    this.twice(pen, () => {
      for (const [x, inwards] of [[left, 1], [right, -1]]) {
        for (const [y, on] of [[top, 1], [bottom, -1]]) {
          pen.moveTo(x + inwards * long, y);
          pen.lineTo(x, y);
          pen.lineTo(x, y + on * long);
        }
      }
    });
  }

  // Inked lines, to be seen on filled squares, too.
  twice(pen, lines) {
    const thick = 2 * this.ratio;
    pen.beginPath();
    lines();
    for (const [colour, width] of [["paper", 3 * thick], ["ink", thick]]) {
      pen.strokeStyle = this.colours[colour].text;
      pen.lineWidth = width;
      pen.stroke();
    }
  }

  // Squares that would be filled or rubbed out, before they are.
  ghost(pen, { row, unit, rows, units }, filled) {
    pen.fillStyle = this.colours[filled ? "ink-soft" : "paper"].text;
    pen.globalAlpha = 0.75;
    pen.fillRect(this.x(unit), this.y(row + rows - 1), units * this.size, rows * this.size);
    pen.globalAlpha = 1;
  }

  figure(pen, { row, unit }, rows, coversAll) {
    pen.globalAlpha = 0.85;
    rows.forEach((line, r) => {
      const y = this.y(row + r);
      if (y > this.roomHigh || y + this.size < 0) return;
      for (let u = 0; u < line.length; u += 1) {
        const filled = line[u] === "#";
        if (!filled && !coversAll) continue;
        let end = u + 1;
        while (end < line.length && (line[end] === "#") === filled) end += 1;
        pen.fillStyle = this.colours[filled ? "ink-soft" : "paper"].text;
        pen.fillRect(this.x(unit + u), y, (end - u) * this.size, this.size);
        u = end - 1;
      }
    });
    pen.globalAlpha = 1;
    this.corners(pen, { row, unit, rows: rows.length, units: rows[0].length });
  }

  // A card laid over all rows but one.
  card(pen, row) {
    pen.fillStyle = this.colours.ground.text;
    pen.globalAlpha = 0.86;
    pen.fillRect(this.side, 0, this.roomWide, Math.max(0, this.y(row)));
    pen.fillRect(this.side, this.y(row) + this.size + 1, this.roomWide, this.roomHigh);
    pen.globalAlpha = 1;
  }
}
