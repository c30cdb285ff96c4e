// The weaver's own box of figures.
const PICTURE = 54; // pixels across

export class Box {
  // `take` is told which figure is wanted, `tell` what is to be said.
  constructor(take, tell) {
    Object.assign(this, { take, tell });
    this.list = document.getElementById("figures");
    this.box = document.getElementById("box");
    this.box.addEventListener("toggle", () => this.box.open && this.open());
  }

  async ask(address, options) {
    try {
      const answer = await fetch(address, options);
      const said = await answer.json();
      if (answer.ok) return said;
      this.tell(said.sentence);
    } catch {
      this.tell("The computer does not answer, so the box cannot be opened now. Drawing goes on.");
    }
    return null;
  }

  async open() {
    const figures = await this.ask("/figures");
    if (!figures) return;
    this.list.replaceChildren(...figures.map((figure) => this.entry(figure)));
    document.getElementById("box-empty").hidden = figures.length > 0;
  }

  entry(figure) {
    const wide = figure.rows[0].length;
    const take = Object.assign(document.createElement("button"), { type: "button", className: "figure-take" });
    const words = document.createElement("span");
    const name = Object.assign(document.createElement("bdi"), { textContent: figure.name });
    words.append(name, ` ${wide} × ${figure.rows.length}`);
    take.append(picture(figure.rows), words);
    take.addEventListener("click", () => this.take(figure));
    const away = Object.assign(document.createElement("button"), {
      type: "button", className: "figure-away", textContent: "Throw away",
    });
    away.setAttribute("aria-label", `Throw away: ${figure.name}`);
    let isAway = false;
    away.addEventListener("click", async () => {
      if (!(await this.ask(`/figures/${figure.id}/away${isAway ? "?back=1" : ""}`, { method: "POST" }))) return;
      isAway = !isAway;
      take.disabled = isAway;
      away.textContent = isAway ? "Bring back" : "Throw away";
      away.setAttribute("aria-label", `${away.textContent}: ${figure.name}`);
    });
    const entry = document.createElement("li");
    entry.append(take, away);
    return entry;
  }

  // True if it is in the box.
  async keep(name, rows) {
    const said = await this.ask("/figures", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ name, rows }),
    });
    if (!said) return false;
    this.tell(`“${name.trim() || "A figure"}” is in the box.`);
    this.box.open = true;
    this.open();
    return true;
  }
}

const picture = (rows) => {
  const ratio = devicePixelRatio || 1;
  const size = Math.round(PICTURE * ratio);
  const canvas = Object.assign(document.createElement("canvas"), { width: size, height: size });
  canvas.setAttribute("aria-hidden", "true");
  const pen = canvas.getContext("2d");
  const style = getComputedStyle(document.documentElement);
  const square = size / Math.max(rows.length, rows[0].length);
  const [left, bottom] = [(size - square * rows[0].length) / 2, (size + square * rows.length) / 2];
  pen.fillStyle = style.getPropertyValue("--paper");
  pen.fillRect(left, bottom - square * rows.length, square * rows[0].length, square * rows.length);
  pen.fillStyle = style.getPropertyValue("--lifted");
  rows.forEach((line, row) => {
    for (const { 0: run, index } of line.matchAll(/#+/g)) {
      pen.fillRect(left + index * square, bottom - (row + 1) * square, run.length * square, Math.max(square, 1));
    }
  });
  return canvas;
};
