// The loom on paper: the drawing and the counts follow what is typed, a touched line shows what rises with it, and
// what is typed outlasts leaving the page.
import { read, remove, write } from "./store.js";

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
  const left = scroll?.scrollLeft ?? 0;
  const below = scroll ? scroll.scrollHeight - scroll.clientHeight - scroll.scrollTop : 0; // the nearest shaft stays
  const open = [...there.querySelectorAll("details[open]")].map((details) => details.id);
  const focused = there.contains(document.activeElement) ? document.activeElement.id : "";
  there.replaceWith(part);
  const now = part.querySelector(".hanging-scroll");
  now?.scrollTo(left, now.scrollHeight - now.clientHeight - below);
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

// What is wrong with a field is told beside it, where she types; it is above the drawing for the ear only then.
const markField = () => {
  for (const told of form().querySelectorAll(".field-wrong")) told.remove();
  for (const field of form().querySelectorAll("[aria-invalid]")) {
    field.removeAttribute("aria-invalid");
    field.removeAttribute("aria-describedby");
  }
  const said = document.getElementById("warp-said");
  const field = document.getElementById(said.dataset.field);
  const isBeside = field !== null && field.checkVisibility() && said.textContent.trim() !== "";
  said.classList.toggle("visually-hidden", isBeside && document.querySelector(".hanging") !== null);
  field?.setAttribute("aria-invalid", "true");
  if (!isBeside) return;
  field.setAttribute("aria-describedby", "wrong");
  const told = document.createElement("p");
  told.id = "wrong";
  told.className = "field-wrong";
  told.textContent = said.textContent.trim();
  (field.closest(".warp-field") ?? field).after(told);
  if (field === document.activeElement) told.scrollIntoView({ block: "nearest" });
};

// A drawing stays as it was while what is typed cannot be hung.
const show = (page) => {
  const isDrawn = page.querySelector(".hanging") !== null;
  const drawn = isDrawn ? ["warp-seen", "warp-mark", "warp-counts", "warp-warnings"] : [];
  for (const id of ["warp-said", ...drawn]) put(page.getElementById(id));
  const { needed } = document.getElementById("warp-counts").dataset;
  if (needed) document.getElementById("pattern_shafts").placeholder = `as needed: ${needed}`;
  markField();
};

const follow = async () => {
  const page = await ask("/warps/preview", typed());
  if (!page) return;
  show(page);
  put(page.getElementById("warp-counters"));
  const tie = page.getElementById("warp-tie");
  if (tie.dataset.size !== document.getElementById("warp-tie").dataset.size) put(tie);
};

// Single cords that are all alike have no mirror image to speak of.
const offerMirror = () => {
  const isEven = (field) => new Set(field.value.match(/[0-9]+/g)).size <= 1;
  for (const part of form().querySelectorAll(".warp-part")) {
    const counts = part.querySelectorAll("[id$=-ends], [id$=-each]");
    part.querySelector(".of-mirror").classList.toggle("not-single", [...counts].every(isEven));
  }
};

let waiting = 0;

document.addEventListener("input", (event) => {
  if (!event.target.closest("#warp-form") || event.target.name === "mark") return;
  offerMirror();
  clearTimeout(waiting);
  waiting = setTimeout(() => {
    keepDraft();
    follow();
  }, QUIET_MS);
});

// --- buttons that change the form ---

document.addEventListener("submit", async (event) => {
  const button = event.submitter;
  if (event.target !== form()) return;
  if (["keep", "another"].includes(button?.value)) {
    leaveToKeep();
    return;
  }
  event.preventDefault();
  clearTimeout(waiting);
  const page = await ask(form().action, typed(button));
  if (!page) return;
  const next = page.querySelector("#warp-form [autofocus]");
  next?.removeAttribute("autofocus"); // it is for a page that is loaded
  for (const id of ["warp-parts", "warp-ground"]) put(page.getElementById(id));
  show(page);
  const message = page.querySelector("#main > .said");
  if (message) {
    const said = document.getElementById("warp-said");
    said.classList.remove("visually-hidden");
    said.replaceChildren(message);
    said.scrollIntoView({ block: "center" });
  }
  keepDraft();
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
  showMarked();
};

// The first unit that rises is brought into sight, unless one is.
const showMarked = () => {
  const line = document.querySelector(".hanging-line.is-marked");
  if (!line) return;
  const scroll = line.closest(".hanging-scroll");
  const drawing = line.ownerSVGElement;
  const scale = drawing.clientWidth / drawing.viewBox.baseVal.width;
  const covered = scroll.querySelector(".hanging-labels").clientWidth;
  const path = line.querySelector(".hanging-dots").getAttribute("d");
  const dots = [...path.matchAll(/M([\d.]+) ([\d.]+)/g)].map(([, x, y]) => [covered + x * scale, y * scale]);
  if (!dots.length) return;
  const isSeen = ([x, y]) =>
    x > scroll.scrollLeft + covered && x < scroll.scrollLeft + scroll.clientWidth &&
    y > scroll.scrollTop && y < scroll.scrollTop + scroll.clientHeight;
  if (dots.some(isSeen)) return;
  const [x, y] = dots[0];
  scroll.scrollTo(x - covered - (scroll.clientWidth - covered) / 3, y - scroll.clientHeight / 2);
};

document.addEventListener("change", (event) => {
  if (event.target.id === "mark") mark(event.target.value);
});

document.addEventListener("click", (event) => {
  const line = event.target.closest(".hanging-line");
  if (line) mark(line.classList.contains("is-marked") ? "" : line.dataset.line);
});

// --- what is typed and not kept ---

// Under the database's own name: another has a warp of the same number.
const HERE = form().getAttribute("action");
const DRAFT = `warp ${document.documentElement.dataset.database} ${HERE}`;
const SENT = "warp sent to be kept";
const NOT_TYPED = ["seen", "of", "mark", "unfold"];

const entries = () => [...new FormData(form())];
const asText = (list) => JSON.stringify(list.filter(([name]) => !NOT_TYPED.includes(name)));

// What the form says that is kept; null where the page came with something else in it.
const kept = form().hasAttribute("data-is-kept") ? asText(entries()) : null;
let isWaiting = false; // for a draft that could not be put back: it is not written over
let isMine = false; // a draft of another page is not removed by one in which nothing was typed
let isLeaving = false;

const isTyped = () => asText(entries()) !== kept;

const keepDraft = () => {
  if (isWaiting || isLeaving) return;
  if (isTyped()) {
    isMine = true;
    write(DRAFT, { entries: entries() });
  } else if (isMine) {
    remove(DRAFT);
  }
};

const leaveToKeep = () => {
  keepDraft(); // it may not come to be kept
  isLeaving = true;
  try {
    sessionStorage.setItem(SENT, DRAFT);
  } catch { /* then the draft is offered once more */ }
};

const dropSent = () => {
  try {
    const sent = sessionStorage.getItem(SENT);
    sessionStorage.removeItem(SENT);
    if (sent && kept !== null && new URLSearchParams(location.search).get("said") === "kept") remove(sent);
  } catch { /* no draft was noted */ }
};

const drop = () => {
  remove(DRAFT);
  isLeaving = true;
  location.replace(HERE);
};

const tell = (which) => {
  const place = document.getElementById("warp-draft");
  place.hidden = false;
  place.replaceChildren(
    ...[which, "draft-drop"].map((id) => document.getElementById(id).content.cloneNode(true)),
  );
  place.querySelector("button").addEventListener("click", drop);
};

const putBack = async () => {
  const draft = read(DRAFT)?.entries;
  const isPair = (pair) => Array.isArray(pair) && pair.length === 2 && pair.every((text) => typeof text === "string");
  if (kept === null || !Array.isArray(draft) || !draft.every(isPair)) return;
  if (asText(draft) === kept) {
    remove(DRAFT);
    return;
  }
  isWaiting = form().inert = true;
  const page = await ask(form().action, new URLSearchParams(draft));
  form().inert = false;
  if (!page) {
    tell("draft-waits");
    return;
  }
  isWaiting = false;
  isMine = true;
  put(page.getElementById("warp-form"));
  tell("draft-is-back");
  begin();
  markField();
};

addEventListener("beforeunload", (event) => {
  keepDraft();
  if (!isLeaving && isTyped()) event.preventDefault();
});

addEventListener("visibilitychange", keepDraft); // where nothing tells that the page is left

// A page that comes back as it was left may show what was kept since.
addEventListener("pageshow", (event) => {
  if (!event.persisted) return;
  isLeaving = true;
  location.reload();
});

const begin = () => {
  document.querySelector(".warp-show").hidden = true; // the drawing follows by itself
  offerMirror();
  nearestFirst();
  showMarked();
};

begin();
dropSent();
putBack();
