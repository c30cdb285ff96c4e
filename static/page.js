// What every script of the page at the loom looks up in it.
const PASSING_MS = 4000;
const QUIET_MS = 20000;

export const main = () => document.querySelector("main[data-here]");
export const nextButton = () => document.querySelector("main[data-here] button[data-next]");
export const backButton = () => document.querySelector("main[data-here] button.back");
const shown = (name) => Number(document.querySelector(`main[data-here] [name=${name}]`)?.value ?? -1);
export const shownTurn = () => shown("turn");
export const shownCard = () => shown("card");

// What is set on this device; the server writes it on the page's root.
export const setting = (name) => document.documentElement.dataset[name] ?? "";

// The one place where a message stands while scripts run. It is in the page before there is anything to say,
// so that it is read out, once.
const said = () => {
  let place = document.getElementById("said");
  if (!place) {
    place = document.createElement("p");
    place.id = "said";
    place.className = "said";
    place.setAttribute("role", "status");
    main().before(place);
  }
  return place;
};

// What is seen elsewhere already is only read out: it takes no room.
export const tell = (text, isSeen = false) => {
  const place = said();
  place.classList.toggle("visually-hidden", isSeen);
  if (place.textContent !== text) place.textContent = text;
};

// What another screen did goes away by itself, and where one hears of it all the time it is only read out.
let last = "";
let seenAt = -QUIET_MS;
export const tellInPassing = (text) => {
  const now = performance.now();
  if (now - seenAt >= QUIET_MS) {
    seenAt = now;
    setTimeout(() => said().textContent === last && tell(""), PASSING_MS);
  }
  last = text;
  tell(text, now - seenAt >= PASSING_MS);
};

// A message that came with the instruction itself stands in that place too.
export const takeMessage = () => {
  const sent = main().querySelector(":scope > .said");
  sent?.remove();
  return sent?.textContent ?? "";
};
