// The squares of one band, how the units hang, and what the loom as it hangs cannot lift.
//
// Rows are counted from 0, the first woven; units from 0, from the weaver's left.

export class Hanging {
  constructor({ units, leashes, cords, shafts, shaftsFrom, unitsFrom }) {
    Object.assign(this, { units, leashes, shafts, shaftsFrom, unitsFrom });
    this.corded = new Uint8Array(units);
    for (const unit of cords) this.corded[unit - 1] = 1;
    // shafts that carry anything, counted through from 0; -1 for a unit on its single cord only
    const carrying = [...new Set(leashes)].filter(Boolean).sort((a, b) => a - b);
    const number = new Map(carrying.map((shaft, at) => [shaft, at]));
    this.shaftOf = Int32Array.from(leashes, (shaft) => (shaft ? number.get(shaft) : -1));
    this.together = carrying.map(() => []);
    this.shaftOf.forEach((shaft, unit) => shaft >= 0 && this.together[shaft].push(unit));
  }

  // The units that rise with this one.
  with(unit) {
    const shaft = this.shaftOf[unit];
    return shaft < 0 ? [unit] : this.together[shaft];
  }

  // As she counts.
  unitName(unit) {
    return this.unitsFrom === "right" ? this.units - unit : unit + 1;
  }

  shaftName(unit) {
    const shaft = this.leashes[unit];
    return shaft && this.shaftsFrom === "back" ? this.shafts + 1 - shaft : shaft;
  }

  // The turning point nearest to the middle; without one, the middle.
  get middle() {
    const half = (this.units - 1) / 2;
    let found = Math.floor(half);
    let away = Infinity;
    for (let unit = 1; unit < this.units - 1; unit += 1) {
      const [before, here, after] = [-1, 0, 1].map((step) => this.shaftOf[unit + step]);
      if (before < 0 || here < 0 || after < 0) continue;
      if ((here - before) * (here - after) > 0 && Math.abs(unit - half) < away) {
        found = unit;
        away = Math.abs(unit - half);
      }
    }
    return found;
  }
}

export class Sheet {
  constructor(hanging, { number, name, rows }) {
    this.hanging = hanging;
    this.number = number;
    this.name = name;
    this.units = hanging.units;
    this.rows = rows.length;
    this.cells = new Uint8Array(this.rows * this.units);
    this.shafts = hanging.together.length;
    this.up = new Int32Array(this.rows * this.shafts); // units lifted, of each row and shaft
    this.upAlone = new Int32Array(this.rows * this.shafts); // those of them without a single cord
    this.troubles = new Int32Array(this.rows); // shafts of which a row wants what the loom cannot lift
    this.changed = () => {}; // told of every square that looks otherwise than before
    rows.forEach((row, r) => {
      for (let u = 0; u < this.units; u += 1) if (row[u] === "#") this.set(r, u, 1);
    });
  }

  get(row, unit) {
    return this.cells[row * this.units + unit];
  }

  isIn(row, unit) {
    return row >= 0 && row < this.rows && unit >= 0 && unit < this.units;
  }

  // A part of the shaft, and not one that single cords lift alone; the server's rule is in server/plan/demands.py.
  wantsTemporary(row, shaft) {
    const at = row * this.shafts + shaft;
    return this.upAlone[at] > 0 && this.up[at] !== this.hanging.together[shaft].length;
  }

  // Whether all that rises with a unit is filled in a row, or all empty.
  isEven(row, unit, filled) {
    const shaft = this.hanging.shaftOf[unit];
    if (shaft < 0) return this.get(row, unit) === filled;
    return this.up[row * this.shafts + shaft] === (filled ? this.hanging.together[shaft].length : 0);
  }

  isMarked(row, unit) {
    const shaft = this.hanging.shaftOf[unit];
    return shaft >= 0 && this.cells[row * this.units + unit] === 1 && !this.hanging.corded[unit]
      && this.wantsTemporary(row, shaft);
  }

  set(row, unit, filled) {
    const at = row * this.units + unit;
    if (this.cells[at] === filled) return;
    this.cells[at] = filled;
    const shaft = this.hanging.shaftOf[unit];
    if (shaft >= 0) {
      const wanted = this.wantsTemporary(row, shaft);
      const change = filled ? 1 : -1;
      this.up[row * this.shafts + shaft] += change;
      if (!this.hanging.corded[unit]) this.upAlone[row * this.shafts + shaft] += change;
      const wants = this.wantsTemporary(row, shaft);
      if (wants !== wanted) {
        this.troubles[row] += wants ? 1 : -1;
        for (const other of this.hanging.together[shaft]) this.changed(row, other);
        return;
      }
    }
    this.changed(row, unit);
  }

  // Where to begin to look: the first row that needs a temporary, or has anything; in it, what is nearest to the middle.
  get beginning() {
    const { middle } = this.hanging;
    const marked = this.troubles.findIndex((shafts) => shafts > 0);
    const drawn = this.cells.indexOf(1);
    if (drawn < 0) return { row: 0, unit: middle };
    return this.nearest(marked < 0 ? Math.floor(drawn / this.units) : marked, middle);
  }

  // In a row, the square that is marked, or else filled, nearest to a unit.
  nearest(row, to) {
    const units = Array.from({ length: this.units }, (_, unit) => unit);
    const marked = units.filter((unit) => this.isMarked(row, unit));
    const found = marked.length ? marked : units.filter((unit) => this.get(row, unit));
    return { row, unit: found.reduce((best, unit) => (Math.abs(unit - to) < Math.abs(best - to) ? unit : best), found[0] ?? to) };
  }

  turn(places) {
    for (const at of places) {
      this.set(Math.floor(at / this.units), at % this.units, this.cells[at] ? 0 : 1);
    }
  }

  // Rows as letters, the first woven first.
  block({ row, unit, rows, units }) {
    return Array.from({ length: rows }, (_, r) =>
      Array.from({ length: units }, (_, u) => (this.get(row + r, unit + u) ? "#" : ".")).join(""));
  }
}

// What one stroke changes, from the pencil on the paper until it is lifted.
export class Stroke {
  constructor(sheet, throughTheLoom) {
    this.sheet = sheet;
    this.through = throughTheLoom;
    this.before = new Map();
  }

  put(row, unit, filled) {
    const { sheet } = this;
    if (!sheet.isIn(row, unit)) return;
    if (!this.through) this.#one(row, unit, filled);
    else if (!sheet.isEven(row, unit, filled)) for (const other of sheet.hanging.with(unit)) this.#one(row, other, filled);
  }

  #one(row, unit, filled) {
    const at = row * this.sheet.units + unit;
    const now = this.sheet.cells[at];
    if (now === filled) return;
    if (!this.before.has(at)) this.before.set(at, now);
    this.sheet.set(row, unit, filled);
  }

  // Squares that are filled or empty as letters say; what hangs together is filled where any of it is to be.
  lay(row, unit, letters, coversAll) {
    letters.forEach((line, r) => {
      for (const filled of coversAll ? [0, 1] : [1]) {
        for (let u = 0; u < line.length; u += 1) {
          if ((line[u] === "#") === (filled === 1)) this.put(row + r, unit + u, filled);
        }
      }
    });
  }

  giveUp() {
    for (const [at, was] of this.before) {
      this.sheet.set(Math.floor(at / this.sheet.units), at % this.sheet.units, was);
    }
    this.before.clear();
  }

  get places() {
    const places = [];
    for (const [at, was] of this.before) if (this.sheet.cells[at] !== was) places.push(at);
    return places.sort((a, b) => a - b);
  }
}

const GAP = 6; // squares that stay as they are and yet are told along, where that is shorter
const MOST_LETTERS = 700_000; // of one request

// Places of a sheet as runs for the server, with the places themselves: one part to a request.
export const partsOf = (sheet, places) => {
  const parts = [];
  let part = null;
  let letters = MOST_LETTERS;
  const take = (from, to, isEven) => {
    const first = places[from];
    const last = places[to - 1];
    const row = Math.floor(first / sheet.units);
    let what = sheet.cells[first];
    if (!isEven) what = Array.from(sheet.cells.subarray(first, last + 1), (cell) => (cell ? "#" : ".")).join("");
    const run = [row + 1, (first % sheet.units) + 1, (last % sheet.units) + 1, what];
    letters += JSON.stringify(run).length + 1;
    if (letters > MOST_LETTERS) {
      parts.push((part = { runs: [], places: [] }));
      letters = 0;
    }
    part.runs.push(run);
    for (let at = from; at < to; at += 1) part.places.push(places[at]);
  };
  let at = 0;
  while (at < places.length) {
    const first = places[at];
    const rowEnd = (Math.floor(first / sheet.units) + 1) * sheet.units;
    let last = first;
    let isEven = true;
    let next = at + 1;
    for (; next < places.length && places[next] < rowEnd && places[next] - last <= GAP; next += 1) {
      const follows = places[next] === last + 1 && sheet.cells[places[next]] === sheet.cells[first];
      // a long even run is not spoilt by what follows it
      if (!follows && isEven && last - first > 3 * GAP) break;
      isEven = isEven && follows;
      last = places[next];
    }
    take(at, next, isEven);
    at = next;
  }
  return parts;
};

// The squares around one that are as it is, edge to edge: a closed area.
export const areaAround = (sheet, row, unit) => {
  const wanted = sheet.get(row, unit);
  const seen = new Uint8Array(sheet.cells.length);
  const found = [];
  const open = [[row, unit]];
  seen[row * sheet.units + unit] = 1;
  while (open.length) {
    const [r, u] = open.pop();
    found.push([r, u]);
    for (const [nr, nu] of [[r + 1, u], [r - 1, u], [r, u + 1], [r, u - 1]]) {
      if (!sheet.isIn(nr, nu) || seen[nr * sheet.units + nu] || sheet.get(nr, nu) !== wanted) continue;
      seen[nr * sheet.units + nu] = 1;
      open.push([nr, nu]);
    }
  }
  return found;
};

// The squares of a straight stretch: along a row, a column, or on a slant.
export const stretch = (from, to) => {
  const steps = Math.max(Math.abs(to.row - from.row), Math.abs(to.unit - from.unit));
  return Array.from({ length: steps + 1 }, (_, step) => {
    const part = steps ? step / steps : 0;
    return [Math.round(from.row + (to.row - from.row) * part), Math.round(from.unit + (to.unit - from.unit) * part)];
  });
};

export const boxOf = (from, to) => ({
  row: Math.min(from.row, to.row),
  unit: Math.min(from.unit, to.unit),
  rows: Math.abs(from.row - to.row) + 1,
  units: Math.abs(from.unit - to.unit) + 1,
});
