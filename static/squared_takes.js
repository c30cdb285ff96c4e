// What weaving the design takes besides the weaving, counted along while it is drawn; it never holds the pencil up.
const REST_MS = 600;
const AGAIN_MS = 2500;
const STILL = "Still working it out.";

export class Takes {
  constructor(design, line) {
    this.address = `/designs/${design}/takes`;
    this.line = line;
    this.mark = "";
  }

  // The drawing has another mark; only the newest is asked about.
  ask(mark) {
    if (mark === this.mark) return;
    this.mark = mark;
    this.later(REST_MS);
  }

  later(wait) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.look(), wait);
  }

  async look() {
    this.asking?.abort();
    const asking = new AbortController();
    this.asking = asking;
    const slow = setTimeout(() => this.say(STILL, true), 1500);
    try {
      const answer = await fetch(this.address, { signal: asking.signal });
      const { said, can = true, again = false } = await answer.json();
      if (this.asking !== asking) return;
      this.say(said, can);
      if (again) this.later(AGAIN_MS);
    } catch {
      if (this.asking === asking) this.later(2 * AGAIN_MS);
    } finally {
      clearTimeout(slow);
    }
  }

  say(words, can) {
    if (this.line.textContent !== words) this.line.textContent = words;
    this.line.parentElement.classList.toggle("cannot", !can);
  }
}
