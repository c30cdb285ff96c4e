// The loom on paper: the drawing and the counts follow what is typed, and a touched line shows what rises with it.
const QUIET_MS = 250;

const form = () => document.getElementById("warp-form");

// Of a drawing that is too high, what is nearest to the weaver is seen first.
const nearestFirst = () => document.querySelector(".hanging-scroll")?.scrollTo(0, 1e6);

// --- parts of the page that are put in anew ---

// Where she was in it stays: what is scrolled, what is open, what has the focus.
const put = (part) => {
  const there = part && document.getElementById(part.id);
  if (!there || there.isEqualNode(part)) return;
  const scroll = there.querySelector(".hanging-scroll");
  const [left, top] = [scroll?.scrollLeft ?? 0, scroll?.scrollTop ?? 1e6];
  const open = [...there.querySelectorAll("details[open]")].map((details) => details.id);
  const focused = there.contains(document.activeElement) ? document.activeElement.id : "";
  there.replaceWith(part);
  part.querySelector(".hanging-scroll")?.scrollTo(left, top);
  for (const id of open) document.getElementById(id)?.setAttribute("open", "");
  if (focused) document.getElementById(focused)?.focus();
};

let asking = null;

// The page that answers; null where none came, or another is on its way.
const ask = async (address, content) => {
  asking?.abort();
  asking = new AbortController();
  try {
    const answer = await fetch(address, { method: "POST", body: content, signal: asking.signal });
    if (!answer.ok && answer.status !== 422) return null;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    return page.getElementById("warp-said") && page;
  } catch {
    return null; // what is typed stays, and is read when it is kept
  }
};

const typed = (button) => new URLSearchParams(new FormData(form(), button));

// --- what follows from what is typed ---

// What is wrong is told in the drawing's place, which stays in sight; its field is marked.
const markField = (name) => {
  for (const field of form().querySelectorAll("[aria-invalid]")) field.removeAttribute("aria-invalid");
  if (name) document.getElementById(name)?.setAttribute("aria-invalid", "true");
};

// A drawing stays as it was while what is typed cannot be hung.
const show = (page) => {
  const isDrawn = page.querySelector(".hanging") !== null;
  for (const id of isDrawn ? ["warp-seen", "warp-counts", "warp-warnings"] : ["warp-said"]) put(page.getElementById(id));
  markField(document.getElementById("warp-said").dataset.field);
};

const follow = async () => {
  const page = await ask("/warps/preview", typed());
  if (!page) return;
  show(page);
  put(page.getElementById("warp-counters"));
  const tie = page.getElementById("warp-tie");
  if (tie.dataset.size !== document.getElementById("warp-tie").dataset.size) put(tie);
};

let waiting = 0;

document.addEventListener("input", (event) => {
  if (!event.target.closest("#warp-form") || event.target.name === "mark") return;
  clearTimeout(waiting);
  waiting = setTimeout(follow, QUIET_MS);
});

// --- buttons that change the form ---

document.addEventListener("submit", async (event) => {
  const button = event.submitter;
  if (event.target !== form() || ["keep", "another"].includes(button?.value)) return;
  event.preventDefault();
  clearTimeout(waiting);
  const page = await ask(form().action, typed(button));
  if (!page) return;
  const next = page.querySelector("#warp-form [autofocus]");
  next?.removeAttribute("autofocus"); // it is for a page that is loaded
  for (const id of ["warp-parts", "warp-ground"]) put(page.getElementById(id));
  show(page);
  const message = page.querySelector("#main > .said");
  if (message) document.getElementById("warp-said").replaceChildren(message);
  if (next) document.getElementById(next.id).focus();
});

// --- what rises together ---

const mark = (key) => {
  const choice = document.getElementById("mark");
  choice.value = key;
  for (const line of document.querySelectorAll(".hanging-line")) {
    line.classList.toggle("is-marked", key !== "" && line.dataset.line === key);
  }
  document.getElementById("mark-says").textContent = choice.selectedOptions[0]?.dataset.says ?? "";
};

document.addEventListener("change", (event) => {
  if (event.target.id === "mark") mark(event.target.value);
});

document.addEventListener("click", (event) => {
  const line = event.target.closest(".hanging-line");
  if (line) mark(line.classList.contains("is-marked") ? "" : line.dataset.line);
});

nearestFirst();

// the drawing follows by itself, so nothing need be asked for
document.querySelector(".warp-show").hidden = true;
