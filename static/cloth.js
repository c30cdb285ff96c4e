// The cloth moves under the hand: drag, pinch, wheel, keys. Without this the links and the forms do the same, step
// by step. What is drawn is always asked of the server; a coarse picture of the whole lies under the sharp one.

const FEWEST_DOTS = 60; // a thread is at most so wide on the screen
const MOST_DOTS = 2.2e6;
const WHOLE_DOTS = 0.8e6;
const ASK_MS = 130;
const TAP_MS = 300;
const TAP_PX = 9;
const LOWEST_FRAME = 220;
const MARGIN = 0.97; // how much of the frame the whole cloth fills

const still = matchMedia("(prefers-reduced-motion: reduce)");
const clamp = (value, low, high) => Math.min(Math.max(value, low), Math.max(low, high));
const range = (text) => text.split("-").map(Number);
const told = (number) => number.toLocaleString("en");

class Cloth {
  constructor(frame) {
    const { dataset } = frame;
    this.frame = frame;
    this.form = document.querySelector("[data-choices]");
    this.words = document.getElementById("seen-words");
    this.ends = Number(dataset.ends);
    this.picks = Number(dataset.picks);
    this.width = Number(dataset.width); // centimetres, as everything below but the frame
    this.height = Number(dataset.height);
    this.near = frame.querySelector("img");
    this.whole = new Image();
    this.whole.alt = "";
    this.near.before(this.whole);
    const [[firstEnd, lastEnd], [firstPick, lastPick]] = [range(dataset.seenEnds), range(dataset.seenPicks)];
    this.nearAt = this.placeOf({ firstEnd, lastEnd, firstPick, lastPick });
    frame.classList.add("cloth-live");
    frame.tabIndex = 0;
    frame.setAttribute("role", "group");
    frame.setAttribute("aria-label", "The cloth. Arrow keys move it, plus and minus go closer and farther, 0 shows the whole.");
    this.pointers = new Map();
    this.fitFrame();
    this.view = { x: this.width / 2, y: this.height / 2, scale: 1 };
    this.goal = { ...this.view };
    this.showPart(this.nearAt);
    this.listen();
    this.askForWhole();
    this.later();
  }

  // --- cloth and screen

  get isBack() {
    return new FormData(this.form).get("side") === "back";
  }

  /** Where a part of the cloth lies, in centimetres from the upper left as it is seen. */
  placeOf({ firstEnd, lastEnd, firstPick, lastPick }) {
    const [wide, high] = [this.width / this.ends, this.height / this.picks];
    return {
      left: (this.isBack ? this.ends - lastEnd : firstEnd) * wide,
      top: (this.picks - lastPick) * high,
      width: (lastEnd - firstEnd) * wide,
      height: (lastPick - firstPick) * high,
    };
  }

  /** The ends and picks that are in sight, and a part of the frame more on each side. */
  inSight(more = 0) {
    const { clientWidth, clientHeight } = this.frame;
    const { x, y, scale } = this.goal;
    const [halfWide, halfHigh] = [clientWidth, clientHeight].map((side) => (side * (0.5 + more)) / scale);
    const [perEnd, perPick] = [this.ends / this.width, this.picks / this.height];
    const [left, right] = [(x - halfWide) * perEnd, (x + halfWide) * perEnd];
    const whole = (low, high, most) => [clamp(Math.floor(low), 0, most - 1), clamp(Math.ceil(high), 1, most)];
    const [firstEnd, lastEnd] = this.isBack
      ? whole(this.ends - right, this.ends - left, this.ends)
      : whole(left, right, this.ends);
    const [firstPick, lastPick] = whole(
      (this.height - y - halfHigh) * perPick,
      (this.height - y + halfHigh) * perPick,
      this.picks,
    );
    return { firstEnd, lastEnd, firstPick, lastPick };
  }

  /** A wide cloth needs no high frame. */
  fitFrame() {
    this.frame.style.height = "";
    const { clientWidth, clientHeight } = this.frame;
    const needed = Math.max(LOWEST_FRAME, (clientWidth * this.height) / this.width / MARGIN);
    if (needed < clientHeight) this.frame.style.height = `${needed}px`;
  }

  get fits() {
    return MARGIN * Math.min(this.frame.clientWidth / this.width, this.frame.clientHeight / this.height);
  }

  get closest() {
    return Math.max(this.fits, FEWEST_DOTS * Math.min(this.ends / this.width, this.picks / this.height));
  }

  // --- going somewhere

  showPart({ left, top, width, height }) {
    const scale = MARGIN * Math.min(this.frame.clientWidth / width, this.frame.clientHeight / height);
    this.go({ x: left + width / 2, y: top + height / 2, scale }, true);
  }

  go({ x, y, scale }, atOnce = false) {
    const { clientWidth, clientHeight } = this.frame;
    const goal = { scale: clamp(scale, this.fits, this.closest) };
    const [halfWide, halfHigh] = [clientWidth / 2 / goal.scale, clientHeight / 2 / goal.scale];
    goal.x = halfWide * 2 >= this.width ? this.width / 2 : clamp(x, halfWide, this.width - halfWide);
    goal.y = halfHigh * 2 >= this.height ? this.height / 2 : clamp(y, halfHigh, this.height - halfHigh);
    this.goal = goal;
    if (atOnce || still.matches) this.view = { ...goal };
    this.frame.classList.toggle("cloth-near", goal.scale > this.fits * 1.01);
    this.moving ??= requestAnimationFrame(() => this.move());
    this.later();
  }

  /** Closer by a factor, so that what is at a place of the frame stays there. */
  closer(factor, px = this.frame.clientWidth / 2, py = this.frame.clientHeight / 2, atOnce = false) {
    const { x, y, scale } = this.goal;
    const then = clamp(scale * factor, this.fits, this.closest);
    const [dx, dy] = [px - this.frame.clientWidth / 2, py - this.frame.clientHeight / 2];
    this.go({ x: x + dx / scale - dx / then, y: y + dy / scale - dy / then, scale: then }, atOnce);
    return then !== scale;
  }

  pan(dx, dy, atOnce = false) {
    const { x, y, scale } = this.goal;
    this.go({ x: x - dx / scale, y: y - dy / scale, scale }, atOnce);
  }

  way(way) {
    const [wide, high] = [this.frame.clientWidth / 3, this.frame.clientHeight / 3];
    const ways = {
      closer: () => this.closer(2),
      farther: () => this.closer(0.5),
      left: () => this.pan(wide, 0),
      right: () => this.pan(-wide, 0),
      up: () => this.pan(0, high),
      down: () => this.pan(0, -high),
      whole: () => this.go({ x: 0, y: 0, scale: 0 }),
    };
    ways[way]();
  }

  move() {
    this.moving = null;
    const { view, goal } = this;
    let isThere = true;
    for (const key of ["x", "y", "scale"]) {
      const rest = goal[key] - view[key];
      const near = Math.abs(rest) < (key === "scale" ? goal.scale / 500 : 0.4 / goal.scale);
      view[key] = near ? goal[key] : view[key] + rest * 0.3;
      isThere &&= near;
    }
    this.put(this.whole, { left: 0, top: 0, width: this.width, height: this.height });
    this.put(this.near, this.nearAt);
    if (!isThere) this.moving = requestAnimationFrame(() => this.move());
  }

  put(picture, { left, top, width, height }) {
    if (!picture.naturalWidth) return;
    const { x, y, scale } = this.view;
    const [px, py] = [(left - x) * scale + this.frame.clientWidth / 2, (top - y) * scale + this.frame.clientHeight / 2];
    const [sx, sy] = [(width * scale) / picture.naturalWidth, (height * scale) / picture.naturalHeight];
    picture.style.transform = `translate(${px}px, ${py}px) scale(${sx}, ${sy})`;
  }

  // --- asking for pictures

  address(base, part, width) {
    const asked = new URLSearchParams(new FormData(this.form));
    asked.delete("ends");
    asked.delete("picks");
    if (part) {
      asked.set("ends", `${part.firstEnd + 1}-${part.lastEnd}`);
      asked.set("picks", `${part.firstPick + 1}-${part.lastPick}`);
    }
    const { markEnds, markPicks } = this.frame.dataset;
    if (markEnds) asked.set("mark_ends", markEnds);
    if (markPicks) asked.set("mark_picks", markPicks);
    if (width) asked.set("width", width);
    return `${base}?${asked}`;
  }

  dots(place, scale, most) {
    const sharp = Math.min(devicePixelRatio || 1, 2) * scale;
    const fit = Math.min(1, Math.sqrt(most / (place.width * place.height * sharp ** 2)));
    return Math.max(1, Math.floor(place.width * sharp * fit));
  }

  async askForWhole() {
    const place = { width: this.width, height: this.height };
    this.whole.src = this.address(this.frame.dataset.picture, null, this.dots(place, this.fits * 2, WHOLE_DOTS));
    await this.whole.decode().catch(() => {});
    this.moving ??= requestAnimationFrame(() => this.move());
  }

  later() {
    this.waiting ??= setTimeout(() => this.ask(), ASK_MS);
  }

  async ask() {
    const part = this.inSight(0.2);
    const place = this.placeOf(part);
    const address = this.address(this.frame.dataset.picture, part, this.dots(place, this.goal.scale, MOST_DOTS));
    const goal = this.goal;
    if (address !== this.asked) {
      const next = new Image();
      next.src = address;
      try {
        await next.decode();
        this.asked = address;
        next.alt = this.near.alt;
        this.near.replaceWith(next);
        this.near = next;
        this.nearAt = place;
        this.moving ??= requestAnimationFrame(() => this.move());
      } catch {
        // no picture came: the coarse one stays, and the next move asks again
      }
    }
    this.waiting = null;
    if (goal !== this.goal) this.later();
    else this.tell();
  }

  /** Where she is, in words, in the address, and in what the forms send. */
  tell() {
    const part = this.inSight();
    const isWhole = this.goal.scale <= this.fits * 1.01;
    const [first, last] = this.frame.dataset.from === "right"
      ? [this.ends - part.lastEnd + 1, this.ends - part.firstEnd]
      : [part.firstEnd + 1, part.lastEnd];
    const words = `nds ${told(first)}–${told(last)}, picks ${told(part.firstPick + 1)}–${told(part.lastPick)}`;
    const said = isWhole ? `The whole cloth, e${words}` : `E${words}`;
    if (this.words.textContent !== said) this.words.textContent = said;
    this.near.alt = `The cloth: e${words}`;
    history.replaceState(history.state, "", this.address(this.frame.dataset.page, isWhole ? null : part));
  }

  // --- hands

  at({ clientX, clientY }) {
    const box = this.frame.getBoundingClientRect();
    return [clientX - box.left - this.frame.clientLeft, clientY - box.top - this.frame.clientTop];
  }

  listen() {
    const { frame } = this;
    frame.addEventListener("pointerdown", (event) => this.down(event));
    frame.addEventListener("pointermove", (event) => this.drag(event));
    frame.addEventListener("pointerup", (event) => this.up(event));
    frame.addEventListener("pointercancel", (event) => this.up(event));
    frame.addEventListener("dragstart", (event) => event.preventDefault());
    frame.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    frame.addEventListener("keydown", (event) => this.key(event));
    addEventListener("resize", () => {
      this.fitFrame();
      this.go(this.goal, true);
    });
    document.querySelectorAll("[data-way]").forEach((link) => {
      link.setAttribute("role", "button");
      link.addEventListener("click", (event) => {
        event.preventDefault();
        this.way(link.dataset.way);
      });
      link.addEventListener("keydown", (event) => {
        if (event.key !== " ") return;
        event.preventDefault();
        this.way(link.dataset.way);
      });
    });
    this.form.addEventListener("change", ({ target }) => this.chosen(target));
  }

  down(event) {
    if (event.button) return;
    this.frame.setPointerCapture(event.pointerId);
    this.pointers.set(event.pointerId, this.at(event));
    this.pressed = this.pointers.size === 1 ? { at: this.at(event), time: event.timeStamp } : null;
    this.frame.classList.add("cloth-held");
  }

  drag(event) {
    const before = this.pointers.get(event.pointerId);
    if (!before) return;
    const now = this.at(event);
    if (this.pressed) {
      const far = Math.hypot(now[0] - this.pressed.at[0], now[1] - this.pressed.at[1]) > TAP_PX;
      if (!far) return;
      this.pressed = null;
    }
    const other = [...this.pointers].find(([id]) => id !== event.pointerId)?.[1];
    if (other) {
      const span = (a) => Math.max(1, Math.hypot(a[0] - other[0], a[1] - other[1]));
      const middle = (a, axis) => (a[axis] + other[axis]) / 2;
      this.pan(middle(now, 0) - middle(before, 0), middle(now, 1) - middle(before, 1), true);
      this.closer(span(now) / span(before), middle(now, 0), middle(now, 1), true);
    } else {
      this.pan(now[0] - before[0], now[1] - before[1], true);
    }
    this.pointers.set(event.pointerId, now);
  }

  up(event) {
    if (!this.pointers.delete(event.pointerId)) return;
    const { pressed } = this;
    this.pressed = null;
    if (!this.pointers.size) this.frame.classList.remove("cloth-held");
    if (event.type === "pointerup" && pressed && event.timeStamp - pressed.time < TAP_MS) {
      this.closer(2.5, ...pressed.at);
    }
  }

  wheel(event) {
    const pixels = event.deltaY * [1, 30, 300][event.deltaMode];
    // at either end of the way the page may scroll on
    if (this.closer(Math.exp(-clamp(pixels, -240, 240) / 320), ...this.at(event))) event.preventDefault();
  }

  key(event) {
    const ways = {
      ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down",
      "+": "closer", "=": "closer", "-": "farther", "−": "farther", 0: "whole", Home: "whole",
    };
    const way = ways[event.key];
    if (!way || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    this.way(way);
  }

  /** Another side or another yarn: the same place, and every address on the page goes along. */
  chosen(field) {
    if (field.name === "side") {
      this.view.x = this.width - this.view.x;
      this.goal = { ...this.goal, x: this.width - this.goal.x };
      // until the other side is drawn, what is seen stays where it is
      this.nearAt = { ...this.nearAt, left: this.width - this.nearAt.left - this.nearAt.width };
    }
    const swatch = field.closest(".cloth-yarn")?.querySelector(".yarn");
    if (swatch) swatch.setAttribute("class", `yarn yarn-${field.value}`);
    document.querySelectorAll(`a[href^="${this.frame.dataset.page}?"]`).forEach((link) => {
      if (field.name === "side" && link.closest(".float-lines")) return;
      const address = new URL(link.href);
      address.searchParams.set(field.name, field.value);
      link.setAttribute("href", `${address.pathname}${address.search}${address.hash}`);
    });
    document.querySelectorAll(`input[type=hidden][name=${field.name}]`).forEach((hidden) => {
      hidden.value = field.value;
    });
    this.askForWhole();
    this.go(this.goal);
  }
}

const frame = document.querySelector("[data-cloth]");
if (frame) {
  document.querySelectorAll("[data-without-script]").forEach((element) => (element.hidden = true));
  document.querySelectorAll("[data-with-script]").forEach((element) => (element.hidden = false));
  new Cloth(frame);
}
