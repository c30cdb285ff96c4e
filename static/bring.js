// Bringing something in: what comes of it is shown at once, whatever is chosen. The file goes along each time.
const REST_MS = 250;
const PATIENCE_MS = 60_000;
const NO_ANSWER = "No answer came, so nothing was kept. Is the computer on?";

const form = document.querySelector("form.bring");
const shown = document.getElementById("shown");
const says = document.getElementById("bring-says");

const file = () => form.elements.file;
const chart = () => form.elements.chart;
const hasSomething = () => file().files.length > 0 || chart().value.trim() !== "";

const refuse = (text) => {
  const line = document.createElement("p");
  line.className = "said bring-refusal";
  line.setAttribute("role", "alert");
  line.textContent = text;
  shown.querySelector(":scope > .said")?.remove();
  shown.prepend(line);
  shown.classList.remove("bring-empty");
};

// What is chosen and what is shown belong together: only what this kind of file asks for is on the page.
const take = (fragment) => {
  shown.innerHTML = fragment;
  shown.classList.remove("bring-empty");
  const told = shown.querySelector("[data-kind]");
  if (told) form.dataset.kind = told.dataset.kind || "none";
  if (told?.dataset.name) form.elements.name.placeholder = told.dataset.name;
  says.textContent = shown.querySelector(":scope > .said:not([role]), .bring-facts li")?.textContent ?? "";
};

// What is sent under one key counts once; another file, or the same one again on purpose, has another.
const newKey = () => { form.elements.key.value = Math.random().toString(36).slice(2) + Date.now().toString(36); };

const send = async (address, body, signal) => {
  const answer = await fetch(address, { method: "POST", body, headers: { "hx-request": "true" }, signal });
  if (answer.status === 204) {
    newKey();
    location.assign(answer.headers.get("hx-redirect"));
    return false;
  }
  const text = await answer.text();
  if (answer.ok || answer.status === 422) take(text);
  else refuse(new DOMParser().parseFromString(text, "text/html").querySelector("main p")?.textContent ?? NO_ANSWER);
  return true;
};

let asked = null;
let waiting = 0;

const isTooLarge = () => file().files[0]?.size > Number(form.dataset.most);

const preview = async () => {
  clearTimeout(waiting);
  asked?.abort();
  if (!hasSomething()) return;
  if (isTooLarge()) {
    refuse("The file is larger than 20 MB, the most that can be brought in here.");
    return;
  }
  asked = new AbortController();
  const { signal } = asked;
  shown.setAttribute("aria-busy", "true");
  try {
    await send(form.dataset.preview, new FormData(form), AbortSignal.any
      ? AbortSignal.any([signal, AbortSignal.timeout(PATIENCE_MS)]) : signal);
  } catch {
    if (signal.aborted) return;
    refuse(NO_ANSWER);
  }
  shown.removeAttribute("aria-busy");
};

// On a narrow screen what comes of a file is below what asks for it.
const lookAtIt = () => {
  const drawings = shown.querySelector(".bring-drawings");
  if (drawings && drawings.getBoundingClientRect().bottom > innerHeight) drawings.scrollIntoView();
};

const keep = async (button) => {
  clearTimeout(waiting);
  asked?.abort();
  const body = new FormData(form);
  body.append(button.name, button.value);
  button.disabled = true;
  try {
    if (!await send(form.action, body)) return;
  } catch {
    refuse(NO_ANSWER);
  }
  button.disabled = false;
};

form.addEventListener("input", ({ target }) => {
  newKey();
  if (target === chart()) file().value = "";
  if (target === file()) chart().value = "";
  if (target.name === "level") form.elements.level_by.value = "hand";
  if (target.name === "at") form.elements.place.value = "at";
  if (target.name === "name" || target.name === "after") return;
  clearTimeout(waiting);
  if (target === file()) preview().then(lookAtIt);
  else waiting = setTimeout(preview, REST_MS);
});

form.addEventListener("submit", (event) => {
  event.preventDefault();
  const button = event.submitter;
  if (button?.name === "do") keep(button);
  else preview();
});

form.classList.add("bring-at-once");
if (!form.dataset.kind) form.dataset.kind = "none";
if (hasSomething()) preview(); // the browser filled the form in again
