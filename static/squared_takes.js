// What weaving the design takes besides the weaving, counted along while it is drawn; it never holds the pencil up.
const REST_MS = 600;
const AGAIN_MS = 2500;
const STILL = "Still working it out.";

export class Takes {
  // `go` leads to a row of a band.
  constructor(design, go) {
    this.address = `/designs/${design}/takes`;
    this.go = go;
    this.places = []; // that it told of
    this.shown = 0; // number of the band on the desk
    const byId = (id) => document.getElementById(id);
    [this.line, this.to, this.more] = [byId("takes"), byId("takes-to"), byId("takes-more")];
    this.place = document.querySelector(".sq-takes");
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
    const slow = setTimeout(() => this.say({ said: STILL, can: true }), 1500);
    try {
      const answer = await fetch(this.address, { signal: asking.signal });
      const answered = await answer.json();
      if (this.asking !== asking) return;
      this.say(answered);
      if (answered.again) this.later(AGAIN_MS);
    } catch {
      if (this.asking === asking) this.later(2 * AGAIN_MS);
    } finally {
      clearTimeout(slow);
    }
  }

  // Planning is what is to be done now only where something is drawn, and the loom can weave it.
  say({ said, can = true, empty = false, more = "", places = [] }) {
    if (this.line.textContent !== said) this.line.textContent = said;
    this.place.classList.toggle("cannot", !can);
    this.place.classList.toggle("not-yet", !can || empty);
    this.more.hidden = !more;
    this.more.lastElementChild.textContent = more;
    this.places = places;
    this.showPlaces();
  }

  // The band is told only where it is another than that on the desk.
  showPlaces(shown = this.shown) {
    this.shown = shown;
    this.to.hidden = !this.places.length;
    this.to.replaceChildren(...this.places.map(({ band, row, words }) => {
      const textContent = band === shown ? `To row ${row}` : words;
      const button = Object.assign(document.createElement("button"), { type: "button", textContent });
      button.addEventListener("click", () => this.go(band, row - 1));
      return button;
    }));
  }
}
